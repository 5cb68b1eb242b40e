"""A contract priced as a whole: volume, crews, cost, price forms, schedule of rates, sensitivity.

Margin is profit as a share of the price; markup is profit as a share of the cost.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from rehit.contract.cost import (
    LINES,
    Aggregate,
    Capacity,
    cost_rates,
    discretise_costs,
    estimate_error,
    fourier,
    job_work,
    late_shares,
    mixed_poisson,
    simulate_totals,
    simulate_work,
    tail_mean,
    year_cost,
)
from rehit.contract.crews import (
    QueueRun,
    Standards,
    choose_crews,
    crew_calendar,
    local_clock,
    needs_callout,
    working_days,
)
from rehit.contract.volume import (
    CLASS,
    SIZES,
    Volume,
    mean_found_share,
    predict_volume,
    with_effort,
)
from rehit.errors import SettingError, TableError
from rehit.observed import Window
from rehit.parameters import Parameters, load_parameters

FORMS = ("schedule_of_rates", "lump_sum", "banded_lump_sum", "cost_plus")
LEVELS = (0.5, 0.8, 0.9)
INDEX_LINES = ("labour", "materials", "plant")
OWN = "own_bid"
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
        return cost_summary(self.outlook, parameters=self.parameters)


def price_contract(jobs: pd.DataFrame, places: pd.DataFrame, *, window: Window, time_zone: str,
                   region: str | None = None, years: int = 1, margin: float | None = None,
                   parameters: Parameters | None = None,
                   rng: np.random.Generator) -> Contract:
    """Price looking after a patch for some years.

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

    Raises
    ------
    TableError, SettingError
        No job to price; standards no crew can keep.
    """
    parameters = parameters or load_parameters()
    inside = jobs[jobs["exclusion"] == ""].reset_index(drop=True)
    volume = predict_volume(inside, places, window=window, years=years, parameters=parameters,
                            rng=rng)
    start = window.end.tz_convert(time_zone)
    clock = local_clock(inside["reported_at"], time_zone=time_zone)
    days = working_days(start, years=_SPARE_YEARS, region=region)
    standards = Standards.from_parameters(parameters)
    queue, table = choose_crews(inside, clock, volume, days, standards=standards,
                                parameters=parameters, rng=rng)
    # Past reports are held against a calendar of their own years.
    past = working_days(window.start.tz_convert(time_zone), region=region,
                        years=int(np.ceil(volume.observed_years)) + 1)
    callout = needs_callout(
        clock, (inside["priority"] == "offensive").to_numpy(),
        crew_calendar(past, crews=queue.crews, parameters=parameters),
        standards=standards, parameters=parameters)
    per_year = len(working_days(start, years=1, region=region))
    capacity = Capacity(queue.crews, per_year * parameters["contract.hours_per_day"])
    outlook = foresee(inside, callout, volume, queue, capacity, parameters=parameters, rng=rng)
    wanted = parameters["contract.margin"] if margin is None else margin
    return Contract(inside, jobs[jobs["exclusion"] != ""], callout, volume, queue, table, capacity,
                    outlook, price_forms(outlook, margin=wanted, parameters=parameters), wanted,
                    years, parameters, region)


@dataclass(frozen=True)
class Outlook:
    """Simulated costs of a contract and what each price form would pay at a factor of one.

    Attributes
    ----------
    cost
        Total cost: draws × years, money of each year.
    bases
        Form to revenue at factor 1: draws × years. A form's price is its base times one factor.
    lines
        Cost lines: name to draws × years.
    work
        Quantities of work: name to draws × years.
    band_top
        Jobs up to which the banded lump sum holds.
    above_rate
        Rate per job above it, at factor 1.
    index
        Multiplier on the price of each year: draws × years.
    """

    cost: np.ndarray
    bases: Mapping[str, np.ndarray]
    lines: Mapping[str, np.ndarray]
    work: Mapping[str, np.ndarray]
    band_top: float
    above_rate: float
    index: np.ndarray


def foresee(jobs: pd.DataFrame, callout: np.ndarray, volume: Volume, queue: QueueRun,
            capacity: Capacity, *, parameters: Parameters, rng: np.random.Generator,
            weights: tuple[float, float] = (1.0, 1.0)) -> Outlook:
    """Simulate the cost of every contract year and what each price form pays.

    `weights`: what each reported job and each job found counts for, as in
    :func:`rehit.contract.cost.simulate_work`.
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


# Price forms: what to ask, what it earns, what can go wrong.

