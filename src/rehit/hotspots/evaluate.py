"""Did a measure work? Before and after with comparison places; "cannot tell" is an answer."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.stats import chi2, norm, poisson
from scipy.stats import t as student
from scipy.stats.contingency import odds_ratio
from statsmodels.genmod import families
from statsmodels.genmod.generalized_linear_model import GLM

from rehit.errors import InputFileError, SettingError
from rehit.files.reader import read_table
from rehit.hotspots.rates import ALL_OTHERS, KINDS_GIVEN, fit_priors, kind_given, posterior
from rehit.messages import Message, message
from rehit.observed import (
    Window,
    known_places,
    known_timeline,
    time_at_risk,
    timeline,
    waiting_between,
    waits,
)
from rehit.parameters import Parameters, load_parameters
from rehit.tables import require_projected

MEASURE_COLUMNS = ("measure", "asset_id", "role", "started_at")


def read_measures(path: Path, *, time_zone: str) -> pd.DataFrame:
    """Read the measures table, its start days as UTC times, or say what is wrong with it.

    Raises
    ------
    InputFileError, SettingError
        If the file cannot be read, lacks a column or a value; for an unknown role or day.
    """
    table = read_table(path, has_header=True).filled().table.reset_index(drop=True)
    missing = [column for column in MEASURE_COLUMNS if column not in table.columns]
    if missing:
        raise InputFileError(str(path), "errors.no_column", names=tuple(missing),
                             known=MEASURE_COLUMNS)
    if table.empty or table[list(MEASURE_COLUMNS)].isna().any(axis=None):
        raise InputFileError(str(path), "errors.no_rows" if table.empty else "errors.row_with_gap",
                             needed=MEASURE_COLUMNS)
    strange = sorted(set(table["role"].dropna()) - {"treated", "comparison"})
    started = pd.to_datetime(table["started_at"], errors="coerce")
    if strange:
        raise SettingError(str(path), "errors.unknown_role", role=strange[0])
    if started.isna().any():
        raise SettingError(str(path), "errors.unusable_start")
    at = started.dt.tz_localize(time_zone, ambiguous=True, nonexistent="shift_forward")
    return table.assign(started_at=at.dt.tz_convert("UTC"))


class Verdict(StrEnum):
    """What may be concluded of a measure."""

    FEWER = "fewer"
    MORE = "more"
    CANNOT_TELL = "cannot_tell"


@dataclass(frozen=True)
class Evaluation:
    """What can be said about a measure, and what it rests on.

    Parameters
    ----------
    verdict
        What may be concluded.
    reasons
        Why (messages ``evaluate.*``).
    reading
        What the numbers say and rest on (messages ``evaluate.*``).
    rate_ratio, low, high, level
        Change of the treated places' rate over that of the comparison places (1 = no effect), the
        fall back to the usual (`return_ratio`) taken out where the log can tell it, with the
        interval that the verdict rests on; NaN where there is none.
    difference
        Weighted displacement difference (incidents, scaled to the time before and the number of
        places); what may have moved nearby is in it where both sides have surroundings.
    quotient
        Weighted displacement quotient, NaN where it has no meaning.
    before_after_p
        E-test of the treated places alone, before against after (no comparison).
    effects
        One row per way of estimating: ``method, rate_ratio, low, high, p_value``, from the counts
        alone: the fall back to the usual is still in them.
    counts
        One row per group: incidents and years at risk before and after.
    steps
        Rates of each group step by step, for a plot of the trend before.
    trend_before
        How treated and comparison moved apart per year before the measure, where testable.
    return_ratio
        Rate ratio to expect from the fall back to the usual of their kind alone (regression to the
        mean), where the log knows enough places (see
        :func:`rehit.hotspots.evaluate.return_ratio`).
    """

    verdict: Verdict
    reasons: tuple[Message, ...]
    reading: tuple[Message, ...]
    rate_ratio: float
    low: float
    high: float
    level: float
    difference: Difference
    quotient: float
    before_after_p: float
    effects: pd.DataFrame
    counts: pd.DataFrame
    steps: pd.DataFrame
    trend_before: Effect | None
    return_ratio: float | None


def evaluate_measure(placed_incidents: gpd.GeoDataFrame, *, treated_ids: Iterable[str],
                     comparison_ids: Iterable[str] = (), started_at: pd.Timestamp,
                     window: Window, settle_days: float = 0.0,
                     displaced_within_m: float | None = None,
                     displaced_ids: Iterable[str] = (),
                     displaced_comparison_ids: Iterable[str] = (),
                     parameters: Parameters | None = None) -> Evaluation:
    """Judge a measure (coating, faster clearance, lighting, a mural) by comparison places.

    Assumptions: without the measure the treated places' rate would have changed in the same ratio
    as the comparison places'. Treated places that were picked for a bad spell fall back to their
    usual anyway; by how much is told by the rates of all places before (empirical Bayes) and taken
    out. Comparison places that were hit as often (:func:`match_comparison`) fall back alike.

    Parameters
    ----------
    placed_incidents
        Incidents with the placed columns merged in; projected CRS.
    treated_ids, comparison_ids
        ``place_id`` of the places with and without the measure. Places never hit count too.
    started_at
        When the measure began, UTC.
    window
        Period the log covers, UTC.
    settle_days
        Days after the start to leave out, while the measure is put in place [days].
    displaced_within_m
        Count logged places this near to treated places as where markings may have moved, and those
        near to comparison places as their counterpart [m]; places near both count for neither.
    displaced_ids, displaced_comparison_ids
        The same, named; they take precedence.
    parameters
        Numbers in force.

    Returns
    -------
    Evaluation

    Raises
    ------
    SettingError
        For a place in two groups, no treated place, or a start outside the window.
    TableError
        If a needed column is missing or the CRS is not projected.

    Examples
    --------
    >>> start = pd.Timestamp("2023-01-01", tz="UTC")
    >>> days = start + pd.to_timedelta([*range(0, 720, 36), *range(5, 725, 36)], unit="D")
    >>> log = gpd.GeoDataFrame({
    ...     "incident_id": [str(k) for k in range(40)], "place_id": ["a"] * 20 + ["b"] * 20,
    ...     "place_kind": "asset", "reported_at": days, "cleared_at": days + pd.Timedelta(days=1),
    ...     "status": "cleared"}, geometry=gpd.points_from_xy([0] * 40, [0] * 40), crs=32755)
    >>> seen = evaluate_measure(log, treated_ids=["a"], comparison_ids=["b"],
    ...     started_at=start + pd.Timedelta(days=365),
    ...     window=Window(start, start + pd.Timedelta(days=730)))
    >>> str(seen.verdict)
    'cannot_tell'
    """
    require_projected(placed_incidents, where="evaluate_measure: placed incidents")
    numbers = load_parameters() if parameters is None else parameters
    treated, comparison = list(treated_ids), list(comparison_ids)
    displaced, displaced_comparison = list(displaced_ids), list(displaced_comparison_ids)
    if displaced_within_m is not None and not displaced:
        displaced = around(placed_incidents, treated, within_m=displaced_within_m,
                           apart_from=comparison)
        if not displaced_comparison:
            near = around(placed_incidents, comparison, within_m=displaced_within_m,
                          apart_from=treated)
            # A place near both says nothing about either.
            displaced_comparison = [p for p in near if p not in set(displaced)]
            displaced = [p for p in displaced if p not in set(near)]
    panel = build_panel(
        placed_incidents, treated_ids=treated, comparison_ids=comparison, displaced_ids=displaced,
        displaced_comparison_ids=displaced_comparison, started_at=started_at,
        window=window, settle_days=settle_days, parameters=numbers)
    usual = return_ratio(placed_incidents, panel, window=window, started_at=started_at,
                         parameters=numbers)
    return _evaluation(panel, usual, numbers, started_at=started_at, window=window)


def _evaluation(panel: Panel, usual: float | None, numbers: Parameters, *,
                started_at: pd.Timestamp, window: Window) -> Evaluation:
    level = numbers["hotspots.verdict_level"]
    effects = _effects(panel, numbers, level)
    trend = pre_trend(panel.steps)
    difference = _difference(panel)
    quotient = displacement_quotient(
        treated=panel.counts("treated"), displaced=panel.counts("displaced"),
        comparison=panel.counts("comparison"))
    if sum(panel.counts("displaced")) == 0:
        quotient = float("nan")
    before, after = panel.clean_counts("treated")
    years = panel.years("treated")
    alone = e_test(before, after, first_exposure=years[0], second_exposure=years[1])
    used = effects[effects["decides"]]
    # The widest of the intervals decides: each error has something the other cannot see.
    low = float(used["low"].min()) if len(used) else 0.0
    high = float(used["high"].max()) if len(used) else float("inf")
    counted = float(used["rate_ratio"].iloc[0]) if len(used) else float("nan")
    fell = 1.0 if usual is None else usual
    ratio, low, high = counted / fell, low / fell, high / fell
    found = Estimates(ratio, low, high, counted, level, alone, difference, quotient, trend, usual)
    verdict, reasons = judge(panel, found, numbers)
    steps = with_rates(panel.steps, started_at=started_at, window=window, level=level)
    reading = tuple(read_estimates(panel, found, verdict))
    return Evaluation(verdict, reasons, reading, ratio, low, high, level, difference, quotient,
                      alone, effects, _count_table(panel), steps, trend, usual)


def _difference(panel: Panel) -> Difference:
    """Weighted displacement difference, groups scaled to the same number of places."""
    size = panel.places["group"].value_counts()
    n = {group: int(size.get(group, 0)) for group in GROUPS}
    compared = n["displaced"] > 0 and n["displaced_comparison"] > 0
    nothing = (0.0, 0.0)
    return displacement_difference(
        treated=panel.counts("treated"), comparison=panel.counts("comparison"),
        displaced=panel.counts("displaced") if compared else nothing,
        displaced_comparison=panel.counts("displaced_comparison") if compared else nothing,
        after_to_before=panel.days_after / panel.days_before,
        comparison_weight=n["treated"] / max(1, n["comparison"]),
        displaced_weight=n["displaced"] / max(1, n["displaced_comparison"]))


def _effects(panel: Panel, numbers: Parameters, level: float) -> pd.DataFrame:
    """Every way of estimating the effect; `decides` marks those whose errors can be trusted."""
    sizes = panel.places["group"].value_counts()
    smallest = min(sizes.get("treated", 0), sizes.get("comparison", 0))
    many = smallest >= numbers["hotspots.min_evaluated_places"]
    found = [(effect_by_places(panel, negative_binomial=False), many),
             (effect_by_steps(panel.steps), True),
             (effect_by_places(panel, negative_binomial=True), False)]
    rows = [(e.method, e.ratio, *e.interval(level=level), e.p_value, decides)
            for e, decides in found if e is not None]
    if smallest:
        exact = exact_ratio(
            treated=panel.clean_counts("treated"), comparison=panel.clean_counts("comparison"),
            treated_exposure=panel.years("treated"),
            comparison_exposure=panel.years("comparison"), level=level)
        rows.append(("exact_poisson", *exact, np.nan, True))
    return pd.DataFrame(rows, columns=["method", "rate_ratio", "low", "high", "p_value",
                                       "decides"])


def _count_table(panel: Panel) -> pd.DataFrame:
    columns = ["n_before", "n_after", "clean_before", "clean_after", "years_before", "years_after"]
    grouped = panel.places.groupby("group", sort=False)
    table = grouped[columns].sum()
    table.insert(0, "n_places", grouped.size())
    return table.reset_index()


# Counts and time at risk before and after a measure, place by place and step by step.

GROUPS = ("treated", "comparison", "displaced", "displaced_comparison")


def around(placed_incidents: gpd.GeoDataFrame, ids: Iterable[str], *, within_m: float,
           apart_from: Iterable[str]) -> list[str]:
    """Return the places within a distance of the named ones: where markings may have moved to.

    Parameters
    ----------
    placed_incidents
        Incidents with the placed columns; projected CRS.
    ids
        Places in the middle.
    within_m
        Distance [m], in a CRS in metres.
    apart_from
        Places that may not be returned.
    """
    known = known_places(placed_incidents)
    points = gpd.GeoSeries(known.geometry.to_numpy(), index=known["place_id"].to_numpy(),
                           crs=placed_incidents.crs)
    points = points[~points.index.duplicated()].dropna()
    middle = points[points.index.isin(set(ids))]
    if middle.empty:
        return []
    near = points.index[points.distance(middle.union_all()) <= within_m]
    return sorted(set(near) - set(ids) - set(apart_from))


@dataclass(frozen=True)
class Panel:
    """Who was counted, and how often they were hit before and after.

    Parameters
    ----------
    places
        One row per place: ``place_id, group, n_before, n_after`` (all incidents), ``clean_before,
        clean_after`` (incidents on a clean surface), ``years_before, years_after`` (at risk).
    steps
        One row per group and step of time: ``group, from_day, to_day, after, n, years``.
    days_before, days_after
        Lengths of the two periods [days].
    """

    places: pd.DataFrame
    steps: pd.DataFrame
    days_before: float
    days_after: float

    def counts(self, group: str) -> tuple[int, int]:
        """All incidents of a group (before, after)."""
        part = self.places[self.places["group"] == group]
        return int(part["n_before"].sum()), int(part["n_after"].sum())

    def clean_counts(self, group: str) -> tuple[int, int]:
        """Incidents on clean surfaces of a group (before, after)."""
        part = self.places[self.places["group"] == group]
        return int(part["clean_before"].sum()), int(part["clean_after"].sum())

    def years(self, group: str) -> tuple[float, float]:
        """Time at risk of a group (before, after) [years]."""
        part = self.places[self.places["group"] == group]
        return float(part["years_before"].sum()), float(part["years_after"].sum())


def build_panel(placed_incidents: gpd.GeoDataFrame, *, treated_ids: Iterable[str],
                comparison_ids: Iterable[str], displaced_ids: Iterable[str] = (),
                displaced_comparison_ids: Iterable[str] = (), started_at: pd.Timestamp,
                window: Window, settle_days: float,
                parameters: Parameters) -> Panel:
    """Count every named place before and after, whether it was ever hit or not.

    Parameters
    ----------
    placed_incidents
        Incidents with the placed columns.
    treated_ids, comparison_ids, displaced_ids, displaced_comparison_ids
        ``place_id`` of each group; no place in two groups.
    started_at
        When the measure began, inside the window.
    window
        Period the log covers, UTC.
    settle_days
        Days from `started_at` that are left out, while the measure is put in place [days].
    parameters
        Numbers in force.

    Raises
    ------
    SettingError
        For a place in two groups, no treated place, or a start outside the window.
    """
    length = window.days
    start, resume = _limits(started_at, window, settle_days)
    groups = _groups(treated_ids, comparison_ids, displaced_ids, displaced_comparison_ids)
    known = known_places(placed_incidents)
    known = known[known["place_id"].isin(groups.index)]
    laid = timeline(known, window=window,
                    parameters=parameters)
    place = known["place_id"].loc[laid.index]
    names = place[laid["first"]].to_numpy()
    places = pd.DataFrame({"place_id": groups.index, "group": groups.to_numpy()})
    least = parameters["hotspots.min_exposure_days"]
    for when, low, high in (("before", 0.0, start), ("after", resume, length)):
        inside = laid[(laid["reported"] >= low) & (laid["reported"] < high + (when == "after"))]
        for column, rows in (("n", inside), ("clean", inside[inside["at_risk"]])):
            counted = place.loc[rows.index].value_counts()
            places[f"{column}_{when}"] = places["place_id"].map(counted).fillna(0).astype("int64")
        waited = waiting_between(laid, from_day=low, to_day=high)
        waited.index = names
        days = high - low - places["place_id"].map(waited).fillna(0.0)
        places[f"years_{when}"] = days.clip(lower=least) / 365.25
    steps = _steps(laid, groups.loc[place].to_numpy(), groups, start, resume, length,
                   parameters["hotspots.evaluate_bin_days"])
    return Panel(places, steps, start, length - resume)


def _groups(*ids: Iterable[str]) -> pd.Series:
    lists = [pd.Index(pd.unique(pd.Series(list(i), dtype="object").astype("str"))) for i in ids]
    groups = pd.Series([g for g, i in zip(GROUPS, lists, strict=True) for _ in i],
                       index=[p for i in lists for p in i], dtype="object")
    twice = groups.index[groups.index.duplicated()]
    if len(twice) or len(lists[0]) == 0:
        if len(twice):
            raise SettingError("evaluate: places", "errors.place_in_two_groups", name=twice[0])
        raise SettingError("evaluate: places", "errors.no_treated_place")
    return groups


def _limits(started_at: pd.Timestamp, window: Window,
            settle_days: float) -> tuple[float, float]:
    good = isinstance(started_at, pd.Timestamp) and not pd.isna(started_at) and started_at.tzinfo
    start = (started_at - window.start).total_seconds() / 86_400 if good else np.nan
    length = window.days
    if not 0 < start < length or not 0 <= settle_days < length - start:
        raise SettingError("evaluate: started_at", "errors.started_outside",
                           started=str(started_at), days=settle_days)
    return start, start + settle_days


def _steps(laid: pd.DataFrame, group: np.ndarray, groups: pd.Series, start: float, resume: float,
           length: float, width: float) -> pd.DataFrame:
    """Whole steps counted away from the measure on both sides; a scrap at the rim is left out."""
    before = [(start - k * width, start - (k - 1) * width, False)
              for k in range(int(start // width), 0, -1)]
    after = [(resume + k * width, resume + (k + 1) * width, True)
             for k in range(int((length - resume) // width))]
    sizes = groups.value_counts()
    code = pd.Index(sizes.index).get_indexer(group)
    begin, end = waits(laid)
    clean, reported = laid["at_risk"].to_numpy(), laid["reported"].to_numpy()
    rows = []
    for low, high, is_after in before + after:
        days = np.maximum(np.minimum(end, high) - np.maximum(begin, low), 0.0)
        waited = np.bincount(code, weights=days, minlength=len(sizes))
        inside = clean & (reported >= low) & (reported < high)
        n = np.bincount(code[inside], minlength=len(sizes))
        years = np.maximum(sizes.to_numpy() * (high - low) - waited, 1.0) / 365.25
        rows += [(g, low, high, is_after, int(n[k]), years[k]) for k, g in enumerate(sizes.index)]
    return pd.DataFrame(rows, columns=["group", "from_day", "to_day", "after", "n", "years"])


def with_rates(steps: pd.DataFrame, *, started_at: pd.Timestamp, window: Window,
               level: float) -> pd.DataFrame:
    """Return the steps with dates, rates and exact Poisson intervals, ready to plot.

    References
    ----------
    Garwood 1936, Biometrika 28:437-442 (interval of a Poisson count).
    """
    tail = (1 - level) / 2
    n, years = steps["n"].to_numpy(), steps["years"].to_numpy()
    low = np.where(n > 0, chi2.ppf(tail, 2 * np.maximum(n, 1)) / 2, 0.0)
    return steps.assign(
        step_from=window.start + pd.to_timedelta(steps["from_day"], unit="D"),
        step_to=window.start + pd.to_timedelta(steps["to_day"], unit="D"),
        rate_per_year=n / years, rate_low=low / years,
        rate_high=chi2.ppf(1 - tail, 2 * n + 2) / 2 / years, started_at=started_at)


# Places picked after a bad spell fall back to their usual anyway: how much of a change is that?

def return_ratio(placed_incidents: gpd.GeoDataFrame, panel: Panel, *, window: Window,
                 started_at: pd.Timestamp, parameters: Parameters) -> float | None:
    """Return the rate ratio to expect from the fall back to the usual alone.

    Each group's incidents before are compared with their empirical-Bayes expectation, given how
    often places of their kind were hit; the ratio is treated over comparison. It is 1 where both
    groups were picked alike, below 1 where the treated places stood out more before the measure:
    part of that was luck, which does not come again. The effect is the counted ratio over this.

    Parameters
    ----------
    placed_incidents
        All incidents with the placed columns, of other places too: they say what is usual.
    panel
        Counts of the places compared.
    window, started_at
        The time before the measure.
    parameters
        Uses ``hotspots.min_group_places`` and ``hotspots.min_group_incidents``.

    Returns
    -------
    float or None
        None where the log knows too few places to say what is usual.

    References
    ----------
    Hauer 1997, Observational Before-After Studies in Road Safety, chapter 11 (empirical Bayes).
    """
    if not (panel.places["group"] == "comparison").any():
        return None
    known = known_places(placed_incidents)
    before = Window(window.start, started_at)
    laid = timeline(known, window=before, parameters=parameters)
    length = before.days
    places = time_at_risk(laid, length_days=length, parameters=parameters)
    if len(places) < parameters["hotspots.min_group_places"] or (
            places["n_at_risk"].sum() < parameters["hotspots.min_group_incidents"]):
        return None
    known = known.loc[laid.index]
    places.index = pd.Index(known["place_id"].to_numpy()[laid["first"].to_numpy()])
    kind = kind_given(known, laid["place_code"].to_numpy(), len(places))
    places["prior_group"] = pd.Series(kind, index=places.index).fillna("any").astype("str")
    places["zero_truncated"] = True
    priors = fit_priors(places, watched_years=length / 365.25, parameters=parameters)
    usual = priors.get((ALL_OTHERS, True)) or next(iter(priors.values()))
    group_of = places["prior_group"].reindex(panel.places["place_id"])
    factors = {}
    for group in ("treated", "comparison"):
        rows = (panel.places["group"] == group).to_numpy()
        part = panel.places[rows]
        mean = np.empty(len(part))
        for k, name in enumerate(group_of[rows]):
            shape, rate = posterior(part["clean_before"].to_numpy()[[k]],
                                    part["years_before"].to_numpy()[[k]],
                                    priors.get((str(name), True), usual))
            mean[k] = (shape / rate)[0]
        seen = part["clean_before"].sum()
        factors[group] = (mean * part["years_before"]).sum() / seen if seen else np.nan
    ratio = factors["treated"] / factors["comparison"]
    return float(ratio) if np.isfinite(ratio) else None


def match_comparison(placed_incidents: gpd.GeoDataFrame, *, treated_ids: Iterable[str],
                     started_at: pd.Timestamp, window: Window, apart_from: Iterable[str] = (),
                     parameters: Parameters) -> list[str]:
    """Return untreated places that were hit about as often before the measure.

    Places alike in what they were picked by fall back to their usual alike, so that the treated
    places' luck is matched too. Each treated place in turn, the most often hit first, takes the
    free places of nearest rate before, of its own kind where that has any left.

    Parameters
    ----------
    placed_incidents
        All incidents with the placed columns.
    treated_ids, started_at, window
        As in :func:`evaluate_measure`.
    apart_from
        Places that may not be taken, such as those treated by another measure.
    parameters
        Uses ``hotspots.matched_places``: places taken for each treated one.

    References
    ----------
    Cochran and Rubin 1973, Sankhya A 35:417-446 (matching in observational studies).
    """
    known, laid = known_timeline(placed_incidents, window=Window(window.start, started_at),
                                 parameters=parameters, columns=KINDS_GIVEN)
    rates = time_at_risk(laid, length_days=(started_at - window.start) / pd.Timedelta(days=1),
                         parameters=parameters)
    head = known[laid["first"].to_numpy()]
    table = pd.DataFrame({
        "rate": (rates["n_at_risk"] / rates["exposure_years"]).to_numpy(),
        "kind": pd.Series(kind_given(known, laid["place_code"].to_numpy(), len(rates))).fillna(
            "any").to_numpy()}, index=pd.Index(head["place_id"]))
    treated = pd.Index(pd.unique(pd.Series(list(treated_ids), dtype="object")))
    free = table[~table.index.isin([*treated, *apart_from])]
    chosen: list[str] = []
    for _, own in table.reindex(treated).dropna().sort_values("rate", ascending=False).iterrows():
        alike = free[free["kind"] == own["kind"]]
        near = (alike if len(alike) else free)["rate"].sub(own["rate"]).abs()
        taken = near.nsmallest(int(parameters["hotspots.matched_places"]), keep="first").index
        chosen += taken.tolist()
        free = free.drop(taken)
    return chosen


# Difference-in-differences on rates: Poisson and negative-binomial, with honest errors.

COLUMNS = ("constant", "treated", "after", "treated_after")
LEAST_DISPERSION, MOST_DISPERSION = 1e-6, 1e3


@dataclass(frozen=True)
class Effect:
    """An effect as a ratio of rates, its error, and a code for the way it was estimated."""

    method: str
    log_ratio: float
    standard_error: float
    freedom: float

    @property
    def ratio(self) -> float:
        """Rate ratio: below 1 the measure lowered the rate."""
        return float(np.exp(self.log_ratio))

    def interval(self, *, level: float) -> tuple[float, float]:
        """Interval by Student's t."""
        reach = float(student.ppf((1 + level) / 2, self.freedom)) * self.standard_error
        return float(np.exp(self.log_ratio - reach)), float(np.exp(self.log_ratio + reach))

    @property
    def p_value(self) -> float:
        """Two-sided p-value of no effect."""
        return float(2 * student.sf(abs(self.log_ratio) / self.standard_error, self.freedom))


