"""Where it was: repaired coordinates, the choice between two, and what is outside the area."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from pyproj import CRS

from rehit.incidents.coordinates import Candidate, candidates, to_degrees, to_plane
from rehit.incidents.ledger import Ledger
from rehit.incidents.settings import CleanSettings
from rehit.parameters import Parameters

METRES_PER_DEGREE = 111_320.0  # of latitude, near enough for a margin
# The repairs of a point that lies elsewhere, by how often a person makes the slip.
REPAIRS = (
    ("swapped_axes", lambda lon, lat: (lat, lon)),
    ("lost_sign_longitude", lambda lon, lat: (-lon, lat)),
    ("lost_sign_latitude", lambda lon, lat: (lon, -lat)),
    ("lost_both_signs", lambda lon, lat: (-lon, -lat)),
    ("swapped_axes_lost_sign", lambda lon, lat: (-lat, lon)),
    ("swapped_axes_lost_sign", lambda lon, lat: (lat, -lon)),
)
Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class Points:
    """One place per row, in the project's CRS, and how the given ones agree.

    ``x`` and ``y`` are NaN where there is no usable point; ``decimals`` counts the digits after
    the point of the degrees chosen; ``outside`` marks rows whose only place lies outside a study
    area that the user gave; ``conflict`` rows whose two places lie too far apart to believe one.
    """

    x: np.ndarray
    y: np.ndarray
    longitude: np.ndarray
    latitude: np.ndarray
    decimals: np.ndarray
    outside: np.ndarray
    conflict: np.ndarray
    trusted: str
    disagreement_median_m: float
    disagreement_max_m: float
    both_given: int
    area: Box


def read_points(rows: pd.DataFrame, *, plane_crs: str, location_crs: str, location_order: str,
                settings: CleanSettings, ledger: Ledger) -> Points:
    """Choose one point for each row out of all that the log gives.

    Points outside the study area are tried with swapped axes and lost signs; a repair is made only
    where exactly one of them leads into the area. Of two places that both stand, the finer-grained
    column is trusted (the one with more different points; latitude and longitude if equal).

    Parameters
    ----------
    rows
        From :func:`rehit.incidents.rows.prepare`.
    plane_crs, location_crs, location_order
        From the mapping.
    settings
        Project CRS and study area.
    ledger
        Takes an entry for every repair and every point dropped.
    """
    crs = CRS.from_user_input(settings.crs)
    given = candidates(rows, plane_crs=plane_crs, location_crs=location_crs,
                       location_order=location_order)
    area = _area(given, crs, settings)
    outside = np.zeros(len(rows), dtype=bool)
    mended = []
    for candidate in given:
        ledger.add(candidate.fault != "", column="+".join(candidate.columns),
                   before=candidate.written, after=None, rule=pd.Series(candidate.fault))
        fixed, stray = _repair(candidate, area, ledger)
        outside |= stray
        mended.append(fixed)
    return _choose(mended, outside, area, crs, len(rows), settings, ledger)


def _area(given: list[Candidate], crs: CRS, settings: CleanSettings) -> Box:
    """Return the limits in degrees within which a point is believed."""
    if settings.study_area is not None:
        return _widen(settings.study_area, settings.parameters["incidents.study_area_margin_m"])
    use = crs.area_of_use
    world = (-180.0, -90.0, 180.0, 90.0)
    limits = world if use is None or use.west > use.east else (
        use.west, use.south, use.east, use.north)
    bulk = _bulk(given, limits, settings.parameters)
    return limits if bulk is None else bulk


def _widen(box: Box, margin_m: float) -> Box:
    west, south, east, north = box
    high = margin_m / METRES_PER_DEGREE
    wide = high / max(0.05, float(np.cos(np.radians((south + north) / 2))))
    return west - wide, south - high, east + wide, north + high


def _bulk(given: list[Candidate], limits: Box, parameters: Parameters) -> Box | None:
    """Return limits around most of the log's own points, or None when they are too few."""
    if not given:
        return None
    lon = np.concatenate([c.longitude for c in given])
    lat = np.concatenate([c.latitude for c in given])
    inside = _within(lon, lat, limits)
    if inside.sum() < parameters["incidents.area_from_log_min_points"]:
        return None
    reach_m = parameters["incidents.area_from_log_reach_m"]
    middle = []
    for values in (lon[inside], lat[inside]):
        low, median, high = np.quantile(values, [0.25, 0.5, 0.75])
        middle.append((median - 10 * (high - low), median + 10 * (high - low)))
    box = (middle[0][0], middle[1][0], middle[0][1], middle[1][1])
    west, south, east, north = _widen(box, reach_m)
    return (max(west, limits[0]), max(south, limits[1]), min(east, limits[2]),
            min(north, limits[3]))


def _within(lon: np.ndarray, lat: np.ndarray, box: Box) -> np.ndarray:
    west, south, east, north = box
    with np.errstate(invalid="ignore"):
        return (lon >= west) & (lon <= east) & (lat >= south) & (lat <= north)


