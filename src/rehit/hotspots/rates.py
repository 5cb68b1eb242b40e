"""Which places are hit again and again: one row per place, with the doubt about each number."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.optimize import minimize
from scipy.special import digamma, gammaincc, gammaincinv, gammaln
from scipy.stats import nbinom, norm

from rehit.errors import SettingError, TableError
from rehit.hotspots.significance import false_discovery
from rehit.hotspots.survival import grouped_medians
from rehit.observed import Window, known_timeline, time_at_risk, waits
from rehit.parameters import Parameters, load_parameters
from rehit.tables import require_projected, table

DAYS_PER_YEAR = 365.25
ALL_OTHERS = "all others"


def rank_repeats(placed_incidents: gpd.GeoDataFrame, *, register: gpd.GeoDataFrame | None = None,
                 window: Window,
                 threshold_per_year: float | None = None, parameters: Parameters | None = None,
                 rng: np.random.Generator) -> gpd.GeoDataFrame:
    """Rank places by how often a clean surface there is hit, with interval, rank and trend.

    Assumptions: at a clean place incidents come at random at the place's own rate; the rates of
    one kind of place follow a gamma distribution; places without an incident are known only where
    the register names them. Time waiting for clearance is no time at risk (see
    :func:`rehit.observed.timeline`). Few incidents are pulled towards the usual rate of
    the kind, so one bad month does not top the list.

    Parameters
    ----------
    placed_incidents
        Incidents with the placed columns merged in on ``incident_id``; projected CRS.
    register
        The owner's assets. Given, assets never hit are included, and rates are fitted on all.
    window
        Period the log covers, UTC. Incidents outside it are not used.
    threshold_per_year
        Rate above which a place counts as recurring [incidents/year]; default
        ``hotspots.threshold_per_year``.
    parameters
        Numbers in force; default :func:`rehit.parameters.load_parameters`.
    rng
        Random generator for the simulated ranks.

    Returns
    -------
    geopandas.GeoDataFrame
        The ``repeats`` table, worst expected rank first. ``exposure_basis`` says whether waiting
        times came from the log, were partly filled in, or could not be told.

    Raises
    ------
    TableError
        If a needed column is missing or the CRS is not projected.
    SettingError
        If the observation window is empty.

    Examples
    --------
    >>> day = pd.Timestamp("2024-01-01", tz="UTC") + pd.to_timedelta([0, 30, 60, 5], unit="D")
    >>> log = gpd.GeoDataFrame({
    ...     "incident_id": list("abcd"), "place_id": ["w", "w", "w", "v"], "place_kind": "site",
    ...     "reported_at": day, "cleared_at": day + pd.Timedelta(days=2), "status": "cleared",
    ...     "priority": "ordinary"}, geometry=gpd.points_from_xy([0] * 4, [0] * 4), crs=32755)
    >>> ranked = rank_repeats(log, window=Window(day[0], day[0] + pd.Timedelta(days=366)),
    ...                       rng=np.random.default_rng(1))
    >>> ranked[["place_id", "n_incidents", "n_rehits"]]
      place_id  n_incidents  n_rehits
    0        w            3         2
    1        v            1         0
    """
    require_projected(placed_incidents, where="rank_repeats: placed incidents")
    if register is not None:
        require_projected(register, where="rank_repeats: register")
    numbers = load_parameters() if parameters is None else parameters
    length = window.days
    known, laid = known_timeline(
        placed_incidents, window=window, parameters=numbers,
        columns=(*KINDS_GIVEN, "priority", placed_incidents.geometry.name))
    places = _places(known, laid, length, numbers)
    if register is not None:
        places = _with_register(places, register.to_crs(placed_incidents.crs), length)
    places = places.reset_index(drop=True)
    _add_rates(places, length / DAYS_PER_YEAR, numbers)
    seen = gather_evidence(laid, ~places["zero_truncated"].to_numpy(bool), length_days=length)
    _add_outlook(places, seen, numbers, threshold_per_year, rng)
    order = np.lexsort((places["place_id"], places["rank_mean"]))
    return _finish(places.iloc[order], placed_incidents.crs)


def _places(known: gpd.GeoDataFrame, laid: pd.DataFrame, length: float,
            numbers: Parameters) -> pd.DataFrame:
    """One row per place that was hit."""
    code = laid["place_code"].to_numpy()
    places = time_at_risk(laid, length_days=length, parameters=numbers)
    n = len(places)
    head = known[laid["first"].to_numpy()]
    places["place_id"] = head["place_id"].to_numpy()
    places["place_kind"] = head["place_kind"].to_numpy()
    places["asset_type"] = kind_given(known, code, n)
    offensive = (known["priority"] == "offensive").to_numpy() if "priority" in known else 0
    places["n_offensive"] = np.bincount(code, weights=np.broadcast_to(offensive, code.shape),
                                        minlength=n).astype("int64")
    last = np.append(code[1:] != code[:-1], True)[: len(code)]
    places["last_reported_at"] = known["reported_at"].array[last]
    places["geometry"] = _middle(known, code, n)
    places["share"] = places["n_incidents"] / max(1, len(known))
    place, days, observed = _spells(laid, length)
    medians = grouped_medians(place, days, observed, n_places=n, level=numbers[
        "hotspots.interval_level"], min_events=int(numbers["hotspots.min_rehit_gaps"]))
    places[["median_days_to_rehit", "median_days_low", "median_days_high"]] = medians
    clean = laid["at_risk"].to_numpy()
    moment = (laid["reported"] - laid["waiting_before"]).to_numpy()[clean] / DAYS_PER_YEAR
    places["trend_ratio_per_year"] = place_trends(
        code[clean], moment, places["exposure_years"].to_numpy(),
        min_incidents=int(numbers["hotspots.min_trend_incidents"]),
        false_discovery_rate=numbers["hotspots.trend_false_discovery"])
    places["zero_truncated"] = True
    return places


def _spells(laid: pd.DataFrame, length: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Place, days and outcome of every spell from a clearance to the next marking or the end."""
    if len(laid) == 0:
        return np.empty(0, dtype="int64"), np.empty(0), np.empty(0, dtype=bool)
    code, reported = laid["place_code"].to_numpy(), laid["reported"].to_numpy()
    busy = laid["busy_until"].to_numpy()
    same = code[1:] == code[:-1]
    ends = np.append(np.where(same, reported[1:], length), length)
    hit = np.append(same, False)
    days = ends - busy
    # A report on a wall still waiting starts no spell; nor does a clearance at the very end.
    usable = np.where(hit, days >= 0, days > 0) & (laid["basis"] != "whole_window").to_numpy()
    return code[usable], days[usable], hit[usable]


