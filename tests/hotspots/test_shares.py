"""Concentration: the generalised Gini of Bernasco and Steenbeek 2017 and its limits."""

from __future__ import annotations

import numpy as np
import pytest

from rehit.errors import SettingError
from rehit.hotspots.shares import (
    generalised_gini,
    gini,
    gini_by_chance,
    share_curve,
    share_of_worst,
)


def test_generalised_gini_equals_the_ordinary_one_with_enough_incidents():
    """Bernasco and Steenbeek 2017: with at least as many incidents as places G' = G."""
    counts = np.array([0, 1, 2, 3, 10])
    assert generalised_gini(counts) == pytest.approx(gini(counts))
    assert gini(counts) == pytest.approx(2 * (0 + 2 + 6 + 12 + 50) / (5 * 16) - 6 / 5)


@pytest.mark.parametrize(("places", "incidents"), [(10, 3), (1000, 40), (7, 7)])
def test_generalised_gini_is_nil_when_no_place_is_hit_twice(places, incidents):
    counts = np.r_[np.ones(incidents), np.zeros(places - incidents)]
    assert generalised_gini(counts) == pytest.approx(0, abs=1e-12)


def test_generalised_gini_nears_one_when_one_place_has_all():
    """n places, c incidents on one: G = 1 - 1/n, so G' = 1 - 1/c for c < n."""
    counts = np.zeros(1000)
    counts[4] = 50
    assert generalised_gini(counts) == pytest.approx(1 - 1 / 50)


def test_twice_the_area_between_share_curve_and_equality_is_the_generalised_gini():
    """For at least as many incidents as places equality is the diagonal."""
    counts = np.array([0, 1, 2, 3, 10])
    curve = share_curve(counts)
    area = np.trapezoid(curve["incidents"] - curve["equal"], curve["places"])
    assert 2 * area == pytest.approx(generalised_gini(counts))


def test_luck_alone_explains_a_sparse_map_of_equal_places():
    rng = np.random.default_rng(1)
    low, high = gini_by_chance(rng.poisson(0.2, 500), draws=300, level=0.95, rng=rng)
    assert low <= generalised_gini(rng.multinomial(100, np.full(500, 1 / 500))) <= high
    busy = np.zeros(500)
    busy[:10] = 10
    assert generalised_gini(busy) > high


def test_sites_known_only_by_being_hit_are_compared_with_counts_from_one():
    """1,000 equal places of which only those hit are listed: chance explains them."""
    rng = np.random.default_rng(3)
    counts = rng.poisson(0.4, 1000)
    counts = counts[counts > 0]
    low, high = gini_by_chance(counts, draws=300, level=0.98, only_hit=True, rng=rng)
    assert low <= generalised_gini(counts) <= high
    naive_low, _ = gini_by_chance(counts, draws=300, level=0.98, rng=rng)
    assert generalised_gini(counts) < naive_low  # as if spread more evenly than chance
    assert gini_by_chance(np.ones(9), draws=9, level=0.9, only_hit=True, rng=rng) == (0.0, 0.0)
    with pytest.raises(SettingError, match="only_hit"):
        gini_by_chance(np.array([0, 3]), draws=9, level=0.9, only_hit=True, rng=rng)


def test_share_of_the_worst_places():
    assert share_of_worst(np.array([8, 1, 1, 0]), part=0.5) == pytest.approx(0.9)
    with pytest.raises(SettingError, match="part=0"):
        share_of_worst(np.array([1]), part=0)


@pytest.mark.parametrize("counts", [[], [0, 0], [-1, 2], [[1, 2]]])
def test_counts_that_are_none_are_refused(counts):
    with pytest.raises(SettingError, match="counts per place"):
        share_curve(np.array(counts))
