"""A contract priced as a whole: volume, crews, cost, price forms, schedule of rates, sensitivity.

Margin is profit as a share of the price; markup is profit as a share of the cost.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from rehit.contract.cost import (
    LINES,
    MOVES,
    Aggregate,
    Capacity,
    discretise_costs,
    estimate_error,
    fourier,
    job_work,
    mixed_poisson,
    moved_cost,
    service_of,
    simulate_totals,
    simulate_work,
    tail_mean,
    year_cost,
)
from rehit.contract.crews import (
    Demand,
    QueueRun,
    Standards,
    crew_calendar,
    crew_kinds,
    crews_table,
    local_clock,
    look_at_crews,
    needs_callout,
    read_pattern,
    resized,
    searched_years,
    simulate_queue,
    working_days,
)
from rehit.contract.schedule import schedule_lines, turnover_shares
from rehit.contract.volume import (
    CLASS,
    SIZES,
    Volume,
    mean_found_share,
    predict_volume,
    with_effort,
)
from rehit.costs.doubt import Doubt, draw_doubt
from rehit.errors import SettingError, TableError
from rehit.messages import message
from rehit.observed import Window
from rehit.parameters import Parameters, load_parameters

FORMS = ("schedule_of_rates", "lump_sum", "banded_lump_sum", "cost_plus")
LEVELS = (0.5, 0.8, 0.9)
INDEX_LINES = ("labour", "materials", "plant")
OWN = "own_bid"
_SPARE_YEARS = 2
_MIX_POINTS = 400
#: Prices of the risk curve, and the share of simulated contracts beyond each of its ends.
_RISK_PRICES, _RISK_ENDS = 25, 0.001


@dataclass(frozen=True)
class Contract:
    """A priced contract.

    Attributes
    ----------
    jobs, excluded
        The log's jobs inside and outside the price.
    callout
        Which of the jobs inside went to a call-out.
    demand, queue, crews, capacity, outlook
        What comes to the crews, with the simulated volumes; the queue of the crews chosen; every
        way to provide crews that was looked at, with its result (`contract_crews`); the crews'
        hours; costs and what each price form pays.
    prices
        `contract_prices`.
    margin, years
        As asked.
    doubt
        The possible worlds of unit costs, minutes and markings looked at.
    region
        Whose public holidays the crews keep; None: none known.
    """

    jobs: pd.DataFrame
    excluded: pd.DataFrame
    callout: np.ndarray
    demand: Demand
    queue: QueueRun
    crews: pd.DataFrame
    capacity: Capacity
    outlook: Outlook
    prices: pd.DataFrame
    margin: float
    years: int
    parameters: Parameters
    doubt: Doubt
    region: str | None = None

    @property
    def volume(self) -> Volume:
        """The simulated volumes."""
        return self.demand.volume

    @property
    def level(self) -> float:
        """The chance with which the wanted margin is kept at the price offered."""
        return self.parameters["contract.price_level"]

    def price(self, form: str, level: float | None = None) -> pd.Series:
        """Return one row of the prices, by default at the level offered."""
        level = self.level if level is None else level
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
        return cost_summary(self.first_year_cost, parameters=self.parameters)

    @property
    def first_year_cost(self) -> np.ndarray:
        """The first year's simulated costs, with what goes off the lump sum asked."""
        return np.asarray(self.outlook.cost[:, 0] + self.off_price)

    @property
    def off_price(self) -> float:
        """What supervision, insurance and bond take of the first year's lump sum asked."""
        asked = self.price("lump_sum")["factor"] * self.outlook.bases["lump_sum"][:, 0].mean()
        return float(asked) * sum(turnover_shares(self.parameters).values())