KINDS_GIVEN = ("asset_type", "asset_type_given")


def kind_given(known: pd.DataFrame, code: np.ndarray, n: int) -> np.ndarray:
    """Return the first kind of thing that the log gives for each place, None where it gives none.

    Parameters
    ----------
    known
        Incidents, with or without ``asset_type`` or ``asset_type_given``.
    code
        Place of each incident, 0..n-1.
    n
        Number of places.
    """
    kind = pd.Series(None, index=range(n), dtype="object")
    for column in [c for c in KINDS_GIVEN if c in known]:
        first = known[column].astype("object").groupby(code).first()
        kind = kind.where(kind.notna(), first)
    return kind.to_numpy(dtype=object)


def _middle(known: gpd.GeoDataFrame, code: np.ndarray, n: int) -> np.ndarray:
    points = known.geometry.to_numpy()
    xy = np.column_stack([shapely.get_x(points), shapely.get_y(points)])
    good = np.isfinite(xy).all(axis=1)
    count = np.bincount(code[good], minlength=n)
    sums = [np.bincount(code[good], weights=xy[good, k], minlength=n) for k in range(2)]
    out = np.full(n, None, dtype=object)
    has = count > 0
    out[has] = shapely.points(sums[0][has] / count[has], sums[1][has] / count[has])
    return out


def _with_register(places: pd.DataFrame, register: gpd.GeoDataFrame, length: float) -> pd.DataFrame:
    """Set the hit places beside every asset of the register, hit or not."""
    listed = register.set_index(register["asset_id"].astype("str"))
    if not listed.index.is_unique:
        raise TableError("rank_repeats: register", "errors.key_twice", key="asset_id")
    points = shapely.point_on_surface(listed.geometry.to_numpy())
    on_list = places["place_id"].isin(listed.index) & (places["place_kind"] == "asset")
    places = places.assign(zero_truncated=~on_list)
    row = listed.index.get_indexer(places.loc[on_list, "place_id"])
    places.loc[on_list, "asset_type"] = listed["asset_type"].to_numpy(dtype=object)[row]
    places.loc[on_list, "geometry"] = points[row]
    never = ~listed.index.isin(places.loc[on_list, "place_id"])
    unhit = pd.DataFrame({
        "place_id": listed.index[never], "place_kind": "asset", "n_incidents": 0, "n_at_risk": 0,
        "n_rehits": 0, "n_offensive": 0, "waiting_days": 0.0,
        "exposure_years": length / DAYS_PER_YEAR, "share": 0.0,
        "exposure_basis": _common(places["exposure_basis"]), "zero_truncated": False,
        "asset_type": listed["asset_type"].to_numpy(dtype=object)[never],
        "last_reported_at": pd.Series(pd.NaT, index=range(int(never.sum())),
                                      dtype=places["last_reported_at"].dtype),
        "geometry": points[never],
    })
    for column in ("median_days_to_rehit", "median_days_low", "median_days_high",
                   "trend_ratio_per_year"):
        unhit[column] = np.nan
    return pd.concat([t for t in (places, unhit) if len(t)] or [places])


def _common(basis: pd.Series) -> str:
    return "whole_window" if len(basis) and (basis == "whole_window").all() else "observed"


def _add_rates(places: pd.DataFrame, watched_years: float, numbers: Parameters) -> None:
    """Fill the columns of the average over the log in a table of our own making, in place."""
    kind = places["place_kind"].where(places["zero_truncated"], "asset")
    named = places["asset_type"].astype("object")
    places["prior_group"] = (kind + ": " + named.where(named.notna(), "any")).astype("str")
    shape, rate = np.empty(len(places)), np.empty(len(places))
    prior_shape, prior_rate = np.empty(len(places)), np.empty(len(places))
    priors = fit_priors(places, watched_years=watched_years, parameters=numbers)
    for (group, truncated), part in places.groupby(["prior_group", "zero_truncated"]):
        own = priors.get((str(group), bool(truncated)))
        prior = own or priors[ALL_OTHERS, bool(truncated)]
        shape[part.index], rate[part.index] = posterior(
            part["n_at_risk"].to_numpy(), part["exposure_years"].to_numpy(), prior)
        prior_shape[part.index], prior_rate[part.index] = prior.shape, prior.rate_years
    level = numbers["hotspots.interval_level"]
    places["prior_mean_per_year"] = prior_shape / prior_rate
    places["rate_per_year"] = shape / rate
    places["rate_low"], places["rate_high"] = gamma_interval(shape, rate, level=level)
    places["gamma_shape"], places["gamma_rate_years"] = shape, rate
    places["prior_shape"], places["prior_rate"] = prior_shape, prior_rate


def fit_priors(places: pd.DataFrame, *, watched_years: float,
               parameters: Parameters) -> dict[tuple[str, bool], GammaPrior]:
    """Fit the distribution of rates of every kind of place that has enough data.

    Parameters
    ----------
    places
        One row per place: ``prior_group, zero_truncated, n_at_risk, exposure_years``.
    watched_years
        Length of the observation window [years].
    parameters
        Uses ``hotspots.min_group_places`` and ``hotspots.min_group_incidents``.

    Returns
    -------
    dict
        (group, zero_truncated) to prior. Kinds with too little share that of ``all others``.
    """
    priors = {}
    for truncated, part in places.groupby("zero_truncated"):
        sums = part.groupby("prior_group")["n_at_risk"].agg(["size", "sum"])
        enough = ((sums["size"] >= parameters["hotspots.min_group_places"])
                  & (sums["sum"] >= parameters["hotspots.min_group_incidents"]))
        small = part["prior_group"].isin(sums.index[~enough])
        # Too few left-overs to learn from: let them borrow from every kind.
        rest = part[small]
        if len(rest) < parameters["hotspots.min_group_places"]:
            rest = part
        if small.any():
            priors[ALL_OTHERS, bool(truncated)] = _fit(rest, bool(truncated), watched_years)
        for group in sums.index[enough]:
            priors[group, bool(truncated)] = _fit(part[part["prior_group"] == group],
                                                  bool(truncated), watched_years)
    return priors


