from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
from patrol_town import CRS, EAST, NORTH, grid_streets
from shapely.geometry import Point

from rehit.parameters import Parameters
from rehit.patrol.travel import build_network, nearest_seconds, travel_times


@pytest.mark.parametrize("streets", [True, False])
def test_nearest_against_the_whole_matrix(numbers: Parameters, streets: bool) -> None:
    rng = np.random.default_rng(2)
    spots = [Point(EAST + x, NORTH + y) for x, y in rng.uniform(0, 500, (70, 2))]
    places = gpd.GeoSeries([*spots, None], crs=CRS)
    network = build_network(grid_streets(), parameters=numbers) if streets else None
    found = nearest_seconds(places, count=4, network=network, parameters=numbers)
    whole = travel_times(places, network=network, parameters=numbers).seconds.copy()
    np.fill_diagonal(whole, np.inf)
    np.testing.assert_allclose(found, np.sort(whole, axis=1)[:, :4], rtol=1e-6)
    assert np.isinf(found[-1]).all()


def test_fewer_places_than_neighbours_leave_the_rest_empty(numbers: Parameters) -> None:
    places = gpd.GeoSeries([Point(EAST, NORTH), Point(EAST + 100, NORTH)], crs=CRS)
    for network in (None, build_network(grid_streets(), parameters=numbers)):
        found = nearest_seconds(places, count=3, network=network, parameters=numbers)
        assert np.isfinite(found[:, 0]).all()
        assert np.isinf(found[:, 1:]).all()
