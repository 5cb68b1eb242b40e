"""What the cells of a column look like, whatever its name says."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from rehit.files.headers import OTHER, header_scores, plain_words
from rehit.incidents.dates import NUMBER_FORMATS, parse_dates, picture_format
from rehit.incidents.times import DURATION_FIELDS, read_duration
from rehit.messages import Message, message
from rehit.packaged import packaged_rows
from rehit.words.geometry_text import is_shape
from rehit.words.numbers import is_grouped, ungrouped_texts
from rehit.words.vocabulary import default_words

SAMPLE = 2000
MOST_WORDS = 200
ROWS_TO_TELL = 10
MOST_STEP = 3  # of a number of rows, where some were left out
LARGEST_SIZE = 2000.0  # m2 or ft2 in the middle of a log: beyond it the column is no size of a mark
WORD_KINDS = ("status", "outcome", "substrate", "medium", "priority", "place_quality",
              "asset_type")
# Some portals write an address and then the point in brackets into one cell.
PAIR = re.compile(r"(?s)(?:.*[(\[{])?\s*([+-]?\d{1,3}[.,]\d+)°?\s*[,; ]\s*([+-]?\d{1,3}[.,]\d+)°?"
                  r"[)\]}\s]*")
PLANE_PAIR = re.compile(r"[(\[{\s]*([+-]?\d{4,8}(?:\.\d+)?)\s*[,; ]\s*([+-]?\d{4,8}(?:\.\d+)?)"
                        r"[)\]}\s]*")
_TIME = re.compile(r"(?i)\d{1,2}[:h]\d{2}(:\d{2}(\.\d+)?)?\s*([ap]\.?m\.?)?|\d{1,2}\s*[ap]\.?m\.?")
# A house number before or after the words of a street.
_NUMBERED = re.compile(r"(?i)\d+[a-z]?\b.*[a-z]{2,}.*|[^\d,]*[a-z]{2,}[^\d,]*,? \d+[a-z]?\b.*")
_BLOCK = re.compile(r"(?i)\d*00(?:\.0+)?|\d*[#x*]{2}|\d*[01]\s*-\s*\d*9[89]|"
                    r"\d+\s*(?:block|blk)(?:\s*of)?|(?:block|blk)\s*\d+")
_HOUSE = re.compile(r"(?i)(?:lots?\W*)?\d{1,6}\s*[a-z]?(?:\s*[-/]\s*\d{1,6}\s*[a-z]?)?")
_LOT = re.compile(r"(?i)lots?\W*(?:no\W*)?\d+\w?")
_SIZE = re.compile(r"(?i).*\d\s*(?:m2|m²|sq\W*m|sqm|sq\W*f|sqft|ft2|ft²|square|x\s*\d|cm\b|mm\b|"
                   r"by\s*\d|qm\b|mq\b|metr|feet|foot|ft\b|m\b|[\"'])?.*|.*\bA[0-5]\b.*")
_SIZE_UNIT = re.compile(r"(?i).*\d\s*(?:m2|m²|sq|ft|square|x\s*\d|cm\b|by\s*\d|qm\b|feet|foot|m\b)"
                        r".*|.*\bA[0-5]\b.*")


@dataclass(frozen=True)
class Profile:
    """A column's name and content in figures; shares are of its filled cells in a sample.

    ``low``, ``middle`` and ``high`` are the 2, 50 and 98 % points of its numbers other than zero;
    ``decimals`` the share of those numbers with three or more decimals. ``counting``: whole numbers
    that only ever rise from row to row, as numbers of rows do.
    """

    name: str
    place: int
    headers: Mapping[str, tuple[float, str]]
    filled: float
    distinct: float
    n_distinct: int
    numbers: float = 0.0
    decimals: float = 0.0
    counting: bool = False
    low: float = float("nan")
    middle: float = float("nan")
    high: float = float("nan")
    dates: float = 0.0
    times: float = 0.0
    pairs: float = 0.0
    wkt: float = 0.0
    letters: float = 0.0
    streets: float = 0.0
    numbered: float = 0.0
    blocks: float = 0.0
    lots: float = 0.0
    houses: float = 0.0
    sizes: float = 0.0
    measures: float = 0.0
    durations: float = 0.0
    mean_length: float = 0.0
    words: Mapping[str, float] = field(default_factory=dict)

    def header(self, name: str) -> float:
        """Return how strongly the column's name speaks for a field."""
        return self.headers.get(name, (0.0, ""))[0]

    @property
    def degrees(self) -> bool:
        """Whether it looks like degrees: decimals, none beyond 180."""
        return self.numbers > 0.5 and self.decimals > 0.5 and max(-self.low, self.high) <= 180

    @property
    def plane(self) -> bool:
        """Whether it looks like metres or feet on a map grid."""
        spread = self.high - self.low
        return self.numbers > 0.5 and abs(self.middle) >= 1000 and 0 <= spread < 5e6 and (
            self.n_distinct > 1) and not self.counting


