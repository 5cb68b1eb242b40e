"""Which columns hold coordinates, and in which CRS, told by their values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np
import pandas as pd

from rehit.incidents.mapping import Places, Question
from rehit.incidents.propose_content import PAIR, PLANE_PAIR, Profile, numbers
from rehit.incidents.propose_crs import Area, Match, match_area, match_crs, usable
from rehit.parameters import Parameters

_SAMPLE = 400
_LIKELY = 0.3


@dataclass(frozen=True)
class FoundPlaces:
    """Columns by field with confidence and evidence, how they are written, and what to ask."""

    columns: dict[str, tuple[str, float, tuple[str, ...]]]
    places: Places
    questions: tuple[Question, ...] = ()


def find_places(frame: pd.DataFrame, profiles: Sequence[Profile], *, study_area: Area | None,
                crs: str | None, parameters: Parameters) -> FoundPlaces:
    """Find latitude and longitude, a projected pair and its CRS, and a text that holds points.

    Parameters
    ----------
    frame
        The log as texts.
    profiles
        Its columns' profiles.
    study_area
        West, south, east, north in degrees (WGS 84), if known.
    crs
        The project's CRS, if known: tried first where only the study area can decide.
    parameters
        ``incidents.crs_agreement_m``: largest median distance at which a CRS is believed.
    """
    sample = frame.iloc[np.unique(np.linspace(0, len(frame) - 1, min(len(frame), _SAMPLE * 5))
                                  .astype(int))]
    degrees = _degree_pair(sample, profiles, study_area)
    limit = parameters["incidents.crs_agreement_m"]
    text = _location(sample, profiles, study_area, degrees)
    given = _given_degrees(sample, degrees, text)
    plane = _plane_pair(sample, profiles, given, study_area, crs, limit)
    columns: dict[str, tuple[str, float, tuple[str, ...]]] = {}
    questions: list[Question] = []
    if degrees is not None:
        degrees = _settled(degrees, plane)
        columns |= degrees.columns
        questions += degrees.questions
    if text is not None:
        columns["location"] = text.column
        questions += text.questions
    places = Places(location_order=text.order if text else "lat_lon")
    if plane is not None:
        columns |= plane.columns
        questions += plane.questions
        places = Places(plane.crs, "EPSG:4326", places.location_order, plane.evidence)
    if text is not None and text.plane:
        places = _plane_text(sample, text, study_area, crs, places, questions)
    return FoundPlaces(columns, places, tuple(questions))


@dataclass(frozen=True)
class _Pair:
    columns: dict[str, tuple[str, float, tuple[str, ...]]]
    questions: tuple[Question, ...] = ()
    crs: str = ""
    evidence: tuple[str, ...] = ()
    swapped_degrees: bool = False


@dataclass(frozen=True)
class _Text:
    column: tuple[str, float, tuple[str, ...]]
    order: str
    plane: bool = False
    questions: tuple[Question, ...] = ()


def _degree_pair(sample: pd.DataFrame, profiles: Sequence[Profile],
                 study_area: Area | None) -> _Pair | None:
    found = [p for p in profiles if p.degrees]
    if len(found) < 2:
        return None
    scored = [(_axis(y, "latitude", "northing") + _axis(x, "longitude", "easting"),
               -abs(y.place - x.place), -y.place, y, x) for y, x in permutations(found, 2)]
    best = max(scored, key=lambda item: item[:3])
    score, latitude, longitude = best[0], best[3], best[4]
    named = score > _LIKELY
    if not named and abs(latitude.place - longitude.place) > 1:
        return None
    swapped = _beyond_ninety(latitude) and not _beyond_ninety(longitude)
    sure = _beyond_ninety(longitude) or swapped or named
    if study_area is not None and not sure:
        swapped = _inside(sample, longitude.name, latitude.name, study_area) < _inside(
            sample, latitude.name, longitude.name, study_area)
        sure = True
    if swapped:
        latitude, longitude = longitude, latitude
    said = ("values go beyond 90, so they are longitudes",) if swapped and named else ()
    confidence = round(min(0.5 + score / 4, 0.98), 2) if sure else 0.5
    columns = {
        "latitude": (latitude.name, confidence, (*_named(latitude, "latitude"), *_range(latitude))),
        "longitude": (longitude.name, confidence,
                      (*_named(longitude, "longitude"), *_range(longitude), *said)),
    }
    ask = () if sure else (Question(
        "fields.latitude.columns", "Which of the two columns is the latitude?",
        (latitude.name, longitude.name), latitude.name,
        evidence=("both hold numbers within 90 degrees and neither is named",)),)
    return _Pair(columns, ask)


def _axis(profile: Profile, *names: str) -> float:
    return max(profile.header(name) for name in names)


def _beyond_ninety(profile: Profile) -> bool:
    return max(-profile.low, profile.high) > 90


def _range(profile: Profile) -> tuple[str, ...]:
    return (f"values from {_plain(profile.low)} to {_plain(profile.high)}",)


def _plain(value: float) -> str:
    return f"{value:.0f}" if abs(value) >= 1000 else f"{value:.5g}"


def _named(profile: Profile, name: str) -> tuple[str, ...]:
    words = profile.headers.get(name, (0.0, ""))[1]
    return (f"the name says {words!r}",) if words else ()


def _inside(sample: pd.DataFrame, x: str, y: str, area: Area) -> float:
    """Share of rows whose point (x, y in degrees) lies in the area."""
    lon, lat = numbers(sample[x]), numbers(sample[y])
    west, south, east, north = area
    return float(((lon >= west) & (lon <= east) & (lat >= south) & (lat <= north)).mean())


def _location(sample: pd.DataFrame, profiles: Sequence[Profile], study_area: Area | None,
              degrees: _Pair | None) -> _Text | None:
    found = [p for p in profiles if max(p.pairs, p.wkt) > 0.5]
    if not found:
        return None
    best = max(found, key=lambda p: (p.header("location") + max(p.pairs, p.wkt), -p.place))
    if best.wkt > 0.5:
        said = f"{best.wkt:.0%} of its cells are well-known text"
        return _Text((best.name, 0.95, (said,)), "wkt", _is_plane(sample[best.name]))
    said = f"{best.pairs:.0%} of its cells hold two numbers"
    firsts, seconds = pair_numbers(sample[best.name])
    if np.nanmax(np.abs(firsts), initial=0) > 180:
        return _Text((best.name, 0.8, (said,)), "lon_lat", True)
    order, sure, why = _pair_order(firsts, seconds, study_area)
    if not sure and degrees is not None and not degrees.questions:
        order, sure, why = _order_by_columns(sample, firsts, seconds, degrees)
    ask = () if sure else (Question(
        "places.location_order", f"Which number comes first in column {best.name!r}?",
        ("lat_lon", "lon_lat"), order, evidence=("both numbers are within 90 degrees",)),)
    return _Text((best.name, 0.95 if sure else 0.7, (said, *why)), order, False, ask)


def _is_plane(cells: pd.Series) -> bool:
    found = cells.str.extract(r"\(\s*([+-]?\d+(?:\.\d+)?)")[0]
    values = np.abs(pd.to_numeric(found, errors="coerce"))
    return bool(values.notna().any() and float(values.median()) > 180)


def pair_numbers(cells: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Return the first and second number of "(51.5, -0.1)"-like texts, NaN where there is none."""
    pairs: list[tuple[float, ...]] = []
    for cell in cells.fillna(""):
        found = PAIR.fullmatch(cell.strip()) or PLANE_PAIR.fullmatch(cell.strip())
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
                      degrees: _Pair) -> tuple[str, bool, tuple[str, ...]]:
    """Compare the two numbers with the columns of latitude and longitude."""
    lat, lon = (numbers(sample[degrees.columns[name][0]]) for name in ("latitude", "longitude"))
    apart = [np.abs(first - a) + np.abs(second - b) for a, b in ((lat, lon), (lon, lat))]
    if not all(np.isfinite(values).any() for values in apart):
        return "lat_lon", False, ()
    lat_first = bool(np.nanmedian(apart[0]) <= np.nanmedian(apart[1]))
    return ("lat_lon" if lat_first else "lon_lat"), True, (
        f"as the {'latitude' if lat_first else 'longitude'} column, so is its first number",)


