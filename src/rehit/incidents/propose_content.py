"""What the cells of a column look like, whatever its name says."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from importlib.resources import files
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from rehit.incidents.dates import parse_dates
from rehit.incidents.durations import read_duration
from rehit.incidents.propose_words import header_scores, plain_words
from rehit.incidents.vocabulary import default_words
from rehit.number_text import is_grouped, ungrouped_texts
from rehit.shape_text import is_shape

SAMPLE = 2000
MOST_WORDS = 200
WORD_KINDS = ("status", "outcome", "substrate", "medium", "priority")
# Some portals write an address and then the point in brackets into one cell.
PAIR = re.compile(r"(?s)(?:.*[(\[{])?\s*([+-]?\d{1,3}[.,]\d+)°?\s*[,; ]\s*([+-]?\d{1,3}[.,]\d+)°?"
                  r"[)\]}\s]*")
PLANE_PAIR = re.compile(r"[(\[{\s]*([+-]?\d{4,8}(?:\.\d+)?)\s*[,; ]\s*([+-]?\d{4,8}(?:\.\d+)?)"
                        r"[)\]}\s]*")
_TIME = re.compile(r"(?i)\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?\s*([ap]\.?m\.?)?|\d{1,2}\s*[ap]\.?m\.?")
_SIZE = re.compile(r"(?i).*\d\s*(?:m2|m²|sq\W*m|sqm|sq\W*f|sqft|ft2|ft²|square|x\s*\d|cm\b|mm\b|"
                   r"by\s*\d|qm\b|mq\b|metr|feet|foot|ft\b|m\b|[\"'])?.*|.*\bA[0-5]\b.*")
_SIZE_UNIT = re.compile(r"(?i).*\d\s*(?:m2|m²|sq|ft|square|x\s*\d|cm\b|by\s*\d|qm\b|feet|foot|m\b)"
                        r".*|.*\bA[0-5]\b.*")


@dataclass(frozen=True)
class Profile:
    """A column's name and content in figures; shares are of its filled cells in a sample.

    ``low``, ``middle`` and ``high`` are the 2, 50 and 98 % points of its numbers other than zero;
    ``decimals`` the share of those numbers with three or more decimals.
    """

    name: str
    place: int
    headers: Mapping[str, tuple[float, str]]
    filled: float
    distinct: float
    n_distinct: int
    numbers: float = 0.0
    decimals: float = 0.0
    low: float = float("nan")
    middle: float = float("nan")
    high: float = float("nan")
    dates: float = 0.0
    times: float = 0.0
    pairs: float = 0.0
    wkt: float = 0.0
    letters: float = 0.0
    streets: float = 0.0
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
            self.n_distinct > 1)


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
        "dates": _date_share(kept[~is_number], len(kept)), "times": _share(kept, _TIME),
        "pairs": max(_share(single, PAIR, len(kept)), _share(single, PLANE_PAIR, len(kept))),
        "wkt": float(kept.map(is_shape).mean()),
        "letters": float(letters.mean()), "streets": _street_share(kept[letters], len(kept)),
        "sizes": _size_share(kept), "measures": _share(kept[~is_number], _SIZE_UNIT, len(kept)),
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
    text = (files("rehit.incidents") / "propose_values.csv").read_text(encoding="utf-8")
    return frozenset(row["word"] for row in csv.DictReader(text.splitlines())
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
