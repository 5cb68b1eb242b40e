"""The CRS of a projected pair, found out from its values among all that are used in the area."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from itertools import permutations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS, Proj, Transformer
from pyproj.aoi import AreaOfInterest, AreaOfUse
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import CRSError, ProjError

from rehit.files.spatial import WGS84
from rehit.incidents.columns import PAIR, PLANE_PAIR, Profile, numbers
from rehit.incidents.mapping import NONE, OWN_CODE, Places, Question
from rehit.messages import Message, message
from rehit.parameters import Parameters
from rehit.territory import zone_at, zone_finder, zones_of
from rehit.words.geometry_text import shape_point
from rehit.words.numbers import is_grouped

Area = tuple[float, float, float, float]
_MARGIN = 0.2
_LEAST_DEGREES = 0.01
_INSIDE = 0.8
# Points further from the median than five times the middle 80 % is wide are faults, not places.
_FAR = 5.0
# Realisations of one datum lie within two metres of each other: values cannot tell them apart.
_SAME_M = 2.0


@dataclass(frozen=True)
class Match:
    """A CRS that fits, how well, and which way round.

    ``distance`` is the median distance in metres between the two coordinates of a row, or the
    share of rows outside the study area where there is only that to go by.
    """

    crs: str
    distance: float
    swapped: bool
    degrees_swapped: bool
    evidence: tuple[Message, ...]
    questions: tuple[Question, ...] = ()


@cache
def _candidates(west: float, south: float, east: float,
                north: float) -> tuple[tuple[str, str], ...]:
    """Return code and name of every projected EPSG CRS whose area of use meets the area."""
    found = query_crs_info(auth_name="EPSG", pj_types=PJType.PROJECTED_CRS,
                           area_of_interest=AreaOfInterest(west, south, east, north))
    # The shortest name is that of the plain datum, before its later realisations.
    return tuple(sorted(((f"EPSG:{c.code}", c.name) for c in found),
                        key=lambda c: (len(c[1]), int(c[0][5:]))))


@lru_cache(maxsize=512)
def _transform(code: str) -> tuple[Transformer, float] | None:
    """Return the way from WGS 84 into a CRS and the CRS's unit in metres."""
    try:
        crs = CRS.from_user_input(code)
        unit_m = float(crs.axis_info[0].unit_conversion_factor) or 1.0
        return Transformer.from_crs(WGS84, crs, always_xy=True), unit_m
    except (CRSError, ProjError, IndexError):
        return None  # a few entries of the register describe no computable projection


def _transforms(area: Area) -> Iterator[tuple[str, str, Transformer, float]]:
    for code, name in _candidates(*area):
        made = _transform(code)
        if made is not None:
            yield code, name, *made