def price_contract(jobs: pd.DataFrame, places: pd.DataFrame, *, window: Window, time_zone: str,
                   region: str | None = None, years: int = 1, margin: float | None = None,
                   vehicles: pd.DataFrame | None = None, doubt: Doubt | None = None,
                   parameters: Parameters | None = None, rng: np.random.Generator) -> Contract:
    """Price looking after a patch for some years.

    Of the teams that keep the response standards the one of least cost is chosen: whole crews,
    one there for part of the day, or fewer that stay on.

    Parameters
    ----------
    jobs
        `contract_jobs` of the whole log.
    places
        ``gamma_shape, gamma_rate_years`` of each place.
    window
        Window of the log; the contract starts the day after it.
    time_zone, region
        For the hours of reports; for the public holidays.
    years
        Length of the contract.
    margin
        Wanted profit as a share of the price (default ``contract.margin``).
    vehicles
        ``crew_size, methods`` of the vehicles there are: the kinds of crews to choose from.
    doubt
        Possible worlds of unit costs, minutes and markings; default drawn from the ranges of
        ``doubt.csv``.

    Raises
    ------
    TableError, SettingError
        No job to price; standards no crew can keep.
    """
    parameters = parameters or load_parameters()
    inside = jobs[jobs["exclusion"] == ""].reset_index(drop=True)
    doubt = doubt or draw_doubt(parameters, rng=rng)
    volume = predict_volume(inside, places, window=window, years=years, doubt=doubt,
                            parameters=parameters, rng=rng)
    start = window.end.tz_convert(time_zone)
    clock = local_clock(inside["reported_at"], time_zone=time_zone)
    demand = Demand(inside, read_pattern(clock), volume,
                    working_days(start, years=_SPARE_YEARS, region=region),
                    crew_kinds(inside, vehicles), Standards.from_parameters(parameters),
                    parameters, minutes=doubt.of("minutes"))
    runs = look_at_crews(demand, rng=rng)
    # Past reports are held against a calendar of their own years.
    past = working_days(window.start.tz_convert(time_zone), region=region,
                        years=int(np.ceil(volume.observed_years)) + 1)
    callout = needs_callout(
        clock, (inside["priority"] == "offensive").to_numpy(),
        crew_calendar(past, team=runs[0].team, parameters=parameters),
        standards=demand.standards, parameters=parameters)
    paid = len(working_days(start, years=1, region=region)) * parameters["contract.hours_per_day"]
    futures = foresee(inside, callout, volume, doubt=doubt, parameters=parameters, rng=rng)
    wanted = parameters["contract.margin"] if margin is None else margin
    queue, capacity, table = _chosen(runs, paid, futures, wanted, parameters)
    outlook = reckon(futures, queue, capacity, parameters=parameters)
    return Contract(inside, jobs[jobs["exclusion"] != ""], callout, demand, queue, table, capacity,
                    outlook, price_forms(outlook, margin=wanted, parameters=parameters), wanted,
                    years, parameters, doubt, region)


def _chosen(runs: list[QueueRun], paid_hours: float, futures: Futures, margin: float,
            parameters: Parameters) -> tuple[QueueRun, Capacity, pd.DataFrame]:
    """Return the way to provide crews that keeps the standards at least cost, and all of them.

    Crews shared with other contracts are looked at where the crews are whole; they are chosen
    only if ``contract.shared_crews`` says that there are such contracts.
    """
    share = parameters["contract.standard_share"]
    ways = [(run, Capacity(run.team, paid_hours)) for run in runs]
    whole = [run for run in runs if run.team.arrangement == "whole" and run.meets(share)]
    if whole:
        least = min(whole, key=lambda run: run.crews)
        ways.append((least, Capacity(least.team, paid_hours, shared=True)))
    rows, level = [], parameters["contract.price_level"]
    for run, capacity in ways:
        outlook = reckon(futures, run, capacity, parameters=parameters)
        prices = price_forms(outlook, margin=margin, parameters=parameters, forms=("lump_sum",))
        lump = prices[prices["level"] == level].iloc[0]
        rows.append({**crews_table([run]).iloc[0], "arrangement": capacity.arrangement,
                     "cost_per_year": float(outlook.cost[:, 0].mean()),
                     "lump_sum": float(lump["factor"] * outlook.bases["lump_sum"][:, 0].mean()),
                     "chance_of_loss": float(lump["chance_of_loss"]), "meets": run.meets(share)})
    table = pd.DataFrame(rows)
    allowed = table["arrangement"].ne("shared") | bool(parameters["contract.shared_crews"])
    fit = table[allowed & (table["meets"] | (len(runs) == 1))]
    best = int(np.asarray(fit.index)[int(fit["cost_per_year"].argmin())])
    table["chosen"] = table.index == best
    order = table.sort_values(["arrangement", "crews"], kind="stable", ignore_index=True)
    return *ways[best], order


