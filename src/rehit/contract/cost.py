"""What a contract year costs the contractor: work, crews, call-outs, standing cost, penalties."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtri

from rehit.contract.crews import MINUTES_PER_HOUR, QueueRun, Team
from rehit.contract.schedule import HIRED, direct_costs, job_worth
from rehit.contract.volume import CLASS, Volume, with_effort
from rehit.costs.doubt import Doubt
from rehit.parameters import Parameters

#: Cost lines in the order they are shown, and the price index each follows.
LINES = {"labour": "labour", "overtime": "labour", "backlog": "labour", "callouts": "labour",
         "vehicles": "plant", "running": "plant", "materials": "materials", "water": "materials",
         "access": "plant", "traffic_control": "plant", "standing": "labour",
         "mobilisation": "plant", "overhead": None, "penalties": None}
#: What is added up over the jobs of a year.
WORK = ("jobs", "offensive", "crew_minutes", "callout_minutes", "materials", "water", "access",
        "traffic_control", "rate_value", "hired_value")
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
    team
        Crews provided.
    paid_hours
        Hours paid to one person in a year.
    shared
        Whether other contracts pay for the hours not needed here.
    """

    team: Team
    paid_hours: float
    shared: bool = False

    @property
    def arrangement(self) -> str:
        """How the crews are employed: whole, part_time, overtime or shared."""
        return "shared" if self.shared else self.team.arrangement


@dataclass(frozen=True)
class Service:
    """What the queue says of a year's jobs; numbers or whole arrays.

    Attributes
    ----------
    late_offensive, late_ordinary
        Share of the jobs of each kind that miss their standard.
    overtime_hours, backlog_hours
        Paid hours of one person for each job: in overtime; and after the year's end.
    """

    late_offensive: Values
    late_ordinary: Values
    overtime_hours: Values
    backlog_hours: Values


def year_cost(work: Mapping[str, Values], *, capacity: Capacity, service: Service,
              indices: Mapping[str, Values], first_year: Values,
              parameters: Parameters) -> dict[str, Values]:
    """Return every cost line of a year from the work in it; numbers or whole arrays.

    An hour is paid once: within the ordinary hours of the crews, who are paid whether or not
    there is work; as overtime; or after the year's end, for work that waits till then.

    Parameters
    ----------
    work
        The quantities of `WORK`.
    capacity
        Crews; where they are shared, hours not needed cost nothing here.
    service
        Late shares, overtime and backlog as the queue of the crews has them.
    indices
        Price index of labour, materials and plant, 1 at today's prices.
    first_year
        1 in the contract's first year, else 0.
    """
    get = parameters.__getitem__
    pay, team = get("costs.labour_per_hour"), capacity.team
    ordinary = pay * (1 + get("contract.leave_cover_share"))
    there = team.persons * capacity.paid_hours
    there_for_us = 1 + 0 * work["jobs"]
    if capacity.shared:
        useful = team.crews * capacity.paid_hours * get("contract.productive_share")
        there_for_us = np.minimum(1.0, work["crew_minutes"] / MINUTES_PER_HOUR / useful)
    cost = {
        "labour": there * ordinary * there_for_us,
        "overtime": work["jobs"] * service.overtime_hours * pay * get("contract.overtime_multiple"),
        "backlog": work["jobs"] * service.backlog_hours * ordinary,
        "callouts": work["callout_minutes"] / MINUTES_PER_HOUR * pay
        * get("contract.weekend_multiple"),
        "vehicles": team.crews * get("contract.vehicle_per_crew") * there_for_us,
        "running": work["jobs"] * get("contract.vehicle_per_job"),
        **{name: work[name] for name in ("materials", "water", "access", "traffic_control")},
        "standing": get("contract.standing_per_year") + 0 * work["jobs"],
        "mobilisation": get("contract.mobilisation") * first_year + 0 * work["jobs"]}
    cost = {name: value * indices[str(LINES[name])] for name, value in cost.items()}
    cost["overhead"] = sum(cost.values()) * get("contract.overhead_share")
    cost["penalties"] = (
        work["offensive"] * service.late_offensive * get("contract.penalty_offensive")
        + (work["jobs"] - work["offensive"]) * service.late_ordinary
        * get("contract.penalty_ordinary"))
    return cost


