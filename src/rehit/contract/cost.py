"""What a contract year costs the contractor: work, crews, call-outs, standing cost, penalties."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtri

from rehit.contract.crews import MINUTES_PER_HOUR, QueueRun
from rehit.contract.volume import CLASS, Volume, with_effort
from rehit.parameters import Parameters

#: Cost lines in the order they are shown, and the price index each follows.
LINES = {"labour": "labour", "overtime": "labour", "callouts": "labour", "vehicles": "plant",
         "running": "plant", "materials": "materials", "water": "materials", "access": "plant",
         "traffic_control": "plant", "standing": "labour", "overhead": None, "penalties": None}
#: What is added up over the jobs of a year.
WORK = ("jobs", "offensive", "crew_minutes", "callout_minutes", "materials", "water", "access",
        "traffic_control", "rate_value")
Values = np.ndarray | float
_TINY = 1e-12
# Sums of more jobs than this are drawn from the normal distribution: it saves minutes on the
# largest towns, and the skewness of such a sum is a thirtieth of one job's.
_MANY = 1000


@dataclass(frozen=True)
class Capacity:
    """The crews of one year.

    Attributes
    ----------
    crews
        Crews provided.
    paid_hours
        Hours paid to one whole crew in a year.
    """

    crews: float
    paid_hours: float


def year_cost(work: Mapping[str, Values], *, capacity: Capacity, late_offensive: Values,
              late_ordinary: Values, indices: Mapping[str, Values],
              parameters: Parameters) -> dict[str, Values]:
    """Return every cost line of a year from the work in it; numbers or whole arrays.

    Parameters
    ----------
    work
        The quantities of `WORK`.
    capacity
        Crews, paid whether or not there is work; hours beyond are overtime.
    late_offensive, late_ordinary
        Share of the jobs of each kind that miss their standard.
    indices
        Price index of labour, materials and plant, 1 at today's prices.
    """
    get, hourly = parameters.__getitem__, parameters["costs.labour_per_hour"]
    paid = capacity.crews * capacity.paid_hours
    useful = paid * get("contract.productive_share")
    needed = work["crew_minutes"] / MINUTES_PER_HOUR
    over = np.maximum(0.0, needed - useful) / get("contract.productive_share")
    cost = {
        "labour": paid * hourly + 0 * needed,
        "overtime": over * hourly * get("contract.overtime_multiple"),
        "callouts": work["callout_minutes"] / MINUTES_PER_HOUR * hourly
        * get("contract.weekend_multiple"),
        "vehicles": capacity.crews * get("contract.vehicle_per_crew") + 0 * needed,
        "running": work["jobs"] * get("contract.vehicle_per_job"),
        **{name: work[name] for name in ("materials", "water", "access", "traffic_control")},
        "standing": get("contract.standing_per_year") + 0 * needed}
    cost = {name: value * indices[str(LINES[name])] for name, value in cost.items()}
    cost["overhead"] = sum(cost.values()) * get("contract.overhead_share")
    cost["penalties"] = (
        work["offensive"] * late_offensive * get("contract.penalty_offensive")
        + (work["jobs"] - work["offensive"]) * late_ordinary * get("contract.penalty_ordinary"))
    return cost


def late_shares(queue: QueueRun, jobs: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the late shares that go with each volume: those of the queue year of equal rank."""
    years = queue.years.sort_values("jobs", kind="stable")
    rank = np.argsort(np.argsort(jobs.ravel(), kind="stable"), kind="stable")
    place = (rank * len(years) // jobs.size).reshape(jobs.shape)
    ordinary = (years["jobs"] - years["offensive"]).clip(lower=1)
    return ((years["late_offensive"] / years["offensive"].clip(lower=1)).to_numpy()[place],
            (years["late_ordinary"] / ordinary).to_numpy()[place])


def estimate_error(shape: tuple[int, ...], *, parameters: Parameters,
                   rng: np.random.Generator) -> np.ndarray:
    """Return a factor on the whole cost for how far the own unit costs may be out.

    One factor for all years of a contract: an estimate that is wrong stays wrong.
    """
    sd = accuracy_sd(accuracy=parameters["contract.estimate_accuracy"],
                     confidence=parameters["contract.estimate_confidence"])
    return np.repeat(np.exp(rng.normal(0, sd, (shape[0], 1))), shape[1], axis=1)


def accuracy_sd(*, accuracy: float, confidence: float) -> float:
    """Return the standard deviation behind "right within ± so much, so sure" (normal).

    References
    ----------
    Rothwell 2004, SIEPR discussion paper 04-05.

    Examples
    --------
    >>> round(accuracy_sd(accuracy=0.1, confidence=0.8), 4)
    0.078
    """
    return float(accuracy / ndtri((1 + confidence) / 2))


def job_work(jobs: pd.DataFrame, callout: np.ndarray, *, parameters: Parameters) -> pd.DataFrame:
    """Return what each job adds to the year's work, in the columns `WORK`.

    A call-out takes the least hours paid, or longer if the job needs it, and no ordinary crew
    time. ``rate_value`` is what the schedule of rates at cost pays (:func:`cost_rates`).
    """
    travel = parameters["contract.travel_minutes"]
    minutes = jobs["minutes"].to_numpy() + travel
    least = parameters["contract.callout_hours"] * MINUTES_PER_HOUR
    rates, least_charge = cost_rates(jobs, parameters=parameters)
    value = np.maximum(least_charge, jobs["method"].map(rates).to_numpy(float) * jobs["area_m2"])
    return pd.DataFrame({
        "jobs": 1.0, "offensive": (jobs["priority"] == "offensive").astype(float),
        "crew_minutes": np.where(callout, 0.0, minutes),
        "callout_minutes": np.where(callout, np.maximum(minutes, least), 0.0),
        "materials": jobs["materials"], "water": jobs["water"], "access": jobs["access"],
        "traffic_control": jobs["traffic_control"], "rate_value": value,
    }, index=jobs.index)[list(WORK)]


def cost_rates(jobs: pd.DataFrame, *, parameters: Parameters) -> tuple[dict[str, float], float]:
    """Return a rate per m² for each method, and the minimum charge, at the cost of the work alone.

    The rate of a method is its jobs' cost (crew time with driving, materials, water, access,
    traffic control) over their area. Crews standing idle, standing cost, overhead and margin
    come on top by one factor on all rates.
    """
    hourly = parameters["costs.labour_per_hour"] / parameters["contract.productive_share"]
    travel = parameters["contract.travel_minutes"]
    cost = ((jobs["minutes"] + travel) / MINUTES_PER_HOUR * hourly + jobs["materials"]
            + jobs["water"] + jobs["access"] + jobs["traffic_control"]
            + parameters["contract.vehicle_per_job"])
    by = pd.DataFrame({"method": jobs["method"], "cost": cost, "area": jobs["area_m2"]})
    sums = by.groupby("method").sum()
    least = parameters["contract.minimum_charge_minutes"] / MINUTES_PER_HOUR * hourly
    rates = sums["cost"] / sums["area"]
    return {str(method): float(rate) for method, rate in rates.items()}, float(least)


def simulate_work(jobs: pd.DataFrame, callout: np.ndarray, volume: Volume, *,
                  parameters: Parameters, rng: np.random.Generator,
                  extra: Mapping[str, np.ndarray] | None = None,
                  weights: tuple[float, float] = (1.0, 1.0)) -> dict[str, np.ndarray]:
    """Return the year's work in every simulated year: each quantity draws × years.

    Each simulated job copies one of the log's jobs of its class, so sizes, access and the rest
    stay together. Jobs found by patrol copy them at a smaller area and are never call-outs.

    Parameters
    ----------
    extra
        More columns to add up over the reported jobs and, at their own worth, those found:
        name to the values per job for both, each ``2 × jobs``.
    weights
        What each reported job and each job found counts for [jobs].
    """
    smaller = with_effort(jobs, parameters=parameters,
                          area_ratio=parameters["contract.found_area_ratio"])
    rates, least = cost_rates(jobs, parameters=parameters)
    reported = job_work(jobs, callout, parameters=parameters)
    found = job_work(smaller, np.zeros(len(jobs), bool), parameters=parameters)
    found["rate_value"] = np.maximum(least, smaller["method"].map(rates) * smaller["area_m2"])
    for name, values in (extra or {}).items():
        reported[name], found[name] = values[0], values[1]
    draws, years, n_classes = volume.counts.shape
    total = np.zeros((draws * years, reported.shape[1]))
    groups = jobs.groupby(list(CLASS)).indices
    keys = list(volume.classes[list(CLASS)].itertuples(index=False, name=None))
    for number in range(n_classes):
        rows = groups[keys[number]]
        for counts, table, weight in zip((volume.counts, volume.found), (reported, found),
                                         weights, strict=True):
            total += weight * simulate_totals(table.to_numpy(float)[rows],
                                              counts=counts[:, :, number].ravel(), rng=rng)
    return {name: total[:, column].reshape(draws, years)
            for column, name in enumerate(reported.columns)}


# The distribution of a year's total: so many jobs, each of a cost that chance decides.
# Exact to the step by the fast Fourier transform, and by simulation.

def simulate_totals(costs: np.ndarray, *, counts: np.ndarray,
                    rng: np.random.Generator) -> np.ndarray:
    """Return one total per entry of `counts`, each the sum of that many costs drawn anew.

    Parameters
    ----------
    costs
        Observed costs, or several columns of them to be drawn together.
    counts
        Jobs in each simulated year. Sums of more than 1,000 jobs are drawn from the normal
        distribution.
    """
    table = np.asarray(costs, float).reshape(len(costs), -1)
    totals = np.zeros((len(counts), table.shape[1]))
    many = counts > _MANY
    if many.any():
        totals[many] = _normal_totals(table, counts[many], rng)
    few = np.flatnonzero(~many)
    per_piece = max(1, int(2e6 // max(1.0, float(counts[few].mean()) if len(few) else 1.0)))
    for start in range(0, len(few), per_piece):
        piece = few[start:start + per_piece]
        picked = rng.integers(len(table), size=int(counts[piece].sum()))
        owner = np.repeat(np.arange(len(piece)), counts[piece])
        for column in range(table.shape[1]):
            totals[piece, column] = np.bincount(
                owner, weights=table[picked, column], minlength=len(piece))
    return totals if np.ndim(costs) > 1 else totals[:, 0]


def _normal_totals(table: np.ndarray, counts: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Draw sums of very many jobs from the normal distribution of the same mean and covariance."""
    covariance = np.atleast_2d(np.cov(table, rowvar=False, bias=True))
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    noise = rng.standard_normal((len(counts), table.shape[1])) @ root.T
    mean = counts[:, None] * table.mean(axis=0)
    return np.asarray(np.maximum(0.0, mean + np.sqrt(counts)[:, None] * noise))


@dataclass(frozen=True)
class Aggregate:
    """A discrete distribution of a total.

    Attributes
    ----------
    chances
        Chance of 0, 1, 2 … steps.
    step
        What one step is worth.
    """

    chances: np.ndarray
    step: float

    @property
    def values(self) -> np.ndarray:
        """The totals the chances belong to."""
        return np.arange(len(self.chances)) * self.step

    @property
    def mean(self) -> float:
        """Expected total."""
        return float(self.values @ self.chances)

    @property
    def variance(self) -> float:
        """Variance of the total."""
        return float((self.values - self.mean) ** 2 @ self.chances)

    def quantile(self, level: float) -> float:
        """Smallest total not exceeded with at least this chance."""
        at = np.searchsorted(np.cumsum(self.chances), level - _TINY)
        return min(int(at), len(self.chances) - 1) * self.step

    def tail_mean(self, level: float) -> float:
        """Conditional tail expectation: mean of the totals above the quantile."""
        return tail_mean(self.values, level, chances=self.chances,
                         quantile=self.quantile(level))


def fourier(severity: np.ndarray, *, generating: Callable[[np.ndarray], np.ndarray], steps: int,
            step: float = 1.0) -> Aggregate:
    """Return the distribution of the total by the fast Fourier transform.

    Parameters
    ----------
    severity
        Chances that one job costs 0, 1, 2 … steps.
    generating
        Probability generating function of the number of jobs, for complex arrays.
    steps
        Total up to which the chances matter. The transform is at least twice as long, so that
        hardly anything wraps around.
    """
    length = 1 << int(np.ceil(np.log2(max(2 * (steps + 1), 2 * len(severity)))))
    spectrum = np.fft.rfft(severity, length)
    total = np.fft.irfft(generating(spectrum), length)
    return Aggregate(np.clip(total[:steps + 1], 0.0, None), step)


def discretise_costs(costs: np.ndarray, *, step: float) -> np.ndarray:
    """Cut observed costs into steps, each split over its two neighbours so that the mean stays.

    Examples
    --------
    >>> discretise_costs(np.array([1.5, 2.0]), step=1.0)
    array([0.  , 0.25, 0.75])
    """
    places = np.asarray(costs, float) / step
    low = np.floor(places).astype(int)
    upper = places - low
    chances = np.zeros(int(low.max()) + 2)
    np.add.at(chances, low, 1 - upper)
    np.add.at(chances, low + 1, upper)
    return np.trim_zeros(chances / len(places), "b")


def mixed_poisson(means: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
    """Return the generating function of a count whose Poisson mean is itself uncertain.

    Parameters
    ----------
    means
        Equally likely means.
    """
    def generating(spectrum: np.ndarray) -> np.ndarray:
        return np.asarray(np.mean([np.exp(mean * (spectrum - 1)) for mean in means], axis=0))

    return generating


def tail_mean(values: np.ndarray, level: float, *, chances: np.ndarray | None = None,
              quantile: float | None = None) -> float:
    """Return the conditional tail expectation of a total (CTE, expected shortfall).

    Parameters
    ----------
    values
        Totals: draws of equal weight, or the points of a distribution with `chances`.
    level
        Between 0 and 1.
    quantile
        The quantile at `level`; worked out from the draws if not given.

    Examples
    --------
    >>> tail_mean(np.arange(1.0, 11.0), 0.8)
    9.5
    """
    if quantile is None:
        quantile = float(np.quantile(values, level, method="inverted_cdf"))
    above = values > quantile
    if not above.any():
        return quantile
    weights = np.ones(len(values)) if chances is None else chances
    return float(values[above] @ weights[above] / weights[above].sum())
