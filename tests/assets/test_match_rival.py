"""The density of unregistered surfaces is found out from the log itself."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from rehit.assets.match import unregistered_density
from rehit.parameters import load_parameters

HECTARE = 1e4
SQUARE = np.array(shapely.points([(0, 0), (1000, 0), (1000, 1000), (0, 1000)]
                                 + [(500, 500)] * 996), dtype=object)


def density(totals: np.ndarray, n: int, **changes: float) -> float:
    values = load_parameters().override({f"assets.{k}": v for k, v in changes.items()})
    return HECTARE * unregistered_density(totals, n_incidents=n, geometry=SQUARE, hectare=HECTARE,
                                          parameters=values)


def test_share_is_recovered_from_a_simulated_mixture() -> None:
    """3 of 10 markings come from anywhere in 100 ha with 1,000 assets: 0.3/0.7 x 10/ha = 4.29."""
    rng = np.random.default_rng(4)
    assets, n, sigma = rng.uniform(0, 1000, (1000, 2)), 4000, 6.0
    outside = rng.random(n) < 0.3
    xy = np.where(outside[:, None], rng.uniform(0, 1000, (n, 2)),
                  assets[rng.integers(0, 1000, n)] + sigma * rng.standard_normal((n, 2)))
    d2 = ((xy[:, None] - assets) ** 2).sum(axis=2)
    totals = (np.exp(-0.5 * d2 / sigma**2) / (2 * np.pi * sigma**2)).sum(axis=1)
    assert density(totals, n) == pytest.approx(0.3 / 0.7 * 10, rel=0.1)


def test_nothing_seen_leaves_the_default() -> None:
    assert density(np.empty(0), 0) == 1.0


def test_one_step_by_hand() -> None:
    """All incidents without a candidate: share = (100 p + n)/(100 + n), p = 1/(1 + 10)."""
    prior = 1 / 11
    share = (100 * prior + 50) / 150
    assert density(np.empty(0), 50) == pytest.approx(share / (1 - share) * 10)


def test_limits_hold() -> None:
    assert density(np.empty(0), 10**7) == 100.0
    assert density(np.full(10**5, 1e9), 10**5) == pytest.approx(
        HECTARE * 0.01 / HECTARE, rel=0.02)