def effect_by_places(panel: Panel, *, negative_binomial: bool) -> Effect | None:
    """Estimate the effect from places before and after, errors clustered by place.

    Assumptions: without the measure, the treated places' rate would have changed by the same
    ratio as the comparison places'; places are independent of each other.

    Parameters
    ----------
    panel
        From :func:`rehit.hotspots.evaluate.build_panel`.
    negative_binomial
        Whether rates may scatter between places beyond chance (else Poisson).

    Returns
    -------
    Effect or None
        None where one of the four cells has no incident, or a group has fewer than two places.

    References
    ----------
    Hilbe 2011, Negative Binomial Regression. Liang and Zeger 1986, Biometrika 73:13-22.
    """
    used = panel.places[panel.places["group"].isin(["treated", "comparison"])]
    long = pd.concat([pd.DataFrame({
        "place": np.arange(len(used)), "treated": (used["group"] == "treated").to_numpy(float),
        "after": float(when == "after"), "n": used[f"clean_{when}"].to_numpy(),
        "years": used[f"years_{when}"].to_numpy()}) for when in ("before", "after")])
    x = _design(long)
    if _empty_cell(long) or used["group"].value_counts().min() < 2:
        return None
    offset = np.log(long["years"].to_numpy())
    n = long["n"].to_numpy()
    family = families.Poisson()
    if negative_binomial:
        family = families.NegativeBinomial(alpha=_dispersion(n, x, offset))
    fit = GLM(n, x, family=family, offset=offset).fit(
        cov_type="cluster", cov_kwds={"groups": long["place"].to_numpy()})
    name = "negative_binomial_by_place" if negative_binomial else "poisson_by_place"
    return Effect(name, float(fit.params[3]),
                  float(fit.bse[3]), max(1.0, len(used) - 2.0))