def usable(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return which pairs are numbers and not (0, 0)."""
    return np.asarray(np.isfinite(x) & np.isfinite(y) & ~((x == 0) & (y == 0)))


def match_crs(x: np.ndarray, y: np.ndarray, longitude: np.ndarray, latitude: np.ndarray, *,
              limit: float) -> Match | None:
    """Find the CRS in which (x, y) lies nearest to the given longitudes and latitudes.

    Parameters
    ----------
    x, y
        The projected pair, in the CRS's own unit; its axes may be swapped.
    longitude, latitude
        The same rows in degrees (WGS 84); they may be swapped too.
    limit
        Largest median distance [m] that still counts as agreement.

    Returns
    -------
    Match or None
        The nearest CRS. Among those that differ by less than two metres, the one of the plain
        datum (shortest name) is taken.
    """
    kept = usable(x, y) & usable(longitude, latitude)
    if kept.sum() < 1:
        return None
    x, y, longitude, latitude = (values[kept] for values in (x, y, longitude, latitude))
    fits: list[tuple[float, str, str, bool, bool]] = []
    for turned in (False, True):
        lon, lat = (latitude, longitude) if turned else (longitude, latitude)
        middle = float(np.median(lon)), float(np.median(lat))
        if abs(middle[0]) > 180 or abs(middle[1]) > 90:
            continue
        for code, name, transformer, unit_m in _transforms((*middle, *middle)):
            east, north = transformer.transform(lon, lat)
            for swapped, (a, b) in ((False, (x, y)), (True, (y, x))):
                apart = np.hypot(east - a, north - b) * unit_m
                if np.isfinite(apart).any():
                    fits.append((float(np.median(apart)), code, name, swapped, turned))
    if not fits:
        return None
    nearest = min(fit[0] for fit in fits)
    if nearest > limit:
        return None
    distance, code, name, swapped, turned = next(f for f in fits if f[0] <= nearest + _SAME_M)
    said = (message("shown.crs_agrees", name=name, crs=code, metres=distance, n=len(x)),)
    return Match(code, distance, swapped, turned, said)


def match_area(x: np.ndarray, y: np.ndarray, area: Area | None, crs: str | None) -> Match | None:
    """Find the CRS in which most of (x, y) lies in the study area; the project's CRS comes first.

    Several may fit; then the choice is asked.
    """
    kept = usable(x, y)
    if not kept.any():
        return None
    x, y = x[kept], y[kept]
    if area is None:
        return _match_own(x, y, crs)
    fits = []
    for code, name, transformer, _ in _transforms(area):
        for swapped in (False, True):
            a, b = (y, x) if swapped else (x, y)
            lon, lat = transformer.transform(a, b, direction="INVERSE")
            share = _share_inside(lon, lat, area)
            if share >= _INSIDE:
                middle = float(np.median(lon)), float(np.median(lat))
                fits.append((code != crs, swapped, -round(share, 2), code, name, middle))
    if not fits:
        return _match_own(x, y, crs)
    best = min(fits, key=lambda fit: fit[:3])
    said = (message("shown.crs_in_area", name=best[4], crs=best[3], share=-best[2]),)
    others = [fit for fit in fits if _far(fit[5], best[5])]
    if not others or not best[0]:
        return Match(best[3], 1 + best[2], best[1], False, said)
    choices = tuple(dict.fromkeys((best[3], *(fit[3] for fit in others))))[:8]
    ask = Question("places.crs", message("question.crs_pair"), choices, best[3],
                   evidence=(message("shown.crs_several"),))
    return Match(best[3], 1 + best[2], best[1], False, said, (ask,))


@dataclass(frozen=True)
class Guess:
    """A grid that puts a pair of columns onto land in its area of use, and where."""

    crs: str
    name: str
    swapped: bool
    longitude: float
    latitude: float
    extent: float
    zone: str
    alike: tuple[str, ...] = ()


def guess_crs(x: np.ndarray, y: np.ndarray, *, time_zone: str | None = None,
              country: str = "") -> list[Guess]:
    """Guess the grid of a projected pair from the time zone or country its points lie in.

    Every projected system of the EPSG register is tried both ways round; it stays where the middle
    point falls into its area of use and into the zone or country. The smallest area of use comes
    first, for a grid made for a region is used there; of systems that put the point on the same
    spot, one of today's ellipsoid with the plainest name stands first, the others beside. Shifts
    of datum, some hundred metres, play no part.

    Parameters
    ----------
    x, y
        The pair, in the grid's own unit.
    time_zone
        IANA name of the zone the points lie in.
    country
        Without a zone: ISO code of the country.

    Returns
    -------
    list of Guess
        Best first; empty if none fits or the zone has no place (such as UTC).
    """
    kept = usable(x, y)
    zones = [zone for zone in ([time_zone] if time_zone else zones_of(country)) if _has_place(zone)]
    if not kept.any() or not zones:
        return []
    at = float(np.median(x[kept])), float(np.median(y[kept]))
    found = [guess for code, name, use in _grids_meeting(_around(zones))
             for swapped in (False, True)
             if (guess := _guess(code, name, use, at, swapped=swapped)) is not None
             and guess.zone in zones]
    found.sort(key=lambda g: (g.swapped, g.extent, len(g.name), g.crs))
    families: list[list[Guess]] = []
    for guess in found:
        family = next((f for f in families if not _apart(guess, f[0])), None)
        if family is None:
            families.append([guess])
        else:
            family.append(guess)
    return [_plainest(family) for family in families]


def _has_place(time_zone: str) -> bool:
    return time_zone in zone_finder().timezone_names and not time_zone.startswith("Etc/")


def zone_middle(time_zone: str) -> tuple[float, float] | None:
    """Return longitude and latitude of the middle of a time zone; None where it has no place."""
    if not _has_place(time_zone):
        return None
    west, south, east, north = _zone_box(time_zone)
    return (west + east) / 2, (south + north) / 2


def _around(zones: Sequence[str]) -> Area:
    """Return the box that holds all of some time zones."""
    boxes = np.array([_zone_box(zone) for zone in zones])
    west, south = boxes[:, :2].min(axis=0).tolist()
    east, north = boxes[:, 2:].max(axis=0).tolist()
    return west, south, east, north


def _guess(code: str, name: str, use: AreaOfUse, at: tuple[float, float], *,
           swapped: bool) -> Guess | None:
    """Return where a grid puts a point, None where that is out of its use or at sea."""
    lon, lat = _on_globe(code, at[::-1] if swapped else at)
    if not (use.west <= lon <= use.east and use.south <= lat <= use.north):
        return None
    zone = zone_at(lon, lat)
    extent = (use.east - use.west) * (use.north - use.south)
    return Guess(code, name, swapped, lon, lat, extent, zone) if zone else None


def _plainest(family: Sequence[Guess]) -> Guess:
    """Return the grid of today with the shortest name, and the others' codes."""
    best, *rest = sorted(family, key=lambda g: (g.swapped, not _of_today(g.crs), len(g.name),
                                                int(g.crs[5:])))
    others = dict.fromkeys(g.crs for g in rest if g.crs != best.crs)
    return replace(best, alike=tuple(others))


def _of_today(code: str) -> bool:
    """Whether a grid stands on the ellipsoid of GRS 80 or WGS 84."""
    made = _unprojected(code)
    return made is not None and made.crs.ellipsoid is not None and abs(
        made.crs.ellipsoid.inverse_flattening - _FLATTENING) < 1e-4


_FLATTENING = 298.2572
_SAME_SPOT = 0.01  # degrees: realisations of one grid lie within a few hundred metres


def _apart(one: Guess, other: Guess) -> bool:
    return max(abs(one.longitude - other.longitude),
               abs(one.latitude - other.latitude)) > _SAME_SPOT


@cache
def _zone_box(time_zone: str) -> Area:
    """Return west, south, east, north of a time zone's land."""
    shapes = zone_finder().get_geometry(tz_name=time_zone)
    rings = [np.asarray(polygon[0], dtype=float) for polygon in shapes]
    lon, lat = np.concatenate([r[0] for r in rings]), np.concatenate([r[1] for r in rings])
    return float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max())