def _given_degrees(sample: pd.DataFrame, degrees: _Pair | None,
                   text: _Text | None) -> tuple[np.ndarray, np.ndarray] | None:
    """Return longitudes and latitudes that the log itself gives, if any."""
    if degrees is not None:
        return (numbers(sample[degrees.columns["longitude"][0]]),
                numbers(sample[degrees.columns["latitude"][0]]))
    if text is None or text.plane or text.order == "wkt":
        return None
    first, second = pair_numbers(sample[text.column[0]])
    return (second, first) if text.order == "lat_lon" else (first, second)


def _plane_pair(sample: pd.DataFrame, profiles: Sequence[Profile],
                given: tuple[np.ndarray, np.ndarray] | None, study_area: Area | None,
                crs: str | None, limit: float) -> _Pair | None:
    found = [p for p in profiles if p.plane and not p.dates > 0.5]
    named = [p for p in found if _axis(p, "easting", "northing", "longitude", "latitude") > _LIKELY]
    pairs = _pairs_to_try(named if len(named) >= 2 else found)
    matches: list[tuple[Match, Profile, Profile]] = []
    for first, second in pairs:
        x, y = numbers(sample[first.name]), numbers(sample[second.name])
        match = match_crs(x, y, *given, limit=limit) if given else (
            match_area(x, y, study_area, crs) if study_area or crs else None)
        if match is not None:
            matches.append((match, first, second))
    if matches:
        match, first, second = min(matches, key=lambda item: item[0].distance)
        east, north = (second, first) if match.swapped else (first, second)
        confidence = 0.97 if len(named) >= 2 else 0.9
        return _Pair(_plane_columns(east, north, confidence), match.questions, match.crs,
                     match.evidence, match.degrees_swapped)
    if len(named) < 2:
        return None
    first, second = pairs[0]
    return _Pair(_plane_columns(first, second, 0.6), (_ask_crs(first, second, crs),), "",
                 ("no latitude, longitude or study area to find the CRS with",))