def _fit(part: pd.DataFrame, truncated: bool, watched_years: float) -> GammaPrior:
    # A place seen only through its first incident was clean when that came, so n_at_risk >= 1.
    return fit_prior(part["n_at_risk"].to_numpy(), part["exposure_years"].to_numpy(),
                     zero_truncated=truncated, watched_years=watched_years)


def _add_outlook(places: pd.DataFrame, seen: Evidence, numbers: Parameters,
                 threshold: float | None, rng: np.random.Generator) -> None:
    """Fill the columns on the year after the log, in place; steady rates are the average's."""
    shape, rate = places["gamma_shape"].to_numpy(copy=True), places["gamma_rate_years"].to_numpy(
        copy=True)
    usual = places["prior_mean_per_year"].to_numpy()
    prior = places["prior_shape"].to_numpy(), places["prior_rate"].to_numpy()
    places["now_half_life_years"] = np.nan
    for truncated in (False, True):
        rows = np.flatnonzero(places["zero_truncated"].to_numpy(bool) == truncated)
        if not len(rows):
            continue
        part = seen.of(rows)
        outlook = learn_outlook(part, usual[rows], (prior[0][rows], prior[1][rows]),
                                parameters=numbers)
        if outlook is not None:
            shape[rows], rate[rows] = carry_forward(part, usual[rows], outlook, ahead_years=1.0)
            if np.isfinite(outlook.half_life_years):
                places.loc[rows, "now_half_life_years"] = outlook.half_life_years
    limit = numbers["hotspots.threshold_per_year"] if threshold is None else threshold
    places["gamma_shape"], places["gamma_rate_years"] = shape, rate
    places["now_per_year"] = shape / rate
    places["now_low"], places["now_high"] = gamma_interval(
        shape, rate, level=numbers["hotspots.interval_level"])
    places["chance_above"] = chance_of_more(shape, rate, threshold_per_year=limit)
    places["rank_mean"], places["chance_top20"] = posterior_ranks(
        shape, rate, top=int(numbers["hotspots.top_places"]),
        draws=int(numbers["hotspots.rank_draws"]), rng=rng)


def _finish(places: pd.DataFrame, crs: object) -> gpd.GeoDataFrame:
    names = table("repeats").names
    out = places[names].reset_index(drop=True)
    for column in ("place_id", "place_kind", "asset_type", "exposure_basis", "prior_group"):
        out[column] = out[column].astype("str")
    return gpd.GeoDataFrame(out, geometry="geometry", crs=crs)


# Gamma-Poisson (empirical Bayes) rates: what a place's few incidents say, given all its kind.
#
# The count of a place with exposure E is Poisson(rate x E); rates of one kind of place follow a
# gamma distribution. Its two numbers are found by the marginal (negative-binomial) likelihood,
# truncated where a place is only known because it was hit at least once.

# Numerical guards of the optimiser, not assumptions about walls: log shape, log mean.
LOG_SHAPE = (-9.0, 7.0)
LOG_MEAN = (-16.0, 9.0)


@dataclass(frozen=True)
class GammaPrior:
    """A gamma distribution of yearly rates, with the uncertainty of its own two numbers.

    Parameters
    ----------
    shape, rate_years
        Mean rate = ``shape / rate_years`` [incidents/year].
    covariance
        2 x 2, of (log shape, log rate_years); zero where the prior was not fitted.
    method
        ``likelihood``, ``moments`` (Marshall 1991) or ``vague`` (nothing to learn from).
    """

    shape: float
    rate_years: float
    covariance: np.ndarray
    method: str

    @property
    def mean(self) -> float:
        """Mean rate [incidents/year]."""
        return self.shape / self.rate_years


def fit_prior(counts: np.ndarray, exposure_years: np.ndarray, *, zero_truncated: bool,
              watched_years: float | None = None) -> GammaPrior:
    """Fit the gamma distribution of rates to counts and exposures.

    Assumptions: counts are Poisson given the rate, places are independent, and (with
    `zero_truncated`) places with no incident are absent from the data, not few.

    Parameters
    ----------
    counts
        Incidents per place, shape (n,).
    exposure_years
        Time at risk per place [years], shape (n,), all positive.
    zero_truncated
        Whether places are seen only when hit at least once (a log without a register).
    watched_years
        Length of the observation window [years], with `zero_truncated`. A place that was never hit
        would have been at risk all of it, so this, not the time at risk left after the waiting of
        those that were hit, is the time in which a place could have stayed unseen. Default: the
        exposures, right where nothing waited.

    Returns
    -------
    GammaPrior
        By likelihood; by Marshall's moments where the likelihood has no usable maximum; the vague
        Jeffreys prior Gamma(1/2, 0) where there are fewer than two places or no incident.

    Raises
    ------
    SettingError
        If an exposure is not positive or a count is negative.

    References
    ----------
    Gamma-Poisson empirical Bayes: Robbins 1956; Clayton and Kaldor 1987, Biometrics 43:671-681.
    Zero-truncated negative binomial: Sampford 1955, Biometrika 42:58-69.

    Examples
    --------
    >>> n = np.array([0, 0, 0, 1, 0, 2, 0, 5, 1, 0, 9, 0])
    >>> prior = fit_prior(n, np.full(12, 2.0), zero_truncated=False)
    >>> round(prior.mean, 3)
    0.75
    """
    counts = np.asarray(counts, dtype="float64")
    exposure = np.asarray(exposure_years, dtype="float64")
    if len(counts) and (not (exposure > 0).all() or not (counts >= 0).all()):
        raise SettingError("fit_prior", "errors.bad_exposures")
    if len(counts) < 2 or counts.sum() == 0:
        return _vague(exposure)
    # Equal pairs are summed once: real counts are small and exposures often repeat.
    pairs, weights = np.unique(np.column_stack([counts, exposure]), axis=0, return_counts=True)
    n, years, w = pairs[:, 0], pairs[:, 1], weights.astype("float64")
    if zero_truncated and (n <= 1).all():
        # Only single hits would send the mean to nothing: half a place hit twice keeps it finite.
        n, years, w = np.append(n, 2.0), np.append(years, exposure.mean()), np.append(w, 0.5)
    unseen = (years if watched_years is None else np.maximum(years, watched_years)) if (
        zero_truncated) else None
    start = np.array([0.0, np.clip(np.log(counts.sum() / exposure.sum()), *LOG_MEAN)])

    def target(theta: np.ndarray) -> tuple[float, np.ndarray]:
        value, slope = _log_likelihood(theta, n, years, w, unseen)
        return -value / len(counts), -slope / len(counts)

    best = minimize(target, start, jac=True, method="L-BFGS-B", bounds=[LOG_SHAPE, LOG_MEAN])
    if not np.isfinite(best.fun):
        return marshall_prior(counts, exposure)
    return _as_prior(best.x, target, len(counts))