@cache
def _grids_meeting(box: Area) -> tuple[tuple[str, str, AreaOfUse], ...]:
    west, south, east, north = box
    infos = query_crs_info(auth_name="EPSG", pj_types=PJType.PROJECTED_CRS)
    return tuple((f"EPSG:{c.code}", c.name, c.area_of_use) for c in infos
                 if c.area_of_use is not None and c.area_of_use.west <= east
                 and c.area_of_use.east >= west and c.area_of_use.south <= north
                 and c.area_of_use.north >= south)


@lru_cache(maxsize=4096)
def _unprojected(code: str) -> Proj | None:
    """Return the bare projection of a grid; working out shifts of datum would take minutes."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return Proj(CRS.from_user_input(code))
    except (CRSError, ProjError):
        return None


def _on_globe(code: str, point: tuple[float, float]) -> tuple[float, float]:
    made = _unprojected(code)
    if made is None:
        return np.nan, np.nan
    lon, lat = made(*point, inverse=True)
    return float(lon), float(lat)


def _share_inside(lon: np.ndarray, lat: np.ndarray, area: Area) -> float:
    west, south, east, north = area
    wide, tall = (east - west) * _MARGIN, (north - south) * _MARGIN
    inside = ((lon >= west - wide) & (lon <= east + wide)
              & (lat >= south - tall) & (lat <= north + tall))
    return float(inside.mean())


def _far(one: tuple[float, float], other: tuple[float, float]) -> bool:
    """Whether two points in degrees are more than some tens of metres apart."""
    return max(abs(one[0] - other[0]), abs(one[1] - other[1])) > 5e-4


def _match_own(x: np.ndarray, y: np.ndarray, crs: str | None) -> Match | None:
    """Take the project's CRS if the points then lie in its area of use."""
    if crs is None:
        return None
    try:
        own = CRS.from_user_input(crs)
        lon, lat = Transformer.from_crs(own, WGS84, always_xy=True).transform(x, y)
    except (CRSError, ProjError):
        return None
    use = own.area_of_use
    if not own.is_projected or use is None or _share_inside(lon, lat, use.bounds) < _INSIDE:
        return None
    said = (message("shown.crs_given", name=own.name),)
    ask = Question("places.crs", message("question.crs_own", name=own.name, crs=crs),
                   (crs, "none"), crs)
    return Match(crs, 0.5, False, False, said, (ask,))


