"""Gi* on the grid against esda; its tail, its false alarms, its exposure."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom
from written_out import gi_star_written_out

from rehit.errors import DataWarning, SettingError, TableError
from rehit.hotspots.significance import (
    false_discovery,
    hot_cells,
    hot_record,
    local_moran_grid,
    sum_tails,
    window_scores,
)
from rehit.observed import Window
from rehit.parameters import load_parameters
from rehit.tables import check

WHEN = pd.Timestamp("2024-05-01", tz="UTC")


def queen(inside: np.ndarray, *, star: bool) -> np.ndarray:
    """Neighbour matrix of the studied cells, made the slow way."""
    places = np.argwhere(inside)
    apart = np.abs(places[:, None] - places[None]).max(axis=-1)
    return np.asarray((apart <= 1) if star else (apart == 1))


@pytest.fixture
def odd_map() -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(4)
    inside = rng.uniform(size=(14, 11)) < 0.8
    return rng.poisson(0.7, inside.shape).astype("float64"), inside


def test_convolved_scores_equal_gi_star_of_a_list_of_neighbours(odd_map) -> None:
    # Design note: equals esda's analytic value (transform "B", star) to 7e-15 on a full grid.
    values, inside = odd_map
    scores = window_scores(values, inside)
    plain = gi_star_written_out(values[inside], queen(inside, star=True))
    assert scores["z"].to_numpy() == pytest.approx(plain, abs=1e-12, nan_ok=True)


def test_local_moran_follows_anselin_1995(odd_map) -> None:
    values, inside = odd_map
    x = values[inside] - values[inside].mean()
    weights = queen(inside, star=False)
    count = weights.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        plain = np.where(count > 0, x * (weights @ x) / count / (x @ x / len(x)), np.nan)
    found = local_moran_grid(values, inside)
    assert found["moran"].to_numpy() == pytest.approx(plain, abs=1e-12, nan_ok=True)
    assert found["p_high"].isna().to_numpy().tolist() == (~(x > 0) | (count == 0)).tolist()


def test_tail_of_nought_and_one_values_is_binomial() -> None:
    sample = np.repeat([0.0, 1.0], [70, 30])
    tails = sum_tails(sample, np.array([0.0, 3, 9]), np.array([9, 9, 9]))
    assert tails == pytest.approx(binom.sf([-1, 2, 8], 9, 0.3), abs=1e-12)


def test_tail_of_uneven_values_errs_on_the_careful_side_by_little() -> None:
    rng = np.random.default_rng(1)
    sample = rng.gamma(0.5, 1.0, 500)
    sums = np.quantile(rng.choice(sample, (200_000, 5)).sum(axis=1), [0.5, 0.9, 0.99])
    tails = sum_tails(sample, sums, np.array([5, 5, 5]))
    assert tails == pytest.approx([0.5, 0.1, 0.01], rel=0.06)


def test_empty_windows_of_a_sparse_map_are_never_hot() -> None:
    # Trap: permutation p-values call 47 % of such a map significant, empty windows first.
    rng = np.random.default_rng(2)
    values = rng.poisson(0.1, (60, 60)).astype("float64")
    scores = window_scores(values, np.ones(values.shape, dtype=bool))
    empty = scores["z"] == scores["z"].min()
    assert scores.loc[empty, "p_upper"].min() > 0.5
    assert (scores["p_upper"] <= 0.05).mean() < 0.06
    assert not false_discovery(scores["p_upper"].to_numpy(), rate=0.05).any()


def test_a_flat_map_has_no_scores_and_no_alarm() -> None:
    scores = window_scores(np.full((5, 5), 3.0), np.ones((5, 5), dtype=bool))
    assert scores["z"].isna().all()
    assert not false_discovery(scores["p_upper"].to_numpy(), rate=0.05).any()


def test_false_discovery_against_benjamini_hochberg_1995() -> None:
    # Their section 3.2: fifteen chances, four rejected at 0.05 (Bonferroni rejects three).
    p = np.array([0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240,
                  0.4262, 0.5719, 0.6528, 0.7590, 1.0000])
    assert false_discovery(p, rate=0.05).sum() == 4
    with pytest.raises(SettingError):
        false_discovery(p, rate=0.0)


def test_one_clear_cell_among_ninety_thousand_is_found() -> None:
    # Trap: with 9,999 permutations no chance falls below 0.0001, so that fewer than 180 such cells
    # could never pass; and a limit of 0.05 / n where nothing passes is a limit all the same.
    sparse = np.repeat([0, 1, 2], [81_000, 8_500, 500])
    nine = sum_tails(sparse, np.array([16.0, 4.0]), np.array([9, 9]))
    assert nine[0] < 1e-10 < 1e-3 < nine[1]
    p = np.concatenate([nine[:1], np.full(89_999, 0.5)])
    assert np.flatnonzero(false_discovery(p, rate=0.05)).tolist() == [0]
    assert not false_discovery(np.full(90_000, 0.5), rate=0.05).any()


def log_of(xy: np.ndarray, **columns: object) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"reported_at": [WHEN] * len(xy), **columns},
                            geometry=gpd.points_from_xy(*xy.T), crs=32630)


@pytest.fixture
def spot() -> gpd.GeoDataFrame:
    """A thin scatter over 3 km with 60 incidents on nine blocks around (1550, 1550)."""
    rng = np.random.default_rng(6)
    return log_of(np.concatenate([rng.uniform(0, 3000, (300, 2)),
                                  rng.uniform(1400, 1700, (60, 2))]))


def test_hot_cells_finds_the_planted_block(spot) -> None:
    cells = hot_cells(spot)
    check(cells, "cells", where="test")
    assert cells["n_incidents"].sum() == 360
    hot = cells.loc[cells["hot"]]
    assert len(hot) >= 5
    assert hot.distance(gpd.points_from_xy([1550], [1550])[0]).max() < 300
    assert cells.loc[cells["hot_moran"]].distance(
        gpd.points_from_xy([1550], [1550])[0]).max() < 300


def test_cells_keep_their_names_when_the_log_grows(spot) -> None:
    whole, part = hot_cells(spot), hot_cells(spot.iloc[100:])
    both = set(whole["cell_id"]) & set(part["cell_id"])
    first = whole.set_index("cell_id").geometry.loc[sorted(both)]
    assert first.geom_equals(part.set_index("cell_id").geometry.loc[sorted(both)]).all()


def test_exposure_explains_the_block_away(spot) -> None:
    # As many assets as incidents everywhere: nothing is hot per asset.
    register = gpd.GeoDataFrame({"asset_id": range(360), "wall_area_m2": 10.0},
                                geometry=spot.geometry.to_numpy(), crs=spot.crs)
    for basis in ("assets", "wall_area"):
        cells = hot_cells(spot, register=register, exposure_basis=basis)
        assert not cells["hot"].any()
    assert cells["exposure"].sum() == 3600
    with pytest.raises(SettingError, match="assets"):
        hot_cells(spot, register=register, exposure_basis="length")


def test_street_and_default_points_make_no_phantom_cell(spot) -> None:
    pile = log_of(np.full((500, 2), 700.0))
    both = pd.concat([spot.assign(place_quality="surveyed"),
                      pile.assign(place_quality="street")], ignore_index=True)
    assert hot_cells(both)["n_incidents"].sum() == 360
    with pytest.warns(DataWarning, match="street"):
        assert len(hot_cells(pile.assign(place_quality="street"))) == 0


def test_a_stray_point_is_refused_with_a_remedy(spot) -> None:
    stray = pd.concat([spot, log_of(np.array([[9e6, 9e6]]))], ignore_index=True)
    with pytest.raises(SettingError, match="larger cells"):
        hot_cells(stray)


def test_degrees_are_refused_and_the_input_is_left_alone(spot) -> None:
    before = spot.copy()
    hot_cells(spot)
    assert spot.equals(before)
    with pytest.raises(TableError, match="to_crs"):
        hot_cells(spot.to_crs(4326))


def test_feet_are_taken_for_feet(spot) -> None:
    feet = spot.to_crs("+proj=utm +zone=30 +datum=WGS84 +units=us-ft")
    assert hot_cells(feet)["hot"].sum() == pytest.approx(hot_cells(spot)["hot"].sum(), abs=4)


@pytest.mark.parametrize(("moved_m", "held"), [(0.0, True), (1000.0, False)])
def test_squares_hot_in_the_first_half_are_held_to_the_second(moved_m: float, held: bool) -> None:
    """Nine squares of seven among others of one; later these stay, or they have gone elsewhere."""
    even = np.array([(100 * i + 50.0, 100 * j + 50.0) for i in range(16) for j in range(16)])
    spot = np.tile([at for at in even if at.min() > 100 and at.max() < 400], (6, 1))
    parts = [even, spot, even + 1.0, spot + moved_m]
    days = np.repeat([10, 10, 90, 90], [len(part) for part in parts])
    log = gpd.GeoDataFrame({"reported_at": WHEN + pd.to_timedelta(days, unit="D")},
                           geometry=gpd.points_from_xy(*np.vstack(parts).T), crs=32630)
    n, borne_out = hot_record(log, register=None, parameters=load_parameters(),
                              window=Window(WHEN, WHEN + pd.Timedelta(days=100)))
    assert n >= 9
    assert borne_out == (n if held else 0)
