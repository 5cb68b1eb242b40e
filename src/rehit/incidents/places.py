"""Where it was: repaired coordinates, the choice between two, and what is outside the area."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError

from rehit.errors import SettingError
from rehit.files.spatial import WGS84
from rehit.incidents.ledger import Entries, Step, enter
from rehit.incidents.meaning import translate
from rehit.incidents.rows import CleanSettings
from rehit.messages import message
from rehit.parameters import Parameters
from rehit.words.addresses import address_table, names_office
from rehit.words.geometry_text import is_shape, is_three_words, pasted_point, shape_point
from rehit.words.numbers import is_grouped, ungrouped
from rehit.words.vocabulary import Terms, plain_words

# Coordinates as logs write them, read to degrees (WGS 84) from every place they stand in.

_MASKED = re.compile(r"[x*#?.\s]*[x*#?][x*#?.\s]*|not recorded|withheld|redacted|hidden|masked",
                     re.IGNORECASE)
# "41,763" could be forty-one and a bit, or forty-one thousand: the first, as degrees are.
_COMMA = re.compile(r"[+-]?\d{1,3},\d{3,}")
_SEXAGESIMAL = re.compile(
    r"([NSEWO])?\s*([+-]?\d+(?:[.,]\d+)?)\s*[°º ]?\s*(?:(\d+(?:[.,]\d+)?)\s*['′’ ]\s*)?"
    r"(?:(\d+(?:[.,]\d+)?)\s*(?:\"|″|”|'')?)?\s*([NSEWO])?", re.IGNORECASE)
_PAIR = re.compile(r"([+-]?\d+(?:\.\d+)?(?:e[+-]?\d+)?)[\s,;]+([+-]?\d+(?:\.\d+)?(?:e[+-]?\d+)?)",
                   re.IGNORECASE)


class Candidate(NamedTuple):
    """One place the log gives for each row, in degrees; NaN where it gives none.

    ``x`` and ``y`` are the numbers as written, in `crs`.
    """

    source: str
    columns: tuple[str, ...]
    longitude: np.ndarray
    latitude: np.ndarray
    fault: np.ndarray
    written: pd.Series
    x: np.ndarray
    y: np.ndarray
    crs: CRS | None


def candidates(rows: pd.DataFrame, *, plane_crs: str, location_crs: str,
               location_order: str) -> list[Candidate]:
    """Read every place that the rows give: latitude and longitude, easting and northing, one text.

    Parameters
    ----------
    rows
        From :func:`rehit.incidents.rows.prepare`.
    plane_crs
        CRS of easting and northing; "" where nobody knows it, and then they are not used.
    location_crs, location_order
        CRS ("" as above) and order (``lat_lon``, ``lon_lat``, ``wkt``) of the text that holds a
        point. A text that names its own CRS is believed.

    Returns
    -------
    list of Candidate
        Those with any text in them, the most telling first. ``fault`` is ``masked_place``,
        ``unreadable_place``, ``half_a_place``, ``grid_unknown``, ``place_in_three_words`` (a name
        that only its owner can place) or empty.
    """
    found = []
    if rows["latitude"].notna().any() or rows["longitude"].notna().any():
        found.append(_from_pair(rows, "longitude", "latitude", "degrees", _crs(WGS84)))
    if rows["easting"].notna().any() or rows["northing"].notna().any():
        found.append(_from_pair(rows, "easting", "northing", "plane", _crs(plane_crs)))
    if rows["location"].notna().any():
        found.append(from_text(rows["location"], order=location_order, crs=location_crs))
    pasted = rows["address"].where(_holds_point(rows["address"]))
    if pasted.notna().any():
        found.append(from_text(pasted, order="lat_lon", crs=WGS84)._replace(
            source="address", columns=("address",)))
    return found


def _holds_point(addresses: pd.Series) -> pd.Series:
    """Return where an address is a link to a map, a code or degrees, or three words for them."""
    return addresses.isin([text for text in addresses.dropna().unique()
                           if pasted_point(text) is not None or is_three_words(text)])


def read_numbers(texts: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Return the numbers of a coordinate column and the fault of each cell without one.

    Decimal commas, grouped thousands, degree signs, degrees-minutes-seconds and hemisphere letters
    are understood.

    Examples
    --------
    >>> read_numbers(pd.Series(["-87,6867", "41°45'36\\"N", "XXXX"]))[0].tolist()
    [-87.6867, 41.76, nan]
    """
    numbers = pd.to_numeric(texts, errors="coerce").to_numpy(dtype=float, na_value=np.nan).copy()
    numbers[~np.isfinite(numbers)] = np.nan
    faults = np.full(len(texts), "", dtype=object)
    odd = np.isnan(numbers) & texts.notna().to_numpy()
    if odd.any():
        codes, unique = pd.factorize(texts[odd])
        read = [_odd_number(str(text)) for text in unique]
        numbers[odd] = np.array([value for value, _ in read])[codes]
        faults[odd] = np.array([fault for _, fault in read], dtype=object)[codes]
    return numbers, faults