def _vague(exposure: np.ndarray) -> GammaPrior:
    tiny = 1e-6 * (float(exposure.mean()) if len(exposure) else 1.0)
    return GammaPrior(0.5, tiny, np.zeros((2, 2)), "vague")


def _log_likelihood(theta: np.ndarray, n: np.ndarray, years: np.ndarray, weight: np.ndarray,
                    unseen: np.ndarray | None) -> tuple[float, np.ndarray]:
    """Value and slope along (log shape, log mean rate), for places seen only if hit in `unseen`."""
    shape, mean = np.exp(theta)
    rate = shape / mean
    log_keep = np.log(rate) - np.log(rate + years)
    value = (gammaln(shape + n) - gammaln(shape) + shape * log_keep
             + n * (np.log(years) - np.log(rate + years)))
    # Derivatives by shape (rate held) and by rate (shape held), then the chain to (shape, mean).
    by_shape = digamma(shape + n) - digamma(shape) + log_keep
    by_rate = shape / rate - (shape + n) / (rate + years)
    if unseen is not None:
        log_none = np.log(rate) - np.log(rate + unseen)
        none = np.exp(shape * log_none)
        value = value - np.log1p(-none)
        odds = none / (1.0 - none)
        by_shape = by_shape + odds * log_none
        by_rate = by_rate + odds * (shape / rate - shape / (rate + unseen))
    slope = np.array([(weight * (by_shape * shape + by_rate * rate)).sum(),
                      -(weight * by_rate * rate).sum()])
    return float((weight * value).sum()), slope


def _as_prior(theta: np.ndarray, target: object, n: int) -> GammaPrior:
    """Turn the optimum into a prior; its covariance is the inverse curvature where sound."""
    step = 1e-4
    curve = np.empty((2, 2))
    for k in range(2):
        shift = np.zeros(2)
        shift[k] = step
        curve[k] = (target(theta + shift)[1] - target(theta - shift)[1]) / (2 * step)  # type: ignore[operator]
    curve = n * (curve + curve.T) / 2
    shape, mean = np.exp(theta)
    to_rate = np.array([[1.0, 0.0], [1.0, -1.0]])  # log rate = log shape - log mean
    covariance = np.zeros((2, 2))
    inside = LOG_SHAPE[0] < theta[0] < LOG_SHAPE[1]
    if inside and (np.linalg.eigvalsh(curve) > 0).all():
        covariance = to_rate @ np.linalg.inv(curve) @ to_rate.T
    elif curve[1, 1] > 0:  # shape sits on its bound: only the mean is uncertain
        covariance = to_rate @ np.diag([0.0, 1.0 / curve[1, 1]]) @ to_rate.T
    return GammaPrior(float(shape), float(shape / mean), covariance, "likelihood")


def marshall_prior(counts: np.ndarray, exposure_years: np.ndarray) -> GammaPrior:
    """Fit the gamma distribution of rates by Marshall's global moments.

    Parameters
    ----------
    counts, exposure_years
        As in :func:`fit_prior`; not for zero-truncated data.

    Returns
    -------
    GammaPrior
        With ``shape = mean**2 / variance``; a prior of next to no spread where the counts vary no
        more than chance makes them.

    References
    ----------
    Marshall 1991, Applied Statistics 40:283-294.
    """
    mean, variance = marshall_moments(counts, exposure_years)
    shape = mean**2 / variance if variance > 0 else np.exp(LOG_SHAPE[1])
    return GammaPrior(float(shape), float(shape / mean), np.zeros((2, 2)), "moments")


def marshall_moments(counts: np.ndarray, exposure: np.ndarray) -> tuple[float, float]:
    """Return Marshall's moment estimates: mean rate and between-place variance (not below 0).

    Examples
    --------
    >>> mean, variance = marshall_moments(np.array([2, 9, 1]), np.array([1.0, 1.5, 1.0]))
    >>> round(mean, 4), round(variance, 4)
    (3.4286, 2.1633)
    """
    counts, exposure = np.asarray(counts, "float64"), np.asarray(exposure, "float64")
    total = exposure.sum()
    mean = counts.sum() / total
    spread = (exposure * (counts / exposure - mean) ** 2).sum() / total
    return float(mean), float(max(0.0, spread - mean / exposure.mean()))


def posterior(counts: np.ndarray, exposure_years: np.ndarray,
              prior: GammaPrior) -> tuple[np.ndarray, np.ndarray]:
    """Return the gamma posterior of each place's rate as (shape, rate in years).

    The prior's own uncertainty widens the posterior by the first-order correction of Kass and
    Steffey: the variance gains the squared slope of the posterior mean along the prior's numbers.

    References
    ----------
    Kass and Steffey 1989, JASA 84:717-726.
    """
    shape = prior.shape + np.asarray(counts, "float64")
    rate = prior.rate_years + np.asarray(exposure_years, "float64")
    mean = shape / rate
    slope = np.stack([prior.shape / rate, -mean * prior.rate_years / rate])
    extra = np.einsum("in,ij,jn->n", slope, prior.covariance, slope)
    variance = shape / rate**2 + extra
    return mean**2 / variance, mean / variance


# Which places are truly among the worst: ranks that carry the doubt about each rate.

# Work limits of the simulation, not assumptions: values drawn at once, draws per place.
VALUES_AT_ONCE = 4_000_000
LEFT_OUT = 0.02
LEAST_DRAWS = 200  # standard error of a mean rank: a 14th of the rank's own spread


