"""Coordinates as logs write them, read to degrees (WGS 84) from every place they stand in."""

from __future__ import annotations

import re
from typing import NamedTuple

import numpy as np
import pandas as pd
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError

from rehit.errors import SettingError
from rehit.number_text import is_grouped, ungrouped
from rehit.shape_text import is_shape, shape_point

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
        ``unreadable_place``, ``half_a_place``, ``grid_unknown`` or empty.
    """
    found = []
    if rows["latitude"].notna().any() or rows["longitude"].notna().any():
        found.append(_from_pair(rows, "longitude", "latitude", "degrees", _crs("EPSG:4326")))
    if rows["easting"].notna().any() or rows["northing"].notna().any():
        found.append(_from_pair(rows, "easting", "northing", "plane", _crs(plane_crs)))
    if rows["location"].notna().any():
        found.append(from_text(rows["location"], order=location_order, crs=location_crs))
    return found


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
    longitude, latitude = Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(x, y)
    return _finite(longitude), _finite(latitude)


def to_plane(longitude: np.ndarray, latitude: np.ndarray, crs: CRS
             ) -> tuple[np.ndarray, np.ndarray]:
    """Return plane coordinates in `crs` of points given in degrees (WGS 84)."""
    x, y = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(longitude, latitude)
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
        raise SettingError("places.crs of the mapping", got=repr(name),
                           allowed="a CRS such as EPSG:27700",
                           remedy="correct the mapping file") from error


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