def effect_by_steps(steps: pd.DataFrame) -> Effect | None:
    """Estimate the effect from the groups' steps of time, errors widened by their scatter.

    Within each step the treated places' part of the incidents is binomial, so that season and
    everything else common to both groups drops out; what scatter is left widens the error.

    Parameters
    ----------
    steps
        Steps of a :class:`Panel`.

    Returns
    -------
    Effect or None
        None with an empty cell, no comparison, or fewer than six steps.

    References
    ----------
    McCullagh and Nelder 1989, Generalized Linear Models, section 4.5 (quasi-binomial).
    """
    paired = _paired(steps)
    if len(paired) < 6 or _empty_cell(_two_groups(steps)):
        return None
    x = np.column_stack([np.ones(len(paired)), paired["after"]])
    return _quasi(paired, x, "part_by_step")


def pre_trend(steps: pd.DataFrame) -> Effect | None:
    """Estimate how treated and comparison places moved apart per year before the measure.

    Parameters
    ----------
    steps
        Steps of a :class:`Panel`.

    Returns
    -------
    Effect or None
        Ratio per year of treated over comparison; None with fewer than four steps before, or
        fewer than one incident per step on either side in the mean.
    """
    paired = _paired(steps[~steps["after"]])
    if len(paired) < 4 or paired[["treated", "comparison"]].sum().min() < len(paired):
        return None
    years = (paired["from_day"].to_numpy() - paired["from_day"].mean()) / 365.25
    x = np.column_stack([np.ones(len(paired)), years])
    return _quasi(paired, x, "trend_before")


