"""The parts of a date as matched by a shape: whole numbers, the order of day and month, zones."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from rehit.incidents.dates_patterns import NUMERIC_ORDER, Shape, month_number, whole


def full_year(group: pa.Array, pivot: int) -> np.ndarray:
    """Return years as numbers; those of two digits from `pivot` on belong to the 1900s."""
    year = whole(group, len(group), empty=0)
    short = pc.less_equal(pc.utf8_length(group), 2).to_numpy(zero_copy_only=False)
    return np.where(short, np.where(year >= pivot, 1900, 2000) + year, year)


def month_and_day(shape: Shape, groups: Mapping[str, pa.Array], *,
                  day_first: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return month, day, and where their size spoke against the given order."""
    size = len(groups["y"])
    never = np.zeros(size, dtype=bool)
    if "w" in groups:
        words = groups["w"].dictionary_encode()
        numbers = np.array([month_number(word) for word in words.dictionary.to_pylist()])
        month = numbers[words.indices.to_numpy(zero_copy_only=False)]
        return month, whole(groups["d"], size, empty=0), never
    if shape.name != NUMERIC_ORDER:
        return whole(groups["m"], size, empty=0), whole(groups["d"], size, empty=0), never
    first, second = whole(groups["a"], size, empty=0), whole(groups["b"], size, empty=0)
    day, month = (first, second) if day_first else (second, first)
    switched = (month > 12) & (day <= 12) & (month <= 31)
    return np.where(switched, day, month), np.where(switched, month, day), switched


def apply_half(group: pa.Array | None, hour: np.ndarray) -> np.ndarray:
    """Turn 12-hour clocks into 24-hour ones in place; return whether each hour is possible."""
    if group is None:
        return np.ones(len(hour), dtype=bool)
    letter = pc.utf8_lower(pc.utf8_slice_codeunits(group, 0, 1))
    morning = pc.equal(letter, "a").to_numpy(zero_copy_only=False)
    evening = pc.equal(letter, "p").to_numpy(zero_copy_only=False)
    hour[evening & (hour < 12)] += 12
    hour[morning & (hour == 12)] = 0
    # "14:05 PM" is a 24-hour time with a needless mark; "14:05 AM" contradicts itself.
    return ~(morning & (hour > 12))


def zone_offsets(group: pa.Array) -> np.ndarray:
    """Return minutes east of UTC, NaN where a cell names none."""
    encoded = group.dictionary_encode()
    values = np.array([_offset(text) for text in encoded.dictionary.to_pylist()], dtype=float)
    return values[encoded.indices.to_numpy(zero_copy_only=False)]


def _offset(text: str) -> float:
    """Return minutes east of UTC; NaN for none and for letters, which name no one zone."""
    bare = text.upper().removeprefix("UTC").removeprefix("GMT")
    if text and bare in ("", "Z"):
        return 0.0
    if not bare or bare[0] not in "+-":
        return float("nan")
    digits = bare[1:].replace(":", "")
    hours, minutes = (digits, "0") if len(digits) <= 2 else (digits[:-2], digits[-2:])
    total = int(hours) * 60 + int(minutes)
    return float("nan") if total > 14 * 60 else float(-total if bare[0] == "-" else total)
