"""Which columns hold coordinates, and in which CRS, told by their values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np
import pandas as pd

from rehit.incidents.mapping import Places, Question
from rehit.incidents.propose_content import Profile, numbers
from rehit.incidents.propose_crs import Area, Match, match_area, match_crs
from rehit.incidents.propose_points import (
    Pair,
    PointText,
    find_text,
    pair_numbers,
    plane_text_places,
)
from rehit.parameters import Parameters

_SAMPLE = 400
_LIKELY = 0.3
_SURE = 0.8


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
    degrees = _degree_pair(sample, profiles, study_area) or _named_pair(profiles)
    limit = parameters["incidents.crs_agreement_m"]
    text = find_text(sample, profiles, study_area, degrees)
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
        places = plane_text_places(sample, text, study_area, crs, places, questions)
    return FoundPlaces(columns, places, tuple(questions))


def _degree_pair(sample: pd.DataFrame, profiles: Sequence[Profile],
                 study_area: Area | None) -> Pair | None:
    found = [p for p in profiles if p.degrees or _named_degrees(p)]
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
    return Pair(columns, ask)


def _named_degrees(profile: Profile) -> bool:
    """A column whose name leaves no doubt needs no decimals: a short log may give 46.0."""
    named = max(profile.header("latitude"), profile.header("longitude")) >= _SURE
    return named and profile.numbers > 0.5 and max(-profile.low, profile.high) <= 180


def _named_pair(profiles: Sequence[Profile]) -> Pair | None:
    """Columns named latitude and longitude that hold something else than plain degrees."""
    best = {}
    for name in ("latitude", "longitude"):
        found = [p for p in profiles if p.header(name) >= _SURE and p.filled > 0
                 and p.numbers <= 0.5 and p.dates <= 0.5]
        if not found:
            return None
        best[name] = max(found, key=lambda p: (p.header(name), -p.place))
    if best["latitude"].name == best["longitude"].name:
        return None
    said = ("few of its cells are plain degrees",)
    return Pair({name: (p.name, 0.6, (*_named(p, name), *said)) for name, p in best.items()})


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


def _given_degrees(sample: pd.DataFrame, degrees: Pair | None,
                   text: PointText | None) -> tuple[np.ndarray, np.ndarray] | None:
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
                crs: str | None, limit: float) -> Pair | None:
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
        return Pair(_plane_columns(east, north, confidence), match.questions, match.crs,
                     match.evidence, match.degrees_swapped)
    if len(named) < 2:
        return None
    first, second = pairs[0]
    why = (f"no CRS brings it within {limit:.0f} m of latitude and longitude" if given is not None
           else "no latitude, longitude or study area to find the CRS with")
    return Pair(_plane_columns(first, second, 0.6), (_ask_crs(first, second, crs),), "", (why,))


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


def _settled(degrees: Pair, plane: Pair | None) -> Pair:
    """Where a projected pair agrees with the degrees, it also tells which of them is which."""
    if plane is None or not plane.crs or not degrees.questions:
        return degrees
    lat, lon = degrees.columns["latitude"], degrees.columns["longitude"]
    if plane.swapped_degrees:
        lat, lon = lon, lat
    said = ("the projected pair agrees with it",)
    return Pair({"latitude": (lat[0], 0.95, lat[2] + said),
                  "longitude": (lon[0], 0.95, lon[2] + said)})