def _paired(steps: pd.DataFrame) -> pd.DataFrame:
    """One row per step in which either group was hit: both counts and years side by side."""
    used = steps[steps["group"].isin(["treated", "comparison"])]
    wide = used.pivot_table(index="from_day", columns="group", values=["n", "years"])
    if len(used) == 0 or wide.shape[1] < 4:
        return pd.DataFrame({c: [] for c in ("from_day", "treated", "comparison", "log_years",
                                             "after")})
    out = pd.DataFrame({
        "from_day": wide.index, "treated": wide["n"]["treated"].to_numpy(),
        "comparison": wide["n"]["comparison"].to_numpy(),
        "log_years": np.log(wide["years"]["treated"] / wide["years"]["comparison"]).to_numpy(),
        "after": used.groupby("from_day")["after"].first().to_numpy(dtype="float64")})
    return out[out["treated"] + out["comparison"] > 0]


def _two_groups(steps: pd.DataFrame) -> pd.DataFrame:
    used = steps[steps["group"].isin(["treated", "comparison"])]
    return used.assign(treated=(used["group"] == "treated").astype(float),
                       after=used["after"].astype(float))


def _empty_cell(long: pd.DataFrame) -> bool:
    cells = long.groupby(["treated", "after"])["n"].sum()
    return len(cells) < 4 or bool((cells == 0).any())