def service_of(queue: QueueRun, load: np.ndarray | None = None) -> Service:
    """Return what goes with each load: that of the queue year of equal rank; else the mean.

    `load`: jobs times what their minutes came to against those stated.
    """
    years = queue.years.sort_values("load" if load is not None else "jobs", kind="stable")
    if load is None:
        years = pd.DataFrame(years.sum()).T
        place: np.ndarray | int = 0
    else:
        rank = np.argsort(np.argsort(load.ravel(), kind="stable"), kind="stable")
        place = (rank * len(years) // load.size).reshape(load.shape)
    ordinary = (years["jobs"] - years["offensive"]).clip(lower=1)
    every = years["jobs"].clip(lower=1)
    return Service((years["late_offensive"] / years["offensive"].clip(lower=1)).to_numpy()[place],
                   (years["late_ordinary"] / ordinary).to_numpy()[place],
                   (years["overtime_hours"] / every).to_numpy()[place],
                   (years["backlog_hours"] / every).to_numpy()[place])


#: The cause of doubt that moves each cost line; minutes are in the work already.
MOVES = {"labour": "labour", "overtime": "labour", "backlog": "labour", "callouts": "labour",
         "running": "call_out", "materials": "materials", "water": "wash_water",
         "access": "site", "traffic_control": "site"}


def moved_cost(lines: Mapping[str, np.ndarray], worlds: Doubt, error: np.ndarray, *,
               parameters: Parameters) -> np.ndarray:
    """Return the whole cost of each year in the world that goes with its draw.

    Parameters
    ----------
    lines
        Of :func:`year_cost`, draws × years, at the unit costs as stated.
    worlds
        One for each draw: an estimate that is wrong stays wrong for the whole contract.
    error
        Factor on the lines that no cause names: vehicles, standing cost, mobilisation.
    """
    direct = sum(line * (worlds.of(MOVES[name])[:, None] if name in MOVES else error)
                 for name, line in lines.items() if name not in ("overhead", "penalties"))
    return np.asarray(direct * (1 + parameters["contract.overhead_share"]) + lines["penalties"])


def estimate_error(shape: tuple[int, ...], *, parameters: Parameters,
                   rng: np.random.Generator) -> np.ndarray:
    """Return a factor on the contractor's own standing costs for how far they may be out.

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


def job_work(jobs: pd.DataFrame, callout: np.ndarray, *, parameters: Parameters,
             rates: Mapping[str, float] | None = None) -> pd.DataFrame:
    """Return what each job adds to the year's work, in the columns `WORK`.

    A call-out takes the least hours paid, or longer if the job needs it, of as many people as the
    job needs, and no ordinary crew time. ``rate_value`` is what the schedule of rates pays at
    direct cost, or at the `rates` given, ``hired_value`` the part of it that is not crew work.
    """
    minutes = jobs["minutes"].to_numpy() + parameters["contract.travel_minutes"]
    least = parameters["contract.callout_hours"] * MINUTES_PER_HOUR
    persons = jobs["persons"].to_numpy(float)
    known = direct_costs(jobs, callout, parameters=parameters) if rates is None else rates
    hired = {item: known[item] for item in HIRED}
    return pd.DataFrame({
        "jobs": 1.0, "offensive": (jobs["priority"] == "offensive").astype(float),
        "crew_minutes": np.where(callout, 0.0, minutes),
        "callout_minutes": np.where(callout, np.maximum(minutes, least) * persons, 0.0),
        "materials": jobs["materials"], "water": jobs["water"], "access": jobs["access"],
        "traffic_control": jobs["traffic_control"],
        "rate_value": job_worth(jobs, callout, known),
        "hired_value": job_worth(jobs, callout, hired)}, index=jobs.index)[list(WORK)]


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
    rates = direct_costs(jobs, callout, parameters=parameters)
    reported = job_work(jobs, callout, parameters=parameters, rates=rates)
    found = job_work(smaller, np.zeros(len(jobs), bool), parameters=parameters, rates=rates)
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