def gamma_interval(shape: np.ndarray, rate_years: np.ndarray, *,
                   level: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the equal-tailed interval of each gamma distributed rate.

    Parameters
    ----------
    shape, rate_years
        Gamma posterior of each place, shape (n,).
    level
        Share of the probability inside, such as 0.9.

    Examples
    --------
    >>> low, high = gamma_interval(np.array([4.5]), np.array([2.0]), level=0.9)
    >>> low.round(3), high.round(3)
    (array([0.831]), array([4.23]))
    """
    tail = (1.0 - level) / 2.0
    return gammaincinv(shape, tail) / rate_years, gammaincinv(shape, 1.0 - tail) / rate_years


def posterior_ranks(shape: np.ndarray, rate_years: np.ndarray, *, top: int, draws: int,
                    rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Simulate the rates and return mean rank (1 = worst) and chance of being among the `top`.

    Assumption: rates are independent given the posterior of each.

    Parameters
    ----------
    shape, rate_years
        Gamma posterior of each place, shape (n,).
    top
        How many places count as the worst, at least 1.
    draws
        Simulated sets of rates for the chance of being in the top. The mean rank uses fewer where
        places are many, so that work stays in bounds.
    rng
        Random generator.

    Returns
    -------
    tuple of numpy.ndarray
        Mean rank and chance of being in the top, each of shape (n,). The chances add up to `top`
        (or to n where there are fewer places), short of 0.02 left out for speed.

    Raises
    ------
    SettingError
        If `top` or `draws` is below 1.

    References
    ----------
    Laird and Louis 1989, J. Educational Statistics 14:29-46 (posterior mean rank).

    Examples
    --------
    >>> rank, chance = posterior_ranks(np.array([900.0, 400.0, 100.0]), np.full(3, 10.0), top=1,
    ...                                draws=200, rng=np.random.default_rng(1))
    >>> rank, chance
    (array([1., 2., 3.]), array([1., 0., 0.]))
    """
    if top < 1 or draws < 1:
        raise SettingError("posterior_ranks", "errors.not_top_and_draws", top=top, draws=draws)
    n = len(shape)
    if n == 0:
        return np.empty(0), np.empty(0)
    mean_rank = _mean_ranks(shape, rate_years, draws, rng)
    if n <= top:
        return mean_rank, np.ones(n)
    able = _candidates(shape, rate_years, top)
    chance = np.zeros(n)
    chance[able] = _top_chance(shape[able], rate_years[able], top, draws, rng)
    return mean_rank, chance


def _mean_ranks(shape: np.ndarray, rate: np.ndarray, draws: int,
                rng: np.random.Generator) -> np.ndarray:
    n = len(shape)
    times = int(min(draws, max(VALUES_AT_ONCE // n, LEAST_DRAWS)))
    total = np.zeros(n)
    place = np.arange(1, n + 1, dtype="float64")
    for _ in range(times):
        order = np.argsort(-rng.standard_gamma(shape) / rate)
        total[order] += place
    return total / times


def _top_chance(shape: np.ndarray, rate: np.ndarray, top: int, draws: int,
                rng: np.random.Generator) -> np.ndarray:
    n = len(shape)
    hits = np.zeros(n)
    left = draws
    while left:
        size = min(left, max(1, VALUES_AT_ONCE // n))
        values = rng.standard_gamma(shape, size=(size, n)) / rate
        best = np.argpartition(-values, top - 1, axis=1)[:, :top]
        hits += np.bincount(best.ravel(), minlength=n)
        left -= size
    return hits / draws


def _candidates(shape: np.ndarray, rate: np.ndarray, top: int) -> np.ndarray:
    """Places that can be in the top at all: the rest together reach it less than 0.02 times."""
    low, high = 0.0, float((shape / rate).max() * 4 + 1)
    for _ in range(40):  # the level that `top` places are expected to exceed
        level = (low + high) / 2
        if gammaincc(shape, rate * level).sum() > top:
            low = level
        else:
            high = level
    # A level a third lower is left far behind by the top in all but freak draws.
    reach = gammaincc(shape, rate * low * 2 / 3)
    order = np.argsort(reach)
    out = np.cumsum(reach[order]) < LEFT_OUT
    out[-top:] = False
    return np.sort(order[~out])


# Is one place getting better or worse? Said only where its own dates can tell.

#: Incidents of other places from which the whole log's course is told.
MANY = 30
#: Parts of a place's clock, incidents of a place, and places from which bursts are told.
PARTS, BUSY, SOME = 6, 8, 5


def place_trends(place: np.ndarray, moment: np.ndarray, exposure: np.ndarray, *,
                 min_incidents: int, false_discovery_rate: float) -> np.ndarray:
    """Return the yearly change of each place's rate as a ratio, NaN where the data cannot tell.

    The rate of a place is taken as exp(a + b t) on its clock of time at risk. The centroid test
    compares the mean moment of its incidents with the middle of the clock, and with the mean moment
    of all other places' incidents too: a place that only follows the whole log's course, or that
    has the bursts that others have, has not changed. Places pass together under Benjamini and
    Hochberg's false discovery control by the larger of the two chances, and only those that pass
    get a ratio.

    Parameters
    ----------
    place
        Place of each incident, 0..n-1, shape (m,).
    moment
        When on that place's clock of time at risk it came [years], shape (m,).
    exposure
        Length of each place's clock [years], shape (n,).
    min_incidents
        Places with fewer are not looked at.
    false_discovery_rate
        Share of false alarms allowed among the ratios reported.

    Returns
    -------
    numpy.ndarray
        Shape (n,): 1.5 means half as much again every year.

    References
    ----------
    Cox and Lewis 1966, The Statistical Analysis of Series of Events, section 3.3 (centroid test).
    Benjamini and Hochberg 1995, J. Royal Statistical Society B 57:289-300.

    Examples
    --------
    >>> years = np.sqrt(np.arange(1, 41) / 40) * 2
    >>> place_trends(np.zeros(40, dtype=int), years, np.array([2.0]), min_incidents=8,
    ...              false_discovery_rate=0.1).round(1)
    array([3.2])
    """
    n = np.bincount(place, minlength=len(exposure))
    mean = np.bincount(place, weights=moment, minlength=len(exposure)) / np.maximum(n, 1)
    looked = np.flatnonzero(n >= min_incidents)
    ratio = np.full(len(exposure), np.nan)
    if len(looked) == 0:
        return ratio
    middle = mean[looked] / exposure[looked]
    z = (middle - 0.5) * np.sqrt(12.0 * n[looked])
    apart = apart_from_others(place, moment / exposure[place])[looked]
    least = np.minimum(np.abs(z), np.abs(apart))
    passed = looked[false_discovery(2.0 * norm.sf(least), rate=false_discovery_rate)]
    ratio[passed] = np.exp(_slope(mean[passed] / exposure[passed]) / exposure[passed])
    return ratio


def apart_from_others(place: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Return how many standard errors each place's mean moment lies from that of all others.

    A place that only follows the course of the whole log is not apart from it. Errors are as wide
    as the places' bursts make them (:func:`scatter_of_bursts`). Infinite where there are fewer than
    ``MANY`` others to compare with.

    Parameters
    ----------
    place
        Place of each incident, 0..n-1, shape (m,).
    at
        When on its place's clock it came, as a share of the clock's length, shape (m,).

    Examples
    --------
    >>> even, late = np.linspace(0, 1, 40), np.full(4, 0.9)
    >>> apart_from_others(np.repeat([0, 1], [40, 4]), np.r_[even, late]).round(1).tolist()
    [inf, 2.6]
    """
    n = np.bincount(place)
    sums, squares = (np.bincount(place, weights=w) for w in (at, at**2))
    others = len(at) - n
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = (sums.sum() - sums) / others
        variance = (squares.sum() - squares) / others - mean**2
        apart = (sums / n - mean) / np.sqrt(
            scatter_of_bursts(place, at) * variance * (1.0 / n + 1.0 / others))
    return np.where(others >= MANY, np.nan_to_num(apart), np.inf)


def scatter_of_bursts(place: np.ndarray, at: np.ndarray) -> float:
    """Return the variance of places' counts about their own trends over that of chance, at least 1.

    Pearson's statistic over parts of the clock, about each place's exponential trend, pooled over
    the places with ``BUSY`` incidents or more; 1 where these are fewer than ``SOME``.

    Parameters
    ----------
    place, at
        As in :func:`apart_from_others`.

    References
    ----------
    McCullagh and Nelder 1989, Generalized Linear Models, section 4.5 (from memory).

    Examples
    --------
    >>> place, even = np.repeat(np.arange(9), 12), np.tile((np.arange(12) + 0.5) / 12, 9)
    >>> bursts = np.repeat(np.linspace(0.1, 0.9, 9), 12)
    >>> scatter_of_bursts(place, even), bool(scatter_of_bursts(place, bursts) > 5)
    (1.0, True)
    """
    n = np.bincount(place)
    busy = np.flatnonzero(n >= BUSY)
    if len(busy) < SOME:
        return 1.0
    part = np.minimum((at * PARTS).astype("int64"), PARTS - 1)
    counts = np.bincount(place * PARTS + part, minlength=len(n) * PARTS).reshape(-1, PARTS)[busy]
    slope = _slope(np.bincount(place, weights=at)[busy] / n[busy])
    slope = np.where(np.abs(slope) < 1e-6, 1e-6, slope)[:, None]
    share = np.diff(np.exp(slope * (np.linspace(0, 1, PARTS + 1) - 1)), axis=1) / -np.expm1(-slope)
    expected = np.maximum(n[busy, None] * share, 1e-9)
    return max(float(((counts - expected) ** 2 / expected).sum() / (len(busy) * (PARTS - 2))), 1.0)


def _slope(middle: np.ndarray) -> np.ndarray:
    """Solve 1 / (1 - exp(-s)) - 1 / s = middle for s: the slope over a clock of length 1."""
    low, high = np.full(len(middle), -500.0), np.full(len(middle), 500.0)
    for _ in range(60):
        s = (low + high) / 2
        safe = np.where(np.abs(s) < 1e-6, 1e-6, s)
        value = 1.0 / -np.expm1(-safe) - 1.0 / safe
        low, high = np.where(value < middle, s, low), np.where(value < middle, high, s)
    found: np.ndarray = (low + high) / 2
    return found


# From the average over the log to the rate from now on: evidence fades, as fast as the log says.
#
# Rates drift: walls are rebuilt, crews of writers move on. A place's incidents and its time at risk
# count the less the older they are (a gamma-Poisson model with discounted evidence). How fast they
# fade, what the hit through which a derived place became known counts for, and how much of the
# usual rate is mixed in are those numbers that would have forecast the log's own next steps best.

HALF_LIVES_YEARS = (np.inf, 8.0, 4.0, 2.0, 1.0, 0.5, 0.25)
FIRST_WEIGHTS = (1.0, 0.5, 0.0)
EVIDENCE = (1.0, 0.7, 0.4)
#: Steps of the log that are forecast one after another: fewest, usual number, most; days each.
LEAST_STEPS, USUAL_STEPS, MOST_STEPS = 4, 8, 40
STEP_DAYS = (28.0, 91.0)
#: Age at which a step counts half in what is learnt: the town's pace changes too [years].
LEARNT_HALF_LIFE_YEARS = 1.0
#: What a model of four numbers must gain over one of none in log likelihood (Akaike 1974).
AKAIKE = 4.0
#: What fading evidence must gain over evidence that never fades (chance of a false alarm: 0.014).
FADES = 3.0


@dataclass(frozen=True)
class Evidence:
    """What each place had shown step by step, split at the moment when it became known.

    Parameters
    ----------
    first, later
        Incidents on a clean surface by place and step: the one through which a derived place
        became known, and all others; shapes (places, steps).
    unseen_years, years
        Time at risk before that first hit, and from then on; a register's assets have all of it
        from then on.
    step_years
        Length of a step [years].
    """

    first: np.ndarray
    later: np.ndarray
    unseen_years: np.ndarray
    years: np.ndarray
    step_years: float

    def of(self, chosen: np.ndarray) -> Evidence:
        """Return the evidence of the chosen places."""
        return Evidence(self.first[chosen], self.later[chosen], self.unseen_years[chosen],
                        self.years[chosen], self.step_years)


@dataclass(frozen=True)
class Outlook:
    """How evidence is carried forward.

    Parameters
    ----------
    half_life_years
        Age at which an incident or a year at risk counts half [years]; infinite: it never fades.
    first_weight
        What the time up to and with the first hit of a derived place counts for [0-1].
    evidence
        What any incident and year at risk counts for [0-1]: below 1 where incidents come in bursts.
    shape, level
        The usual rate mixed in: a gamma of this shape, its mean `level` times that of the kind.
    gain
        Log likelihood of the log's own next steps over that of unfading evidence.
    """

    half_life_years: float
    first_weight: float
    evidence: float
    shape: float
    level: float
    gain: float

    def fade(self, years: float) -> float:
        """Return what evidence of this age counts for."""
        return float(0.5 ** (years / self.half_life_years))


def gather_evidence(laid: pd.DataFrame, known_at_once: np.ndarray, *,
                    length_days: float) -> Evidence:
    """Sum a timeline to incidents and time at risk by place and step.

    Parameters
    ----------
    laid
        From :func:`rehit.observed.timeline`.
    known_at_once
        Whether each place was known before it was hit; those beyond the timeline's were never hit.
    length_days
        Length of the window [days].
    """
    n = len(known_at_once)
    step = float(np.clip(length_days / USUAL_STEPS, *STEP_DAYS))
    steps = int(np.clip(length_days // step, 1, MOST_STEPS))
    edges = np.linspace(0.0, length_days, steps + 1)
    code = laid["place_code"].to_numpy()
    clean, reported = laid["at_risk"].to_numpy(), laid["reported"].to_numpy()
    at = np.clip(np.searchsorted(edges, reported, side="right") - 1, 0, steps - 1)
    by_first = laid["first"].to_numpy() & ~known_at_once[code] if len(code) else clean
    first, later = (np.bincount(code[rows] * steps + at[rows], minlength=n * steps).reshape(
        n, steps).astype("float32") for rows in (clean & by_first, clean & ~by_first))
    known_from = np.where(known_at_once, 0.0, length_days)
    known_from[code[by_first]] = reported[by_first]
    begin, end = waits(laid)
    unseen, years = np.empty((n, steps), "float32"), np.empty((n, steps), "float32")
    for j, (low, high) in enumerate(pairwise(edges)):
        waited = np.maximum(np.minimum(end, high) - np.maximum(begin, low), 0.0)
        before = np.clip(known_from - low, 0.0, high - low)
        unseen[:, j] = before
        years[:, j] = np.maximum(
            high - low - before - np.bincount(code, weights=waited, minlength=n), 0.0)
    return Evidence(first, later, unseen / DAYS_PER_YEAR, years / DAYS_PER_YEAR,
                    float(edges[1]) / DAYS_PER_YEAR)


def _faded(table: np.ndarray, fade: float) -> np.ndarray:
    """Return what lies before each step and after the last, fading from step to step."""
    out = np.zeros((len(table), table.shape[1] + 1))
    for j in range(table.shape[1]):
        out[:, j + 1] = fade * (out[:, j] + table[:, j])
    return out


def learn_outlook(seen: Evidence, usual_per_year: np.ndarray, steady: tuple[np.ndarray, np.ndarray],
                  *, parameters: Parameters) -> Outlook | None:
    """Learn how evidence fades by forecasting each step of the log from those before it.

    Assumptions: places of the log drift alike; given its rate a place's incidents are Poisson.

    Parameters
    ----------
    seen
        Places of one sort (all derived, or all of a register).
    usual_per_year
        Mean rate of each place's kind [incidents/year].
    steady
        Shape and rate [years] of each place's kind, for the forecast by unfading evidence.
    parameters
        Uses ``hotspots.outlook_places`` and ``hotspots.outlook_least_hits``.

    Returns
    -------
    Outlook or None
        None where the log is too short or too thin, or where fading evidence forecasts no better
        than all of it: rates are then taken as steady.

    References
    ----------
    Smith 1979, J. Royal Statistical Society B 41:375-387 (steady forecasting by discounted
    evidence); Harvey and Fernandes 1989, J. Business and Economic Statistics 7:407-417.
    """
    every = max(1, int(np.ceil(len(usual_per_year) / parameters["hotspots.outlook_places"])))
    part = seen.of(np.arange(0, len(usual_per_year), every))
    if part.later.shape[1] < LEAST_STEPS or part.later[:, 1:].sum() < parameters[
            "hotspots.outlook_least_hits"]:
        return None
    usual, (shape, rate) = usual_per_year[::every], (each[::every] for each in steady)
    flat = _next_steps(part, 1.0)
    row = flat.place
    alone = _next_log(shape[row] + flat.first + flat.later, rate[row] + flat.unseen + flat.years,
                      flat)[0].sum()
    best = _search(part, usual)
    return replace(best, gain=best.gain - alone) if best.gain > alone + AKAIKE else None


def _search(part: Evidence, usual: np.ndarray) -> Outlook:
    """Try one of the three numbers after another; shape and level are fitted for each."""
    derived = part.first.any()
    tried: dict[tuple[float, float, float], Outlook] = {}

    def fitted(life: float, first: float, weight: float) -> Outlook:
        key = (life, first, weight)
        if key not in tried:
            tried[key] = _fit_outlook(part, usual, *key)
        return tried[key]

    best = fitted(np.inf, 1.0, 1.0)
    for _ in range(2):
        options = [fitted(h, best.first_weight, best.evidence) for h in HALF_LIVES_YEARS]
        best = max(options, key=lambda each: each.gain)
        if derived:
            options = [fitted(best.half_life_years, c, best.evidence) for c in FIRST_WEIGHTS]
            best = max(options, key=lambda each: each.gain)
        options = [fitted(best.half_life_years, best.first_weight, k) for k in EVIDENCE]
        best = max(options, key=lambda each: each.gain)
    lasting = max((fitted(np.inf, best.first_weight, k) for k in EVIDENCE),
                  key=lambda each: each.gain)
    return best if best.gain > lasting.gain + FADES else lasting


def _fit_outlook(part: Evidence, usual: np.ndarray, half_life: float, first: float,
                 weight: float) -> Outlook:
    flat = _next_steps(part, 0.5 ** (part.step_years / half_life))
    counts = weight * (first * flat.first + flat.later)
    years = weight * (first * flat.unseen + flat.years)
    mean = usual[flat.place]

    def loss(theta: np.ndarray) -> tuple[float, np.ndarray]:
        shape, level = np.exp(theta)
        own = shape / (level * mean)
        value, by_shape, by_rate = _next_log(shape + counts, own + years, flat)
        pull = (by_rate * own).sum()
        return -float(value.sum()), -np.array([by_shape.sum() * shape + pull, -pull])

    plain = np.log(max(flat.weight @ flat.came, 0.5) / (flat.weight @ (flat.exposed * mean)))
    best = minimize(loss, np.array([0.0, plain]), jac=True, method="L-BFGS-B",
                    bounds=[LOG_SHAPE, (plain - 5.0, plain + 5.0)])
    shape, level = np.exp(best.x)
    return Outlook(half_life, first, weight, float(shape), float(level), -float(best.fun))


@dataclass(frozen=True)
class _Steps:
    """One row per place and step it was known in: what lay before it, and what came."""

    place: np.ndarray
    first: np.ndarray
    later: np.ndarray
    unseen: np.ndarray
    years: np.ndarray
    came: np.ndarray
    exposed: np.ndarray
    weight: np.ndarray


def _next_steps(part: Evidence, fade: float) -> _Steps:
    # A place is forecast in the steps that lie wholly after it became known.
    place, step = np.nonzero((part.unseen_years == 0) & (part.first == 0) & (part.years > 0)
                             & (np.arange(part.years.shape[1]) > 0))
    age = (part.years.shape[1] - 1 - step) * part.step_years
    first, later, unseen, years = (_faded(each, fade)[place, step] for each in (
        part.first, part.later, part.unseen_years, part.years))
    return _Steps(place, first, later, unseen, years, part.later[place, step].astype("float64"),
                  part.years[place, step].astype("float64"), 0.5 ** (age / LEARNT_HALF_LIFE_YEARS))


def _next_log(shape: np.ndarray, rate: np.ndarray,
              flat: _Steps) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Weighted log likelihood (negative binomial) of what came; slopes along shape and rate."""
    n, x = flat.came, flat.exposed
    keep = np.log(rate / (rate + x))
    value, by_shape = shape * keep, keep.copy()
    hit = n > 0
    a, c = shape[hit], n[hit]
    value[hit] += (gammaln(a + c) - gammaln(a) - gammaln(c + 1)
                   + c * np.log(x[hit] / (rate[hit] + x[hit])))
    by_shape[hit] += digamma(a + c) - digamma(a)
    by_rate = shape / rate - (shape + n) / (rate + x)
    return value * flat.weight, by_shape * flat.weight, by_rate * flat.weight


def carry_forward(seen: Evidence, usual_per_year: np.ndarray, outlook: Outlook, *,
                  ahead_years: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the gamma distribution (shape, rate in years) of each place's rate after the log.

    Parameters
    ----------
    seen, usual_per_year
        As in :func:`learn_outlook`, all places.
    outlook
        How evidence fades.
    ahead_years
        Length of the time spoken of; evidence fades until its middle [years].
    """
    step = seen.step_years
    first, later, unseen, years = (_faded(each, outlook.fade(step))[:, -1] for each in (
        seen.first, seen.later, seen.unseen_years, seen.years))
    more = outlook.evidence * outlook.fade((ahead_years - step) / 2)
    return (outlook.shape + more * (outlook.first_weight * first + later),
            outlook.shape / (outlook.level * usual_per_year)
            + more * (outlook.first_weight * unseen + years))


def chance_of_more(shape: np.ndarray, rate_years: np.ndarray, *, threshold_per_year: float,
                   years: float = 1.0) -> np.ndarray:
    """Return each place's chance of more incidents than the threshold in the time after the log.

    This counts incidents, so that it can be held to what came: a place whose rate is just above
    the threshold has it exceeded about every other year.

    Examples
    --------
    >>> chance_of_more(np.array([4.5]), np.array([2.0]), threshold_per_year=2.0).round(3)
    array([0.375])
    """
    found: np.ndarray = nbinom.sf(np.floor(threshold_per_year * years + 1e-9), shape,
                                  rate_years / (rate_years + years))
    return found


# How well such rates would have forecast what came.

@dataclass(frozen=True)
class RatesRecord:
    """What the log's earlier part said of its last one, and what came there.

    Parameters
    ----------
    days
        Length of the part held out [days].
    n_busy, held
        Places with at least ``hotspots.record_least_incidents`` incidents before, and how many of
        them had as many incidents as their range (``hotspots.interval_level``) allows.
    expected, came
        Incidents on a clean surface at all places known before.
    n_sure, claimed, met
        Places said to have more than the threshold almost surely, how many of them should have
        had (the sum of their chances), and how many had.
    """

    days: float
    n_busy: int
    held: int
    expected: float
    came: int
    n_sure: int
    claimed: float
    met: int


def held_out_record(placed_incidents: gpd.GeoDataFrame, *,
                    register: gpd.GeoDataFrame | None = None, window: Window, days: float,
                    sure: float, parameters: Parameters,
                    rng: np.random.Generator) -> RatesRecord | None:
    """Make the ranking's statements on a part of the log and hold them to the rest.

    Parameters
    ----------
    placed_incidents, register, window, rng
        As in :func:`rank_repeats`.
    days
        Length of the part held out [days]; at most a third of the log.
    sure
        Chance from which "almost surely" is said.
    parameters
        Uses ``hotspots.record_least_incidents`` beside what the ranking uses.

    Returns
    -------
    RatesRecord or None
        None where the log before is empty.
    """
    days = min(days, window.days / 3)
    date = window.end - pd.Timedelta(days=days)
    before = placed_incidents[placed_incidents["reported_at"] <= date]
    table = rank_repeats(before, register=register, window=Window(window.start, date),
                         parameters=parameters, rng=rng)
    if not len(table):
        return None
    known, laid = known_timeline(placed_incidents, window=window, parameters=parameters)
    rows = known[laid["at_risk"].to_numpy()]
    counts = rows.loc[rows["reported_at"] > date, "place_id"].value_counts()
    came = counts.reindex(table["place_id"]).fillna(0).to_numpy()
    shape, rate = table["gamma_shape"].to_numpy(), table["gamma_rate_years"].to_numpy()
    years = days / DAYS_PER_YEAR
    tail = (1 - parameters["hotspots.interval_level"]) / 2
    low, high = (nbinom.ppf(q, shape, rate / (rate + years)) for q in (tail, 1 - tail))
    busy = (table["n_incidents"] >= parameters["hotspots.record_least_incidents"]).to_numpy()
    limit = parameters["hotspots.threshold_per_year"]
    chance = chance_of_more(shape, rate, threshold_per_year=limit, years=years)
    said = chance >= sure
    return RatesRecord(
        days, int(busy.sum()), int(((came >= low) & (came <= high))[busy].sum()),
        float((shape / rate).sum() * years), int(came.sum()), int(said.sum()),
        float(chance[said].sum()), int((came > limit * years + 1e-9)[said].sum()))