@dataclass(frozen=True)
class Outlook:
    """Simulated costs of a contract and what each price form would pay at a factor of one.

    Attributes
    ----------
    cost
        Total cost in the world of each draw: draws × years, money of each year.
    bases
        Form to revenue at factor 1: draws × years. A form's price is its base times one factor.
    lines
        Cost lines at unit costs as stated: name to draws × years.
    work
        Quantities of work: name to draws × years.
    band_top
        Jobs up to which the banded lump sum holds.
    above_rate
        Rate per job above it, at factor 1.
    load
        What the schedule's lines of crew work carry besides their own: idle crews, standing cost,
        overhead, deductions; a ratio on their direct cost.
    index
        Multiplier on the price of each year: draws × years.
    """

    cost: np.ndarray
    bases: Mapping[str, np.ndarray]
    lines: Mapping[str, np.ndarray]
    work: Mapping[str, np.ndarray]
    band_top: float
    above_rate: float
    load: float
    index: np.ndarray


@dataclass(frozen=True)
class Futures:
    """What a contract's simulated years bring, whoever does the work: draws × years each.

    Attributes
    ----------
    work
        Quantities of work.
    indices
        Price index of pay, materials and plant.
    error
        Factor on the costs of the contractor's own that no cause of doubt names.
    doubt
        The world of each draw.
    """

    work: Mapping[str, np.ndarray]
    indices: Mapping[str, np.ndarray]
    error: np.ndarray
    doubt: Doubt


def foresee(jobs: pd.DataFrame, callout: np.ndarray, volume: Volume, *, doubt: Doubt,
            parameters: Parameters, rng: np.random.Generator,
            weights: tuple[float, float] = (1.0, 1.0)) -> Futures:
    """Simulate the work of every contract year, the prices of it, and the error of the estimate.

    `weights`: what each reported job and each job found counts for, as in
    :func:`rehit.contract.cost.simulate_work`.
    """
    work = simulate_work(jobs, callout, volume, parameters=parameters, rng=rng, weights=weights)
    draws, years = work["jobs"].shape
    return Futures(work, index_paths(years=years, draws=draws, parameters=parameters, rng=rng),
                   estimate_error((draws, years), parameters=parameters, rng=rng),
                   doubt.for_draws(draws))


def reckon(futures: Futures, queue: QueueRun, capacity: Capacity, *,
           parameters: Parameters) -> Outlook:
    """Return the cost of every contract year with these crews, and what each price form pays."""
    work, longer = futures.work, futures.doubt.of("minutes")[:, None]
    first = np.zeros(work["jobs"].shape)
    first[:, 0] = 1.0
    done = {**work, **{name: work[name] * longer for name in ("crew_minutes", "callout_minutes")}}
    lines = year_cost(done, capacity=capacity, service=service_of(queue, work["jobs"] * longer),
                      indices=futures.indices, first_year=first, parameters=parameters)
    arrays = {name: np.asarray(line) for name, line in lines.items()}
    cost = moved_cost(arrays, futures.doubt, futures.error, parameters=parameters)
    index = indexed_price(futures.indices, weights=index_weights(arrays),
                          fixed=parameters["contract.index_fixed"])
    return Outlook(cost, lines=arrays, work=work, index=index,
                   **form_bases(work, arrays, cost, index, parameters=parameters))


# Price forms: what to ask, what it earns, what can go wrong.