def _near(values: np.ndarray) -> np.ndarray:
    low, middle, high = np.quantile(values, [0.1, 0.5, 0.9])
    return np.asarray(np.abs(values - middle) <= max(_FAR * (high - low), _LEAST_DEGREES))


@dataclass(frozen=True)
class ProjectPlace:
    """A projected CRS and a study area for a new project."""

    crs: str
    study_area: Area


def suggest_place(longitude: pd.Series | np.ndarray,
                  latitude: pd.Series | np.ndarray) -> ProjectPlace | None:
    """Suggest the UTM zone and a study area from points in degrees.

    Parameters
    ----------
    longitude, latitude
        Degrees (WGS 84), NaN where a row has none.

    Returns
    -------
    ProjectPlace or None
        The WGS 84 UTM zone of the median point and the box that holds the middle 98 % of the
        points with a fifth added on every side (at least 0.01 degree), stretched to outskirts that
        join on: the next point outward is never further off than two fifths. None without points.

    Examples
    --------
    >>> suggest_place(np.array([-0.14, -0.15]), np.array([51.51, 51.52])).crs
    'EPSG:32630'
    """
    lon, lat = np.asarray(longitude, dtype=float), np.asarray(latitude, dtype=float)
    kept = usable(lon, lat) & (np.abs(lon) <= 180) & (np.abs(lat) <= 90)
    if not kept.any():
        return None
    lon, lat = lon[kept], lat[kept]
    middle = float(np.median(lon)), float(np.median(lat))
    near = _near(lon) & _near(lat)
    lon, lat = lon[near], lat[near]
    middles = gpd.GeoSeries([shapely.Point(middle)], crs=WGS84)
    try:
        crs = middles.estimate_utm_crs()
    except RuntimeError:  # beyond the zones, near a pole
        return None
    west, east = (float(v) for v in np.quantile(lon, [0.01, 0.99]))
    south, north = (float(v) for v in np.quantile(lat, [0.01, 0.99]))
    west, east = _joined(lon, west, east)
    south, north = _joined(lat, south, north)
    area = round(west, 4), round(south, 4), round(east, 4), round(north, 4)
    return ProjectPlace(f"EPSG:{crs.to_epsg()}", area)


