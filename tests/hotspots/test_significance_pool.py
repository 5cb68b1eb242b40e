"""Cells held against the single assets of the register: the score, its chance, what was planted."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from written_out import gi_star_written_out

from rehit.hotspots.grid import lay_grid
from rehit.hotspots.significance import (
    Units,
    false_discovery,
    hot_cells,
    marked_units,
    sum_tails,
    unit_pool,
    window_scores,
)

WHEN = pd.Timestamp("2024-05-01", tz="UTC")


def assets(xy: np.ndarray, **columns: object) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"asset_id": [f"A{i}" for i in range(len(xy))], **columns},
                            geometry=gpd.points_from_xy(*np.asarray(xy).T), crs=32630)


def log_of(xy: np.ndarray, **columns: object) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"reported_at": [WHEN] * len(xy), **columns},
                            geometry=gpd.points_from_xy(*np.asarray(xy).T), crs=32630)


def uneven_units(rng: np.random.Generator, n: int) -> Units:
    """Assets in a few crowded streets and a thin rest, gamma distributed counts dealt blindly."""
    xy = np.where(rng.uniform(size=(n, 1)) < 0.6, rng.normal(500, 80, (n, 2)),
                  rng.uniform(0, 1500, (n, 2)))
    return Units(*xy.T, rng.poisson(rng.gamma(0.4, 8.0, n)), np.ones(n))


def test_score_is_gi_star_of_the_assets_in_the_window() -> None:
    # Ord and Getis 1995 on the assets, weight 1 for those in the cell and its eight neighbours.
    units = uneven_units(np.random.default_rng(3), 80)
    grid = lay_grid(units.x, units.y, side=100.0)
    pool = unit_pool(units, grid)
    inside = pool.number > 0
    scores = window_scores(pool.sums, inside, pool=pool)
    column, row = np.floor(units.x / 100), np.floor(units.y / 100)
    near = ((np.abs(column[:, None] - column) <= 1) & (np.abs(row[:, None] - row) <= 1))
    plain = gi_star_written_out(units.counts.astype("float64"), near)
    cell = np.searchsorted(np.flatnonzero(inside.ravel()), grid.index(units.x, units.y))
    assert scores["z"].to_numpy()[cell] == pytest.approx(plain, abs=1e-12)


def test_chance_of_a_window_against_drawing_assets() -> None:
    rng = np.random.default_rng(5)
    counts = rng.poisson(rng.gamma(0.4, 8.0, 500))
    drawn = np.array([rng.choice(counts, 7, replace=False).sum() for _ in range(20_000)])
    sums = np.array([20.0, 50.0, 80.0])
    expected = [(drawn >= s).mean() for s in sums]
    assert sum_tails(counts, sums, np.array([7, 7, 7])) == pytest.approx(expected, abs=0.01)


def test_the_largest_values_are_drawn_once_at_most() -> None:
    # One wall of 100 among 200 clean ones: 100 is reached with chance k/n, 200 never.
    tails = sum_tails(np.repeat([0, 100], [199, 1]), np.array([100.0, 101]), np.array([10, 10]))
    assert tails == pytest.approx([10 / 200, 0], abs=1e-12)


def test_assets_dealt_blindly_make_hardly_ever_a_hot_cell() -> None:
    # 5 % of maps may hold a false alarm: 60 maps, at most 7 (binomial tail 0.02).
    rng = np.random.default_rng(1)
    alarms = 0
    for _ in range(60):
        units = uneven_units(rng, 250)
        grid = lay_grid(units.x, units.y, side=100.0)
        pool = unit_pool(units, grid)
        scores = window_scores(pool.sums, pool.number > 0, pool=pool)
        alarms += bool(false_discovery(scores["p_upper"].to_numpy(), rate=0.05).any())
    assert alarms <= 7


def test_one_wall_alone_makes_no_area_hot_but_a_bad_street_does() -> None:
    rng = np.random.default_rng(2)
    xy = rng.uniform(0, 2000, (400, 2))
    xy[:12] = np.column_stack([np.linspace(905, 995, 12), np.full(12, 950.0)])
    counts = rng.poisson(0.5, 400)
    counts[399] = 60
    counts[:12] = 8
    register = assets(xy)
    log = log_of(np.repeat(xy, counts, axis=0),
                 asset_id=np.repeat(register["asset_id"].to_numpy(), counts))
    cells = hot_cells(log, register=register)
    hot = cells.loc[cells["hot"]].union_all()
    assert hot.intersects(register.geometry.iloc[5])
    assert not hot.intersects(register.geometry.iloc[399])


def test_every_incident_is_counted_once_on_an_asset_or_a_place_of_its_own() -> None:
    register = assets([[50, 50], [450, 450]], wall_area_m2=[10.0, 30.0])
    log = log_of([[60, 60], [52, 50], [250, 250], [251, 249], [900, 900]],
                 asset_id=["A0", "A0", None, None, "gone"],
                 place_id=["A0", "A0", "S1", "S1", "S2"])
    units = marked_units(log, register, basis="wall_area", reach=100.0)
    assert units.counts.tolist() == [2, 0, 2, 1]
    assert units.exposure.tolist() == [10, 30, 20, 20]
    assert units.x.tolist() == [50, 450, 250.5, 900]
    plain = log.drop(columns=["asset_id", "place_id"])
    by_point = marked_units(plain, register, basis="assets", reach=100.0)
    assert by_point.counts.tolist() == [2, 0, 1, 1, 1]
    cells = hot_cells(log, register=register)
    assert (cells["n_incidents"].sum(), cells["exposure"].sum()) == (5, 4)


def test_a_cell_counts_what_was_matched_to_its_assets_wherever_the_report_lies() -> None:
    register = assets(np.array([[10.0, 10.0], [450.0, 10.0]]))
    log = log_of(np.full((3, 2), 12.0), asset_id=register["asset_id"].iloc[[1, 1, 0]].to_list())
    cells = hot_cells(log, register=register, cell_m=100.0)
    east = cells.centroid.x > 400
    assert cells.loc[east, "n_incidents"].tolist() == [2]
    assert cells["n_incidents"].sum() == 3


def test_hot_cells_per_asset_of_the_demo_town_truly_are_hot(
        town_of: Callable[..., tuple[Any, Any]]) -> None:
    # Planted: the worst assets stand in a few streets.
    town, placed = town_of(seed=2026)
    cells = hot_cells(placed, register=town.register)
    areas = cells.loc[cells["hot"]]
    assert 5 <= len(areas) <= 0.1 * len(cells)
    inside = town.register.geometry.intersects(areas.union_all())
    rate = town.register["asset_id"].map(town.rates.set_index("asset_id")["rate_per_year"])
    assert rate[inside].mean() > 2 * rate[~inside].mean()