def price_forms(outlook: Outlook, *, margin: float, parameters: Parameters) -> pd.DataFrame:
    """Return the `contract_prices` table: each form at P50, P80 and P90.

    The price at P80 is the one that leaves at least the wanted margin in 80 of 100 simulated
    contracts: its factor is the 80 % point of cost over base, divided by 1 - margin.

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
    cost = outlook.cost.sum(axis=1)
    tail = parameters["contract.tail_level"]
    levels = sorted({*LEVELS, parameters["contract.price_level"]})
    rows = []
    for form in FORMS:
        base = outlook.bases[form].sum(axis=1)
        for level in levels:
            factor = _factor(cost, base, form, level) / (1 - margin)
            price = factor * base
            rows.append({
                "form": form, "level": level, "factor": factor,
                "price_per_year": float(price.mean()) / outlook.cost.shape[1],
                "cost_per_year": float(cost.mean()) / outlook.cost.shape[1],
                "expected_margin": float((price - cost).mean() / price.mean()),
                "expected_markup": float((price - cost).mean() / cost.mean()),
                "chance_of_loss": float((cost > price).mean()),
                "chance_margin_kept": float((price - cost >= margin * price - 1e-9).mean()),
                "tail_loss_per_year": tail_mean(cost - price, tail) / outlook.cost.shape[1]})
    return pd.DataFrame(rows)


def _factor(cost: np.ndarray, base: np.ndarray, form: str, level: float) -> float:
    """Return the point at `level` of cost over what the form pays at a factor of one."""
    paid = base > 0
    if paid.mean() <= level:
        raise TableError(
            f"price form {form.replace('_', ' ')}",
            got=f"{1 - paid.mean():.0%} of simulated contracts without a job to be paid for",
            allowed=f"fewer than {1 - level:.0%}, or no rate covers the crews that stand ready",
            remedy="price a larger patch or more years, or serve this one by quotation")
    ratio = np.full(len(cost), np.inf)
    ratio[paid] = cost[paid] / base[paid]
    ratio[~paid] = 2 * ratio[paid].max()
    return float(np.quantile(ratio, level))


def form_bases(work: Mapping[str, np.ndarray], lines: Mapping[str, np.ndarray],
               error: np.ndarray, index: np.ndarray, *,
               parameters: Parameters) -> tuple[dict[str, np.ndarray], float, float]:
    """Return each form's revenue at a factor of one, the band's top and the rate above it.

    The lump sums start from the mean first-year cost; the rate above the band is what one more
    job adds to the cost of the work on average.
    """
    first = sum(line[:, 0].mean() for line in lines.values())
    expected = float(work["jobs"][:, 0].mean())
    top = expected * (1 + parameters["contract.band"])
    above_rate = float(work["rate_value"][:, 0].sum() / max(1.0, work["jobs"][:, 0].sum()))
    penalties = lines["penalties"]
    return {
        "schedule_of_rates": work["rate_value"] * index,
        "lump_sum": first * index,
        "banded_lump_sum": (first + above_rate * np.maximum(0.0, work["jobs"] - top)) * index,
        "cost_plus": (sum(lines.values()) - penalties) * error,
    }, top, above_rate


def cost_summary(outlook: Outlook, *, parameters: Parameters) -> dict[str, float]:
    """Return mean, P50, P80, P90 and the conditional tail expectation of the first year's cost."""
    cost = outlook.cost[:, 0]
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


def markup_from_margin(margin: float) -> float:
    """Return profit over cost from profit over price.

    Examples
    --------
    >>> round(markup_from_margin(0.2), 9)
    0.25
    """
    check_margin(margin)
    return margin / (1 - margin)


def check_margin(margin: float) -> None:
    """Refuse a margin that is no share of the price."""
    if not 0 <= margin < 1:
        raise SettingError("--margin", got=f"{margin:g}", allowed="a share of the price from 0 to "
                           "below 1", remedy="a markup of 25 % on cost is a margin of 0.2")


# What is written in the tender.

def schedule_of_rates(contract: Contract, *, level: float | None = None) -> pd.DataFrame:
    """Return the `contract_rates` table: rate at cost and rate asked, per method.

    One factor on all rates brings in idle crews, standing cost, overhead, risk and margin. The
    last row is the minimum charge of a job.

    Parameters
    ----------
    level
        Chance with which the wanted margin is kept (default ``contract.price_level``).
    """
    factor = float(contract.price("schedule_of_rates", level)["factor"])
    rates, least = cost_rates(contract.jobs, parameters=contract.parameters)
    counts = contract.jobs["method"].value_counts()
    rows = [{"item": method, "unit": "m2", "n_jobs": int(counts[method]), "at_cost": rate,
             "asked": rate * factor} for method, rate in sorted(rates.items())]
    rows.append({"item": "minimum_charge", "unit": "job", "n_jobs": len(contract.jobs),
                 "at_cost": least, "asked": least * factor})
    return pd.DataFrame(rows)


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
            *(("schedule_of_rates", row["item"], row["asked"], f"currency/{row['unit']}")
              for row in schedule_of_rates(contract, level=level).to_dict("records"))]
    table = pd.DataFrame(rows, columns=["form", "item", "value", "unit"])
    table.insert(0, "tenderer", OWN)
    return table