def _joined(values: np.ndarray, low: float, high: float) -> tuple[float, float]:
    """Stretch low to high by a margin, and to points further out that join on to them."""
    step = max((high - low) * _MARGIN, _LEAST_DEGREES)
    return -_edge(-values, -low, step), _edge(values, high, step)


def _edge(values: np.ndarray, start: float, step: float) -> float:
    """Walk upward from `start` while the next point is at most two steps away.

    A row wrongly left out is worse than a stray one let in, which is seen on the map.
    """
    beyond = np.concatenate([[start], np.sort(values[values > start])])
    gaps = np.flatnonzero(np.diff(beyond) > 2 * step)
    last = beyond[gaps[0]] if len(gaps) else beyond[-1]
    return float(max(start + step, last + _LEAST_DEGREES))


# One text that holds a point: "(51.5, -0.1)" or well-known text, and the order of its numbers.

@dataclass(frozen=True)
class Pair:
    """Two columns of coordinates, with what was found out about them."""

    columns: dict[str, tuple[str, float, tuple[Message, ...]]]
    questions: tuple[Question, ...] = ()
    crs: str = ""
    evidence: tuple[Message, ...] = ()
    swapped_degrees: bool = False


@dataclass(frozen=True)
class PointText:
    """A column of points in text, the order of its numbers, whether they are on a grid.

    ``crs`` is the code that the texts themselves name, "" where they name none.
    """

    column: tuple[str, float, tuple[Message, ...]]
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
    said = message("shown.pairs", share=best.pairs)
    firsts, seconds = pair_numbers(sample[best.name])
    if np.nanmax(np.abs(firsts), initial=0) > 180:
        return PointText((best.name, 0.8, (said,)), "lon_lat", plane=True)
    order, sure, why = _pair_order(firsts, seconds, study_area)
    if not sure and degrees is not None and not degrees.questions:
        order, sure, why = _order_by_columns(sample, firsts, seconds, degrees)
    ask = () if sure else (Question(
        "places.location_order", message("question.location_order", column=best.name),
        ("lat_lon", "lon_lat"), order, evidence=(message("shown.both_within_90"),)),)
    return PointText((best.name, 0.95 if sure else 0.7, (said, *why)), order,
                     questions=ask)


def _shape_text(best: Profile, cells: pd.Series) -> PointText:
    """A column of well-known text or binary; most of its shapes decide the CRS they name."""
    said = message("shown.shapes", share=best.wkt)
    x, y, names = shape_numbers(cells)
    named = names[np.isfinite(x)]
    crs = str(pd.Series(named).mode().iloc[0]) if len(named) else ""
    plane = bool(len(named)) and float(np.nanmedian(np.maximum(np.abs(x), np.abs(y)))) > 180
    why = (message("shown.names_crs", crs=crs),) if crs else ()
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
                area: Area | None) -> tuple[str, bool, tuple[Message, ...]]:
    kept = ~np.isnan(first)
    if not kept.any():
        return "lat_lon", False, ()
    beyond = [float((np.abs(values[kept]) > 90).mean()) for values in (first, second)]
    if max(beyond) > 0.5:
        number = "first" if beyond[0] > beyond[1] else "second"
        order = "lon_lat" if number == "first" else "lat_lon"
        return order, True, (message(f"shown.beyond_90_{number}"),)
    if area is not None:
        west, south, east, north = area
        inside = [float(((x >= west) & (x <= east) & (y >= south) & (y <= north))[kept].mean())
                  for x, y in ((second, first), (first, second))]
        if max(inside) > 0.5:
            order = "lat_lon" if inside[0] >= inside[1] else "lon_lat"
            return order, True, (message("shown.points_in_area", share=max(inside)),)
    return "lat_lon", False, ()


