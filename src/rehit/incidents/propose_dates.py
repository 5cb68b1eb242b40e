"""Date columns: which is which, how they are written, dates kept in several columns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from rehit.incidents.dates import DateStyle, parse_dates
from rehit.incidents.dates_style import FoundStyle, find_style
from rehit.incidents.mapping import DATE_FIELDS, FieldSource, Question
from rehit.incidents.mapping_answers import turned
from rehit.incidents.propose_content import Profile
from rehit.incidents.propose_fields import Score
from rehit.incidents.propose_words import plain_words

# A second column nearly as good as the first is worth a question.
_RIVAL = 0.7
_PARTS = {"year": (1900, 2100), "month": (1, 12), "day": (1, 31), "hour": (0, 24),
          "minute": (0, 59), "second": (0, 60)}


@dataclass(frozen=True)
class FoundDates:
    """Sources of the date fields and the questions about them."""

    fields: dict[str, FieldSource]
    questions: tuple[Question, ...]


def find_dates(frame: pd.DataFrame, profiles: Sequence[Profile], chosen: dict[str, Score],
               scores: Sequence[Score], *, taken: set[str]) -> FoundDates:
    """Settle the date fields from the columns chosen by name and content.

    Parameters
    ----------
    frame
        The log as texts.
    profiles, chosen, scores
        As in :mod:`rehit.incidents.propose_fields`.
    taken
        Columns already given to another field.
    """
    columns = {name: chosen[name] for name in DATE_FIELDS if name in chosen}
    columns, turned = _earlier_first(frame, columns)
    styles = {name: find_style(frame[score.column]) for name, score in columns.items()}
    styles = _agreed(styles, frame, columns)
    fields: dict[str, FieldSource] = {}
    questions: list[Question] = list(turned)
    for name, score in columns.items():
        found = styles[name]
        confidence, alone = _only(score, profiles)
        fields[name] = FieldSource((score.column,), dates=found.style, confidence=confidence,
                                   evidence=score.evidence + alone + found.evidence)
        if not found.certain:
            questions.append(_ask_order(name, score.column, found))
        questions += _rivals(name, score, scores, taken, frame)
    if "reported" in fields:
        fields["reported"] = _with_clock(fields["reported"], profiles)
    else:
        split = _split(profiles)
        if split is not None:
            fields["reported"] = split
    return FoundDates(fields, tuple(questions))


def _only(score: Score, profiles: Sequence[Profile]) -> tuple[float, tuple[str, ...]]:
    """A log's one column of dates is the day of the report, named or not."""
    dated = [p for p in profiles if p.dates > _RIVAL]
    if len(dated) == 1 and dated[0].name == score.column and score.field == "reported":
        return max(score.value, round(0.9 * dated[0].dates, 3)), ("the only column of dates",)
    return score.value, ()


def _earlier_first(frame: pd.DataFrame, columns: dict[str, Score]
                   ) -> tuple[dict[str, Score], tuple[Question, ...]]:
    """Without telling names, the earlier of two dates is the report."""
    if len(columns) < 2 or any("name says" in e for s in columns.values() for e in s.evidence):
        return columns, ()
    first, second = (columns[name] for name in DATE_FIELDS)
    a, b = (parse_dates(frame[s.column], style=find_style(frame[s.column]).style).times
            for s in (first, second))
    both = a.notna() & b.notna()
    later = float((b[both] >= a[both]).mean()) if both.any() else 1.0
    said = f"the second is not before the first in {max(later, 1 - later):.0%} of rows"
    if later < 0.5:
        first, second = second, first
    ask = Question("fields.cleared.columns", "Is this column the day of clearance?",
                   (second.column, "none"), second.column, evidence=(said,))
    return {"reported": replace(first, field="reported"),
            "cleared": replace(second, field="cleared")}, (ask,)


def _agreed(styles: dict[str, FoundStyle], frame: pd.DataFrame,
            columns: dict[str, Score]) -> dict[str, FoundStyle]:
    """Let a column whose order is known tell the one whose order is not; else see which order
    puts clearances after reports."""
    known = [s for s in styles.values() if s.certain and any("above 12" in e for e in s.evidence)]
    unsure = [name for name, style in styles.items() if not style.certain]
    if known and unsure:
        day_first = known[0].style.day_first
        said = ("the other date column tells which number is the day",)
        return {name: s if s.certain else _ordered(s, day_first, said, _alike(s, known[0]))
                for name, s in styles.items()}
    if len(unsure) == 2:
        waits = {order: _later(frame, columns, order) for order in (True, False)}
        if abs(waits[True] - waits[False]) > 0.02:
            day_first = waits[True] > waits[False]
            said = (f"clearance is not before report for {waits[True]:.0%} of rows if day first, "
                    f"{waits[False]:.0%} if month first",)
            return {name: _ordered(s, day_first, said, False) for name, s in styles.items()}
    return styles


