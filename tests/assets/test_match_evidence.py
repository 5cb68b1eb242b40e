"""What the evidence for an asset is made of."""

from __future__ import annotations

import numpy as np
import pytest
import register_town as town
import shapely

from rehit.assets.match import chance_near, features, lists_one_kind
from rehit.parameters import load_parameters


@pytest.mark.parametrize("metre", [1.0, 3.2808])
def test_spread_of_a_long_wall_against_simulation(metre: float) -> None:
    """Places drawn evenly along a wall of unknown direction: 20 m² are 8 m of wall 2.5 m high."""
    rng = np.random.default_rng(1)
    along, turn = rng.uniform(-4, 4, 400_000), rng.uniform(0, np.pi, 400_000)
    walls = town.register([{"asset_id": "W-1", "x": 0, "y": 0},
                           {"asset_id": "W-2", "x": 9, "y": 0, "wall_area_m2": 1e6}])
    found = features(walls, kind="asset_type", parameters=load_parameters(), metre=metre).spread
    # Standard error of a standard deviation from 400,000 draws: below 0.2 %.
    assert found[0] / metre == pytest.approx((along * np.cos(turn)).std(), rel=0.005)
    longest = load_parameters()["assets.wall_length_max_m"]
    assert found[1] / found[0] == pytest.approx(longest / 8)


def test_a_register_of_one_kind_takes_no_more_than_chance_would_not() -> None:
    """Markings strewn at random near bins: those within metres are so by chance."""
    rng = np.random.default_rng(3)
    bins = shapely.points(rng.uniform(0, 1000, (400, 2)))
    strewn = shapely.points(rng.uniform(0, 1000, (2000, 2)))
    chance = chance_near(strewn, bins, np.array([1.0, 10.0, 20.0]), reach=24.0, shift=60.0)
    assert chance.min() > 0.7
    assert (np.diff(chance) >= 0).all()
    on_bins = shapely.points(shapely.get_coordinates(bins) + rng.normal(0, 1.0, (400, 2)))
    both = np.concatenate([on_bins, strewn])
    near, far = chance_near(both, bins, np.array([1.0, 20.0]), reach=24.0, shift=60.0)
    assert near < 0.1
    assert far > 0.7


def test_what_a_register_covers_is_told_by_its_kinds() -> None:
    assert lists_one_kind(np.array(["bin"] * 40 + ["wall"] * 2))
    assert lists_one_kind(np.array([""] * 40))
    assert not lists_one_kind(np.array(["bin"] * 30 + ["wall"] * 10))
