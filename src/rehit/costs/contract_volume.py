"""How many jobs a contract year will bring, with everything that is uncertain about it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from rehit.costs.contract_estimate import found_share
from rehit.errors import TableError
from rehit.parameters import Parameters, load_parameters

DAYS_PER_YEAR = 365.25
CLASS = ("method", "size_class", "access_kind", "needs_traffic_control")
_STEPS = 30


@dataclass(frozen=True)
class Volume:
    """Simulated numbers of jobs.

    Attributes
    ----------
    classes
        ``method, size_class, access_kind, needs_traffic_control, n``: what the log holds of each
        class, jobs at places changed since counted as they would come now.
    counts
        Reported jobs: draws × years × classes.
    found
        Jobs found by own patrols on top: draws × years × classes.
    means
        The Poisson means behind the reported jobs: draws × years.
    per_year
        Jobs a year in the log.
    trend, trend_sd
        Yearly growth of the log of the volume and what is uncertain about it.
    dispersion
        Variance over mean of a period's count.
    weekly_dispersion
        The same of a week's count: what the queue of crews meets.
    observed_years
        Length of the log.
    """

    classes: pd.DataFrame
    counts: np.ndarray
    found: np.ndarray
    means: np.ndarray
    per_year: float
    trend: float
    trend_sd: float
    dispersion: float
    weekly_dispersion: float
    observed_years: float

    @property
    def totals(self) -> np.ndarray:
        """Jobs in all: draws × years."""
        return (self.counts + self.found).sum(axis=2)

    def table(self, found_sizes: pd.DataFrame | None = None) -> pd.DataFrame:
        """Return expected jobs and the 80 % interval by method and size class, first year.

        Parameters
        ----------
        found_sizes
            For each class in order, the share of its found jobs in each size (columns): patrols
            find smaller markings than are reported. Without it they keep their class's size.
        """
        if found_sizes is None:
            found_sizes = pd.get_dummies(self.classes["size_class"], dtype=float)
        rows: list[tuple] = []
        for method, members in self.classes.groupby("method").indices.items():
            sizes, n = self.classes["size_class"].to_numpy()[members], self.classes["n"].to_numpy()
            for size in found_sizes.columns:
                own = members[sizes == size]
                found = self.found[:, 0, members] @ found_sizes[size].to_numpy()[members]
                every = self.counts[:, 0, own].sum(axis=1) + found
                if every.any():
                    rows.append((method, size, float(n[own].sum()), every.mean(),
                                 *np.quantile(every, [0.1, 0.9]), found.mean()))
        return pd.DataFrame(rows, columns=["method", "size_class", "n", "expected", "low", "high",
                                           "found"])


def fit_town(reported_at: pd.Series, *, observed_from: pd.Timestamp, observed_to: pd.Timestamp,
             parameters: Parameters) -> tuple[float, float, float]:
    """Read trend, its uncertainty and the dispersion of the town's counts.

    Counts of whole periods follow a log-linear trend and one yearly wave. Trend and wave are
    normal around none before the log is read; the variance is `dispersion` times the mean, itself
    blended with ``contract.dispersion``. Trend and wave are found by Newton's steps.

    Returns
    -------
    tuple
        Yearly growth of the log of the volume, its standard deviation, the dispersion.
    """
    length = parameters["contract.fit_days"]
    counts = period_counts(reported_at, observed_from=observed_from, observed_to=observed_to,
                           length_days=length)
    n, prior = len(counts), parameters["contract.dispersion"]
    if n < parameters["contract.fit_periods"]:
        return 0.0, parameters["contract.trend_sd"], prior
    middle = (np.arange(n) + 0.5 - n / 2) * length / DAYS_PER_YEAR
    wave = 2 * np.pi * middle
    design = np.column_stack([np.ones(n), middle, np.cos(wave), np.sin(wave)])
    season = parameters["contract.season_sd"]
    penalty = np.diag([0.0, parameters["contract.trend_sd"] ** -2, season**-2, season**-2])
    dispersion = prior
    for _ in range(3):
        beta, fitted, covariance = _newton(design, counts, penalty, dispersion)
        pearson = float(((counts - fitted) ** 2 / fitted).sum())
        weight = parameters["contract.dispersion_weight"]
        freedom = max(n - design.shape[1], 0)
        dispersion = max(1.0, (pearson + weight * prior) / (freedom + weight)
                         if freedom + weight else prior)
    return float(beta[1]), float(np.sqrt(covariance[1, 1])), dispersion


def period_counts(reported_at: pd.Series, *, observed_from: pd.Timestamp,
                  observed_to: pd.Timestamp, length_days: float) -> np.ndarray:
    """Return the jobs in each whole period of the window, counted back from its end."""
    age = (observed_to - reported_at).dt.total_seconds().to_numpy() / 86400
    n = int((observed_to - observed_from).total_seconds() / 86400 // length_days)
    return np.bincount((age[age < n * length_days] // length_days).astype(int),
                       minlength=n)[::-1]


def check_even(reported_at: pd.Series, *, observed_from: pd.Timestamp, observed_to: pd.Timestamp,
               parameters: Parameters) -> None:
    """Refuse a log that was not kept evenly: no yearly volume can be read from it.

    Raises
    ------
    TableError
        If half of the jobs fall into less than ``contract.even_share`` of the periods (or of as
        many periods as there are jobs, where these are fewer).
    """
    length = parameters["contract.fit_days"]
    counts = period_counts(reported_at, observed_from=observed_from, observed_to=observed_to,
                           length_days=length)
    jobs = int(counts.sum())
    if len(counts) < parameters["contract.fit_periods"] or not jobs:
        return
    half = int(np.searchsorted(np.cumsum(np.sort(counts)[::-1]), jobs / 2)) + 1
    if half < parameters["contract.even_share"] * min(len(counts), jobs):
        held = "one" if half == 1 else str(half)
        raise TableError(
            "the log", got=f"half of its {jobs:,} jobs or more in {held} of its {len(counts)} "
            f"periods of {length:g} days: it looks like an extract, not a record of whole years",
            allowed="a log kept all the time, from which the jobs of a year can be told",
            remedy="price on a log that holds every report of its time; if this one does, set "
                   "contract.even_share = 0")


def _newton(design: np.ndarray, counts: np.ndarray, penalty: np.ndarray,
            dispersion: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    beta = np.zeros(design.shape[1])
    beta[0] = np.log(max(counts.mean(), 0.1))
    for _ in range(_STEPS):
        fitted = np.exp(np.clip(design @ beta, -20, 20))
        information = design.T @ (design * fitted[:, None]) / dispersion + penalty
        beta = beta + np.linalg.solve(
            information, design.T @ (counts - fitted) / dispersion - penalty @ beta)
    return beta, np.exp(design @ beta), np.linalg.inv(information)


def predict_volume(jobs: pd.DataFrame, places: pd.DataFrame, *, observed_from: pd.Timestamp,
                   observed_to: pd.Timestamp, years: int = 1, draws: int | None = None,
                   parameters: Parameters | None = None, rng: np.random.Generator) -> Volume:
    """Simulate the jobs of each contract year by method and size class.

    The level is what the log counted a year. Its uncertainty is that of the places' gamma
    posteriors summed, widened because markings come in bursts. Trend and what makes one year
    unlike another act on the town as a whole. The mix of classes (method, size, access, traffic
    control) is Dirichlet around the log's, its weight the log's jobs over the dispersion. Places
    known to have changed during the log count as :func:`change_weights` says. The contract starts
    where the log ends, and whole years are bid, so the season only has to be kept out of the
    trend.

    Parameters
    ----------
    jobs
        Jobs inside the price (`contract_jobs`), with ``change`` and ``changed_at`` where a
        measure such as a coating is known to have been taken at the place.
    places
        ``gamma_shape, gamma_rate_years`` of each place's rate.
    observed_from, observed_to
        Window of the log.
    years, draws
        Contract years; simulated futures (default ``contract.draws``).

    Raises
    ------
    TableError
        If there is no job, or no time, or the log was not kept evenly (:func:`check_even`).
    """
    numbers = parameters or load_parameters()
    span = (observed_to - observed_from).total_seconds() / 86400 / DAYS_PER_YEAR
    if not len(jobs) or span <= 0:
        raise TableError("costs.predict_volume", got=f"{len(jobs)} jobs in {span:.2f} years",
                         allowed="a log with jobs over some time", remedy="check the log's dates")
    check_even(jobs["reported_at"], observed_from=observed_from, observed_to=observed_to,
               parameters=numbers)
    draws = int(numbers["contract.draws"]) if draws is None else draws
    weights = change_weights(jobs, observed_from=observed_from, observed_to=observed_to,
                             parameters=numbers)
    steady = jobs.loc[_unchanged(jobs), "reported_at"]
    trend, trend_sd, dispersion = fit_town(steady, observed_from=observed_from,
                                           observed_to=observed_to, parameters=numbers)
    *_, weekly = fit_town(steady, observed_from=observed_from, observed_to=observed_to,
                          parameters=numbers.override({"contract.fit_days": 7}))
    per_year = float(weights.sum()) / span
    level = _gamma(1.0, posterior_share_variance(places) + (dispersion - 1) / len(jobs), draws, rng)
    ahead = span / 2 + np.arange(years) + 0.5
    growth = np.exp(rng.normal(trend, trend_sd, draws)[:, None] * ahead)
    unlike = np.exp(rng.normal(0, numbers["contract.year_effect_sd"], (draws, years)))
    mean = per_year * level[:, None] * growth * unlike
    classes = weights.groupby([jobs[name] for name in CLASS]).sum().rename("n").reset_index()
    mix = rng.standard_gamma(classes["n"].to_numpy() / dispersion, (draws, len(classes)))
    mix /= mix.sum(axis=1, keepdims=True)
    bursts = _gamma(mean, mean * (dispersion - 1), mean.shape, rng)
    counts = rng.poisson(bursts[:, :, None] * mix[:, None, :])
    share = found_share(rng.random(draws), parameters=numbers)
    found = rng.poisson((bursts * share[:, None])[:, :, None] * mix[:, None, :])
    return Volume(classes, counts, found, bursts, per_year, trend, trend_sd, dispersion,
                  weekly, span)


def change_weights(jobs: pd.DataFrame, *, observed_from: pd.Timestamp, observed_to: pd.Timestamp,
                   parameters: Parameters) -> pd.Series:
    """Return what each job of the log counts for in a year to come.

    1 for a job at a place where nothing changed. At places that got a measure (a coating, say)
    during the log, what they will bring is their rate before and after, blended: all places of
    one measure together show how much it changed the rate against the places without, and each
    job counts for the rate since the change over the place's mean rate. The ratio is drawn
    towards 1 by ``contract.change_weight`` jobs.

    Parameters
    ----------
    jobs
        With ``change`` (name of the measure) and ``changed_at``, or without these columns.
    """
    weights = pd.Series(1.0, index=jobs.index)
    unchanged = _unchanged(jobs)
    if unchanged.all():
        return weights
    other = jobs.loc[unchanged, "reported_at"]
    prior = parameters["contract.change_weight"]
    for _, group in jobs[~unchanged].groupby("change"):
        after = group["reported_at"] >= group["changed_at"]
        # Had nothing changed, as many would have come after as the other places' share says.
        share = group["changed_at"].map(
            {t: float((other >= t).mean()) for t in group["changed_at"].unique()})
        odds = float((share / (1 - share).clip(lower=0.01))[~after].sum())
        ratio = (after.sum() + prior) / (odds + prior)
        mean = (1 - share) + share * ratio
        weights[group.index] = ratio / mean
    return weights.where(jobs["reported_at"].between(observed_from, observed_to), 1.0)


def _unchanged(jobs: pd.DataFrame) -> pd.Series:
    if "changed_at" not in jobs:
        return pd.Series(True, index=jobs.index)
    return jobs["changed_at"].isna()


def posterior_share_variance(places: pd.DataFrame) -> float:
    """Return the squared coefficient of variation of the places' summed rates.

    Each rate is gamma with mean shape / rate and variance shape / rate²; they are independent.
    """
    shape, rate = places["gamma_shape"].to_numpy(), places["gamma_rate_years"].to_numpy()
    total = (shape / rate).sum()
    return float((shape / rate**2).sum() / total**2) if len(shape) else 0.0


def _gamma(mean: np.ndarray | float, variance: np.ndarray | float, size: int | tuple[int, ...],
           rng: np.random.Generator) -> np.ndarray:
    """Draw from gamma distributions of given mean and variance, the mean itself where it is 0."""
    mean, variance = np.broadcast_arrays(np.asarray(mean, float), np.asarray(variance, float))
    sure = variance <= 0
    scale = np.where(sure, 1.0, variance / np.where(mean > 0, mean, 1.0))
    drawn = rng.standard_gamma(np.where(sure, 1.0, mean / scale), size) * scale
    return np.where(sure, mean, drawn)
