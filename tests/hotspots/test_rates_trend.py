"""Per-place trend: told only where the dates can tell."""

from __future__ import annotations

import numpy as np
import pytest

from rehit.hotspots.rates import place_trends, scatter_of_bursts


def times(ratio_per_year: float, n: int, years: float, rng: np.random.Generator) -> np.ndarray:
    """Times of n incidents whose rate changes by a ratio every year."""
    slope = np.log(ratio_per_year) if ratio_per_year != 1 else 1e-9
    return np.log1p(rng.random(n) * np.expm1(slope * years)) / slope


def test_a_planted_trend_is_recovered():
    rng = np.random.default_rng(1)
    found = [place_trends(np.zeros(120, int), times(2.0, 120, 3.0, rng), np.array([3.0]),
                          min_incidents=8, false_discovery_rate=0.1)[0] for _ in range(60)]
    assert np.exp(np.log(found).mean()) == pytest.approx(2.0, rel=0.06)


def test_steady_places_hardly_ever_get_a_trend():
    rng = np.random.default_rng(2)
    reported = 0
    for _ in range(100):
        place = np.repeat(np.arange(50), 20)
        ratio = place_trends(place, rng.uniform(0, 3, 1000), np.full(50, 3.0), min_incidents=8,
                             false_discovery_rate=0.1)
        reported += np.isfinite(ratio).any()
    assert reported <= 19  # 10 of 100 families expected, standard deviation 3


def test_few_incidents_say_nothing():
    ratio = place_trends(np.zeros(7, int), np.linspace(2.7, 3, 7), np.array([3.0]),
                         min_incidents=8, false_discovery_rate=0.1)
    assert np.isnan(ratio).all()


@pytest.mark.parametrize(("z", "told"), [(1.5, False), (1.7, True), (-1.5, False), (-1.7, True)])
def test_the_centroid_test_looks_both_ways(z, told):
    """Two-sided at 0.1: 1.645 standard errors from the middle, above it or below."""
    moments = np.full(12, 0.5 + z / np.sqrt(12 * 12))
    ratio = place_trends(np.zeros(12, int), moments, np.array([1.0]), min_incidents=8,
                         false_discovery_rate=0.1)[0]
    assert np.isfinite(ratio) == told
    assert not told or (ratio > 1) == (z > 0)


def test_places_that_only_follow_the_whole_log_have_not_changed():
    """Forty places whose rates all double every year; then one that falls against the others."""
    rng = np.random.default_rng(5)
    place = np.repeat(np.arange(40), 30)
    moment = times(2.0, 1200, 3.0, rng)
    told = place_trends(place, moment, np.full(40, 3.0), min_incidents=8, false_discovery_rate=0.1)
    assert np.isfinite(told).sum() <= 2
    alone = [place_trends(np.zeros(30, int), moment[place == k], np.array([3.0]), min_incidents=8,
                          false_discovery_rate=0.1)[0] for k in range(40)]
    assert np.isfinite(alone).sum() >= 35
    moment[place == 7] = times(0.3, 30, 3.0, rng)
    told = place_trends(place, moment, np.full(40, 3.0), min_incidents=8, false_discovery_rate=0.1)
    assert told[7] < 0.6


def in_bursts(size: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Sixty places of 24 incidents each at times drawn evenly, `size` at a time."""
    place = np.repeat(np.arange(60), 24)
    return place, np.repeat(rng.random(len(place) // size), size)


@pytest.mark.parametrize("size", [1, 2, 4])
def test_bursts_of_k_scatter_k_times_as_much(size):
    """The variance of a sum of bursts of k is k times its mean (compound Poisson)."""
    rng = np.random.default_rng(11)
    found = np.mean([scatter_of_bursts(*in_bursts(size, rng)) for _ in range(20)])
    assert found == pytest.approx(size, rel=0.12)


def test_bursts_are_no_change():
    rng = np.random.default_rng(12)
    told = 0
    for _ in range(50):
        place, at = in_bursts(4, rng)
        told += np.isfinite(place_trends(place, 3 * at, np.full(60, 3.0), min_incidents=8,
                                         false_discovery_rate=0.1)).any()
    assert told <= 11  # 5 of 50 families expected, standard deviation 2.1
