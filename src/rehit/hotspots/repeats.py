"""Which places are hit again and again: one row per place, with the doubt about each number."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from rehit.errors import TableError
from rehit.hotspots.exposure import known_places, time_at_risk, timeline, window_days
from rehit.hotspots.ranks import chance_above, gamma_interval, posterior_ranks
from rehit.hotspots.repeats_prior import GammaPrior, fit_prior, posterior
from rehit.hotspots.repeats_trend import place_trends
from rehit.hotspots.survival import grouped_medians
from rehit.parameters import Parameters, load_parameters
from rehit.tables import require_projected, table

ALL_OTHERS = "all others"
DAYS_PER_YEAR = 365.25


def rank_repeats(placed_incidents: gpd.GeoDataFrame, *, register: gpd.GeoDataFrame | None = None,
                 observed_from: pd.Timestamp, observed_to: pd.Timestamp,
                 threshold_per_year: float | None = None, parameters: Parameters | None = None,
                 rng: np.random.Generator) -> gpd.GeoDataFrame:
    """Rank places by how often a clean surface there is hit, with interval, rank and trend.

    Assumptions: at a clean place incidents come at random at the place's own rate; the rates of
    one kind of place follow a gamma distribution; places without an incident are known only where
    the register names them. Time waiting for clearance is no time at risk (see
    :func:`rehit.hotspots.exposure.timeline`). Few incidents are pulled towards the usual rate of
    the kind, so one bad month does not top the list.

    Parameters
    ----------
    placed_incidents
        Incidents with the placed columns merged in on ``incident_id``; projected CRS.
    register
        The owner's assets. Given, assets never hit are included, and rates are fitted on all.
    observed_from, observed_to
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
    >>> ranked = rank_repeats(log, observed_from=day[0], rng=np.random.default_rng(1),
    ...                       observed_to=day[0] + pd.Timedelta(days=366))
    >>> ranked[["place_id", "n_incidents", "n_rehits"]]
      place_id  n_incidents  n_rehits
    0        w            3         2
    1        v            1         0
    """
    require_projected(placed_incidents, where="rank_repeats: placed incidents")
    if register is not None:
        require_projected(register, where="rank_repeats: register")
    numbers = load_parameters() if parameters is None else parameters
    length = window_days(observed_from, observed_to)
    known = known_places(placed_incidents)
    laid = timeline(known, observed_from=observed_from, observed_to=observed_to,
                    parameters=numbers)
    known = known.loc[laid.index]
    places = _places(known, laid, length, numbers)
    if register is not None:
        places = _with_register(places, register.to_crs(placed_incidents.crs), length)
    places = places.reset_index(drop=True)
    _add_rates(places, length / DAYS_PER_YEAR, numbers, threshold_per_year, rng)
    order = np.lexsort((places["place_id"], places["rank_mean"]))
    return _finish(places.iloc[order], placed_incidents.crs)


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
        false_discovery=numbers["hotspots.trend_false_discovery"])
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
    for column in [c for c in ("asset_type", "asset_type_given") if c in known]:
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
        raise TableError("rank_repeats: register", got="an asset_id twice",
                         allowed="one row per asset", remedy="drop or merge repeated rows")
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


def _add_rates(places: pd.DataFrame, watched_years: float, numbers: Parameters,
               threshold: float | None, rng: np.random.Generator) -> None:
    """Fill the rate columns of a table of our own making, in place."""
    kind = places["place_kind"].where(places["zero_truncated"], "asset")
    named = places["asset_type"].astype("object")
    places["prior_group"] = (kind + ": " + named.where(named.notna(), "any")).astype("str")
    shape, rate = np.empty(len(places)), np.empty(len(places))
    priors = fit_priors(places, watched_years=watched_years, parameters=numbers)
    places["prior_mean_per_year"] = 0.0
    for (group, truncated), part in places.groupby(["prior_group", "zero_truncated"]):
        own = priors.get((str(group), bool(truncated)))
        prior = own or priors[ALL_OTHERS, bool(truncated)]
        shape[part.index], rate[part.index] = posterior(
            part["n_at_risk"].to_numpy(), part["exposure_years"].to_numpy(), prior)
        places.loc[part.index, "prior_mean_per_year"] = prior.mean
    level = numbers["hotspots.interval_level"]
    limit = numbers["hotspots.threshold_per_year"] if threshold is None else threshold
    places["gamma_shape"], places["gamma_rate_years"] = shape, rate
    places["rate_per_year"] = shape / rate
    places["rate_low"], places["rate_high"] = gamma_interval(shape, rate, level=level)
    places["chance_above"] = chance_above(shape, rate, limit)
    places["rank_mean"], places["chance_top20"] = posterior_ranks(
        shape, rate, top=int(numbers["hotspots.top_places"]),
        draws=int(numbers["hotspots.rank_draws"]), rng=rng)


def _finish(places: pd.DataFrame, crs: object) -> gpd.GeoDataFrame:
    names = table("repeats").names
    out = places[names].reset_index(drop=True)
    for column in ("place_id", "place_kind", "asset_type", "exposure_basis", "prior_group"):
        out[column] = out[column].astype("str")
    return gpd.GeoDataFrame(out, geometry="geometry", crs=crs)