def to_degrees(x: np.ndarray, y: np.ndarray, crs: CRS) -> tuple[np.ndarray, np.ndarray]:
    """Return longitude and latitude (WGS 84) of points given in `crs`."""
    if crs == CRS.from_epsg(4326):
        return x, y
    longitude, latitude = Transformer.from_crs(crs, WGS84, always_xy=True).transform(x, y)
    return _finite(longitude), _finite(latitude)


def to_plane(longitude: np.ndarray, latitude: np.ndarray, crs: CRS
             ) -> tuple[np.ndarray, np.ndarray]:
    """Return plane coordinates in `crs` of points given in degrees (WGS 84)."""
    x, y = Transformer.from_crs(WGS84, crs, always_xy=True).transform(longitude, latitude)
    return _finite(x), _finite(y)


def _finite(values: np.ndarray) -> np.ndarray:
    values = np.asarray(values, dtype=float)
    return np.where(np.isfinite(values), values, np.nan)


def _crs(name: str) -> CRS | None:
    if not name:
        return None
    try:
        return CRS.from_user_input(name)
    except CRSError as error:
        raise SettingError(message("where.mapping_key", key="places.crs"), "errors.not_a_crs",
                           crs=name) from error


def _from_pair(rows: pd.DataFrame, x_name: str, y_name: str, source: str,
               crs: CRS | None) -> Candidate:
    x, x_fault = read_numbers(rows[x_name])
    y, y_fault = read_numbers(rows[y_name])
    fault = np.where(x_fault != "", x_fault, y_fault)
    half = (fault == "") & (np.isnan(x) != np.isnan(y))
    fault = np.where(half, "half_a_place", fault)
    gone = np.isnan(x) | np.isnan(y)
    x, y = np.where(gone, np.nan, x), np.where(gone, np.nan, y)
    nowhere = (x == 0) & (y == 0)
    fault = np.where(nowhere, "place_zero", fault)
    x, y = np.where(nowhere, np.nan, x), np.where(nowhere, np.nan, y)
    fault = np.where((crs is None) & ~np.isnan(x), "grid_unknown", fault)
    longitude, latitude = _degrees_if_known(x, y, crs)
    written = rows[y_name].fillna("") + ", " + rows[x_name].fillna("")
    return Candidate(source, (y_name, x_name), longitude, latitude, fault, written, x, y, crs)


def _degrees_if_known(x: np.ndarray, y: np.ndarray,
                      crs: CRS | None) -> tuple[np.ndarray, np.ndarray]:
    return (x * np.nan, y * np.nan) if crs is None else to_degrees(x, y, crs)


def from_text(texts: pd.Series, *, order: str, crs: str) -> Candidate:
    """Read the point in each cell of a column; see :func:`candidates`."""
    codes, unique = pd.factorize(texts, use_na_sentinel=True)
    read = pd.DataFrame([*(_point(str(text), order, crs) for text in unique),
                         (np.nan, np.nan, crs, "")], columns=["x", "y", "crs", "fault"])
    x, y = read["x"].to_numpy(dtype=float), read["y"].to_numpy(dtype=float)
    fault = read["fault"].to_numpy(dtype=object)
    longitude, latitude = x * np.nan, y * np.nan
    for name in read["crs"].unique():
        same = (read["crs"] == name).to_numpy()
        known = _crs(name)
        longitude[same], latitude[same] = _degrees_if_known(x[same], y[same], known)
        if known is None:
            fault[same & ~np.isnan(x)] = "grid_unknown"
    return Candidate("location", ("location",), longitude[codes], latitude[codes], fault[codes],
                     texts, x[codes], y[codes], _crs(crs))