def price_forms(outlook: Outlook, *, margin: float, parameters: Parameters,
                forms: tuple[str, ...] = FORMS) -> pd.DataFrame:
    """Return the `contract_prices` table: each form at P50, P80 and P90.

    The price at P80 is the one that leaves at least the wanted margin in 80 of 100 simulated
    contracts: its factor is the 80 % point of cost over base, divided by one less the margin and
    less what goes off every price (supervision, insurance, bond).

    Parameters
    ----------
    margin
        Wanted profit as a share of the price.

    Raises
    ------
    TableError
        If a form pays nothing in so many simulated contracts that no factor reaches a level.
    """
    check_margin(margin)
    direct, n_years = outlook.cost.sum(axis=1), outlook.cost.shape[1]
    off = sum(turnover_shares(parameters).values())
    if margin + off >= 1:
        raise SettingError(message("where.margin"), "errors.margin_too_large", margin=margin,
                           off=off)
    tail = parameters["contract.tail_level"]
    levels = sorted({*LEVELS, parameters["contract.price_level"]})
    rows = []
    for form in forms:
        base = outlook.bases[form].sum(axis=1)
        for level in levels:
            factor = _factor(direct, base, form, level) / (1 - margin - off)
            price = factor * base
            cost = direct + off * price
            rows.append({
                "form": form, "level": level, "factor": factor,
                "price_per_year": float(price.mean()) / n_years,
                "cost_per_year": float(cost.mean()) / n_years,
                "expected_margin": float((price - cost).mean() / price.mean()),
                "expected_markup": float((price - cost).mean() / cost.mean()),
                "chance_of_loss": float((cost > price).mean()),
                "chance_margin_kept": float((price - cost >= margin * price - 1e-9).mean()),
                "tail_profit_per_year": -tail_mean(cost - price, tail) / n_years})
    return pd.DataFrame(rows)


def _factor(cost: np.ndarray, base: np.ndarray, form: str, level: float) -> float:
    """Return the point at `level` of cost over what the form pays at a factor of one."""
    paid = base > 0
    if paid.mean() <= level:
        raise TableError(message("where.price_form", form=form), "errors.form_pays_nothing",
                         share=1 - paid.mean(), most=1 - level)
    ratio = np.full(len(cost), np.inf)
    ratio[paid] = cost[paid] / base[paid]
    ratio[~paid] = 2 * ratio[paid].max()
    return float(np.quantile(ratio, level))


def form_bases(work: Mapping[str, np.ndarray], lines: Mapping[str, np.ndarray],
               cost: np.ndarray, index: np.ndarray, *,
               parameters: Parameters) -> dict[str, Any]:
    """Return each form's revenue at a factor of one, the band's top, the rate above it, the load.

    The lump sums start from the mean first-year cost; the rate above the band is what one more
    job adds to the cost of the work on average. In the schedule of rates what is hired or
    disposed of carries overhead, and the lines of crew work everything else.
    """
    first = sum(line[:, 0].mean() for line in lines.values())
    expected = float(work["jobs"][:, 0].mean())
    top = expected * (1 + parameters["contract.band"])
    above_rate = float(work["rate_value"][:, 0].sum() / max(1.0, work["jobs"][:, 0].sum()))
    penalties = lines["penalties"]
    hired = (work["hired_value"] + lines["mobilisation"]) * (
        1 + parameters["contract.overhead_share"])
    crew_work = work["rate_value"] - work["hired_value"]
    load = float((first - hired[:, 0].mean()) / max(crew_work[:, 0].mean(), 1e-9))
    bases = {
        "schedule_of_rates": (crew_work * load + hired) * index,
        "lump_sum": first * index,
        "banded_lump_sum": (first + above_rate * np.maximum(0.0, work["jobs"] - top)) * index,
        "cost_plus": cost - penalties}
    return {"bases": bases, "band_top": top, "above_rate": above_rate, "load": load}


def cost_summary(cost: np.ndarray, *, parameters: Parameters) -> dict[str, float]:
    """Return mean, P10, P50, P80, P90 and the conditional tail expectation of simulated costs."""
    tail = parameters["contract.tail_level"]
    return {"mean": float(cost.mean()), **{f"p{points(q)}": float(np.quantile(cost, q))
                                           for q in (0.1, *LEVELS)},
            f"cte{points(tail)}": tail_mean(cost, tail)}


