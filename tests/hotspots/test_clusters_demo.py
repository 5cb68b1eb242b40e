"""What was planted in the demo town is found where and when it was planted, and nowhere else."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from rehit.hotspots.clusters import find_clusters
from rehit.hotspots.scan import scan_statistic
from rehit.hotspots.significance import hot_cells
from rehit.hotspots.spacetime import knox_rings
from rehit.observed import Window
from rehit.parameters import load_parameters

RINGS_M = (0, 1, 50, 100, 150, 200, 300, 400)
WAITS_DAYS = (0, 7, 14, 21, 28, 42, 63)
FEWER = load_parameters().override({"hotspots.knox_permutations": 49,
                                    "hotspots.scan_permutations": 39})


def test_the_planted_near_repeat_ring_is_recovered(town_of: Callable[..., tuple[Any, Any]]) -> None:
    # Planted: 0.35 further markings each within 150 m and 21 days, on other assets.
    town, placed = town_of(seed=2026)
    assert (town.settings.ring_m, town.settings.ring_days) == (150.0, 21)
    table = knox_rings(placed, ring_edges_m=RINGS_M, wait_edges_days=WAITS_DAYS,
                       parameters=FEWER, rng=np.random.default_rng(1))
    raised = table.loc[table["raised"]]
    inside = (table["from_m"] >= 1) & (table["to_m"] <= 150) & (table["to_days"] <= 21)
    assert table["raised"].tolist() == inside.tolist()
    assert raised["ratio"].between(1.05, 1.4).all()
    # The marked asset itself is protected until it is cleared.
    same = table.loc[(table["to_m"] == 1) & (table["to_days"] == 7)].iloc[0]
    assert same["ratio"] < 0.7


def test_no_ring_is_found_where_none_was_planted(town_of: Callable[..., tuple[Any, Any]]) -> None:
    _, placed = town_of(seed=11, near_repeat=False, emerging_ratio=1.0)
    table = knox_rings(placed, ring_edges_m=RINGS_M, wait_edges_days=WAITS_DAYS,
                       parameters=FEWER, rng=np.random.default_rng(1))
    assert table["raised"].sum() <= 1


def test_a_strong_emerging_spot_is_found_first(town_of: Callable[..., tuple[Any, Any]]) -> None:
    town, placed = town_of(seed=2026, emerging_ratio=12.0)
    spot = town.register.merge(town.rates.loc[town.rates["emerging"], ["asset_id"]])
    zones = scan_statistic(placed, window=Window(town.settings.start, town.settings.end),
                           parameters=FEWER,
                           rng=np.random.default_rng(1))
    first = zones.iloc[0]
    assert first["p_value"] <= 0.05
    assert first.geometry.intersects(spot.union_all().convex_hull)
    assert first["from_time"] >= town.settings.emerging_from - np.timedelta64(7, "D")


@pytest.mark.parametrize("door", ["clusters", "cells"])
def test_hot_places_of_the_demo_town_truly_are_hot(door: str,
                                                   town_of: Callable[..., tuple[Any, Any]]) -> None:
    town, placed = town_of(seed=2026)
    if door == "clusters":
        areas = find_clusters(placed, window=Window(town.settings.start, town.settings.end),
                              rng=np.random.default_rng(1))
        areas = areas.head(5)
        assert areas["name"].is_unique
    else:
        cells = hot_cells(placed)
        areas = cells.loc[cells["hot"]]
        assert 3 <= len(areas) <= 0.1 * len(cells)
    inside = town.register.geometry.intersects(areas.union_all())
    rate = town.register["asset_id"].map(town.rates.set_index("asset_id")["rate_per_year"])
    assert rate[inside].mean() > 1.5 * rate[~inside].mean()