def _point(text: str, order: str, crs: str) -> tuple[float, float, str, str]:
    """Return x, y, their CRS and the fault of one cell."""
    if _MASKED.fullmatch(text):
        return np.nan, np.nan, crs, "masked_place"
    if is_three_words(text):
        return np.nan, np.nan, crs, "place_in_three_words"
    pasted = pasted_point(text)
    if pasted is not None:
        return *pasted, WGS84, ""
    shape = shape_point(text)
    if shape is not None:
        # Well-known text is x before y by its standard, whatever the mapping says.
        first, second, crs = shape.x, shape.y, shape.crs or crs
    else:
        found = None if is_shape(text) else _PAIR.search(text)
        if found is None:
            return np.nan, np.nan, crs, "unreadable_place"
        first, second = float(found.group(1)), float(found.group(2))
    if not (np.isfinite(first) and np.isfinite(second)):
        return np.nan, np.nan, crs, "unreadable_place"
    if first == 0 and second == 0:
        return np.nan, np.nan, crs, "place_zero"
    if shape is not None or order in ("lon_lat", "wkt"):
        return first, second, crs, ""
    return second, first, crs, ""


def _odd_number(text: str) -> tuple[float, str]:
    text = text.strip()
    if _MASKED.fullmatch(text):
        return np.nan, "masked_place"
    if is_grouped(text):
        return float(ungrouped(text)), ""
    if _COMMA.fullmatch(text):
        return float(text.replace(",", ".")), ""
    found = _SEXAGESIMAL.fullmatch(text)
    if found is None or not any(c.isdigit() for c in text):
        return np.nan, "unreadable_place"
    return _sexagesimal(found)


def _sexagesimal(found: re.Match[str]) -> tuple[float, str]:
    degrees, minutes, seconds = (float((found.group(n) or "0").replace(",", "."))
                                 for n in (2, 3, 4))
    if minutes >= 60 or seconds >= 60:
        return np.nan, "unreadable_place"
    value = abs(degrees) + minutes / 60 + seconds / 3600
    side = (found.group(1) or found.group(5) or "").upper()
    if found.group(2).startswith("-") or side in ("S", "W", "O"):
        value = -value
    return value, ""


