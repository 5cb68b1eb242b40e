"""Did a measure work? Before and after with comparison places, and can't tell said aloud."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.hotspots.evaluate_models import Effect, effect_by_places, effect_by_steps, pre_trend
from rehit.hotspots.evaluate_panel import GROUPS, Panel, around, build_panel, with_rates
from rehit.hotspots.evaluate_return import return_ratio
from rehit.hotspots.evaluate_wdd import (
    Difference,
    displacement_difference,
    displacement_quotient,
    e_test,
    exact_ratio,
)
from rehit.hotspots.evaluate_words import Verdict, judge
from rehit.parameters import Parameters, load_parameters
from rehit.tables import require_projected


@dataclass(frozen=True)
class Evaluation:
    """What can be said about a measure, and what it rests on.

    Parameters
    ----------
    verdict
        ``worked``, ``got worse`` or ``can't tell``.
    reasons
        Why, in plain words.
    sentences
        The whole reading in plain words, for a report.
    rate_ratio, low, high, level
        Change of the treated places' rate over that of the comparison places (1 = no effect) with
        the interval that the verdict rests on; NaN where there is none.
    difference
        Weighted displacement difference (incidents, scaled to the time before and the number of
        places); what may have moved nearby is in it where both sides have surroundings.
    quotient
        Weighted displacement quotient, NaN where it has no meaning.
    before_after_p
        E-test of the treated places alone, before against after (no comparison).
    effects
        One row per way of estimating: ``method, rate_ratio, low, high, p_value``.
    counts
        One row per group: incidents and years at risk before and after.
    steps
        Rates of each group step by step, for a plot of the trend before.
    trend_before
        How treated and comparison moved apart per year before the measure, where testable.
    return_ratio
        Rate ratio to expect if treated places only fall back to the usual of their kind, where the
        log knows enough places (see :func:`rehit.hotspots.evaluate_return.return_ratio`).
    """

    verdict: str
    reasons: tuple[str, ...]
    sentences: tuple[str, ...]
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
                     observed_from: pd.Timestamp, observed_to: pd.Timestamp,
                     settle_days: float = 0.0, displaced_within_m: float | None = None,
                     displaced_ids: Iterable[str] = (),
                     displaced_comparison_ids: Iterable[str] = (),
                     parameters: Parameters | None = None) -> Evaluation:
    """Judge a measure (coating, faster clearance, lighting, a mural) by comparison places.

    Assumptions: without the measure the treated places' rate would have changed in the same ratio
    as the comparison places'. Treated places that were picked for a bad spell fall back to their
    usual anyway; choose comparison places the same way, or the verdict will be "can't tell".

    Parameters
    ----------
    placed_incidents
        Incidents with the placed columns merged in; projected CRS.
    treated_ids, comparison_ids
        ``place_id`` of the places with and without the measure. Places never hit count too.
    started_at
        When the measure began, UTC.
    observed_from, observed_to
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
    ...     started_at=start + pd.Timedelta(days=365), observed_from=start,
    ...     observed_to=start + pd.Timedelta(days=730))
    >>> seen.verdict
    "can't tell"
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
        observed_from=observed_from, observed_to=observed_to, settle_days=settle_days,
        parameters=numbers)
    usual = return_ratio(placed_incidents, panel, observed_from=observed_from,
                         started_at=started_at, parameters=numbers)
    return _evaluation(panel, usual, numbers, started_at=started_at, observed_from=observed_from)


def _evaluation(panel: Panel, usual: float | None, numbers: Parameters, *,
                started_at: pd.Timestamp, observed_from: pd.Timestamp) -> Evaluation:
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
    ratio = float(used["rate_ratio"].iloc[0]) if len(used) else float("nan")
    verdict = Verdict(ratio, low, high, level, alone, difference, quotient, trend, usual)
    word, reasons, sentences = judge(panel, verdict, numbers)
    steps = with_rates(panel.steps, started_at=started_at, observed_from=observed_from, level=level)
    return Evaluation(word, reasons, sentences, ratio, low, high, level, difference, quotient,
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
        rows.append(("exact, Poisson counts", *exact, np.nan, True))
    return pd.DataFrame(rows, columns=["method", "rate_ratio", "low", "high", "p_value",
                                       "decides"])


def _count_table(panel: Panel) -> pd.DataFrame:
    columns = ["n_before", "n_after", "clean_before", "clean_after", "years_before", "years_after"]
    grouped = panel.places.groupby("group", sort=False)
    table = grouped[columns].sum()
    table.insert(0, "n_places", grouped.size())
    return table.reset_index()