def points(level: float) -> str:
    """Return a chance in hundredths, whole or not, as it stands in names such as P80.

    Examples
    --------
    >>> points(0.8), points(0.875), points(1 - 0.999)
    ('80', '87.5', '0.1')
    """
    return f"{100 * level:.6g}"


def risk_curve(contract: Contract) -> pd.DataFrame:
    """Return the `contract_risk` table: what lump sums of each size risk, the one asked among them.

    The prices run evenly from one at which nearly every simulated contract is lost to one at which
    nearly every one keeps the wanted margin.
    """
    outlook, off = contract.outlook, sum(turnover_shares(contract.parameters).values())
    base, cost = outlook.bases["lump_sum"].sum(axis=1), outlook.cost.sum(axis=1)
    asked = float(contract.price("lump_sum")["factor"])
    low, high = np.quantile(cost / base, [_RISK_ENDS, 1 - _RISK_ENDS])
    ends = low / (1 - off), high / (1 - contract.margin - off)
    years = outlook.cost.shape[1]
    rows = []
    for factor in sorted({*np.linspace(*ends, _RISK_PRICES), asked}):
        price = factor * base
        profit = price * (1 - off) - cost
        rows.append({
            "price_per_year": float(price.mean()) / years,
            "chance_of_loss": float((profit < 0).mean()),
            "chance_margin_kept": float((profit >= contract.margin * price - 1e-9).mean()),
            "profit_per_year": float(profit.mean()) / years, "asked": factor == asked})
    return pd.DataFrame(rows)


def check_margin(margin: float) -> None:
    """Refuse a margin that is no share of the price."""
    if not 0 <= margin < 1:
        raise SettingError("--margin", "errors.not_a_margin", value=margin)


# What is written in the tender.

def schedule_of_rates(contract: Contract, *, level: float | None = None) -> pd.DataFrame:
    """Return the `contract_rates` table: each line with its direct cost and its price.

    Parameters
    ----------
    level
        Chance with which the wanted margin is kept (default ``contract.price_level``).
    """
    factor = float(contract.price("schedule_of_rates", level)["factor"])
    return schedule_lines(contract.jobs, contract.callout, contract.volume, factor=factor,
                          load=contract.outlook.load, parameters=contract.parameters)


def tender_figures(contract: Contract, *, level: float | None = None) -> pd.DataFrame:
    """Return the `contract_offer` table: the figures to write, in the form prices are received in.

    Parameters
    ----------
    level
        Chance with which the wanted margin is kept (default ``contract.price_level``).
    """
    outlook = contract.outlook
    first = float(outlook.bases["lump_sum"][:, 0].mean())
    factor = {form: float(contract.price(form, level)["factor"]) for form in FORMS}
    banded = factor["banded_lump_sum"]
    rows = [("lump_sum", "lump_sum_per_year", first * factor["lump_sum"], "currency/year"),
            ("banded_lump_sum", "lump_sum_per_year", first * banded, "currency/year"),
            ("banded_lump_sum", "band_top_jobs", outlook.band_top, "jobs/year"),
            ("banded_lump_sum", "rate_above_band", outlook.above_rate * banded, "currency/job"),
            ("cost_plus", "markup", factor["cost_plus"] - 1, "share of cost"),
            *(("schedule_of_rates", row["item"], row["price"], f"currency/{row['unit']}")
              for row in schedule_of_rates(contract, level=level).to_dict("records")
              if row["section"] in ("job", "area", "once"))]
    table = pd.DataFrame(rows, columns=["form", "item", "value", "unit"])
    table.insert(0, "tenderer", OWN)
    return table


# Adjusting a price to changed pay and material prices.

def indexed_price(paths: Mapping[str, np.ndarray], *, weights: dict[str, float],
                  fixed: float) -> np.ndarray:
    """Return the multiplier on the price by the FIDIC formula along each path.

    Parameters
    ----------
    paths
        Index of each line, in any one shape.
    weights
        Each line's share of the cost; they add up to 1.
    fixed
        Share of the price that is not adjusted.
    """
    # The same as fixed + sum((1 - fixed) * weight * path), and exactly 1 where no index moved.
    lines = [(1 - fixed) * weights[line] * (path - 1) for line, path in paths.items()]
    return np.asarray(1 + np.sum(lines, axis=0))