def _pairs_to_try(found: Sequence[Profile]) -> list[tuple[Profile, Profile]]:
    """Pairs of columns, best named and nearest first; only neighbours where nothing is named."""
    pairs = [(x, y) for x, y in permutations(found, 2)]
    ranked = sorted(pairs, key=lambda p: (
        -_axis(p[0], "easting", "longitude") - _axis(p[1], "northing", "latitude"),
        abs(p[0].place - p[1].place), p[0].place))
    return [p for p in ranked if abs(p[0].place - p[1].place) == 1 or _axis(
        p[0], "easting", "longitude")][:6]


def _plane_columns(east: Profile, north: Profile,
                   confidence: float) -> dict[str, tuple[str, float, tuple[str, ...]]]:
    return {"easting": (east.name, confidence, (*_named(east, "easting"), *_range(east))),
            "northing": (north.name, confidence, (*_named(north, "northing"), *_range(north)))}


def _ask_crs(first: Profile, second: Profile, crs: str | None) -> Question:
    choices = tuple(filter(None, (crs, "EPSG:...", "none")))
    return Question(
        "places.crs", f"In which projected CRS are {first.name!r} and {second.name!r}? "
        "(its EPSG code tells metres from feet)", choices, "none",
        evidence=(f"values from {first.low:.0f}, {second.low:.0f} to {first.high:.0f}, "
                  f"{second.high:.0f}",))


def _settled(degrees: _Pair, plane: _Pair | None) -> _Pair:
    """Where a projected pair agrees with the degrees, it also tells which of them is which."""
    if plane is None or not plane.crs or not degrees.questions:
        return degrees
    lat, lon = degrees.columns["latitude"], degrees.columns["longitude"]
    if plane.swapped_degrees:
        lat, lon = lon, lat
    said = ("the projected pair agrees with it",)
    return _Pair({"latitude": (lat[0], 0.95, lat[2] + said),
                  "longitude": (lon[0], 0.95, lon[2] + said)})


def _plane_text(sample: pd.DataFrame, text: _Text, area: Area | None, crs: str | None,
                places: Places, questions: list[Question]) -> Places:
    cells = sample[text.column[0]]
    if text.order == "wkt":
        found = cells.str.extract(r"\(+\s*([+-]?[\d.]+)\s+([+-]?[\d.]+)")
        x, y = numbers(found[0].fillna("")), numbers(found[1].fillna(""))
    else:
        x, y = pair_numbers(cells)
    match = match_area(x, y, area, crs) if (area or crs) and usable(x, y).any() else None
    if match is None:
        questions.append(Question(
            "places.location_crs", f"In which projected CRS is column {text.column[0]!r}?",
            ("EPSG:...", "none"), places.crs or "none"))
        return Places(places.crs, places.crs, text.order, places.evidence)
    questions += match.questions
    return Places(places.crs, match.crs, text.order, places.evidence + match.evidence)