def _quasi(paired: pd.DataFrame, x: np.ndarray, name: str) -> Effect:
    fit = GLM(paired[["treated", "comparison"]].to_numpy(), x, family=families.Binomial(),
                 offset=paired["log_years"].to_numpy()).fit()
    freedom = len(paired) - x.shape[1]
    scatter = max(1.0, float(fit.pearson_chi2) / freedom)
    return Effect(name, float(fit.params[1]), float(fit.bse[1]) * np.sqrt(scatter),
                  float(freedom))


def _design(long: pd.DataFrame) -> np.ndarray:
    treated, after = long["treated"].to_numpy(), long["after"].to_numpy()
    return np.column_stack([np.ones(len(long)), treated, after, treated * after])


def _dispersion(n: np.ndarray, x: np.ndarray, offset: np.ndarray) -> float:
    """Dispersion at which the Pearson statistic equals its degrees of freedom (moments)."""
    free = len(n) - x.shape[1]

    def excess(log_alpha: float) -> float:
        family = families.NegativeBinomial(alpha=float(np.exp(log_alpha)))
        found: float = float(GLM(n, x, family=family, offset=offset).fit().pearson_chi2) - free
        return found

    low, high = np.log(LEAST_DISPERSION), np.log(MOST_DISPERSION)
    if free <= 0 or excess(low) <= 0:
        return LEAST_DISPERSION
    if excess(high) >= 0:
        return MOST_DISPERSION
    return float(np.exp(brentq(excess, low, high, xtol=1e-3)))


