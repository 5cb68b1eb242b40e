"""How many jobs a contract year will bring, with everything that is uncertain about it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from rehit.costs.doubt import Doubt
from rehit.costs.rates import traffic_control_cost
from rehit.errors import TableError
from rehit.messages import message
from rehit.observed import Window
from rehit.parameters import Parameters, load_parameters
from rehit.tables import check

DAYS_PER_YEAR = 365.25
MIN_PER_DAY = 24 * 60
SIZES = ("small", "medium", "large")
CLASS = ("method", "size_class", "access_kind", "needs_traffic_control")
#: What no lump sum should promise: the usual exclusions of the trade.
EXCLUSIONS = ("thrown_paint", "etched", "heritage_stone", "specialist")
_STONE = ("stone", "brick")
_STEPS = 30


def contract_jobs(incidents: pd.DataFrame, advice: pd.DataFrame, *,
                  parameters: Parameters | None = None) -> pd.DataFrame:
    """Return the `contract_jobs` table: one row per incident, priced at the rates in force.

    Parameters
    ----------
    incidents
        Incidents with ``place_id``, ``heritage``, ``access`` and ``traffic_control``.
    advice
        The `advice` table: the method of each incident.
    parameters
        Reads ``costs.*`` per method, ``contract.small_area_m2``, ``contract.large_area_m2``.

    Returns
    -------
    pandas.DataFrame
        Where no area is known, the mean of the method's known areas stands in. ``minutes`` is
        time on site, without driving. ``exclusion`` names why a job is not in the fixed price.
    """
    parameters = parameters or load_parameters()
    joined = incidents.merge(advice[["incident_id", "method"]], on="incident_id", how="left")
    jobs = pd.DataFrame({
        "incident_id": joined["incident_id"].astype("str"),
        "place_id": joined["place_id"].astype("str"),
        "reported_at": joined["reported_at"], "priority": joined["priority"].astype("str"),
        "method": joined["method"].astype("str").fillna("inspect"),
        "area_m2": joined["area_m2"].astype(float)})
    usual = jobs.groupby("method")["area_m2"].transform("mean")
    town = jobs["area_m2"].mean()
    town = parameters["pipeline.mark_area_m2"] if np.isnan(town) else town
    jobs["area_m2"] = jobs["area_m2"].fillna(usual).fillna(town)
    jobs["access_kind"] = joined["access"].astype("str").fillna("ground")
    jobs["needs_traffic_control"] = joined["traffic_control"].astype(bool)
    jobs["exclusion"] = _exclusions(joined, jobs["method"])
    jobs = with_effort(jobs, parameters=parameters)
    check(jobs, "contract_jobs", where="costs.contract_jobs")
    return jobs


def with_effort(jobs: pd.DataFrame, *, parameters: Parameters,
                area_ratio: float = 1.0) -> pd.DataFrame:
    """Return the jobs with their effort worked out again, areas times `area_ratio`."""
    new = jobs.copy()
    new["area_m2"] = new["area_m2"] * area_ratio
    edges = [0, parameters["contract.small_area_m2"], parameters["contract.large_area_m2"], np.inf]
    new["size_class"] = pd.cut(new["area_m2"], edges, labels=list(SIZES), right=False,
                               include_lowest=True).astype("str")
    area = new["area_m2"]
    new["minutes"] = (_rate(new, "minutes_per_visit", parameters)
                      + _rate(new, "minutes_per_m2", parameters)
                      * area ** _rate(new, "minutes_area_power", parameters))
    new["persons"] = _rate(new, "crew_size", parameters)
    new["materials"] = _rate(new, "materials_per_m2", parameters) * area
    new["wash_water_l"] = _rate(new, "water_l_per_m2", parameters) * area
    new["water"] = new["wash_water_l"] * parameters["costs.water_per_l"]
    new["access"] = new["access_kind"].map({
        "ground": 0.0, "ladder": parameters["costs.access_ladder"],
        "platform": parameters["costs.access_platform"]}).fillna(0.0)
    kept = traffic_control_cost(new["minutes"].to_numpy(float) / 60, parameters=parameters)
    new["traffic_control"] = np.where(new["needs_traffic_control"], kept, 0.0)
    return new


def _rate(jobs: pd.DataFrame, rate: str, parameters: Parameters) -> pd.Series:
    known = {m: parameters[f"costs.{rate}_{m}"] for m in jobs["method"].unique()}
    return jobs["method"].map(known).astype(float)


def _exclusions(joined: pd.DataFrame, methods: pd.Series) -> pd.Series:
    reasons = pd.Series("", index=joined.index, dtype="str")
    reasons[methods == "refer"] = "specialist"
    stone = joined["substrate"].isin(_STONE) & (joined["finish"].astype("str") != "painted")
    reasons[joined["heritage"].astype(bool) & stone] = "heritage_stone"
    reasons[(methods == "polish_or_replace") | (joined["medium"] == "etched")] = "etched"
    reasons[joined["medium"] == "house_paint"] = "thrown_paint"
    return reasons


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
        return np.asarray((self.counts + self.found).sum(axis=2))

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
        rows: list[tuple[object, ...]] = []
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


def predict_volume(jobs: pd.DataFrame, places: pd.DataFrame, *, window: Window, years: int = 1,
                   draws: int | None = None, doubt: Doubt | None = None,
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
    window
        Window of the log.
    years, draws
        Contract years; simulated futures (default ``contract.draws``).
    doubt
        Possible worlds: in each the town brings more or fewer markings than its log says.

    Raises
    ------
    TableError
        If there is no job, or too little time, or the log was not kept evenly (:func:`check_even`).
    """
    parameters = parameters or load_parameters()
    span = window.days / DAYS_PER_YEAR
    if jobs.empty:
        raise TableError(message("where.the_log"), "errors.no_jobs")
    if window.days < parameters["contract.least_days"]:
        raise TableError(message("where.the_log"), "errors.too_short_to_price", n=len(jobs),
                         minutes=window.days * MIN_PER_DAY)
    check_even(jobs["reported_at"], window=window, parameters=parameters)
    draws = int(parameters["contract.draws"]) if draws is None else draws
    weights = change_weights(jobs, window=window, parameters=parameters)
    steady = jobs.loc[_unchanged(jobs), "reported_at"]
    trend, trend_sd, dispersion = fit_town(steady, window=window, parameters=parameters)
    *_, weekly = fit_town(steady, window=window,
                          parameters=parameters.override({"contract.fit_days": 7}))
    per_year = float(weights.sum()) / span
    level = _gamma(1.0, posterior_share_variance(places) + (dispersion - 1) / len(jobs), draws, rng)
    ahead = span / 2 + np.arange(years) + 0.5
    growth = np.exp(rng.normal(trend, trend_sd, draws)[:, None] * ahead)
    unlike = np.exp(rng.normal(0, parameters["contract.year_effect_sd"], (draws, years)))
    mean = per_year * level[:, None] * growth * unlike
    if doubt is not None:
        mean *= doubt.for_draws(draws).of("markings")[:, None]
    classes = weights.groupby([jobs[name] for name in CLASS]).sum().rename("n").reset_index()
    mix = rng.standard_gamma(classes["n"].to_numpy() / dispersion, (draws, len(classes)))
    mix /= mix.sum(axis=1, keepdims=True)
    bursts = _gamma(mean, mean * (dispersion - 1), mean.shape, rng)
    counts = rng.poisson(bursts[:, :, None] * mix[:, None, :])
    share = found_share(rng.random(draws), parameters=parameters)
    found = rng.poisson((bursts * share[:, None])[:, :, None] * mix[:, None, :])
    return Volume(classes, counts, found, bursts, per_year, trend, trend_sd, dispersion,
                  weekly, span)


