"""One text that holds a point: "(51.5, -0.1)" or well-known text, and the order of its numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from rehit.incidents.mapping_model import Places, Question
from rehit.incidents.propose_content import PAIR, PLANE_PAIR, Profile, numbers
from rehit.incidents.propose_crs import Area, match_area, usable
from rehit.number_text import is_grouped
from rehit.shape_text import shape_point


@dataclass(frozen=True)
class Pair:
    """Two columns of coordinates, with what was found out about them."""

    columns: dict[str, tuple[str, float, tuple[str, ...]]]
    questions: tuple[Question, ...] = ()
    crs: str = ""
    evidence: tuple[str, ...] = ()
    swapped_degrees: bool = False


@dataclass(frozen=True)
class PointText:
    """A column of points in text, the order of its numbers, whether they are on a grid.

    ``crs`` is the code that the texts themselves name, "" where they name none.
    """

    column: tuple[str, float, tuple[str, ...]]
    order: str
    plane: bool = False
    crs: str = ""
    questions: tuple[Question, ...] = ()


def find_text(sample: pd.DataFrame, profiles: Sequence[Profile], study_area: Area | None,
              degrees: Pair | None) -> PointText | None:
    """Find the column that holds points as text, and the order of the two numbers."""
    found = [p for p in profiles if max(p.pairs, p.wkt) > 0.5]
    if not found:
        return None
    best = max(found, key=lambda p: (p.header("location") + max(p.pairs, p.wkt), -p.place))
    if best.wkt > 0.5:
        return _shape_text(best, sample[best.name])
    said = f"{best.pairs:.0%} of its cells hold two numbers"
    firsts, seconds = pair_numbers(sample[best.name])
    if np.nanmax(np.abs(firsts), initial=0) > 180:
        return PointText((best.name, 0.8, (said,)), "lon_lat", plane=True)
    order, sure, why = _pair_order(firsts, seconds, study_area)
    if not sure and degrees is not None and not degrees.questions:
        order, sure, why = _order_by_columns(sample, firsts, seconds, degrees)
    ask = () if sure else (Question(
        "places.location_order", f"Which number comes first in column {best.name!r}?",
        ("lat_lon", "lon_lat"), order, evidence=("both numbers are within 90 degrees",)),)
    return PointText((best.name, 0.95 if sure else 0.7, (said, *why)), order,
                     questions=ask)


def _shape_text(best: Profile, cells: pd.Series) -> PointText:
    """A column of well-known text or binary; most of its shapes decide the CRS they name."""
    said = f"{best.wkt:.0%} of its cells are well-known text or binary shapes"
    x, y, names = shape_numbers(cells)
    named = names[np.isfinite(x)]
    crs = str(pd.Series(named).mode().iloc[0]) if len(named) else ""
    plane = bool(len(named)) and float(np.nanmedian(np.maximum(np.abs(x), np.abs(y)))) > 180
    why = (f"they name {crs} themselves",) if crs else ()
    return PointText((best.name, 0.95, (said, *why)), "wkt", plane, crs)


def shape_numbers(cells: pd.Series) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return x, y and the CRS named by each shape in text, NaN and "" where there is none."""
    read = [shape_point(cell) for cell in cells.fillna("")]
    return (np.array([np.nan if r is None else r.x for r in read], dtype=float),
            np.array([np.nan if r is None else r.y for r in read], dtype=float),
            np.array(["" if r is None else r.crs for r in read], dtype=object))


def pair_numbers(cells: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Return the first and second number of "(51.5, -0.1)"-like texts, NaN where there is none."""
    pairs: list[tuple[float, ...]] = []
    for cell in cells.fillna(""):
        found = None if is_grouped(cell) else (
            PAIR.fullmatch(cell.strip()) or PLANE_PAIR.fullmatch(cell.strip()))
        pairs.append(tuple(float(t.replace(",", ".")) for t in found.groups()) if found
                     else (np.nan, np.nan))
    both = np.array(pairs, dtype=float).reshape(-1, 2)
    both[(both == 0).all(axis=1)] = np.nan
    return both[:, 0], both[:, 1]


def _pair_order(first: np.ndarray, second: np.ndarray,
                area: Area | None) -> tuple[str, bool, tuple[str, ...]]:
    kept = ~np.isnan(first)
    if not kept.any():
        return "lat_lon", False, ()
    beyond = [float((np.abs(values[kept]) > 90).mean()) for values in (first, second)]
    if max(beyond) > 0.5:
        number = "first" if beyond[0] > beyond[1] else "second"
        order = "lon_lat" if number == "first" else "lat_lon"
        return order, True, (f"the {number} number goes beyond 90, so it is the longitude",)
    if area is not None:
        west, south, east, north = area
        inside = [float(((x >= west) & (x <= east) & (y >= south) & (y <= north))[kept].mean())
                  for x, y in ((second, first), (first, second))]
        if max(inside) > 0.5:
            order = "lat_lon" if inside[0] >= inside[1] else "lon_lat"
            return order, True, (f"{max(inside):.0%} of the points then lie in the study area",)
    return "lat_lon", False, ()


def _order_by_columns(sample: pd.DataFrame, first: np.ndarray, second: np.ndarray,
                      degrees: Pair) -> tuple[str, bool, tuple[str, ...]]:
    """Compare the two numbers with the columns of latitude and longitude."""
    lat, lon = (numbers(sample[degrees.columns[name][0]]) for name in ("latitude", "longitude"))
    apart = [np.abs(first - a) + np.abs(second - b) for a, b in ((lat, lon), (lon, lat))]
    if not all(np.isfinite(values).any() for values in apart):
        return "lat_lon", False, ()
    lat_first = bool(np.nanmedian(apart[0]) <= np.nanmedian(apart[1]))
    return ("lat_lon" if lat_first else "lon_lat"), True, (
        f"as the {'latitude' if lat_first else 'longitude'} column, so is its first number",)


def plane_text_places(sample: pd.DataFrame, text: PointText, area: Area | None, crs: str | None,
                      places: Places, questions: list[Question]) -> Places:
    """Find the CRS of points in text that are on a grid; what cannot be told is asked."""
    if text.crs:
        return Places(places.crs, text.crs, text.order, places.evidence)
    cells = sample[text.column[0]]
    x, y = shape_numbers(cells)[:2] if text.order == "wkt" else pair_numbers(cells)
    match = match_area(x, y, area, crs) if (area or crs) and usable(x, y).any() else None
    if match is None:
        questions.append(Question(
            "places.location_crs", f"In which projected CRS is column {text.column[0]!r}?",
            tuple(filter(None, (places.crs, "EPSG:...", "none"))), places.crs or "none"))
        return Places(places.crs, places.crs, text.order, places.evidence)
    questions += [replace(question, key="places.location_crs") for question in match.questions]
    return Places(places.crs, match.crs, text.order, places.evidence + match.evidence)