METRES_PER_DEGREE = 111_320.0  # of latitude, near enough for a margin
# The repairs of a point that lies elsewhere, by how often a person makes the slip.
REPAIRS: tuple[tuple[str, Callable[[np.ndarray, np.ndarray],
                                   tuple[np.ndarray, np.ndarray]]], ...] = (
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
                settings: CleanSettings) -> Step[Points]:
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

    Returns
    -------
    Step
        The points, with an entry for every repair and every point dropped.
    """
    crs = CRS.from_user_input(settings.crs)
    given = candidates(rows, plane_crs=plane_crs, location_crs=location_crs,
                       location_order=location_order)
    area = _area(given, crs, settings)
    outside = np.zeros(len(rows), dtype=bool)
    mended, entries = [], Entries()
    for candidate in given:
        entries += enter(candidate.fault != "", column="+".join(candidate.columns),
                         before=candidate.written, after=None, rule=pd.Series(candidate.fault))
        (fixed, stray), told = _repair(candidate, area)
        entries += told
        outside |= stray
        mended.append(fixed)
    points, told = _choose(mended, outside, area, crs, len(rows), settings.parameters)
    return Step(points, entries + told)


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


def _repair(candidate: Candidate, area: Box) -> Step[tuple[Candidate, np.ndarray]]:
    """Mend points outside the area where one repair alone leads in; drop the others, named too."""
    lon, lat = candidate.longitude.copy(), candidate.latitude.copy()
    stray = ~np.isnan(lon) & ~_within(lon, lat, area)
    if candidate.source == "plane" and candidate.crs is not None:
        return _repair_plane(candidate, stray, area)
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
    entries = enter(rules != "", column="+".join(candidate.columns), before=candidate.written,
                    after=after, rule=pd.Series(rules))
    return _without(candidate._replace(longitude=lon, latitude=lat), stray & (rules == ""), entries)


def _repair_plane(candidate: Candidate, stray: np.ndarray, area: Box
                  ) -> Step[tuple[Candidate, np.ndarray]]:
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
    entries = enter(swapped, column="+".join(candidate.columns), before=candidate.written,
                    after=after, rule="swapped_axes")
    return _without(candidate._replace(longitude=lon, latitude=lat), stray & ~swapped, entries)


def _without(candidate: Candidate, gone: np.ndarray,
             entries: Entries) -> Step[tuple[Candidate, np.ndarray]]:
    """Empty the points that are `gone`, and return them after the entries made so far."""
    entries += enter(gone, column="+".join(candidate.columns), before=candidate.written,
                     after=None, rule="place_outside_area")
    kept = candidate._replace(longitude=np.where(gone, np.nan, candidate.longitude),
                              latitude=np.where(gone, np.nan, candidate.latitude))
    return Step((kept, gone), entries)


def _choose(given: list[Candidate], outside: np.ndarray, area: Box, crs: CRS, size: int,
            parameters: Parameters) -> Step[Points]:
    """Take each row's point from the most trusted source that gives one."""
    nothing = np.full(size, np.nan)
    if not given:
        return Step(Points(nothing, nothing, nothing, nothing, np.zeros(size, dtype=int), outside,
                           np.zeros(size, dtype=bool), "none", np.nan, np.nan, 0, area), Entries())
    planes = [to_plane(c.longitude, c.latitude, crs) for c in given]
    order = _by_trust(given, parameters["incidents.finer_share"])
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
    conflict = apart > parameters["incidents.places_agree_m"]
    metres = pd.Series(np.round(apart).astype("int64")).astype("str") + " m"
    entries = enter(conflict, column="place", before=metres, after=given[order[0]].source,
                    rule="places_disagree")
    points = Points(x, y, lon, lat, _decimals(lon, lat), outside & np.isnan(x), conflict,
                    given[order[0]].source, float(np.median(gaps)) if len(gaps) else np.nan,
                    float(gaps.max()) if len(gaps) else np.nan, len(gaps), area)
    return Step(points, entries)


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


# How well each place is known, judged by how the log uses points and addresses as a whole.

CODES = ("surveyed", "address", "block", "street", "default", "none")
EXACT_KINDS = ("number", "intersection")


def judge_places(rows: pd.DataFrame, points: Points, *, words: Terms,
                 parameters: Parameters) -> Step[pd.DataFrame]:
    """Return the address keys and the place quality of every row.

    A point is *surveyed* unless the log speaks against it: *address* where equal addresses share
    one point, *block* or *street* where blocks or streets share one point or the point is written
    too coarsely, *default* where one point serves many different addresses. Without a point the
    address alone decides. An address used as a stand-in is no address.

    Parameters
    ----------
    rows
        From :func:`rehit.incidents.rows.prepare`.
    points
        From :func:`rehit.incidents.places.read_points`.
    words
        Vocabulary of a place quality that the log itself states.
    parameters
        Limits in ``defaults/incidents.csv``.

    Returns
    -------
    Step
        ``address_key, street_key, locality, address_kind, point`` (number of the distinct point,
        -1 for none) and ``place_quality``, with an entry for every point or address found to be a
        stand-in, and for every house number taken for a block's.
    """
    table = address_keys(rows["address"]).assign(point=_number_points(points))
    there = (table["point"] >= 0).to_numpy()
    table, entries = _hundreds_as_blocks(table, parameters)
    (table, office), told = _without_offices(table, rows["address"], points, parameters)
    table = _with_areas(table, rows, points, parameters)
    quality, marked = _quality_of_points(table, points, there, parameters)
    quality[office] = "default"
    stated = translate(rows["place_quality"], words, nothing="")["code"].to_numpy(dtype=object)
    believed = np.isin(stated, CODES) & (there | np.isin(stated, ("address", "block", "street",
                                                                  "none")))
    quality[believed] = stated[believed]
    return Step(table.assign(place_quality=pd.array(quality, dtype="str")),
                entries + told + marked)