def profile_columns(frame: pd.DataFrame, *, has_header: bool = True,
                    sizes: Sequence[int] = ()) -> list[Profile]:
    """Return one profile per column, from at most ``SAMPLE`` rows spread evenly over the log.

    With the `sizes` of several files under each other, values are distinct if they are within
    each file: a second file may well speak of the same requests.
    """
    if len(sizes) > 1:
        edges = np.cumsum([0, *sizes])
        parts = [frame.iloc[a:b].head(SAMPLE) for a, b in pairwise(edges)]
        return [replace(p, distinct=max(p.distinct, _least_distinct(parts, p.place)))
                for p in profile_columns(frame, has_header=has_header)]
    rows = np.unique(np.linspace(0, len(frame) - 1, min(len(frame), SAMPLE)).astype(int))
    sample = frame.iloc[rows]
    return [_profile(str(name), place, sample.iloc[:, place], has_header)
            for place, name in enumerate(frame.columns)]


def _least_distinct(parts: Sequence[pd.DataFrame], place: int) -> float:
    """Return the smallest share of different values that a column has within any file."""
    filled = [cells[cells != ""] for cells in (
        part.iloc[:, place].fillna("").astype("str").str.strip() for part in parts)]
    return min((cells.nunique() / len(cells) for cells in filled if len(cells)), default=0.0)


def _profile(name: str, place: int, cells: pd.Series, has_header: bool) -> Profile:
    text = cells.fillna("").astype("str").str.strip()
    kept = text[text != ""]
    headers = header_scores(name) if has_header else {}
    if not len(kept):
        return Profile(name, place, headers, 0.0, 0.0, 0)
    n_distinct = int(kept.nunique())
    filled, distinct = len(kept) / len(text), n_distinct / len(kept)
    return Profile(name, place, headers, filled, distinct, n_distinct, **_figures(kept, n_distinct))


def _figures(kept: pd.Series, n_distinct: int) -> dict[str, Any]:
    values = numbers(kept)
    real = values[~np.isnan(values)]
    told = real[real != 0]
    low, middle, high = np.quantile(told, [0.02, 0.5, 0.98]) if len(told) else (np.nan,) * 3
    is_number = ~np.isnan(values)
    decimals = kept[is_number].str.extract(r"[.,](\d+)$")[0].str.len().fillna(0)
    decimals = decimals[(real != 0)]
    letters = kept.str.contains(r"[^\W\d_]{2,}", regex=True)
    # "6,483,231.12" reads as two numbers but is one.
    single = kept[~kept.map(is_grouped).astype(bool)]
    return {
        "numbers": float(is_number.mean()), "low": float(low), "middle": float(middle),
        "high": float(high),
        "decimals": float((decimals >= 3).mean()) if len(decimals) else 0.0,
        "counting": _counts(values, kept.index),
        "dates": _date_share(kept[~is_number], len(kept)), "times": _share(kept, _TIME),
        "pairs": max(_share(single, PAIR, len(kept)), _share(single, PLANE_PAIR, len(kept))),
        "wkt": float(kept.map(is_shape).mean()),
        "letters": float(letters.mean()), "streets": _street_share(kept[letters], len(kept)),
        "numbered": _share(kept, _NUMBERED), "sizes": _size_share(kept),
        "blocks": _share(kept, _BLOCK), "lots": _share(kept, _LOT),
        "houses": _share(kept, _HOUSE),
        "measures": _share(kept[~is_number], _SIZE_UNIT, len(kept)),
        "durations": _duration_share(kept),
        "mean_length": float(kept.str.len().mean()),
        "words": _word_shares(kept) if n_distinct <= MOST_WORDS else {},
    }


