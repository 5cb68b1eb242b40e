"""Crews on foot, and speeds that differ by the hour."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
from patrol_town import CRS, EAST, NORTH
from shapely.geometry import LineString, Point

from rehit.parameters import Parameters
from rehit.patrol.travel import build_network, travel_times


def times(lines: gpd.GeoDataFrame, numbers: Parameters, **how: object) -> np.ndarray:
    spots = gpd.GeoSeries([Point(EAST, NORTH), Point(EAST + 300, NORTH + 400)], crs=CRS)
    network = build_network(lines, parameters=numbers, **how)
    return travel_times(spots, network=network, parameters=numbers).seconds


@pytest.fixture
def corner() -> gpd.GeoDataFrame:
    """300 m east by a one-way street, then 400 m north, and a fast road straight across."""
    south_east = (EAST + 300, NORTH)
    return gpd.GeoDataFrame({
        "class": ["street", "street", "motorway"], "speed_kmh": [30.0, 30.0, 100.0],
        "oneway": [True, False, False], "street_id": ["a", "b", "c"], "no_turns": ["b", "", ""],
    }, crs=CRS, geometry=[
        LineString([(EAST, NORTH), south_east]),
        LineString([south_east, (EAST + 300, NORTH + 400)]),
        LineString([(EAST, NORTH), (EAST + 300, NORTH + 400)])])


def test_crews_on_foot_walk_both_ways_round_any_corner_but_no_fast_road(
        corner: gpd.GeoDataFrame, numbers: Parameters) -> None:
    walked = times(corner, numbers, on_foot=True)
    assert walked[0, 1] == pytest.approx(700 / (numbers["patrol.walk_speed_kmh"] / 3.6), abs=1e-4)
    assert walked[1, 0] == pytest.approx(walked[0, 1], abs=1e-4)
    driven = times(corner, numbers)  # 500 m of motorway
    assert driven[0, 1] == pytest.approx(
        500 / (100 * numbers["patrol.speed_share"] / 3.6), abs=1e-4)


def test_times_are_the_mean_over_the_hours_that_crews_are_out(numbers: Parameters) -> None:
    """500 m at 10, 20 and, where no speed is given for an hour, the usual 36 km/h or less."""
    lines = gpd.GeoDataFrame({
        "speed_kmh": [36.0], "speed_kmh_7": [10.0], "speed_kmh_08": [20.0],
        "speed_kmh_23": [1.0], "speed_kmh_24": [1.0]}, crs=CRS, geometry=[
            LineString([(EAST, NORTH), (EAST + 300, NORTH + 400)])])
    usual = 500 / (36 * numbers["patrol.speed_share"] / 3.6)
    assert times(lines, numbers)[0, 1] == pytest.approx(usual, abs=1e-4)
    assert times(lines, numbers, hours=[9, 10])[0, 1] == pytest.approx(usual, abs=1e-4)
    assert times(lines, numbers, hours=[7, 8, 9])[0, 1] == pytest.approx(
        (180 + 90 + usual) / 3, abs=1e-4)