# Adjusting a price to changed pay and material prices.

def indexed_price(paths: dict[str, np.ndarray], *, weights: dict[str, float],
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


# Which assumption moves the price: each moved up and down by the same share.

#: The parameters moved together; a name ending in * takes all that start so.
ASSUMPTIONS: dict[str, tuple[str, ...]] = {
    "volume": (),
    "crews_provided": (),
    "crew_cost": ("costs.labour_per_hour",),
    "minutes_on_site": ("costs.minutes_per_visit_*", "costs.minutes_per_m2_*"),
    "driving": ("contract.travel_minutes",),
    "materials": ("costs.materials_per_m2_*",),
    "wash_water": ("costs.water_per_l",),
    "access_equipment": ("costs.access_ladder", "costs.access_platform"),
    "traffic_control": ("costs.traffic_control",),
    "vehicles": ("contract.vehicle_per_crew", "contract.vehicle_per_job"),
    "callout_pay": ("contract.weekend_multiple", "contract.callout_hours"),
    "standing_cost": ("contract.standing_per_year",),
    "overhead": ("contract.overhead_share",),
    "jobs_found": ("contract.found_low", "contract.found_likely",
                             "contract.found_high"),
    "estimate_accuracy": ("contract.estimate_accuracy",),
    "wanted_margin": (),
}


def sensitivity(contract: Contract, *, form: str = "lump_sum",
                rng: np.random.Generator) -> pd.DataFrame:
    """Return the `contract_sensitivity` table: the price with each assumption lower and higher.

    Crews stay as bid, except where they are what is moved; so do the late shares. Every price
    comes from the same ``contract.sensitivity_draws`` years; what these do to the price is applied
    to the price asked, which rests on more.

    Parameters
    ----------
    contract
        The contract as priced.
    form
        Price form looked at.
    """
    base = contract.parameters
    swing = base["contract.sensitivity_swing"]
    seed = int(rng.integers(2**31))
    middle = _price(contract, base, 1.0, 1.0, contract.margin, form, seed)
    asked = float(contract.price(form)["price_per_year"])
    rows = []
    for name, patterns in ASSUMPTIONS.items():
        prices = []
        for factor in (1 - swing, 1 + swing):
            moved = _moved(base, patterns, factor)
            prices.append(_price(
                contract, moved, factor if name == "volume" else 1.0,
                factor if name == "crews_provided" else 1.0,
                contract.margin * factor if name == "wanted_margin" else contract.margin,
                form, seed))
        low, high = (asked * price / middle for price in prices)
        rows.append({"assumption": name, "swing": swing, "price": asked, "price_low": low,
                     "price_high": high, "range": abs(high - low)})
    table = pd.DataFrame(rows).sort_values("range", ascending=False, kind="stable")
    return table.reset_index(drop=True)


def _moved(base: Parameters, patterns: tuple[str, ...], factor: float) -> Parameters:
    names = [name for pattern in patterns for name in base
             if name == pattern or (pattern.endswith("*") and name.startswith(pattern[:-1]))]
    limits = {name: base.row(name) for name in names}
    return base.override({name: min(max(base[name] * factor, row.low), row.high)
                          for name, row in limits.items()})


def _price(contract: Contract, numbers: Parameters, volume_factor: float, crews_factor: float,
           margin: float, form: str, seed: int) -> float:
    draws = int(numbers["contract.sensitivity_draws"])
    rng = np.random.default_rng(seed)
    volume = contract.volume
    usual = mean_found_share(contract.parameters)
    found = mean_found_share(numbers) / usual if usual else 1.0
    # The same jobs as before, each counting for more or less: new draws, or whole numbers of jobs
    # in classes that have one or two a year, would bury what is looked at.
    volume = replace(volume, counts=volume.counts[:draws], found=volume.found[:draws])
    capacity = Capacity(contract.capacity.crews * crews_factor, contract.capacity.paid_hours)
    jobs = with_effort(contract.jobs, parameters=numbers)
    outlook = foresee(jobs, contract.callout, volume, contract.queue, capacity,
                      parameters=numbers, rng=rng,
                      weights=(volume_factor, volume_factor * found))
    prices = price_forms(outlook, margin=margin, parameters=numbers)
    row = prices[(prices["form"] == form) & (prices["level"] == numbers["contract.price_level"])]
    return float(row["price_per_year"].iloc[0])