def numbers(texts: pd.Series) -> np.ndarray:
    """Return cells as numbers, with decimal point or comma; NaN where a cell is none.

    Examples
    --------
    >>> numbers(pd.Series(["51.5", "51,5", "XXXX", "-3", "6,483,231.12"])).tolist()
    [51.5, 51.5, nan, -3.0, 6483231.12]
    """
    texts = ungrouped_texts(texts)
    plain = texts.where(texts.str.fullmatch(r"\s*[+-]?\d*[.,]?\d+([eE][+-]?\d+)?\s*|\s*\d+\.\s*"))
    values = pd.to_numeric(plain.str.replace(",", ".", regex=False), errors="coerce")
    result = values.to_numpy(dtype=float, na_value=np.nan)
    return np.where(np.isfinite(result), result, np.nan)


def _counts(values: np.ndarray, rows: pd.Index) -> bool:
    """Whether a column counts its rows: it rises by about one from each row to the next."""
    if len(values) < ROWS_TO_TELL or (values != np.round(values)).any():
        return False
    span = int(rows[-1]) - int(rows[0]) if pd.api.types.is_integer_dtype(rows) else len(values)
    return bool((np.diff(values) > 0).all() and values[-1] - values[0] <= MOST_STEP * span)


def _share(kept: pd.Series, pattern: re.Pattern[str], whole: int | None = None) -> float:
    size = len(kept) if whole is None else whole
    return sum(1 for cell in kept if pattern.fullmatch(cell)) / size if size else 0.0


def _date_share(texts: pd.Series, size: int) -> float:
    if not len(texts):
        return 0.0
    parsed = parse_dates(texts)
    # Impossible dates are dates too, only wrong ones: 31/02/2018 speaks for a date column.
    shown = parsed.times.notna() | parsed.codes.isin(["date_impossible", "date_out_of_range"])
    missing = parsed.codes == "date_missing"
    return float((shown & ~missing).sum()) / max(size - int(missing.sum()), 1)


def _duration_share(kept: pd.Series) -> float:
    counts = kept.value_counts(normalize=True)
    known = [read_duration(str(cell), field="days_open") >= 0 for cell in counts.index]
    return float(counts.to_numpy()[known].sum())


def _size_share(kept: pd.Series) -> float:
    counts = kept.value_counts(normalize=True)
    words = default_words("size")
    known = [bool(_SIZE.fullmatch(str(cell)) or words.find(str(cell), fuzzy=False))
             for cell in counts.index]
    return float(counts.to_numpy()[known].sum())


@cache
def _street_words() -> frozenset[str]:
    return frozenset(row["word"] for row in packaged_rows("words", "log_values.csv")
                     if row["kind"] == "street")


def _street_share(texts: pd.Series, size: int) -> float:
    found = sum(1 for text in texts if _names_street(plain_words(text)))
    return found / size


def _names_street(text: str) -> bool:
    tokens = text.split()
    return bool(_street_words() & set(tokens)) or any(
        token.endswith(("strasse", "platz", "weg", "gasse")) for token in tokens)


def _word_shares(kept: pd.Series) -> dict[str, float]:
    """Share of cells in which the vocabulary of each kind knows a word."""
    counts = kept.value_counts(normalize=True)
    shares = {}
    for kind in WORD_KINDS:
        words = default_words(kind)
        known = [bool(words.find(str(text), fuzzy=False)) for text in counts.index]
        shares[kind] = float(counts.to_numpy()[known].sum())
    return shares


