"""The verdict on a measure in plain words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rehit.hotspots.evaluate_models import Effect
from rehit.hotspots.evaluate_panel import Panel
from rehit.hotspots.evaluate_wdd import Difference
from rehit.parameters import Parameters
from rehit.wording import counted

WORKED, WORSE, CANNOT_TELL = "worked", "got worse", "can't tell"


@dataclass(frozen=True)
class Verdict:
    """The numbers that a verdict rests on."""

    ratio: float
    low: float
    high: float
    level: float
    before_after_p: float
    difference: Difference
    quotient: float
    trend: Effect | None
    usual: float | None


def judge(panel: Panel, found: Verdict,
          numbers: Parameters) -> tuple[str, tuple[str, ...], tuple[str, ...]]:
    """Return the verdict, the reasons for it, and the full reading.

    A verdict other than "can't tell" needs comparison places, enough incidents and time on both
    sides, no sign that the groups moved apart before the measure, and an interval that leaves out
    "no effect" with and without what a return to the usual could explain.

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
    inside = found.low <= 1.0 <= found.high
    if not doubts and inside:
        doubts.append(f"the data would also fit no effect: the {_percent(found.level)} interval of "
                      f"the rate ratio runs from {_ratio(found.low)} to {_ratio(found.high)}, and "
                      "1 means no effect")
    if not doubts:
        doubts += _fallen_back(found)
    if doubts:
        word, reasons = CANNOT_TELL, tuple(doubts)
    else:
        word = WORKED if found.high < 1.0 else WORSE
        side = "below" if word == WORKED else "above"
        reasons = (f"the {_percent(found.level)} interval of the rate ratio, "
                   f"{_ratio(found.low)} to {_ratio(found.high)}, lies wholly {side} 1, which "
                   "would mean no effect",)
    sentences = (_headline(word, reasons), *_reading(panel, found, worked=word == WORKED))
    return word, reasons, sentences


def _thin_data(panel: Panel, numbers: Parameters) -> list[str]:
    doubts = []
    sizes = panel.places["group"].value_counts()
    if sizes.get("comparison", 0) == 0:
        return ["there are no comparison places, so a change cannot be told from what would have "
                "happened anyway"]
    least = int(numbers["hotspots.min_evaluated_incidents"])
    for group in ("treated", "comparison"):
        n = panel.clean_counts(group)[0]
        if n < least:
            doubts.append(f"the {group} places had only {counted(n, 'incident')} on clean "
                          f"surfaces before the measure (at least {least} are needed)")
    shortest = numbers["hotspots.min_evaluated_days"]
    for name, days in (("before", panel.days_before), ("after", panel.days_after)):
        if days < shortest:
            seen = f"{days:.0f} days {name} the measure were"
            if round(days) == 1:
                seen = f"1 day {name} the measure was"
            doubts.append(f"only {seen} observed (at least {shortest:.0f} are needed)")
    return doubts


def _apart_before(trend: Effect | None, numbers: Parameters) -> list[str]:
    if trend is None:
        return []
    low, high = trend.interval(level=numbers["hotspots.pre_trend_level"])
    if low <= 1.0 <= high:
        return []
    way = "rising against" if trend.ratio > 1 else "falling against"
    return [f"the treated places were already {way} the comparison places before the measure "
            f"(x {_ratio(trend.ratio)} a year)"]


def _fallen_back(found: Verdict) -> list[str]:
    if found.usual is None:
        return []
    low, high = found.low / found.usual, found.high / found.usual
    if not low <= 1.0 <= high and (high < 1.0) == (found.high < 1.0):
        return []
    return ["the treated and comparison places were not hit alike before the measure: a return to "
            f"the usual of their kind could alone make the ratio {_ratio(found.usual)}. Compare "
            "with places that were hit as often"]


def _headline(word: str, reasons: tuple[str, ...]) -> str:
    opening = {WORKED: "The measure worked", WORSE: "Things got worse with the measure",
               CANNOT_TELL: "We can't tell whether the measure worked"}[word]
    return f"{opening}: {'; '.join(reasons)}."


def _reading(panel: Panel, found: Verdict, *, worked: bool) -> list[str]:
    out = []
    for group in ("treated", "comparison"):
        (n0, n1), (y0, y1) = panel.clean_counts(group), panel.years(group)
        if y0 > 0:
            out.append(f"{group.capitalize()} places: {counted(n0, 'incident')} on clean "
                       f"surfaces before and {n1} after, {n0 / y0:.2f} and {n1 / y1:.2f} per "
                       "place and year at risk.")
        never = int((panel.places.loc[panel.places["group"] == group,
                                      ["n_before", "n_after"]].sum(axis=1) == 0).sum())
        if never:
            out.append(f"{never} of the {group} places {'does' if never == 1 else 'do'} not appear "
                       "in the log; check the numbers if that is not as it should be.")
    out.append(f"The treated places alone, before against after: so large a change would come by "
               f"luck with chance {_chance(found)} (E-test); by itself that cannot tell the "
               "measure from the season.")
    if np.isfinite(found.ratio):
        out.append(f"Against the comparison places the rate at treated places was multiplied by "
                   f"{_ratio(found.ratio)} ({_percent(found.level)} interval "
                   f"{_ratio(found.low)} to {_ratio(found.high)}).")
    if not (panel.places["group"] == "comparison").any():
        return out
    low, high = found.difference.interval(level=found.level)
    value = found.difference.value
    out.append(f"In incidents, against the comparison places: {value:+.1f} "
               f"({_percent(found.level)} interval {low:+.1f} to {high:+.1f}; below 0 means "
               "prevented; weighted displacement difference).")
    if worked and np.isfinite(found.quotient):
        out.append(_moved(found.quotient))
    if found.trend is None:
        out.append("The trend before the measure could not be tested: too few incidents or steps.")
    if found.usual is None:
        out.append("Whether treated places were picked for a bad spell could not be checked: the "
                   "log knows too few other places.")
    out.append("This holds if treated and comparison places would have changed alike without the "
               "measure, and if both were picked alike.")
    return out


def _moved(quotient: float) -> str:
    if quotient > 0:
        meaning = "the surroundings seem to have gained as well"
    elif quotient > -1:
        meaning = "some markings may have moved nearby, fewer than were prevented"
    else:
        meaning = "as many markings or more may have moved nearby as were prevented"
    return (f"Weighted displacement quotient {quotient:.2f}: {meaning} "
            "(a ratio without an interval; read it with the difference above).")


def _chance(found: Verdict) -> str:
    p = found.before_after_p
    return "below 0.001" if p < 0.001 else f"{p:.3f}"


def _percent(level: float) -> str:
    return f"{100 * level:g} %"


def _ratio(value: float) -> str:
    return "unbounded" if np.isinf(value) else f"{value:.2f}"
