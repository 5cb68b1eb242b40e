"""Sections on how many incidents came, how quickly they were cleared, and how good the log is."""

from __future__ import annotations

import math

from rehit.reporting.compare import Comparison, count_interval
from rehit.reporting.document import Grid, Section
from rehit.reporting.drawing import draw_picture
from rehit.reporting.figures import incident_calendar
from rehit.reporting.measures import GROUPS, Facts, Slice, compare_slices, verdict
from rehit.reporting.response import Response, measure_response
from rehit.reporting.summary import signed_share


def volume_section(facts: Facts) -> Section:
    """Write how many incidents came, compared with the quarter and the year before."""
    w = facts.words
    section = Section("volume", w("heading.volume"))
    section.say(w("volume.opening", n=facts.now.count, count=w.whole(facts.now.count)), "V1")
    section.put(_comparison_grid(facts), _kinds_grid(facts))
    if len(facts.inputs.incidents):
        section.put(draw_picture("calendar", lambda ax: incident_calendar(
            facts.inputs.incidents, ax=ax, words=w, time_zone=facts.inputs.time_zone,
            chance_limit=facts.number("chance_limit"), titled=False)))
    return section


def _comparison_grid(facts: Facts) -> Grid:
    w = facts.words
    rows = [_period_row(facts, w("volume.this"), facts.now, None)]
    for name, earlier in (("before", facts.before), ("year", facts.year)):
        rows.append(_period_row(facts, w(f"volume.{name}"), earlier,
                                compare_slices(facts, earlier)))
    headers = tuple(w(f"volume.col_{c}") for c in
                    ("period", "observed", "count", "per_30", "change", "reading"))
    level = w.share(facts.number("interval_level"))
    return Grid(w("volume.caption"), headers, tuple(rows), frozenset({1, 2, 3, 4}),
                w("volume.note", level=level), ("V1", "V12", "V13"))


def _period_row(facts: Facts, label: str, part: Slice,
                comparison: Comparison | None) -> tuple[str, ...]:
    w = facts.words
    name = f"{label} ({w.days(part.period.first, part.period.last)})"
    observed = w("volume.of_days", days=w.whole(part.days), of=w.whole(part.period.days))
    if part.days <= 0:
        return name, observed, "–", "–", "–", w("verdict.not_observed")
    unfair = "holes" if facts.holes else "not_observed"
    low, high = count_interval(part.count, level=facts.number("interval_level"))
    scale = 30 / part.days
    per_30 = (f"{w.number(part.count * scale, 2)} "
              f"({w.span(w.number(low * scale, 2), w.number(high * scale, 2))})")
    change, reading = "–", "–"
    if part is not facts.now:
        reading = w("verdict." + (unfair if comparison is None else verdict(
            comparison, chance_limit=facts.number("chance_limit"))))
    if comparison is not None and not math.isnan(comparison.ratio):
        ends = (signed_share(facts, v - 1) for v in (comparison.low, comparison.high))
        change = f"{signed_share(facts, comparison.ratio - 1)} ({w.span(*ends)})"
    return name, observed, w.whole(part.count), per_30, change, reading


def _kinds_grid(facts: Facts) -> Grid:
    w = facts.words
    rows, anchors = [], []
    for column, (codes, start) in GROUPS.items():
        for offset, code in enumerate(codes):
            figure = facts.book.figures[f"V{start + offset}"]
            rows.append((w(f"volume.group_{column}") + ": " + w.code(column, code), figure.shown,
                         _part(facts, figure.value)))
            anchors.append(figure.id)
    return Grid(w("volume.kinds_caption"),
                tuple(w(f"volume.col_{c}") for c in ("what", "count", "share")),
                tuple(rows), frozenset({1, 2}), w("volume.kinds_note"), tuple(anchors))


def _part(facts: Facts, value: float) -> str:
    if facts.now.count < facts.number("small_count"):
        return "–"
    return facts.words.share(value / facts.now.count)


def response_section(facts: Facts) -> Section:
    """Write the response against the service standards."""
    w = facts.words
    section = Section("response", w("heading.response"))
    rows, anchors = [], []
    for number, priority in enumerate(("offensive", "ordinary"), start=1):
        allowed = (facts.standards.offensive_h if priority == "offensive"
                   else facts.standards.ordinary_h)
        response = _measure(facts, priority, allowed)
        rows.append(_response_row(facts, priority, allowed, response))
        anchors.append(facts.trace(
            f"R{number}", 0.0 if math.isnan(response.share) else response.share, rows[-1][3],
            key="R", incidents=response.judged, word=w.code("priority", priority),
            allowed=allowed_time(facts, allowed), within=w.whole(len(response.within)),
            judged=w.whole(len(response.judged))))
    headers = tuple(w(f"response.col_{c}") for c in
                    ("priority", "standard", "judged", "within", "median", "waiting", "undated"))
    if not facts.inputs.incidents["cleared_at"].notna().any():
        section.say(w("response.no_dates"), tone="limit")
    else:
        section.put(Grid(w("response.caption"), headers, tuple(rows), frozenset(range(1, 7)),
                         _response_note(facts), tuple(anchors)))
    return section


def _response_note(facts: Facts) -> str:
    w = facts.words
    note = w("response.note", level=w.share(facts.number("interval_level")))
    if facts.inputs.standards is not None:
        return note
    days = facts.parameters["service.ordinary_working_days"]
    return note + " " + w("response.working_days", n=w.given(days),
                          days=w.given(facts.standards.ordinary_h / 24))


def allowed_time(facts: Facts, hours: float) -> str:
    """Write a standard in hours below three days, otherwise in days."""
    w = facts.words
    if hours < 72:
        return w("format.hours", value=w.given(hours))
    return w("format.days", value=w.given(hours / 24))


def _measure(facts: Facts, priority: str, allowed_h: float) -> Response:
    part = facts.now.incidents[facts.now.incidents["priority"] == priority]
    return measure_response(part, allowed_h=allowed_h, observed_to=facts.inputs.observed_to,
                            time_zone=facts.inputs.time_zone,
                            level=facts.number("interval_level"))


def _response_row(facts: Facts, priority: str, allowed_h: float,
                  response: Response) -> tuple[str, ...]:
    w = facts.words
    within = "–"
    if len(response.judged):
        within = (f"{w.share(response.share)} "
                  f"({w.span(w.share(response.low), w.share(response.high))})")
    return (w.code("priority", priority), allowed_time(facts, allowed_h),
            w.whole(len(response.judged)), within,
            duration(facts, response.median_h) if response.timed else "–",
            w.whole(response.waiting), w.whole(response.undated))


def duration(facts: Facts, hours: float) -> str:
    """Write a length of time in hours below three days, otherwise in days."""
    w = facts.words
    if not math.isfinite(hours):
        return w("response.not_reached")
    if hours < 48:
        return w("format.hours", value=w.number(hours, 2))
    return w("format.days", value=w.number(hours / 24, 2))