def _order_by_columns(sample: pd.DataFrame, first: np.ndarray, second: np.ndarray,
                      degrees: Pair) -> tuple[str, bool, tuple[Message, ...]]:
    """Compare the two numbers with the columns of latitude and longitude."""
    lat, lon = (numbers(sample[degrees.columns[name][0]]) for name in ("latitude", "longitude"))
    apart = [np.abs(first - a) + np.abs(second - b) for a, b in ((lat, lon), (lon, lat))]
    if not all(np.isfinite(values).any() for values in apart):
        return "lat_lon", False, ()
    lat_first = bool(np.nanmedian(apart[0]) <= np.nanmedian(apart[1]))
    return ("lat_lon" if lat_first else "lon_lat"), True, (
        message("shown.as_latitude" if lat_first else "shown.as_longitude"),)


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
            "places.location_crs", message("question.crs_text", column=text.column[0]),
            tuple(filter(None, (places.crs, OWN_CODE, NONE))), places.crs or "none"))
        return Places(places.crs, places.crs, text.order, places.evidence)
    questions += [replace(question, key="places.location_crs") for question in match.questions]
    return Places(places.crs, match.crs, text.order, places.evidence + match.evidence)


# Which columns hold coordinates, and in which CRS, told by their values.

_SAMPLE = 400
_SHOWN = 4
_LIKELY = 0.3
_SURE = 0.8


@dataclass(frozen=True)
class FoundPlaces:
    """Columns by field with confidence and evidence, how they are written, and what to ask."""

    columns: dict[str, tuple[str, float, tuple[Message, ...]]]
    places: Places
    questions: tuple[Question, ...] = ()