# Before and after, with comparison places: displacement measures and tests for counts.

@dataclass(frozen=True)
class Difference:
    """A weighted displacement difference: incidents prevented (below 0) or added, with error."""

    value: float
    standard_error: float

    @property
    def z(self) -> float:
        """Standard score, 0 where nothing was counted."""
        return self.value / self.standard_error if self.standard_error > 0 else 0.0

    def interval(self, *, level: float) -> tuple[float, float]:
        """Normal interval."""
        reach = float(norm.ppf((1 + level) / 2)) * self.standard_error
        return self.value - reach, self.value + reach


def displacement_difference(*, treated: tuple[float, float], comparison: tuple[float, float],
                            displaced: tuple[float, float] = (0.0, 0.0),
                            displaced_comparison: tuple[float, float] = (0.0, 0.0),
                            after_to_before: float = 1.0, comparison_weight: float = 1.0,
                            displaced_weight: float = 1.0) -> Difference:
    """Return the weighted displacement difference (WDD) with its standard error.

    Assumptions: the counts are Poisson, and without the measure treated places would have changed
    by as many incidents as comparison places.

    Parameters
    ----------
    treated, comparison
        Incidents (before, after).
    displaced, displaced_comparison
        Incidents (before, after) around the treated and the comparison places.
    after_to_before
        Length of the time after over that before; counts after are scaled to the time before.
    comparison_weight, displaced_weight
        What comparison counts are multiplied by where the compared areas differ in size: treated
        over comparison, displaced over its comparison.

    References
    ----------
    Wheeler and Ratcliffe 2018, Crime Science 7:11.

    Examples
    --------
    >>> wdd = displacement_difference(treated=(207, 110), comparison=(308, 318),
    ...     displaced=(178, 157), displaced_comparison=(150, 140))
    >>> wdd.value, round(wdd.z, 2)
    (-118.0, -2.98)
    """
    value, variance = 0.0, 0.0
    for weight, (before, after) in ((1.0, treated), (-comparison_weight, comparison),
                                    (1.0, displaced), (-displaced_weight, displaced_comparison)):
        _counts(before, after)
        value += weight * (after / after_to_before - before)
        variance += weight**2 * (after / after_to_before**2 + before)
    return Difference(float(value), float(np.sqrt(variance)))