def _quality_of_points(table: pd.DataFrame, points: Points, there: np.ndarray,
                       parameters: Parameters) -> Step[np.ndarray]:
    quality = np.where(there, "surveyed", "none").astype(object)
    kind = table["address_kind"].to_numpy(dtype=object)
    exact, named = np.isin(kind, EXACT_KINDS), np.isin(kind, ("street", "block"))
    stretch = np.where(kind == "block", "block", "street")  # what a poor point leaves known
    quality[~there & exact] = "address"
    quality[~there & named] = stretch[~there & named]
    tiny = _too_few_to_tell(table[there], parameters)
    geocoded = _shares_points(table[there & exact], parameters)
    per_street = _shares_points(table[there & named], parameters)
    quality[there & exact & (geocoded or tiny)] = "address"
    if per_street or geocoded:
        quality[there & named] = stretch[there & named]
    if per_street:
        # What has no address at all was put on the street's point as well.
        quality[there & ~exact & ~named] = "street"
    quality[there & points.conflict] = stretch[there & points.conflict]
    quality, entries = _mark_coarse(quality, stretch, points, there, parameters)
    quality, told = _mark_defaults(quality, table, points, there, parameters)
    return Step(quality, entries + told)


def address_keys(addresses: pd.Series) -> pd.DataFrame:
    """Return ``address_key, street_key, address_kind, locality, postcode`` of a column.

    The same as :func:`rehit.words.addresses.address_table` gives, but "12 Elm Street" and
    "14 Elm Street"
    are taken apart once: a number before plain words does not change how the words are read.

    Parameters
    ----------
    addresses
        As written; empty cells allowed.
    """
    codes, unique = pd.factorize(addresses.astype("str"))  # a column of nothing comes as numbers
    table = _keys_of_each(pd.Series(unique.append(pd.Index([None])), dtype="str"))
    return table.take(codes).set_axis(addresses.index)  # code -1 takes the last row, no address


def _keys_of_each(addresses: pd.Series) -> pd.DataFrame:
    folded = addresses.str.casefold()
    parts = folded.str.extract(r"^0*([1-9]\d{0,4}) ([a-z][a-z .']*[a-z.])$")
    plain = parts[0].notna()
    asked = ("1 " + parts[1]).where(plain, folded)
    table = address_table(asked)[["address_key", "street_key", "address_kind", "locality",
                                  "postcode"]]
    simple = plain & (table["address_kind"] == "number") & table["address_key"].str.startswith(
        "1 ").fillna(False)
    key = table["address_key"].mask(simple, parts[0] + table["address_key"].str.slice(1))
    odd = plain & ~simple
    table["address_key"] = key.astype("str")
    if odd.any():  # such as "12 block of Elm Street": the number belongs to the words
        table[odd] = address_table(folded[odd])[list(table.columns)]
    return table


def _hundreds_as_blocks(table: pd.DataFrame, parameters: Parameters) -> Step[pd.DataFrame]:
    """Take round hundreds for blocks in a log that has far more of them than houses have.

    Some services book their work on the hundred-block and write it as the number 1100.
    """
    codes, keys = pd.factorize(table["address_key"])
    leading = pd.to_numeric(pd.Series([*keys, None], dtype="str").str.extract(r"^(\d+) ")[0])
    number = leading.take(codes).set_axis(table.index)
    house = (table["address_kind"] == "number") & (number >= 100)
    round_ = house & (number % 100 == 0)
    enough = int(house.sum()) >= parameters["incidents.hundreds_least_rows"]
    if not enough or round_.sum() < parameters["incidents.hundreds_share"] * house.sum():
        return Step(table, Entries())
    key = table["address_key"].str.replace(r"^(\d+) ", r"\1 block ", regex=True)
    made = table.assign(address_key=table["address_key"].mask(round_, key).astype("str"),
                        address_kind=table["address_kind"].mask(round_, "block").astype("str"))
    return Step(made, enter(round_, column="address", before=table["address_key"], after=key,
                            rule="round_hundred_is_a_block"))


