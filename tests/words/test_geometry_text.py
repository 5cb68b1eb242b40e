"""Points people paste into a log: links to maps, plus codes, degrees with minutes and seconds."""

from __future__ import annotations

import math

import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from rehit.words.geometry_text import is_three_words, pasted_point, shape_point

# code, south, west, north, east: from the published test data of the Open Location Code
# specification (test_data/decoding.csv).
PLUS_CODES = [
    ("7FG49Q00+", 20.35, 2.75, 20.4, 2.8),
    ("7FG49QCJ+2V", 20.37, 2.782125, 20.370125, 2.78225),
    ("7FG49QCJ+2VX", 20.3701, 2.78221875, 20.370125, 2.78225),
    ("8FVC2222+22", 47.0, 8.0, 47.000125, 8.000125),
    ("4VCPPQGP+Q9", -41.273125, 174.785875, -41.273, 174.786),
    ("7FG40000+", 20.0, 2.0, 21.0, 3.0),
]


@pytest.mark.parametrize(("code", "south", "west", "north", "east"), PLUS_CODES)
def test_plus_codes_against_the_specification(code: str, south: float, west: float, north: float,
                                              east: float) -> None:
    found = pasted_point(code)
    assert found is not None
    assert found[0] == pytest.approx((west + east) / 2, abs=1e-8)
    assert found[1] == pytest.approx((south + north) / 2, abs=1e-8)


@pytest.mark.parametrize("text", [
    "https://maps.example/place/@46.005,-33.0005,17z", "https://maps.example/?q=46.005,-33.0005",
    "https://map.example/#map=18/46.005/-33.0005", "geo:46.005,-33.0005",
    "https://map.example/?mlat=46.005&mlon=-33.0005",
    "https://maps.example/a/@46.1,-33.1,17z/data=!3d46.005!4d-33.0005",
    "46°00'18\"N 33°00'01.8\"W", "46° 0' 18\" N, 33° 0' 1.8\" O",
    "46.005°N 33.0005°W"])
def test_links_and_degrees_give_their_point(text: str) -> None:
    assert pasted_point(text) == pytest.approx((-33.0005, 46.005), abs=1e-6)


@pytest.mark.parametrize("text", ["12 Elm Street", "9G8F+6W Northtown", "46°75'00\"N 33°00'01\"W",
                                  "https://maps.example/", "8FVC9G8F", "geo:96.0,-33.0"])
def test_what_holds_no_point(text: str) -> None:
    assert pasted_point(text) is None


def test_three_words_are_told_from_an_address() -> None:
    assert is_three_words("///lamp.river.table")
    assert is_three_words("lamp.river.table")
    assert not is_three_words("Elm St. by the park")
    assert not is_three_words("12.High.St")


@given(latitude=st.integers(-90 * 3600, 90 * 3600), longitude=st.integers(-180 * 3600, 180 * 3600))
def test_degrees_minutes_and_seconds_come_back(latitude: int, longitude: int) -> None:
    """One degree is 60 minutes of 60 seconds; south and west count below none (ISO 6709)."""
    sides = []
    for value, (over, under) in ((latitude, "NS"), (longitude, "EW")):
        minutes, seconds = divmod(abs(value), 60)
        side = over if value >= 0 else under
        sides.append(f"{minutes // 60}°{minutes % 60:02}'{seconds:02}\"{side}")
    assert pasted_point(" ".join(sides)) == pytest.approx((longitude / 3600, latitude / 3600))


@given(st.text(max_size=40) | st.text(alphabet="POINTLESRGD=;(), 0123456789.-@°'\"NSEW+",
                                      max_size=40))
def test_any_text_is_a_place_on_earth_or_none(text: str) -> None:
    at = pasted_point(text)
    assert at is None or (abs(at[0]) <= 180 and abs(at[1]) <= 90)
    shape = shape_point(text)
    assert shape is None or (math.isfinite(shape.x) and math.isfinite(shape.y))


@given(x=st.integers(-10**9, 10**9), y=st.integers(-10**9, 10**9))
def test_a_point_as_text_comes_back_from_every_writer(x: int, y: int) -> None:
    """Shapely writes well-known text, well-known binary in hexadecimals and GeoJSON."""
    point = shapely.Point(x / 100, y / 100)
    for text in (point.wkt, point.wkb_hex, shapely.to_geojson(point)):
        assert shape_point(text) == (x / 100, y / 100, "")