def _alike(one: FoundStyle, other: FoundStyle) -> bool:
    """Whether two columns share a format but for the order, so that one settles the other."""
    marks = [{"".join(c for c in f if not c.isalpha()) for f in s.style.formats}
             for s in (one, other)]
    return bool(marks[0] & marks[1])


def _ordered(found: FoundStyle, day_first: bool, said: tuple[str, ...],
             certain: bool) -> FoundStyle:
    formats = found.style.formats
    if day_first != found.style.day_first:
        formats = turned(formats)
    return FoundStyle(replace(found.style, day_first=day_first, formats=formats), certain,
                      found.evidence + said)


def _later(frame: pd.DataFrame, columns: dict[str, Score], day_first: bool) -> float:
    a, b = (parse_dates(frame[columns[name].column], style=DateStyle(day_first)).times
            for name in DATE_FIELDS)
    both = a.notna() & b.notna()
    return float((b[both] >= a[both]).mean()) if both.any() else 0.0


def _ask_order(name: str, column: str, found: FoundStyle) -> Question:
    assumed = "day first" if found.style.day_first else "month first"
    return Question(f"fields.{name}.day_first",
                    f"Do the dates in column {column!r} have the day or the month first?",
                    ("day first", "month first"), assumed, evidence=found.evidence)


def _rivals(name: str, score: Score, scores: Sequence[Score], taken: set[str],
            frame: pd.DataFrame) -> list[Question]:
    """Ask where another column could be the same date as well."""
    others = [s.column for s in scores
              if s.field == name and s.column != score.column and s.column not in taken
              and s.value >= _RIVAL * score.value and any("name says" in e for e in s.evidence)]
    if not others:
        return []
    what = "the report" if name == "reported" else "the clearance"
    differ = float(np.mean(frame[score.column].to_numpy() != frame[others[0]].to_numpy()))
    return [Question(f"fields.{name}.columns", f"Which column is the date of {what}?",
                     (score.column, *dict.fromkeys(others)), score.column,
                     evidence=(f"{score.column!r} and {others[0]!r} differ in {differ:.0%} of rows",
                               ))]


def _with_clock(source: FieldSource, profiles: Sequence[Profile]) -> FieldSource:
    """Add a column that holds the time of day to a date without one."""
    style = source.dates or DateStyle()
    if style.clock != "none":
        return source
    place = next(p.place for p in profiles if p.name == source.columns[0])
    clocks = [p for p in profiles if p.times > 0.8 and p.name not in source.columns
              and (p.header("part_time") or p.header("reported") or p.place == place + 1)
              and not p.header("cleared")]
    if clocks:
        best = min(clocks, key=lambda p: (-p.header("part_time"), abs(p.place - place)))
        said = f"column {best.name!r} holds the time of day"
        return replace(source, columns=(*source.columns, best.name), parts=("date", "time"),
                       dates=replace(style, clock="24"), evidence=(*source.evidence, said))
    hours = {part: _part(profiles, part) for part in ("hour", "minute", "half")}
    if hours["hour"] is None:
        return source
    named = {part: found for part, found in hours.items() if found is not None}
    return replace(source, columns=(*source.columns, *(p.name for p in named.values())),
                   parts=("date", *named), dates=replace(style, clock="24"),
                   evidence=(*source.evidence, "the hour has a column of its own"))


def _split(profiles: Sequence[Profile]) -> FieldSource | None:
    """Put year, month, day and clock together where each has its own column."""
    found = {part: _part(profiles, part) for part in (*_PARTS, "half")}
    if any(found[part] is None for part in ("year", "month", "day")):
        return None
    if found["hour"] is None:
        found["minute"] = found["second"] = found["half"] = None
    named = {part: profile for part, profile in found.items() if profile is not None}
    clock = "12" if found["half"] else "24" if found["hour"] else "none"
    said = f"the names say {', '.join(named)}"
    return FieldSource(tuple(p.name for p in named.values()), tuple(named),
                       DateStyle(True, clock, ("YYYY-MM-DD",)), 0.9, (said,))


def _part(profiles: Sequence[Profile], part: str) -> Profile | None:
    found = [p for p in profiles if p.header(f"part_{part}") >= 0.5 and _fits(p, part)
             and "clos" not in plain_words(p.name) and p.header("cleared") < 0.5]
    return max(found, key=lambda p: (p.header(f"part_{part}"), -p.place), default=None)


def _fits(profile: Profile, part: str) -> bool:
    if part == "half":
        return profile.n_distinct <= 4 and profile.letters > 0.5
    if part == "month" and profile.letters > 0.5:
        return profile.n_distinct <= 12
    low, high = _PARTS[part]
    return profile.numbers > 0.5 and (np.isnan(profile.low) or (
        low <= profile.low and profile.high <= high))
