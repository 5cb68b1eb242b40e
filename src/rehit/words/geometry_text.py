"""Places that a cell holds as text.

Shapes: well-known text with its SRID or without, WKB as hex digits, a mapping such as
``{'lon': 2.33, 'lat': 48.88}`` or a whole GeoJSON feature. Points people paste: a link to a map, a
plus code, degrees with minutes and seconds.

References
----------
RFC 5870 (``geo:`` links). Open Location Code specification (plus codes; its published examples are
the test). OGC 06-103r4 (well-known text and binary). The SRID before the text, or within the binary
form, is the extension that spatial databases write.
"""

from __future__ import annotations

import ast
import json
import re
from functools import cache
from typing import NamedTuple

import numpy as np
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError
from shapely.errors import ShapelyError
from shapely.geometry import shape as geojson_shape
from shapely.geometry.base import BaseGeometry

_KINDS = r"(?:POINT|LINESTRING|POLYGON|MULTI\w+|GEOMETRYCOLLECTION)"
_WKT = re.compile(rf"(?is)\s*(?:SRID=(\d+);)?\s*({_KINDS}\s*(?:Z|M|ZM)?\s*\(.*\))\s*")
_BEGUN = re.compile(rf"(?i)\s*(?:SRID=\d+;)?\s*{_KINDS}\s*(?:Z|M|ZM)?\s*\(")
# Names of a point's two numbers in a mapping.
_NAMED = (("lon", "lat"), ("lng", "lat"), ("long", "lat"), ("longitude", "latitude"), ("x", "y"))
_MAPPING = re.compile(r"(?s)\s*\{.*\}\s*")
LONGEST_MAPPING = 100_000
# One byte for the order of the others, four for the kind, then two numbers at least.
_HEX = re.compile(r"\s*0[01](?:[0-9A-Fa-f]{2}){20,}\s*")


# A link to a map names its point in one of a few ways.
_NUMBER = r"([+-]?\d{1,3}(?:\.\d+)?)"
_LINKED = tuple(re.compile(pattern, re.IGNORECASE) for pattern in (
    rf"!3d{_NUMBER}!4d{_NUMBER}",  # the pin, before the middle of the picture
    rf"[?&](?:q|ll|sll|query|daddr|destination|center|cp)=(?:loc:)?{_NUMBER}(?:,|%2C|~)\+?"
    rf"{_NUMBER}",
    rf"[?&]mlat={_NUMBER}&(?:amp;)?mlon={_NUMBER}",
    rf"[?&]lat={_NUMBER}&(?:amp;)?(?:lon|lng)={_NUMBER}", rf"@{_NUMBER},{_NUMBER}",
    rf"#map=\d+(?:\.\d+)?/{_NUMBER}/{_NUMBER}", rf"^geo:{_NUMBER},{_NUMBER}"))
_LINK = re.compile(r"(?i)(?:https?://|www\.|geo:)\S+")
_SIDED = (r"(\d{1,3}(?:[.,]\d+)?)\s*[°º]\s*(?:(\d{1,2}(?:[.,]\d+)?)\s*['′’]\s*)?"
          r"(?:(\d{1,2}(?:[.,]\d+)?)\s*(?:\"|″|”|'')\s*)?([NSEWO])")
_SEXAGESIMAL_PAIR = re.compile(rf"(?i)\s*{_SIDED}[\s,;]*{_SIDED}\s*")
_PLUS = "23456789CFGHJMPQRVWX"
_PLUS_CODE = re.compile(rf"(?i)(?<![\w+])([{_PLUS}]{{8}}|[{_PLUS}]{{6}}00|[{_PLUS}]{{4}}0000)"
                        rf"\+([{_PLUS}]{{2,7}})?(?![\w+])")
_THREE_WORDS = re.compile(r"(?i)\s*(?:/{2,3}\s*)?([^\W\d_]{3,})\.([^\W\d_]{3,})\.([^\W\d_]{3,})\s*")


class ShapePoint(NamedTuple):
    """The point that stands for a shape, and the code its text names ("" for none)."""

    x: float
    y: float
    crs: str


def is_shape(text: str) -> bool:
    """Whether a cell looks like a shape, if only the beginning of one."""
    return bool(_BEGUN.match(text) or _HEX.fullmatch(text) or (
        _MAPPING.fullmatch(text) and _from_mapping(text) is not None))


def shape_point(text: str) -> ShapePoint | None:
    """Return the point that stands for the shape a cell holds; None where it holds none.

    A line is stood for by its middle, an area by a point within it: a corner could be a whole
    block away.

    Examples
    --------
    >>> shape_point("SRID=2154;POINT(842000.5 6519000)")
    ShapePoint(x=842000.5, y=6519000.0, crs='EPSG:2154')
    >>> shape_point("LINESTRING (0 0, 10 0)")
    ShapePoint(x=5.0, y=0.0, crs='')
    >>> shape_point("{'lon': 2.33, 'lat': 48.88}")
    ShapePoint(x=2.33, y=48.88, crs='')
    """
    shape, crs = read_shape(text)
    at = _middle(shape)
    if at is None:
        return None
    return ShapePoint(float(at.x), float(at.y), crs)