# How well each column suits each field, from its name and its content together.

# A name that says nothing still leaves this much to content alone.
_CONTENT_ALONE = {"reported": 0.4, "cleared": 0.4, "address": 0.8, "substrate": 0.5, "medium": 0.45,
                  "status": 0.5, "size": 0.5, "description": 0.35, "asset_type": 0.45}


# In a log without names content says more: what is known words, or hardly ever repeats.
_HEADLESS = {"outcome": 0.5, "report_id": 0.5, "locality": 0.35}


@dataclass(frozen=True)
class Score:
    """A column's suit for a field, from 0 to 1, with reasons."""

    field: str
    column: str
    place: int
    value: float
    evidence: tuple[Message, ...]

    @property
    def named(self) -> bool:
        """Whether the column's name speaks for the field."""
        return any(each.code == "shown.name" for each in self.evidence)


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
                named = (message("shown.name", words=words),) if words else ()
                scores.append(Score(name, profile.name, profile.place, round(value, 3),
                                    named + said))
    return sorted(scores, key=lambda s: (-s.value, s.place, s.field))


def _joined(name: str, header: float, content: float, *, has_header: bool) -> float:
    """Content is the gate; a name lifts the score from what content alone is worth towards 1."""
    alone = (_CONTENT_ALONE if has_header else _CONTENT_ALONE | _HEADLESS).get(name, 0.0)
    if header:
        return content * (alone + (1 - alone) * header)
    # In a log with names, an unnamed guess must be plain from content.
    needed = 0.5 if has_header else 0.3
    return content * alone if content >= needed else 0.0


def _contents(profile: Profile) -> dict[str, tuple[float, tuple[Message, ...]]]:
    """Return, per field, how far the content of a column allows it, and what it shows."""
    date, date_said = _date_content(profile)
    words = profile.words
    text = profile.letters * (1 - max(profile.dates, profile.pairs, profile.wkt))
    found: dict[str, tuple[float, tuple[Message, ...]]] = {
        "reported": (date, date_said), "cleared": (date, date_said),
        "report_id": _id_content(profile), "address": _address_content(profile, text),
        "duplicate_of": (1 - max(profile.dates, profile.pairs), ()),
        "asset_id": (1 - max(profile.dates, profile.pairs, profile.wkt), ()),
        "asset_type": _object_content(profile, text),
        "house_number": (max(profile.houses, 0.5), ()),
        "block_number": (_block_content(profile), ()),
        "locality": (_locality_content(profile, text), ()),
        "postcode": (float(profile.dates < 0.5), ()),
        "place_quality": (text, ()), "size": _size_content(profile),
        "description": _description_content(profile, text),
        **dict.fromkeys(DURATION_FIELDS, _duration_content(profile)),
    }
    for name in ("status", "outcome", "substrate", "medium"):
        known = words.get(name, 0.0)
        said = (message("shown.known_words", share=known),) if known >= 0.3 else ()
        few = 1.0 if profile.words else 0.6
        # One and the same strange word in every row tells nothing of how a case ended.
        if name == "outcome" and profile.n_distinct == 1 and not known:
            few = 0.0
        found[name] = (text * (few if profile.header(name) else known), said)
    flag = max(text, 1.0 if profile.n_distinct <= 12 else 0.6 * (profile.numbers > 0.5))
    found["priority"] = (flag * (1 - profile.dates), ())
    return found


def _date_content(profile: Profile) -> tuple[float, tuple[Message, ...]]:
    if profile.dates > 0:
        return profile.dates, (message("shown.dates", share=profile.dates),)
    name = number_format(profile)
    if name and max(profile.header("reported"), profile.header("cleared")):
        return profile.numbers, (message("shown.number_dates", format=name),)
    if name and not profile.headers and _SINCE_2000[0] <= _seconds(profile) <= _SINCE_2000[1]:
        return 0.8 * profile.numbers, (message("shown.number_dates", format=name),)
    return 0.0, ()


