"""A contract priced as a whole: volume, crews, cost, price forms, sensitivity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from rehit.costs.contract_aggregate import (
    Aggregate,
    discretise_costs,
    fourier,
    mixed_poisson,
    simulate_totals,
)
from rehit.costs.contract_calendar import local_clock, working_days
from rehit.costs.contract_cost import (
    LINES,
    Capacity,
    estimate_error,
    job_work,
    late_shares,
    simulate_work,
    year_cost,
)
from rehit.costs.contract_crews import choose_crews
from rehit.costs.contract_index import LINES as INDEX_LINES
from rehit.costs.contract_index import expected_indices, index_paths, indexed_price
from rehit.costs.contract_jobs import SIZES, with_effort
from rehit.costs.contract_price import Outlook, cost_summary, form_bases, price_forms
from rehit.costs.contract_queue import QueueRun, Standards, crew_calendar, needs_callout
from rehit.costs.contract_volume import CLASS, Volume, predict_volume
from rehit.parameters import Parameters, load_parameters

_SPARE_YEARS = 2
_MIX_POINTS = 400


@dataclass(frozen=True)
class Contract:
    """A priced contract.

    Attributes
    ----------
    jobs, excluded
        The log's jobs inside and outside the price.
    callout
        Which of the jobs inside went to a call-out.
    volume, queue, crews, capacity, outlook
        Simulated volumes; the queue of the crews chosen; every number of crews looked at; the
        crews' hours; costs and what each price form pays.
    prices
        `contract_prices`.
    margin, years
        As asked.
    region
        Whose public holidays the crews keep; None: none known.
    """

    jobs: pd.DataFrame
    excluded: pd.DataFrame
    callout: np.ndarray
    volume: Volume
    queue: QueueRun
    crews: pd.DataFrame
    capacity: Capacity
    outlook: Outlook
    prices: pd.DataFrame
    margin: float
    years: int
    parameters: Parameters
    region: str | None = None

    def price(self, form: str, level: float | None = None) -> pd.Series:
        """Return one row of the prices, by default at the level offered."""
        level = self.parameters["contract.price_level"] if level is None else level
        rows = self.prices[(self.prices["form"] == form) & (self.prices["level"] == level)]
        return rows.iloc[0]

    def volume_table(self) -> pd.DataFrame:
        """Return the `contract_volume` table, jobs found by patrol in the sizes they are found in.

        The reported mix of sizes shifts to small as patrols find more than the public reports.
        """
        smaller = with_effort(self.jobs, parameters=self.parameters,
                              area_ratio=self.parameters["contract.found_area_ratio"])
        shares = pd.crosstab([self.jobs[name] for name in CLASS], smaller["size_class"],
                             normalize="index").reindex(columns=list(SIZES), fill_value=0.0)
        keys = pd.MultiIndex.from_frame(self.volume.classes[list(CLASS)])
        return self.volume.table(shares.loc[keys])

    def cost_summary(self) -> dict[str, float]:
        """Return mean, percentiles and tail of the first year's cost."""
        return cost_summary(self.outlook, parameters=self.parameters)


def price_contract(jobs: pd.DataFrame, places: pd.DataFrame, *, observed_from: pd.Timestamp,
                   observed_to: pd.Timestamp, time_zone: str, region: str | None = None,
                   years: int = 1, margin: float | None = None,
                   parameters: Parameters | None = None,
                   rng: np.random.Generator) -> Contract:
    """Price looking after a patch for some years.

    Parameters
    ----------
    jobs
        `contract_jobs` of the whole log.
    places
        ``gamma_shape, gamma_rate_years`` of each place.
    observed_from, observed_to
        Window of the log; the contract starts the day after it.
    time_zone, region
        For the hours of reports; for the public holidays.
    years
        Length of the contract.
    margin
        Wanted profit as a share of the price (default ``contract.margin``).

    Raises
    ------
    TableError, SettingError
        No job to price; standards no crew can keep.
    """
    numbers = parameters or load_parameters()
    inside = jobs[jobs["exclusion"] == ""].reset_index(drop=True)
    volume = predict_volume(inside, places, observed_from=observed_from, observed_to=observed_to,
                            years=years, parameters=numbers, rng=rng)
    start = observed_to.tz_convert(time_zone)
    clock = local_clock(inside["reported_at"], time_zone=time_zone)
    days = working_days(start, years=_SPARE_YEARS, region=region)
    standards = Standards.from_parameters(numbers)
    queue, table = choose_crews(inside, clock, volume, days, standards=standards,
                                parameters=numbers, rng=rng)
    # Past reports are held against a calendar of their own years.
    past = working_days(observed_from.tz_convert(time_zone), region=region,
                        years=int(np.ceil(volume.observed_years)) + 1)
    callout = needs_callout(
        clock, (inside["priority"] == "offensive").to_numpy(),
        crew_calendar(past, crews=queue.crews, parameters=numbers),
        standards=standards, parameters=numbers)
    per_year = len(working_days(start, years=1, region=region))
    capacity = Capacity(queue.crews, per_year * numbers["contract.hours_per_day"])
    outlook = foresee(inside, callout, volume, queue, capacity, parameters=numbers, rng=rng)
    wanted = numbers["contract.margin"] if margin is None else margin
    return Contract(inside, jobs[jobs["exclusion"] != ""], callout, volume, queue, table, capacity,
                    outlook, price_forms(outlook, margin=wanted, parameters=numbers), wanted,
                    years, numbers, region)