def pasted_point(text: str) -> tuple[float, float] | None:
    r"""Return longitude and latitude of a map link, a plus code or degrees with minutes; else None.

    A plus code stands for the middle of its cell; one that is short of its first letters needs a
    place to go with it, and is not read.

    Examples
    --------
    >>> pasted_point("https://maps.example/place/@46.005,-33.001,17z")
    (-33.001, 46.005)
    >>> pasted_point('46°00\'18"N 33°00\'01.8"W')
    (-33.0005, 46.005)
    >>> pasted_point("12 Elm Street") is None
    True
    """
    if _LINK.search(text):
        for pattern in _LINKED:
            if found := pattern.search(text):
                return _in_range(float(found[2]), float(found[1]))
        return None
    if found := _SEXAGESIMAL_PAIR.fullmatch(text):
        return _from_sides(found)
    if found := _PLUS_CODE.search(text):
        return _from_plus_code(found[1].upper(), (found[2] or "").upper())
    return None


def is_three_words(text: str) -> bool:
    """Whether a text is a place named by three words, which only their owner can tell.

    Examples
    --------
    >>> is_three_words("///lamp.river.table"), is_three_words("Elm St. near park")
    (True, False)
    """
    return bool(_THREE_WORDS.fullmatch(text))


def _in_range(longitude: float, latitude: float) -> tuple[float, float] | None:
    return (longitude, latitude) if abs(latitude) <= 90 and abs(longitude) <= 180 else None


def _from_sides(found: re.Match[str]) -> tuple[float, float] | None:
    axes: dict[str, float] = {}
    for start in (1, 5):
        parts = [float((found[start + k] or "0").replace(",", ".")) for k in range(3)]
        side = found[start + 3].upper()
        if parts[1] >= 60 or parts[2] >= 60:
            return None
        value = round(parts[0] + parts[1] / 60 + parts[2] / 3600, 9)
        axes["NS" if side in "NS" else "EW"] = -value if side in "SWO" else value
    return _in_range(axes["EW"], axes["NS"]) if len(axes) == 2 else None


def _from_plus_code(head: str, tail: str) -> tuple[float, float] | None:
    """Return the middle of a plus code's cell: pairs of base 20, then cells of four by five."""
    digits = head.rstrip("0") + tail
    latitude, longitude, high, wide = -90.0, -180.0, 400.0, 400.0
    for place in range(0, min(len(digits), 10) - 1, 2):
        high, wide = high / 20, wide / 20
        latitude += _PLUS.index(digits[place]) * high
        longitude += _PLUS.index(digits[place + 1]) * wide
    for letter in digits[10:]:
        high, wide = high / 5, wide / 4
        row, column = divmod(_PLUS.index(letter), 4)
        latitude, longitude = latitude + row * high, longitude + column * wide
    return _in_range(round(longitude + wide / 2, 9), round(latitude + high / 2, 9))


def read_shape(text: str) -> tuple[BaseGeometry | None, str]:
    """Return the shape a cell holds (None for none) and the code its text names ("" for none)."""
    try:
        if found := _WKT.fullmatch(text):
            shape, srid = shapely.from_wkt(found.group(2)), int(found.group(1) or 0)
        elif _HEX.fullmatch(text):
            shape = shapely.from_wkb(text.strip())
            srid = int(shapely.get_srid(shape))
        elif _MAPPING.fullmatch(text):
            shape, srid = _from_mapping(text), 0
        else:
            return None, ""
    except (ShapelyError, ValueError, OverflowError):
        return None, ""
    return shape, f"EPSG:{srid}" if _is_code(srid) else ""


def _from_mapping(text: str) -> BaseGeometry | None:
    """Return the shape of a mapping written as JSON or as Python writes one; None for none."""
    if len(text) > LONGEST_MAPPING:
        return None
    try:
        value = json.loads(text)
    except (ValueError, RecursionError):
        try:
            value = ast.literal_eval(text.strip())
        except (ValueError, SyntaxError, RecursionError, MemoryError, TypeError):
            return None
    if not isinstance(value, dict):
        return None
    value = value.get("geometry", value)
    if not isinstance(value, dict):
        return None
    try:
        if "coordinates" in value:
            return geojson_shape(value)
        plain = {str(name).lower(): number for name, number in value.items()}
        for x, y in _NAMED:
            if x in plain and y in plain:
                return shapely.Point(float(plain[x]), float(plain[y]))
    except (ShapelyError, ValueError, TypeError, KeyError, AttributeError, IndexError):
        return None
    return None


def _middle(shape: BaseGeometry | None) -> shapely.Point | None:
    if shape is None or shape.is_empty:
        return None
    if shape.geom_type == "Point":
        point = shape
    elif shape.geom_type == "LineString":
        point = shape.interpolate(0.5, normalized=True)
    else:
        point = shape.representative_point()
    return point if np.isfinite([point.x, point.y]).all() else None


@cache
def _is_code(srid: int) -> bool:
    try:
        return srid > 0 and CRS.from_epsg(srid) is not None
    except CRSError:
        return False