def index_paths(*, years: int, draws: int, parameters: Parameters,
                rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Return simulated price indices of pay, materials and plant: draws × years, 1 in year one.

    Growths of different lines and years are independent; the index of a line is their product.
    """
    paths = {}
    for line in INDEX_LINES:
        growth = rng.normal(parameters[f"contract.inflation_{line}"],
                            parameters["contract.inflation_sd"], (draws, years - 1))
        grown = np.cumprod(1 + np.maximum(growth, -0.5), axis=1)
        paths[line] = np.hstack([np.ones((draws, 1)), grown])
    return paths


def expected_indices(*, years: int, parameters: Parameters) -> dict[str, np.ndarray]:
    """Return the expected index of pay, materials and plant in each contract year."""
    return {line: (1 + parameters[f"contract.inflation_{line}"]) ** np.arange(years)
            for line in INDEX_LINES}


def index_weights(lines: dict[str, np.ndarray]) -> dict[str, float]:
    """Return the share of pay, materials and plant in the first year's mean cost."""
    sums = {line: sum(float(lines[name][:, 0].mean()) for name, follows in LINES.items()
                      if follows == line) for line in INDEX_LINES}
    total = sum(sums.values())
    return {line: value / total for line, value in sums.items()}


# The year at its expected volume, and the cost of work reckoned in another way.

def expected_year(contract: Contract, *, year: int = 1) -> dict[str, float]:
    """Return the cost lines at the expected volume: what the bid workbook works out."""
    parameters, table = contract.parameters, contract.outlook.work
    work = {name: float(values[:, 0].mean()) for name, values in table.items()}
    indices = {line: float(path[year - 1]) for line, path in
               expected_indices(years=year, parameters=parameters).items()}
    cost = year_cost(work, capacity=contract.capacity, service=service_of(contract.queue),
                     indices=indices, first_year=float(year == 1), parameters=parameters)
    return {name: float(value) for name, value in cost.items()}


STEPS = ("known", "new", "unplaced", "outside", "changed", "trend", "found", "first_year",
         "otherwise", "standing_ready", "off_price", "risk_and_margin", "lump_sum")


def reconciliation(contract: Contract, expected: pd.DataFrame) -> pd.DataFrame:
    """Return the `contract_steps` table: from the markings expected to the lump sum asked.

    Comparison, programme and bid start from one number of markings a year; each step says what
    leads from it to the jobs and the money of the first contract year. Steps of money before the
    first year's total are at what the comparison takes one removal to cost.

    Parameters
    ----------
    contract
        The contract as priced.
    expected
        The `expected_work` table: ``place_class, expected_per_year, cost_per_year``.

    Returns
    -------
    pandas.DataFrame
        ``step, jobs, money``, both per year: ``first_year`` is the sum of the jobs above it and
        ``lump_sum`` of all the money but ``first_year``, which is the sum of what stands above.
    """
    count, cost_of = (
        dict(zip(expected["place_class"], expected[column].astype(float), strict=True))
        for column in ("expected_per_year", "cost_per_year"))
    each = cost_of["total"] / max(count["total"], 1e-9)
    volume = contract.volume
    reported = float(volume.counts[:, 0].sum(axis=1).mean())
    inside = len(contract.jobs) / volume.observed_years
    jobs = {name: count[name] for name in ("known", "new", "unplaced")}
    jobs |= {"outside": inside - count["total"],
             "changed": volume.per_year - inside, "trend": reported - volume.per_year,
             "found": float(volume.found[:, 0].sum(axis=1).mean())}
    money = {name: each * number for name, number in jobs.items()}
    money |= {name: cost_of[name] for name in ("known", "new", "unplaced")}
    work = contract.outlook.work
    direct = float(work["rate_value"][:, 0].mean())
    cost = float(contract.outlook.cost[:, 0].mean())
    asked = float(contract.price("lump_sum")["factor"]
                  * contract.outlook.bases["lump_sum"][:, 0].mean())
    first = sum(money.values())
    money |= {"first_year": first, "otherwise": direct - first, "standing_ready": cost - direct,
              "off_price": contract.off_price,
              "risk_and_margin": asked - cost - contract.off_price, "lump_sum": asked}
    jobs["first_year"] = sum(jobs.values())
    return pd.DataFrame({"step": list(STEPS), "jobs": [jobs.get(step, np.nan) for step in STEPS],
                         "money": [money[step] for step in STEPS]})


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


# What knowing a cause of doubt would be worth to whoever signs at the price asked.

def bid_information(contract: Contract, *, price_ratio: float = 1.0) -> pd.DataFrame:
    """Return what knowing each cause for certain would be worth to the choice to sign or not.

    The expected profit is taken as a straight line in each cause's factor, fitted to the simulated
    contracts.

    Parameters
    ----------
    contract
        The contract as priced.
    price_ratio
        The lump sum signed for, as a multiple of the one asked.

    Returns
    -------
    pandas.DataFrame
        The `value_of_information` table, most worth on top: ``flips_at`` is the factor at which
        the contract is expected to earn nothing.
    """
    lump = float(contract.price("lump_sum")["factor"]) * price_ratio
    kept = 1 - sum(turnover_shares(contract.parameters).values())
    outlook = contract.outlook
    profit = (lump * kept * outlook.bases["lump_sum"] - outlook.cost).sum(axis=1)
    worlds = contract.doubt.for_draws(len(profit))
    rows = []
    for cause, factors in zip(worlds.known, worlds.factors, strict=True):
        if cause.name in ("markings", "minutes", *MOVES.values()):
            slope, start = np.polyfit(factors, profit, 1)
            worth = (start + slope * factors).clip(0).mean() - max(profit.mean(), 0.0)
            turn = -start / slope
            rows.append((cause.name, cause.low, cause.high, max(float(worth), 0.0),
                         float(turn) if cause.low <= turn <= cause.high else np.nan))
    table = pd.DataFrame(rows, columns=["cause", "low", "high", "worth", "flips_at"])
    return table.sort_values(["worth", "cause"], ascending=[False, True], ignore_index=True)


# Which assumption moves the price: each moved up and down by the same share.

#: The parameters moved together; a name ending in * takes all that start so.
ASSUMPTIONS: dict[str, tuple[str, ...]] = {
    "volume": (),
    "crews_provided": (),
    "labour_cost": ("costs.labour_per_hour",),
    "minutes_on_site": ("costs.minutes_per_visit_*", "costs.minutes_per_m2_*"),
    "driving": ("contract.travel_minutes",),
    "materials": ("costs.materials_per_m2_*",),
    "wash_water": ("costs.water_per_l",),
    "access_equipment": ("costs.access_ladder", "costs.access_platform"),
    "traffic_control": ("costs.traffic_control", "costs.traffic_control_per_hour"),
    "vehicles": ("contract.vehicle_per_crew", "contract.vehicle_per_job"),
    "callout_pay": ("contract.weekend_multiple", "contract.callout_hours"),
    "standing_cost": ("contract.standing_per_year",),
    "overhead": ("contract.overhead_share",),
    "jobs_found": ("contract.found_low", "contract.found_likely",
                             "contract.found_high"),
    "estimate_accuracy": ("contract.estimate_accuracy",),
    "wanted_margin": (),
}


#: Those that change what comes to the crews, or for how long it keeps them.
RESIZING = ("volume", "minutes_on_site", "driving", "jobs_found")


def sensitivity(contract: Contract, *, form: str = "lump_sum",
                rng: np.random.Generator) -> pd.DataFrame:
    """Return the `contract_sensitivity` table: the price with each assumption lower and higher.

    Where the work changes, the crews are looked for again and the queue is run again; where the
    crews are what is moved, they keep what standard they can. Each is held against the price with
    nothing moved, its crews come by in the same way. Every price comes from the same
    ``contract.sensitivity_draws`` years; what these do to the price is applied to the price
    asked, which rests on more.

    Parameters
    ----------
    contract
        The contract as priced.
    form
        Price form looked at.
    """
    base, seed = contract.parameters, int(rng.integers(2**31))
    swing = base["contract.sensitivity_swing"]
    asked = float(contract.price(form)["price_per_year"])
    still = _price(contract, base, contract.queue, "", 1.0, form, seed)
    unmoved = partial(_price, contract, base, name="", factor=1.0, form=form, seed=seed)
    again, resized_again = (unmoved(_requeued(contract, base, name, 1.0, seed))
                            for name in ("", "volume"))
    rows = []
    for name, patterns in ASSUMPTIONS.items():
        ends = []
        for factor in (1 - swing, 1 + swing):
            moved = _moved(base, patterns, factor)
            queue, middle = contract.queue, still
            if name in RESIZING or name == "crews_provided":
                queue = _requeued(contract, moved, name, factor, seed)
                middle = resized_again if name in RESIZING else again
            price = _price(contract, moved, queue, name, factor, form, seed)
            ends.append((asked * price / middle, queue.crews))
        (low, fewer), (high, more) = ends
        rows.append({"assumption": name, "swing": swing, "price": asked, "price_low": low,
                     "price_high": high, "range": abs(high - low), "crews_low": fewer,
                     "crews_high": more})
    table = pd.DataFrame(rows).sort_values("range", ascending=False, kind="stable")
    return table.reset_index(drop=True)


def _moved(base: Parameters, patterns: tuple[str, ...], factor: float) -> Parameters:
    names = [name for pattern in patterns for name in base
             if name == pattern or (pattern.endswith("*") and name.startswith(pattern[:-1]))]
    limits = {name: base.row(name) for name in names}
    return base.override({name: min(max(base[name] * factor, row.low), row.high)
                          for name, row in limits.items()})


def _found_factor(contract: Contract, moved: Parameters) -> float:
    usual = mean_found_share(contract.parameters)
    return mean_found_share(moved) / usual if usual else 1.0


def _requeued(contract: Contract, moved: Parameters, name: str, factor: float,
              seed: int) -> QueueRun:
    """Return the queue of the crews that a moved assumption asks for."""
    volume = contract.volume
    reported, found = (float(counts[:, 0].sum(axis=1).mean())
                       for counts in (volume.counts, volume.found))
    grown = (reported + found * _found_factor(contract, moved)) / max(reported + found, 1e-9)
    demand = replace(contract.demand, parameters=moved,
                     jobs=with_effort(contract.jobs, parameters=moved),
                     factor=factor if name == "volume" else grown)
    team = contract.queue.team
    if name == "crews_provided":
        team = replace(team, part=team.part * factor)
    elif name in RESIZING and not moved["contract.crews"]:
        return resized(demand, team, rng=np.random.default_rng(seed))
    return simulate_queue(demand, team, years=searched_years(demand),
                          rng=np.random.default_rng(seed))


def _price(contract: Contract, moved: Parameters, queue: QueueRun, name: str, factor: float,
           form: str, seed: int) -> float:
    draws = int(moved["contract.sensitivity_draws"])
    # The same jobs as before, each counting for more or less: new draws, or whole numbers of jobs
    # in classes that have one or two a year, would bury what is looked at.
    volume = replace(contract.volume, counts=contract.volume.counts[:draws],
                     found=contract.volume.found[:draws])
    more = factor if name == "volume" else 1.0
    futures = foresee(with_effort(contract.jobs, parameters=moved), contract.callout, volume,
                      doubt=contract.doubt, parameters=moved, rng=np.random.default_rng(seed),
                      weights=(more, more * _found_factor(contract, moved)))
    outlook = reckon(futures, queue, replace(contract.capacity, team=queue.team),
                     parameters=moved)
    margin = contract.margin * factor if name == "wanted_margin" else contract.margin
    prices = price_forms(outlook, margin=margin, parameters=moved, forms=(form,))
    row = prices[prices["level"] == moved["contract.price_level"]]
    return float(row["price_per_year"].iloc[0])