def _repair(candidate: Candidate, area: Box, ledger: Ledger) -> tuple[Candidate, np.ndarray]:
    lon, lat = candidate.longitude.copy(), candidate.latitude.copy()
    stray = ~np.isnan(lon) & ~_within(lon, lat, area)
    if candidate.source == "plane" and candidate.crs is not None:
        return _repair_plane(candidate, stray, area, ledger)
    at = np.flatnonzero(stray)
    tries = [(rule, *mend(lon[at], lat[at])) for rule, mend in REPAIRS]
    hits = np.array([_within(x, y, area) for _, x, y in tries]).reshape(len(tries), len(at))
    sole = hits.sum(axis=0) == 1
    rules = np.full(len(lon), "", dtype=object)
    for (rule, x, y), hit in zip(tries, hits, strict=True):
        won = sole & hit
        lon[at[won]], lat[at[won]], rules[at[won]] = x[won], y[won], rule
    after = pd.Series([f"{b:.7g}, {a:.7g}" if r else "" for a, b, r in zip(
        lon, lat, rules, strict=True)] if len(at) else [""] * len(lon), dtype="str")
    ledger.add(rules != "", column="+".join(candidate.columns), before=candidate.written,
               after=after, rule=pd.Series(rules))
    left = stray & (rules == "")
    return _without(candidate._replace(longitude=lon, latitude=lat), left, ledger), left


def _repair_plane(candidate: Candidate, stray: np.ndarray, area: Box, ledger: Ledger
                  ) -> tuple[Candidate, np.ndarray]:
    """Try a strayed easting and northing the other way round."""
    at = np.flatnonzero(stray)
    assert candidate.crs is not None  # a grid nobody knows has no stray points
    x, y = to_degrees(candidate.y[at], candidate.x[at], candidate.crs)
    won = at[_within(x, y, area)]
    lon, lat = candidate.longitude.copy(), candidate.latitude.copy()
    lon[at], lat[at] = x, y
    swapped = np.zeros(len(lon), dtype=bool)
    swapped[won] = True
    after = pd.Series(candidate.x).round(2).astype("str") + ", " + (
        pd.Series(candidate.y).round(2).astype("str"))
    ledger.add(swapped, column="+".join(candidate.columns), before=candidate.written, after=after,
               rule="swapped_axes")
    left = stray & ~swapped
    return _without(candidate._replace(longitude=lon, latitude=lat), left, ledger), left


def _without(candidate: Candidate, gone: np.ndarray, ledger: Ledger) -> Candidate:
    ledger.add(gone, column="+".join(candidate.columns), before=candidate.written, after=None,
               rule="place_outside_area")
    return candidate._replace(longitude=np.where(gone, np.nan, candidate.longitude),
                              latitude=np.where(gone, np.nan, candidate.latitude))


def _choose(given: list[Candidate], outside: np.ndarray, area: Box, crs: CRS, size: int,
            settings: CleanSettings, ledger: Ledger) -> Points:
    nothing = np.full(size, np.nan)
    if not given:
        return Points(nothing, nothing, nothing, nothing, np.zeros(size, dtype=int), outside,
                      np.zeros(size, dtype=bool), "none", np.nan, np.nan, 0, area)
    planes = [to_plane(c.longitude, c.latitude, crs) for c in given]
    order = _by_trust(given, settings.parameters["incidents.finer_share"])
    x, y, lon, lat = (nothing.copy() for _ in range(4))
    apart = np.zeros(size)
    metre = crs.axis_info[0].unit_conversion_factor if crs.axis_info else 1.0
    both: list[np.ndarray] = []
    for k in order:
        px, py = planes[k]
        two = ~np.isnan(x) & ~np.isnan(px)
        gap = np.where(two, np.hypot(px - x, py - y) * metre, 0.0)
        apart = np.maximum(apart, gap)
        if given[k].source != "location" and len(given) > 1 and two.any():
            both.append(gap[two])
        free = np.isnan(x) & ~np.isnan(px)
        x[free], y[free] = px[free], py[free]
        lon[free], lat[free] = given[k].longitude[free], given[k].latitude[free]
    gaps = np.concatenate(both) if both else np.array([])
    conflict = apart > settings.parameters["incidents.places_agree_m"]
    ledger.add(conflict, column="place", before=pd.Series(_apart_words(apart, conflict)),
               after=f"{given[order[0]].source} trusted, place known to the street only",
               rule="places_disagree")
    return Points(x, y, lon, lat, _decimals(lon, lat), outside & np.isnan(x), conflict,
                  given[order[0]].source, float(np.median(gaps)) if len(gaps) else np.nan,
                  float(gaps.max()) if len(gaps) else np.nan, len(gaps), area)


def _apart_words(apart: np.ndarray, conflict: np.ndarray) -> list[str]:
    return [f"two places {gap:.0f} m apart" if c else "" for gap, c in zip(
        apart, conflict, strict=True)]


def _by_trust(given: list[Candidate], finer_share: float) -> list[int]:
    """Order the sources: those clearly coarser than the finest come last."""
    grains = [_grain(candidate) for candidate in given]
    finest = max(grains)
    return sorted(range(len(given)), key=lambda k: grains[k] < (1 - finer_share) * finest)


def _grain(candidate: Candidate) -> int:
    """Count the different points of a source, in steps too coarse for rounding to matter."""
    there = ~np.isnan(candidate.longitude)
    pairs = pd.DataFrame({"x": np.round(candidate.longitude[there], 5),
                          "y": np.round(candidate.latitude[there], 5)})
    return len(pairs.drop_duplicates())


def _decimals(lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
    """Count the decimals with which a point is written, up to six; the finer of both axes."""
    most = np.zeros(len(lon), dtype=int)
    for values in (lon, lat):
        found = np.full(len(values), 6)
        for places in range(5, -1, -1):
            step = values * 10.0**places
            with np.errstate(invalid="ignore"):
                found[np.abs(step - np.round(step)) < 1e-6 * 10.0**places / 10] = places
        most = np.maximum(most, np.where(np.isnan(values), 0, found))
    return most
