"""The grid: cells that keep their place, counts that add up, feet and stray points."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from rehit.errors import DataWarning, SettingError, TableError
from rehit.hotspots.grid import exposure_of, lay_grid, metres_per_unit, study_cells, well_placed


def test_every_point_is_counted_once_and_lies_in_its_square() -> None:
    rng = np.random.default_rng(1)
    x, y = rng.uniform(-500, 900, 300), rng.uniform(120, 700, 300)
    grid = lay_grid(x, y, side=70.0)
    assert grid.tally(x, y).sum() == 300
    squares = grid.squares(grid.index(x, y))
    assert all(square.covers(point) for square, point in
               zip(squares, gpd.points_from_xy(x, y), strict=True))


def test_edges_belong_to_the_cell_north_east_of_them() -> None:
    grid = lay_grid(np.array([0.0, 300.0]), np.array([0.0, 300.0]), side=100.0)
    assert grid.index(np.array([100.0]), np.array([0.0])).tolist() == [1]
    assert grid.index(np.array([-1.0, 401.0]), np.array([0.0, 0.0])).tolist() == [-1, -1]


def test_names_do_not_depend_on_the_extent() -> None:
    small = lay_grid(np.array([450.0]), np.array([250.0]), side=100.0)
    large = lay_grid(np.array([0.0, 450.0]), np.array([0.0, 250.0]), side=100.0)
    name = small.names(small.index(np.array([450.0]), np.array([250.0])))
    assert name.tolist() == ["E4N2"]
    assert large.names(large.index(np.array([450.0]), np.array([250.0]))).tolist() == ["E4N2"]


@pytest.mark.parametrize(("side", "points"), [(0.0, [1.0]), (float("nan"), [1.0]), (50.0, [])])
def test_a_grid_needs_a_side_and_a_point(side, points) -> None:
    with pytest.raises(SettingError, match="cell side"):
        lay_grid(np.array(points), np.array(points), side=side)


def test_too_large_a_grid_names_the_remedy() -> None:
    with pytest.raises(SettingError, match="larger cells"):
        lay_grid(np.array([0.0, 1e7]), np.array([0.0, 1e7]), side=100.0)


def test_unit_of_the_crs_is_read() -> None:
    def frame(crs: object) -> gpd.GeoDataFrame:
        return gpd.GeoDataFrame(geometry=gpd.points_from_xy([0], [0]), crs=crs)

    assert metres_per_unit(frame(32630)) == 1.0
    assert metres_per_unit(frame(3435)) == pytest.approx(1200 / 3937, rel=1e-9)  # US survey foot
    with pytest.raises(TableError):
        metres_per_unit(frame(4326))


def test_studied_area_is_where_something_could_be_marked() -> None:
    counts = np.zeros((9, 9))
    counts[4, 4] = 1
    assert study_cells(counts, None, reach=2).sum() == 25
    exposure = np.zeros((9, 9))
    exposure[0, :3] = 1
    assert study_cells(counts, exposure, reach=2).sum() == 4


def test_unknown_wall_areas_take_the_median() -> None:
    register = gpd.GeoDataFrame({"wall_area_m2": [10.0, 30.0, np.nan]},
                                geometry=gpd.points_from_xy([5, 5, 15], [5, 5, 5]), crs=32630)
    grid = lay_grid(np.array([5.0, 15.0]), np.array([5.0, 5.0]), side=10.0)
    assert exposure_of(register, grid, basis="wall_area").tolist() == [[40.0, 20.0]]
    assert exposure_of(register, grid, basis="assets").tolist() == [[2.0, 1.0]]


def test_poor_places_are_left_out_with_a_word_when_nothing_remains() -> None:
    log = gpd.GeoDataFrame({
        "reported_at": pd.to_datetime(["2024-01-01"] * 4, utc=True),
        "place_quality": ["surveyed", "street", "default", "address"]},
        geometry=[*gpd.points_from_xy([1, 2, 3], [1, 2, 3]), None], crs=32630)
    assert well_placed(log, where="test").index.tolist() == [0]
    with pytest.warns(DataWarning, match="streets"):
        assert len(well_placed(log.iloc[1:], where="test")) == 0