# Seconds since 1970 of the years 2000 to 2030: without a name, numbers beyond are no times.
_SINCE_2000 = (946_684_800, 1_893_456_000)


def _seconds(profile: Profile) -> float:
    """Return the middle of a column of Unix times in seconds; 0 for numbers of another length."""
    return (0.0 if profile.middle < 3e8 else
            profile.middle / 1000 if profile.middle > 1e11 else profile.middle)


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


_LONGEST_NUMBER = 20  # letters and figures of a request's number


def _id_content(profile: Profile) -> tuple[float, tuple[Message, ...]]:
    if max(profile.dates, profile.pairs, profile.wkt) > 0.5 or profile.degrees:
        return 0.0, ()
    if not profile.headers and (profile.streets >= 0.2 or profile.mean_length > _LONGEST_NUMBER
                                or profile.decimals > 0.5 or number_format(profile)):
        return 0.0, ()
    # Squared: a number that names requests hardly ever repeats.
    return profile.distinct ** 2, (message("shown.distinct", share=profile.distinct),)


def _locality_content(profile: Profile, text: float) -> float:
    """Words that come again; without a name only if they are no words of the vocabulary."""
    if profile.distinct >= 0.5 and profile.n_distinct >= 10:
        return 0.0
    known = max(profile.words.values(), default=0.0)
    plain = profile.numbers == 0 and profile.streets < 0.2 and known < 0.2
    return text if profile.header("locality") or plain else 0.0


def _address_content(profile: Profile, text: float) -> tuple[float, tuple[Message, ...]]:
    said = (message("shown.streets", share=profile.streets),) if profile.streets >= 0.2 else ()
    if profile.header("address"):
        return text * (0.8 + 0.2 * profile.streets), said
    return (profile.streets if profile.n_distinct > 3 and profile.mean_length < 80 else 0.0), said


def _object_content(profile: Profile, text: float) -> tuple[float, tuple[Message, ...]]:
    """A column of things marked: by its name, or by few values that are mostly known things."""
    # "Address" and "Intersection" say how the place is known, not what was marked.
    text *= 1 - profile.words.get("place_quality", 0.0)
    known = profile.words.get("asset_type", 0.0) if profile.distinct < 0.2 else 0.0
    said = (message("shown.known_words", share=known),) if known >= 0.5 else ()
    if profile.header("asset_type"):
        return text, said
    return text * known * (profile.streets < 0.2), said


def _block_content(profile: Profile) -> float:
    """A column of hundred-blocks: round numbers, or numbers with masks or the word."""
    return profile.blocks if profile.n_distinct > 1 else 0.0


def _size_content(profile: Profile) -> tuple[float, tuple[Message, ...]]:
    known = profile.sizes * (1 - profile.dates)
    if profile.numbers > 0.5 and (profile.decimals > 0.5 or profile.middle > LARGEST_SIZE):
        return 0.0, ()  # nobody measures a marking to the thousandth: an area of the map
    if profile.header("size"):
        return known, (message("shown.sizes", share=known),)
    share = profile.measures * (1 - profile.dates) * (profile.streets < 0.2)
    return share, (message("shown.measures", share=share),)


def _duration_content(profile: Profile) -> tuple[float, tuple[Message, ...]]:
    return profile.durations, (message("shown.durations", share=profile.durations),
                               message("shown.durations_used"))


def _description_content(profile: Profile, text: float) -> tuple[float, tuple[Message, ...]]:
    if profile.header("description"):
        # "Pole - Offensive" again and again is the thing marked, whatever the column's name.
        things = _object_content(profile, text)[0] > 0.6
        return (0.3 if things else max(text, 0.6)), ()
    wordy = profile.mean_length >= 25 and profile.distinct > 0.3 and profile.streets < 0.3
    return (text if wordy else 0.0), (
        message("shown.long_texts", letters=round(profile.mean_length)),)


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
    named = any(s.field == "cleared" and s.named
                for s in scores if s.column in columns)
    return len(columns) == 1 and not named