def _without_offices(table: pd.DataFrame, texts: pd.Series, points: Points,
                     parameters: Parameters) -> Step[tuple[pd.DataFrame, np.ndarray]]:
    """Drop addresses that stand in for places nobody gave; return also whose point does.

    Such an address is used far more often than any other, and either names the council's own seat
    or belongs to rows whose points lie all over the town.
    """
    counts = table["address_key"].value_counts()
    busy = float(counts.quantile(0.95, interpolation="lower")) if len(counts) else 0.0
    often = counts.index[counts >= max(parameters["incidents.default_address_rows"],
                                       parameters["incidents.default_address_ratio"] * busy)]
    office = np.zeros(len(table), dtype=bool)
    spread = np.zeros(len(table), dtype=bool)
    stand_in = np.zeros(len(table), dtype=bool)
    for key in often:
        same = (table["address_key"] == key).to_numpy()
        if any(map(names_office, texts[same].unique()[:20])):
            office |= same
            spot = table.loc[same & (table["point"] >= 0), "point"].mode()
            stand_in |= same & table["point"].isin(spot.head(1)).to_numpy()
        elif _scattered(points, same, parameters["incidents.places_agree_m"]):
            spread |= same
    gone = office | spread
    if not gone.any():
        return Step((table, stand_in), Entries())
    made = table.copy()
    made.loc[gone, ["address_key", "street_key", "locality", "postcode"]] = None
    made.loc[gone, "address_kind"] = "none"
    entries = Entries()
    for where, rule in ((office, "address_of_the_council"), (spread, "one_address_many_points")):
        entries += enter(where, column="address", before=texts, after=None, rule=rule)
    return Step((made, stand_in), entries)


def _scattered(points: Points, same: np.ndarray, apart_m: float) -> bool:
    """Whether most of some rows' points lie far from their middle."""
    at = np.flatnonzero(same & ~np.isnan(points.longitude))
    if len(at) < max(2, 0.5 * same.sum()):
        return False
    lon, lat = points.longitude[at], points.latitude[at]
    return bool(np.mean(_metres(lon, lat, np.median(lon), np.median(lat)) > apart_m) > 0.5)


def _metres(lon: np.ndarray, lat: np.ndarray, to_lon: Any, to_lat: Any) -> np.ndarray:
    """Return distances between points in degrees, near enough for hundreds of metres."""
    wide = np.cos(np.radians(lat))
    return np.asarray(METRES_PER_DEGREE * np.hypot((lon - to_lon) * wide, lat - to_lat))


def _with_areas(table: pd.DataFrame, rows: pd.DataFrame, points: Points,
                parameters: Parameters) -> pd.DataFrame:
    """Put borough, suburb or postcode into the keys, so that two of one name stay apart.

    Equal addresses whose points agree are one place whatever areas the log names. A row without an
    area takes that of the others where there is only one. A postcode is added only where one area
    holds the address under several.
    """
    key, written = table["address_key"], table["locality"]
    tail = (", " + written).fillna("")
    bare = pd.Series([k[:-len(t)] if t and isinstance(k, str) and k.endswith(t) else k
                      for k, t in zip(key.tolist(), tail.tolist(), strict=True)],
                     index=table.index, dtype="str")
    area = _plain_area(rows["locality"]).fillna(written).where(bare.notna())
    code = _plain_code(rows["postcode"]).fillna(_plain_code(table["postcode"])).where(bare.notna())
    if not (area.notna().any() or code.notna().any()):
        return table.drop(columns="postcode")
    reach = parameters["incidents.same_address_metres"]
    area = _settled(bare, area, points, reach_m=reach)
    held = bare + " | " + area.fillna("")
    code = _settled(held, code, points, reach_m=reach)
    several = code.groupby(held).transform("nunique") > 1
    told = area.fillna("").str.cat(code.where(several).fillna(""), sep=" ").str.strip()
    told = told.where(told != "")
    whole = bare.where(told.isna(), bare + ", " + told.fillna(""))
    return table.assign(address_key=whole.astype("str"), locality=told.astype("str")).drop(
        columns="postcode")


def _plain_area(texts: pd.Series) -> pd.Series:
    """Return names of boroughs and suburbs without case, accents and punctuation."""
    known = {t: " ".join(plain_words(t)) or None for t in texts.dropna().unique()}
    return texts.map(known).astype("str")


def _plain_code(texts: pd.Series) -> pd.Series:
    """Return the part of postcodes that names an area: 90018-1234 is 90018, N1 9GU is n1."""
    first = texts.astype("str").str.casefold().str.extract(r"^\W*0*(\w+)")[0]
    return first.where(first != "").astype("str")