def fit_town(reported_at: pd.Series, *, window: Window,
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
    counts = period_counts(reported_at, window=window, length_days=length)
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


def period_counts(reported_at: pd.Series, *, window: Window, length_days: float) -> np.ndarray:
    """Return the jobs in each whole period of the window, counted back from its end."""
    age = (window.end - reported_at).dt.total_seconds().to_numpy() / 86400
    n = int(window.days // length_days)
    return np.bincount((age[age < n * length_days] // length_days).astype(int),
                       minlength=n)[::-1]


def check_even(reported_at: pd.Series, *, window: Window, parameters: Parameters) -> None:
    """Refuse a log that was not kept evenly: no yearly volume can be read from it.

    Raises
    ------
    TableError
        If half of the jobs fall into less than ``contract.even_share`` of the periods (or of as
        many periods as there are jobs, where these are fewer).
    """
    length = parameters["contract.fit_days"]
    counts = period_counts(reported_at, window=window, length_days=length)
    jobs = int(counts.sum())
    if len(counts) < parameters["contract.fit_periods"] or not jobs:
        return
    half = int(np.searchsorted(np.cumsum(np.sort(counts)[::-1]), jobs / 2)) + 1
    if half < parameters["contract.even_share"] * min(len(counts), jobs):
        raise TableError(message("where.the_log"), "errors.uneven_log", jobs=jobs, n=half,
                         periods=len(counts), days=length)


def change_weights(jobs: pd.DataFrame, *, window: Window, parameters: Parameters) -> pd.Series:
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
    return weights.where(jobs["reported_at"].between(window.start, window.end), 1.0)


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


def found_share(chance: np.ndarray, *, parameters: Parameters) -> np.ndarray:
    """Return what own patrols find beyond the reports, as a share of these (triangular)."""
    low, likely, high = _found_points(parameters)
    return triangular_quantile(chance, low=low, likely=likely, high=high)


def mean_found_share(parameters: Parameters) -> float:
    """Return the mean of :func:`found_share`."""
    return sum(_found_points(parameters)) / 3


def _found_points(parameters: Parameters) -> tuple[float, float, float]:
    low = parameters["contract.found_low"]
    likely = max(low, parameters["contract.found_likely"])
    return low, likely, max(likely, parameters["contract.found_high"])


def triangular_quantile(level: np.ndarray | float, *, low: float, likely: float,
                        high: float) -> np.ndarray:
    """Return quantiles of the triangular distribution.

    Examples
    --------
    >>> round(float(triangular_quantile(0.8, low=80, likely=100, high=150)), 4)
    123.5425
    """
    level, width = np.asarray(level, float), high - low
    if width <= 0:
        return np.full(level.shape, low)
    below = low + np.sqrt(level * width * (likely - low))
    above = high - np.sqrt((1 - level) * width * (high - likely))
    return np.where(level * width <= likely - low, below, above)
