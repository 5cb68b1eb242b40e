"""Shapes that a cell holds as text: well-known text with its SRID or without, WKB as hex digits, or
a mapping such as ``{'lon': 2.33, 'lat': 48.88}`` or a whole GeoJSON feature.

References
----------
OGC 06-103r4 (well-known text and binary). The SRID before the text, or within the binary form, is
the extension that spatial databases write.
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
