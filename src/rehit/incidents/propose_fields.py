"""How well each column suits each field, from its name and its content together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rehit.incidents.dates_style import NUMBER_FORMATS, picture_format
from rehit.incidents.durations import DURATION_FIELDS
from rehit.incidents.propose_content import Profile
from rehit.incidents.propose_words import OTHER

# A name that says nothing still leaves this much to content alone.
_CONTENT_ALONE = {"reported": 0.4, "cleared": 0.4, "address": 0.8, "substrate": 0.5, "medium": 0.45,
                  "status": 0.5, "size": 0.5, "description": 0.35}


@dataclass(frozen=True)
class Score:
    """A column's suit for a field, from 0 to 1, with reasons."""

    field: str
    column: str
    place: int
    value: float
    evidence: tuple[str, ...]


def score_columns(profiles: Sequence[Profile], *, has_header: bool) -> list[Score]:
    """Return every field that every column may hold, best first; coordinates apart."""
    scores: list[Score] = []
    for profile in profiles:
        if profile.n_distinct == 0 and not profile.headers:
            continue
        for name, (content, said) in _contents(profile).items():
            header, words = profile.headers.get(name, (0.0, ""))
            if profile.header(OTHER) > header:
                header, said = 0.0, ()
                if has_header:
                    continue
            value = _joined(name, header, content, has_header=has_header)
            if value > 0:
                named = (f"the name says {words!r}",) if words else ()
                scores.append(Score(name, profile.name, profile.place, round(value, 3),
                                    named + said))
    return sorted(scores, key=lambda s: (-s.value, s.place, s.field))


def _joined(name: str, header: float, content: float, *, has_header: bool) -> float:
    """Content is the gate; a name lifts the score from what content alone is worth towards 1."""
    alone = _CONTENT_ALONE.get(name, 0.0)
    if header:
        return content * (alone + (1 - alone) * header)
    # In a log with names, an unnamed guess must be plain from content.
    needed = 0.5 if has_header else 0.3
    return content * alone if content >= needed else 0.0


def _contents(profile: Profile) -> dict[str, tuple[float, tuple[str, ...]]]:
    """Return, per field, how far the content of a column allows it, and what it shows."""
    date, date_said = _date_content(profile)
    words = profile.words
    text = profile.letters * (1 - max(profile.dates, profile.pairs, profile.wkt))
    found: dict[str, tuple[float, tuple[str, ...]]] = {
        "reported": (date, date_said), "cleared": (date, date_said),
        "report_id": _id_content(profile), "address": _address_content(profile, text),
        "duplicate_of": (1 - max(profile.dates, profile.pairs), ()),
        "asset_id": (1 - max(profile.dates, profile.pairs, profile.wkt), ()),
        "asset_type": (text, ()), "house_number": (max(profile.numbers, 0.5), ()),
        "place_quality": (text, ()), "size": _size_content(profile),
        "description": _description_content(profile, text),
        **dict.fromkeys(DURATION_FIELDS, _duration_content(profile)),
    }
    for name in ("status", "outcome", "substrate", "medium"):
        known = words.get(name, 0.0)
        said = (f"{known:.0%} of its cells hold a known word",) if known >= 0.3 else ()
        few = 1.0 if profile.words else 0.6
        found[name] = (text * (few if profile.header(name) else known), said)
    flag = max(text, 1.0 if profile.n_distinct <= 12 else 0.6 * (profile.numbers > 0.5))
    found["priority"] = (flag * (1 - profile.dates), ())
    return found


def _date_content(profile: Profile) -> tuple[float, tuple[str, ...]]:
    if profile.dates > 0:
        return profile.dates, (f"{profile.dates:.0%} of its cells are dates",)
    name = number_format(profile)
    if name and max(profile.header("reported"), profile.header("cleared")):
        return profile.numbers, (f"its numbers are dates written as {name}",)
    return 0.0, ()


def number_format(profile: Profile) -> str:
    """Return how a column of bare numbers may write dates, "" if it cannot.

    Days from 20000 (1954) to 80000 (2119), seconds from 3e8 (1979) to 4.1e9 (2099).
    """
    if profile.numbers < 0.5 or not profile.low > 0:
        return ""
    for low, high, digits in ((20_000, 80_000, 5), (3e8, 4.1e9, 10), (3e11, 4.1e12, 13),
                              (19_500_101, 21_001_231, 8)):
        if low <= profile.low and profile.high <= high:
            name = picture_format("9" * digits, day_first=True)
            return name if name in NUMBER_FORMATS else ""
    return ""


def _id_content(profile: Profile) -> tuple[float, tuple[str, ...]]:
    if max(profile.dates, profile.pairs, profile.wkt) > 0.5 or profile.degrees:
        return 0.0, ()
    # Squared: a number that names requests hardly ever repeats.
    return profile.distinct ** 2, (f"{profile.distinct:.0%} of its values are distinct",)


def _address_content(profile: Profile, text: float) -> tuple[float, tuple[str, ...]]:
    said = (f"{profile.streets:.0%} of its cells name a street",) if profile.streets >= 0.2 else ()
    if profile.header("address"):
        return text * (0.8 + 0.2 * profile.streets), said
    return (profile.streets if profile.n_distinct > 3 and profile.mean_length < 80 else 0.0), said


def _size_content(profile: Profile) -> tuple[float, tuple[str, ...]]:
    known = profile.sizes * (1 - profile.dates)
    if profile.header("size"):
        return known, (f"{known:.0%} of its cells are sizes",)
    share = profile.measures * (1 - profile.dates) * (profile.streets < 0.2)
    return share, (f"{share:.0%} of its cells are measures with a unit",)


def _duration_content(profile: Profile) -> tuple[float, tuple[str, ...]]:
    return profile.durations, (f"{profile.durations:.0%} of its cells are lengths of time",
                               "used for closed cases, as no column gives the date")


def _description_content(profile: Profile, text: float) -> tuple[float, tuple[str, ...]]:
    if profile.header("description"):
        return max(text, 0.6), ()
    wordy = profile.mean_length >= 25 and profile.distinct > 0.3 and profile.streets < 0.3
    return (text if wordy else 0.0), (f"texts of {profile.mean_length:.0f} letters on average",)


def assign(scores: Sequence[Score], *, taken: set[str], least: float) -> dict[str, Score]:
    """Give each field its best free column, best scores first.

    Parameters
    ----------
    scores
        As from :func:`score_columns`.
    taken
        Columns that hold coordinates.
    least
        Smallest score that is proposed.
    """
    chosen: dict[str, Score] = {}
    used = set(taken)
    for score in scores:
        if score.value < least or score.field in chosen or score.column in used:
            continue
        if score.field == "cleared" and "reported" not in chosen and _only_date(scores, used):
            continue
        chosen[score.field] = score
        used.add(score.column)
    return _without_idle_durations(chosen)


def _without_idle_durations(chosen: dict[str, Score]) -> dict[str, Score]:
    """Leave out times to clearance that a clearance date makes idle, or no report date dates."""
    told = {name for name in DURATION_FIELDS if name in chosen}
    idle = set(sorted(told)[1:]) if "reported" in chosen and "cleared" not in chosen else told
    return {name: score for name, score in chosen.items() if name not in idle}


def _only_date(scores: Sequence[Score], used: set[str]) -> bool:
    """Whether one date column is left, not named: then it is the day of the report."""
    columns = {s.column for s in scores if s.field == "cleared" and s.column not in used}
    named = any(s.field == "cleared" and any("name says" in e for e in s.evidence)
                for s in scores if s.column in columns)
    return len(columns) == 1 and not named