def _settled(group: pd.Series, value: pd.Series, points: Points, *, reach_m: float) -> pd.Series:
    """Return one value for rows of a group whose points agree, and for those without a value."""
    spots = pd.DataFrame({"group": group, "value": value, "lon": points.longitude,
                          "lat": points.latitude})
    known = spots.dropna(subset=["group", "value"])
    counts = known.groupby("group")["value"].nunique()
    several = known[known["group"].isin(counts.index[counts > 1])]
    middles = several.groupby(["group", "value"])[["lon", "lat"]].median().reset_index()
    same: dict[tuple[str, str], str] = {}
    for group_name, part in middles.groupby("group"):
        name = str(group_name)
        lon, lat, values = (part[c].to_numpy() for c in ("lon", "lat", "value"))
        for place in range(1, len(part)):
            near = np.flatnonzero(_metres(lon[:place], lat[:place], lon[place],
                                          lat[place]) <= reach_m)
            if len(near):
                first = str(values[near[0]])
                same[name, str(values[place])] = same.get((name, first), first)
    made = value.copy()
    if same:
        pairs = pd.Series(list(zip(group, value, strict=True)), index=value.index)
        made = pairs.map(same).astype("str").fillna(value)
    only = made.groupby(group).agg(["nunique", "first"])
    alone = only.loc[only["nunique"] == 1, "first"]
    return made.fillna(group.map(alone).astype("str"))


def _number_points(points: Points) -> np.ndarray:
    """Number the distinct points (to a decimetre)."""
    there = ~np.isnan(points.x)
    numbers = np.full(len(points.x), -1, dtype=np.int64)
    whole = pd.DataFrame({"x": np.round(points.x[there] * 10), "y": np.round(points.y[there] * 10)})
    numbers[there] = whole.groupby(["x", "y"], sort=True).ngroup().to_numpy()
    return numbers


def _shares_points(table: pd.DataFrame, parameters: Parameters) -> bool:
    """Whether equal addresses nearly always have one point, so that the point is the address's."""
    grouped = table.groupby("address_key")["point"].agg(["size", "nunique"])
    several = grouped[grouped["size"] > 1]
    if len(several) < parameters["incidents.evidence_min_groups"]:
        return False
    share = float((several["nunique"] == 1).mean())
    return share >= parameters["incidents.one_point_share"]


def _too_few_to_tell(table: pd.DataFrame, parameters: Parameters) -> bool:
    repeated = int((table.groupby("address_key")["point"].size() > 1).sum())
    return repeated < parameters["incidents.evidence_min_groups"]


def _mark_coarse(quality: np.ndarray, stretch: np.ndarray, points: Points, there: np.ndarray,
                 parameters: Parameters) -> Step[np.ndarray]:
    street = there & (points.decimals < parameters["incidents.address_decimals"])
    default = there & (points.decimals < parameters["incidents.street_decimals"])
    made = np.where(default, "default", np.where(street, stretch, quality)).astype(object)
    return Step(made, enter(street, column="place_quality", before=None, after=pd.Series(made),
                            rule="coarse_coordinates"))


def _mark_defaults(quality: np.ndarray, table: pd.DataFrame, points: Points, there: np.ndarray,
                   parameters: Parameters) -> Step[np.ndarray]:
    grouped = table[there].groupby("point")
    addresses = grouped["address_key"].nunique()
    streets = grouped["street_key"].nunique()
    stand_in = addresses.index[(addresses >= parameters["incidents.default_point_addresses"])
                               & (streets >= parameters["incidents.default_point_streets"])]
    default = table["point"].isin(stand_in).to_numpy() & there
    coarse = _coarse_and_repeated(table, points, there, parameters) & ~default
    entries = Entries()
    for where, rule in ((default, "one_point_many_addresses"), (coarse, "coarse_point_repeated")):
        entries += enter(where, column="place_quality", before=None, after="default", rule=rule)
    return Step(np.where(default | coarse, "default", quality).astype(object), entries)


def _coarse_and_repeated(table: pd.DataFrame, points: Points, there: np.ndarray,
                         parameters: Parameters) -> np.ndarray:
    """Find points written more coarsely than the log's habit and used again and again."""
    if not there.any():
        return there
    habit = float(np.median(points.decimals[there]))
    coarser = points.decimals <= habit - parameters["incidents.default_point_fewer_decimals"]
    used = table["point"].map(table.loc[there, "point"].value_counts()).fillna(0).to_numpy()
    return there & coarser & (used >= parameters["incidents.default_point_rows"])
