"""The CRS of a projected pair, found out from its values among all that are used in the area."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
import pandas as pd
from pyproj import CRS, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info, query_utm_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import CRSError, ProjError

from rehit.incidents.mapping import Question

Area = tuple[float, float, float, float]
WGS84 = "EPSG:4326"
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
    evidence: tuple[str, ...]
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
    return np.isfinite(x) & np.isfinite(y) & ~((x == 0) & (y == 0))


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
    said = (f"{name} ({code}): the projected pair and latitude/longitude lie {distance:.1f} m "
            f"apart (median of {len(x)} rows)",)
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
    said = (f"{best[4]} ({best[3]}): {-best[2]:.0%} of the points lie in the study area",)
    others = [fit for fit in fits if _far(fit[5], best[5])]
    if not others or not best[0]:
        return Match(best[3], 1 + best[2], best[1], False, said)
    choices = tuple(dict.fromkeys((best[3], *(fit[3] for fit in others))))[:8]
    ask = Question("places.crs", "In which projected CRS is the pair of coordinates?", choices,
                   best[3], evidence=("several put the points in the study area",))
    return Match(best[3], 1 + best[2], best[1], False, said, (ask,))


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
    said = (f"{own.name}: the CRS that was given; the points lie in its area of use",)
    ask = Question("places.crs", f"Is the projected pair in {own.name} ({crs})?", (crs, "none"),
                   crs)
    return Match(crs, 0.5, False, False, said, (ask,))


def _near(values: np.ndarray) -> np.ndarray:
    low, middle, high = np.quantile(values, [0.1, 0.5, 0.9])
    return np.abs(values - middle) <= max(_FAR * (high - low), _LEAST_DEGREES)


@dataclass(frozen=True)
class ProjectPlace:
    """A projected CRS and a study area for a new project, with what they rest on."""

    crs: str
    study_area: Area
    evidence: tuple[str, ...]


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
    found = query_utm_crs_info(datum_name="WGS 84",
                               area_of_interest=AreaOfInterest(*middle, *middle))
    if not found:
        return None
    west, east = (float(v) for v in np.quantile(lon, [0.01, 0.99]))
    south, north = (float(v) for v in np.quantile(lat, [0.01, 0.99]))
    west, east = _joined(lon, west, east)
    south, north = _joined(lat, south, north)
    area = round(west, 4), round(south, 4), round(east, 4), round(north, 4)
    return ProjectPlace(f"EPSG:{found[0].code}", area, (
        f"{found[0].name} holds the median of {len(lon)} points",
        "the study area holds the middle 98 % of them, outskirts that join on, and a margin"))


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