def displacement_quotient(*, treated: tuple[float, float], displaced: tuple[float, float],
                          comparison: tuple[float, float]) -> float:
    """Return the weighted displacement quotient (WDQ), NaN where it has no meaning.

    Above 0 the surroundings gained too (diffusion of benefit); from 0 to -1 less moved away than
    was prevented; below -1 more moved than was prevented. It has a meaning only where the treated
    places improved against the comparison.

    Parameters
    ----------
    treated, displaced, comparison
        Incidents (before, after) at the treated places, around them, and at comparison places.

    References
    ----------
    Bowers and Johnson 2003, J. Quantitative Criminology 19:275-301.

    Examples
    --------
    >>> displacement_quotient(treated=(100, 50), displaced=(100, 120), comparison=(100, 100))
    -0.4
    """
    for pair in (treated, displaced, comparison):
        _counts(*pair)
    if min(comparison) == 0:
        return float("nan")
    success = treated[1] / comparison[1] - treated[0] / comparison[0]
    if success >= 0:
        return float("nan")
    moved = displaced[1] / comparison[1] - displaced[0] / comparison[0]
    return float(round(moved / success, 12))


def _counts(before: float, after: float) -> None:
    if not (before >= 0 and after >= 0):
        raise SettingError(message("where.counts"), "errors.negative_counts", before=before,
                           after=after)


# Probability left beyond the last count that the E-test looks at.
BEYOND = 1e-12


def e_test(first: int, second: int, *, first_exposure: float = 1.0,
           second_exposure: float = 1.0) -> float:
    """Return the two-sided p-value of the E-test for two Poisson counts; exact for small ones.

    Parameters
    ----------
    first, second
        Incidents in two periods or places.
    first_exposure, second_exposure
        Time at risk of each, any one unit.

    Raises
    ------
    SettingError
        For a negative count, or an exposure that is not above 0.

    References
    ----------
    Krishnamoorthy and Thomson 2004, J. Statistical Planning and Inference 119:23-35.

    Examples
    --------
    >>> round(e_test(6, 2), 4)
    0.1749
    """
    _counts(first, second)
    if first_exposure <= 0 or second_exposure <= 0:
        raise SettingError("e_test", "errors.no_exposure", first=first_exposure,
                           second=second_exposure)
    if first + second == 0:
        return 1.0
    rate = (first + second) / (first_exposure + second_exposure)
    counts = [np.arange(poisson.ppf(1 - BEYOND, rate * t) + 1)
              for t in (first_exposure, second_exposure)]
    x, y = counts[0][:, None], counts[1][None, :]
    seen = abs(_distance(np.array(first), np.array(second), first_exposure, second_exposure))
    far = np.abs(_distance(x, y, first_exposure, second_exposure)) >= seen - 1e-9
    chance = (poisson.pmf(x, rate * first_exposure) * poisson.pmf(y, rate * second_exposure))
    return float(min(1.0, chance[far].sum()))


def exact_ratio(*, treated: tuple[int, int], comparison: tuple[int, int],
                treated_exposure: tuple[float, float], comparison_exposure: tuple[float, float],
                level: float) -> tuple[float, float, float]:
    """Return the ratio of rate ratios (treated over comparison) with an exact interval.

    Given each group's total, the counts after are binomial; the ratio is their conditional odds
    ratio, corrected for the exposures. Poisson counts are assumed.

    Parameters
    ----------
    treated, comparison
        Incidents (before, after).
    treated_exposure, comparison_exposure
        Time at risk (before, after), any one unit.
    level
        Coverage of the interval.

    Returns
    -------
    tuple of float
        Estimate, low, high; the estimate may be 0, infinite, or NaN where nothing was counted.

    References
    ----------
    Cornfield 1956; Fisher 1962 (conditional interval of the odds ratio).

    Examples
    --------
    >>> ratio = exact_ratio(treated=(20, 8), comparison=(20, 20), treated_exposure=(1, 1),
    ...                     comparison_exposure=(1, 1), level=0.95)
    >>> [round(r, 2) for r in ratio]
    [0.41, 0.12, 1.24]
    """
    _counts(*treated)
    _counts(*comparison)
    table = np.array([[treated[1], treated[0]], [comparison[1], comparison[0]]], dtype=int)
    offset = ((treated_exposure[1] / treated_exposure[0])
              / (comparison_exposure[1] / comparison_exposure[0]))
    if (table.sum(axis=1) == 0).any() or (table.sum(axis=0) == 0).any():
        return float("nan"), 0.0, float("inf")
    found = odds_ratio(table, kind="conditional")
    interval = found.confidence_interval(confidence_level=level)
    return (float(found.statistic / offset), float(interval.low / offset),
            float(interval.high / offset))


def _distance(x: np.ndarray, y: np.ndarray, first: float, second: float) -> np.ndarray:
    spread = np.sqrt(x / first**2 + y / second**2)
    return np.where(spread > 0, (x / first - y / second) / np.where(spread > 0, spread, 1.0), 0.0)