def find_places(frame: pd.DataFrame, profiles: Sequence[Profile], *, study_area: Area | None,
                crs: str | None, parameters: Parameters, time_zone: str | None = None,
                country: str = "") -> FoundPlaces:
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
    time_zone, country
        The project's time zone, or its country's ISO code: where nothing else tells the grid, its
        points must lie there.
    """
    sample = frame.iloc[np.unique(np.linspace(0, len(frame) - 1, min(len(frame), _SAMPLE * 5))
                                  .astype(int))]
    degrees = _degree_pair(sample, profiles, study_area) or _named_pair(profiles)
    limit = parameters["incidents.crs_agreement_m"]
    text = find_text(sample, profiles, study_area, degrees)
    given = _given_degrees(sample, degrees, text)
    plane = _plane_pair(sample, profiles, given, study_area, crs, limit, (time_zone, country))
    columns: dict[str, tuple[str, float, tuple[Message, ...]]] = {}
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
        places = Places(plane.crs, WGS84, places.location_order, plane.evidence)
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
    said = (message("shown.beyond_90"),) if swapped and named else ()
    confidence = round(min(0.5 + score / 4, 0.98), 2) if sure else 0.5
    columns = {
        "latitude": (latitude.name, confidence, (*_named(latitude, "latitude"), *_range(latitude))),
        "longitude": (longitude.name, confidence,
                      (*_named(longitude, "longitude"), *_range(longitude), *said)),
    }
    ask = () if sure else (Question(
        "fields.latitude.columns", message("question.latitude_column"),
        (latitude.name, longitude.name), latitude.name,
        evidence=(message("shown.unnamed_degrees"),)),)
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
    said = (message("shown.few_degrees"),)
    return Pair({name: (p.name, 0.6, (*_named(p, name), *said)) for name, p in best.items()})


def _axis(profile: Profile, *names: str) -> float:
    return max(profile.header(name) for name in names)


def _beyond_ninety(profile: Profile) -> bool:
    return max(-profile.low, profile.high) > 90


def _range(profile: Profile) -> tuple[Message, ...]:
    return (message("shown.values", low=_short(profile.low), high=_short(profile.high)),)


def _short(value: float) -> float:
    return round(value) if abs(value) >= 1000 else float(f"{value:.5g}")


def _named(profile: Profile, name: str) -> tuple[Message, ...]:
    words = profile.headers.get(name, (0.0, ""))[1]
    return (message("shown.name", words=words),) if words else ()


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
                crs: str | None, limit: float,
                where: tuple[str | None, str]) -> Pair | None:
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
        turned = (message("shown.axes_exchanged", east=east.name, north=north.name),)
        return Pair(_plane_columns(east, north, confidence), match.questions, match.crs,
                    match.evidence + (turned if match.swapped else ()), match.degrees_swapped)
    if len(named) < 2:
        return None
    first, second = pairs[0]
    if given is None and any(where):
        guessed = _guessed_pair(sample, first, second, *where)
        if guessed is not None:
            return guessed
    why = (message("shown.no_crs_near", metres=limit) if given is not None
           else message("shown.nothing_to_find_crs"))
    return Pair(_plane_columns(first, second, 0.6), (_ask_crs(first, second, crs),), "", (why,))


def _guessed_pair(sample: pd.DataFrame, first: Profile, second: Profile,
                  time_zone: str | None, country: str) -> Pair | None:
    """Propose the grid that puts the points into the time zone or country, and ask."""
    guesses = guess_crs(numbers(sample[first.name]), numbers(sample[second.name]),
                        time_zone=time_zone, country=country)
    if not guesses:
        return None
    best = guesses[0]
    east, north = (second, first) if best.swapped else (first, second)
    evidence = [message("shown.crs_guessed", name=g.name, crs=g.crs, zone=g.zone,
                        latitude=g.latitude, longitude=g.longitude) for g in guesses[:_SHOWN]]
    if best.swapped:
        evidence.append(message("shown.axes_exchanged", east=east.name, north=north.name))
    ask = Question("places.crs", message(
        "question.crs_guess", east=east.name, north=north.name, latitude=best.latitude,
        longitude=best.longitude, crs=best.crs),
        (best.crs, *best.alike[:_SHOWN],
         *(g.crs for g in guesses[1:_SHOWN] if g.swapped == best.swapped), OWN_CODE, NONE),
        best.crs, evidence=tuple(evidence), needed=len(guesses) > 1)
    return Pair(_plane_columns(east, north, 0.7), (ask,), best.crs, tuple(evidence[:1]))


def _pairs_to_try(found: Sequence[Profile]) -> list[tuple[Profile, Profile]]:
    """Pairs of columns, best named and nearest first; only neighbours where nothing is named."""
    pairs = [(x, y) for x, y in permutations(found, 2)]
    ranked = sorted(pairs, key=lambda p: (
        -_axis(p[0], "easting", "longitude") - _axis(p[1], "northing", "latitude"),
        abs(p[0].place - p[1].place), p[0].place))
    return [p for p in ranked if abs(p[0].place - p[1].place) == 1 or _axis(
        p[0], "easting", "longitude")][:6]


def _plane_columns(east: Profile, north: Profile,
                   confidence: float) -> dict[str, tuple[str, float, tuple[Message, ...]]]:
    return {"easting": (east.name, confidence, (*_named(east, "easting"), *_range(east))),
            "northing": (north.name, confidence, (*_named(north, "northing"), *_range(north)))}


def _ask_crs(first: Profile, second: Profile, crs: str | None) -> Question:
    choices = tuple(filter(None, (crs, OWN_CODE, NONE)))
    return Question(
        "places.crs", message("question.crs_columns", east=first.name, north=second.name), choices,
        "none", evidence=(message("shown.plane_values", x_low=first.low, y_low=second.low,
                                  x_high=first.high, y_high=second.high),), needed=True)


def _settled(degrees: Pair, plane: Pair | None) -> Pair:
    """Where a projected pair agrees with the degrees, it also tells which of them is which."""
    if plane is None or not plane.crs or not degrees.questions:
        return degrees
    lat, lon = degrees.columns["latitude"], degrees.columns["longitude"]
    if plane.swapped_degrees:
        lat, lon = lon, lat
    said = (message("shown.plane_agrees"),)
    return Pair({"latitude": (lat[0], 0.95, lat[2] + said),
                  "longitude": (lon[0], 0.95, lon[2] + said)})
