"""The grid of a projected pair, guessed from the time zone its points lie in."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from pyproj import Transformer

from rehit.files.rows import RawTable
from rehit.incidents.projection import guess_crs
from rehit.incidents.propose import propose_mapping

GRIDS = [
    ("EPSG:2263", "America/New_York", -73.98, 40.75), ("EPSG:27700", "Europe/London", -0.14, 51.51),
    ("EPSG:2056", "Europe/Zurich", 8.54, 47.37), ("EPSG:2154", "Europe/Paris", 2.35, 48.86),
    ("EPSG:28992", "Europe/Amsterdam", 4.9, 52.37), ("EPSG:3435", "America/Chicago", -87.65, 41.85),
    ("EPSG:2180", "Europe/Warsaw", 21.0, 52.23), ("EPSG:25833", "Europe/Berlin", 13.4, 52.52),
    ("EPSG:3763", "Europe/Lisbon", -9.14, 38.72), ("EPSG:25830", "Europe/Madrid", -3.7, 40.42),
    ("EPSG:2193", "Pacific/Auckland", 174.76, -36.85),
    ("EPSG:31370", "Europe/Brussels", 4.35, 50.85), ("EPSG:3006", "Europe/Stockholm", 18.06, 59.33),
    ("EPSG:28356", "Australia/Sydney", 151.2, -33.87)]


def pair(code: str, longitude: float, latitude: float) -> tuple[np.ndarray, np.ndarray]:
    """Fifty points of a town in whole units of a grid."""
    spread = np.linspace(-0.02, 0.02, 50)
    x, y = Transformer.from_crs("EPSG:4326", code, always_xy=True).transform(
        longitude + spread, latitude + spread[::-1])
    return np.round(x), np.round(y)


@pytest.mark.parametrize(("code", "zone", "longitude", "latitude"), GRIDS)
def test_the_right_town_is_among_the_first_three(code: str, zone: str, longitude: float,
                                                 latitude: float) -> None:
    guesses = guess_crs(*pair(code, longitude, latitude), time_zone=zone)
    near = [guess for guess in guesses[:3]
            if abs(guess.longitude - longitude) < 0.01 and abs(guess.latitude - latitude) < 0.01]
    assert near
    assert code in {near[0].crs, *near[0].alike}
    assert not near[0].swapped


def test_a_new_york_pair_comes_out_as_long_island_feet_on_top() -> None:
    guesses = guess_crs(*pair("EPSG:2263", -73.98, 40.75), time_zone="America/New_York")
    assert (guesses[0].crs, guesses[0].swapped) == ("EPSG:2263", False)


def test_without_a_place_of_its_own_a_time_zone_tells_nothing() -> None:
    assert guess_crs(*pair("EPSG:2263", -73.98, 40.75), time_zone="UTC") == []


def test_a_log_in_an_unnamed_grid_is_asked_about_with_the_place_it_would_be_in() -> None:
    x, y = pair("EPSG:2056", 8.54, 47.37)
    index = pd.RangeIndex(1, len(x) + 1, name="source_row")
    table = pd.DataFrame({"date": pd.date_range("2025-01-01", periods=len(x)).strftime("%Y-%m-%d"),
                          "e": x.astype(int), "n": y.astype(int)}, index=index).astype("str")
    mapping = propose_mapping(RawTable(table, name="log.csv"), time_zone="Europe/Zurich")
    assert mapping.places.crs == "EPSG:2056"
    assert mapping.fields["easting"].columns == ("e",)
    asked = mapping.questions[0]
    assert (asked.key, asked.assumed) == ("places.crs", "EPSG:2056")
    assert asked.ask.facts["latitude"] == pytest.approx(47.37, abs=0.01)
    assert propose_mapping(RawTable(table, name="log.csv")).places.crs == ""