def foresee(jobs: pd.DataFrame, callout: np.ndarray, volume: Volume, queue: QueueRun,
            capacity: Capacity, *, parameters: Parameters, rng: np.random.Generator,
            weights: tuple[float, float] = (1.0, 1.0)) -> Outlook:
    """Simulate the cost of every contract year and what each price form pays.

    `weights`: what each reported job and each job found counts for, as in
    :func:`rehit.costs.contract_cost.simulate_work`.
    """
    work = simulate_work(jobs, callout, volume, parameters=parameters, rng=rng, weights=weights)
    draws, years = work["jobs"].shape
    paths = index_paths(years=years, draws=draws, parameters=parameters, rng=rng)
    late = late_shares(queue, work["jobs"])
    lines = year_cost(work, capacity=capacity, late_offensive=late[0], late_ordinary=late[1],
                      indices=paths, parameters=parameters)
    arrays = {name: np.asarray(line) for name, line in lines.items()}
    error = estimate_error((draws, years), parameters=parameters, rng=rng)
    cost = (sum(arrays.values()) - arrays["penalties"]) * error + arrays["penalties"]
    index = indexed_price(paths, weights=index_weights(arrays),
                          fixed=parameters["contract.index_fixed"])
    bases, top, above = form_bases(work, arrays, error, index, parameters=parameters)
    return Outlook(cost, bases, arrays, work, top, above, index)


def index_weights(lines: dict[str, np.ndarray]) -> dict[str, float]:
    """Return the share of pay, materials and plant in the first year's mean cost."""
    sums = {line: sum(float(lines[name][:, 0].mean()) for name, follows in LINES.items()
                      if follows == line) for line in INDEX_LINES}
    total = sum(sums.values())
    return {line: value / total for line, value in sums.items()}


def expected_year(contract: Contract, *, year: int = 1) -> dict[str, float]:
    """Return the cost lines at the expected volume: what the bid workbook works out.

    Not the mean of the simulated costs: overtime at the mean volume is less than mean overtime.
    """
    numbers, table = contract.parameters, contract.outlook.work
    work = {name: float(values[:, 0].mean()) for name, values in table.items()}
    indices = {line: float(path[year - 1]) for line, path in
               expected_indices(years=year, parameters=numbers).items()}
    queue = contract.queue
    cost = year_cost(work, capacity=contract.capacity,
                     late_offensive=1 - queue.in_time_offensive,
                     late_ordinary=1 - queue.in_time_ordinary, indices=indices,
                     parameters=numbers)
    return {name: float(value) for name, value in cost.items()}


def exact_work_cost(contract: Contract, *,
                    rng: np.random.Generator) -> tuple[Aggregate, np.ndarray]:
    """Return the first year's cost of work twice: its exact distribution, and draws of it.

    The check of one way of reckoning by the other. The cost of work is what every reported job
    adds by itself (its worth at the rates at cost). The count is Poisson around a mean that is
    uncertain; equally likely means of the simulation stand for it in the exact one.
    """
    work = job_work(contract.jobs, contract.callout, parameters=contract.parameters)
    costs, means = work["rate_value"].to_numpy(), contract.volume.means[:, 0]
    steps = int(contract.parameters["contract.panjer_steps"])
    step = float(costs.mean() * means.mean()) / steps
    points = np.quantile(means, (np.arange(_MIX_POINTS) + 0.5) / _MIX_POINTS)
    exact = fourier(discretise_costs(costs, step=step), generating=mixed_poisson(points),
                    steps=int(steps * (1 + points[-1] / means.mean())), step=step)
    return exact, simulate_totals(costs, counts=rng.poisson(means), rng=rng)