# The verdict on a measure, and what is said of it.

@dataclass(frozen=True)
class Estimates:
    """The numbers that a verdict rests on; `counted` is the ratio before the fall back is out."""

    ratio: float
    low: float
    high: float
    counted: float
    level: float
    before_after_p: float
    difference: Difference
    quotient: float
    trend: Effect | None
    usual: float | None


def judge(panel: Panel, found: Estimates,
          numbers: Parameters) -> tuple[Verdict, tuple[Message, ...]]:
    """Return the verdict and the reasons for it.

    A verdict other than "cannot tell" needs comparison places, enough incidents and time on both
    sides, no sign that the groups moved apart before the measure, an interval that leaves out "no
    effect" once the fall back to the usual is taken out, and counts that point the same way.

    Parameters
    ----------
    panel
        Counts and time at risk.
    found
        Estimates.
    numbers
        Parameters in force.
    """
    doubts = [*_thin_data(panel, numbers), *_apart_before(found.trend, numbers)]
    if not doubts and found.low <= 1.0 <= found.high:
        doubts.append(_interval("no_effect", found))
    if not doubts:
        doubts += _fallen_back(found)
    if doubts:
        return Verdict.CANNOT_TELL, tuple(doubts)
    if found.high < 1.0:
        return Verdict.FEWER, (_interval("below", found),)
    return Verdict.MORE, (_interval("above", found),)


def _interval(name: str, found: Estimates, **facts: float) -> Message:
    """Return a message about the ratio's interval, in its open form where that has no upper end."""
    ends = {"level": found.level, "low": found.low}
    if np.isinf(found.high):
        return message(f"evaluate.{name}_open", **facts, **ends)
    return message(f"evaluate.{name}", **facts, **ends, high=found.high)


def _thin_data(panel: Panel, numbers: Parameters) -> Iterator[Message]:
    if not (panel.places["group"] == "comparison").any():
        yield message("evaluate.no_comparison")
        return
    least = int(numbers["hotspots.min_evaluated_incidents"])
    for group in ("treated", "comparison"):
        n = panel.clean_counts(group)[0]
        if n < least:
            yield message(f"evaluate.few_{group}", n=n, least=least)
    shortest = numbers["hotspots.min_evaluated_days"]
    for name, days in (("before", panel.days_before), ("after", panel.days_after)):
        if days < shortest:
            yield message(f"evaluate.short_{name}", n=round(days), least=shortest)


def _apart_before(trend: Effect | None, numbers: Parameters) -> Iterator[Message]:
    if trend is None:
        return
    low, high = trend.interval(level=numbers["hotspots.pre_trend_level"])
    if not low <= 1.0 <= high:
        way = "evaluate.rising" if trend.ratio > 1 else "evaluate.falling"
        yield message(way, ratio=trend.ratio)


def _fallen_back(found: Estimates) -> Iterator[Message]:
    if found.usual is not None and (found.counted < 1.0) != (found.ratio < 1.0):
        yield message("evaluate.fell_back", ratio=found.usual)


def least_seen(found: Estimates) -> float:
    """Return the fall (as a ratio of rates) that would most likely have been seen.

    The interval's half width is what noise can do; an effect is seen with a chance of 0.8 if it
    lies another 0.84 standard errors beyond.

    References
    ----------
    Bloom 1995, Evaluation Review 19:547-556 (minimum detectable effects).
    """
    if not 0 < found.low < found.high < np.inf:
        return float("nan")
    reach = (np.log(found.high) - np.log(found.low)) / 2
    error = reach / norm.ppf((1 + found.level) / 2)
    return float(np.exp(-reach - norm.ppf(0.8) * error))


def read_estimates(panel: Panel, found: Estimates, verdict: Verdict) -> Iterator[Message]:
    """Go through what the numbers behind a verdict say, and what they rest on."""
    for group in ("treated", "comparison"):
        yield from _group_counts(panel, group)
    yield message("evaluate.alone", p=found.before_after_p)
    if np.isfinite(found.ratio):
        yield _interval("ratio", found, ratio=found.ratio)
        if found.usual is not None:
            yield message("evaluate.usual", ratio=found.usual, counted=found.counted)
    least = least_seen(found)
    if np.isfinite(least):
        n = int((panel.places["group"] == "treated").sum())
        yield message("evaluate.power", n=n, months=panel.days_after / 30.44, fall=1 - least,
                      rise=1 / least - 1)
    if not (panel.places["group"] == "comparison").any():
        return
    low, high = found.difference.interval(level=found.level)
    yield message("evaluate.difference", value=found.difference.value, level=found.level, low=low,
                  high=high)
    if verdict == Verdict.FEWER and np.isfinite(found.quotient):
        moved = ("gained" if found.quotient > 0 else
                 "moved_some" if found.quotient > -1 else "moved_most")
        yield message(f"evaluate.{moved}", quotient=found.quotient)
    if found.trend is None:
        yield message("evaluate.no_trend")
    if found.usual is None:
        yield message("evaluate.no_usual")
    yield message("evaluate.holds_if")


def _group_counts(panel: Panel, group: str) -> Iterator[Message]:
    (n0, n1), (y0, y1) = panel.clean_counts(group), panel.years(group)
    if y0 > 0:
        yield message(f"evaluate.rates_{group}", n=n0, after=n1, rate_before=n0 / y0,
                      rate_after=n1 / y1)
    own = panel.places.loc[panel.places["group"] == group, ["n_before", "n_after"]]
    never = int((own.sum(axis=1) == 0).sum())
    if never:
        yield message(f"evaluate.unseen_{group}", n=never)
