"""Capture indices against published examples; log score, calibration, coverage."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import poisson

from rehit.errors import SettingError
from rehit.hotspots.scoring import (
    capture_at,
    capture_curve,
    poisson_log_score,
)


def test_pai_and_pei_against_ptools_test() -> None:
    # R package ptools, test of pai: equal areas.
    curve = capture_curve(np.array([3, 2, 1]), np.array([6, 3, 0]))
    assert curve["pai"].tolist() == pytest.approx([2, 1.5, 1], abs=1e-12)
    assert curve["pei"].tolist() == pytest.approx([1, 1, 1], abs=1e-12)


def test_pai_and_pei_against_ptools_example() -> None:
    # R package ptools, example of pai, run: ties with the lowest count first.
    curve = capture_curve(np.array([8, 4, 4, 2, 1, 0]), np.array([6, 7, 3, 2, 1, 0]))
    assert curve["pai"].tolist() == pytest.approx(
        [1.894737, 1.421053, 1.684211, 1.421053, 1.2, 1], abs=5e-7)
    assert curve["pei"].tolist() == pytest.approx([0.857143, 0.692308, 1, 1, 1, 1], abs=5e-7)


@pytest.mark.parametrize(("captured", "area", "pai"), [(0.25, 0.5, 0.5), (0.20, 0.1, 2.0)])
def test_pai_against_chainey_2008(captured, area, pai) -> None:
    # Two places: the first holds this share of the area and of the incidents (from memory).
    curve = capture_curve(np.array([2.0, 1.0]), np.array([100 * captured, 100 * (1 - captured)]),
                          area=np.array([area, 1 - area]))
    assert curve["pai"].iloc[0] == pytest.approx(pai, abs=1e-12)


def test_half_the_places_captured_what_ptools_says_of_three() -> None:
    # R package ptools, example of pai, its third row: 6, 3 and 7 of 19.
    got = capture_at(np.array([8, 4, 4, 2, 1, 0]), np.array([6, 7, 3, 2, 1, 0]), share=0.5)
    assert got == pytest.approx({"hit_rate": 16 / 19, "pai": 1.684211, "pei": 1.0}, abs=5e-7)


def test_top_share_never_means_no_place() -> None:
    assert capture_at(np.array([1.0, 2.0]), np.array([0, 4]), share=0.01)["hit_rate"] == 1.0


def test_shared_ties_are_the_mean_over_all_orders() -> None:
    expected, counts = np.array([5.0, 2, 2, 2, 0]), np.array([1, 6, 0, 3, 2])
    curve = capture_curve(expected, counts, share_ties=True)
    assert curve["hits"].tolist() == pytest.approx([1, 4, 7, 10, 12], abs=1e-12)
    assert capture_curve(expected, counts)["hits"].tolist() == [1, 1, 4, 10, 12]


def test_captures_of_a_period_without_incidents_are_empty() -> None:
    assert np.isnan(capture_at(np.array([1.0, 2.0]), np.array([0, 0]), share=0.5)["pai"])


def test_log_score_is_the_poisson_likelihood() -> None:
    expected, counts = np.array([0.2, 1.5, 3.0]), np.array([0, 2, 3])
    assert poisson_log_score(expected, counts) == pytest.approx(
        poisson.logpmf(counts, expected).mean(), rel=1e-12)
    assert poisson_log_score(np.array([0.0, 1.0]), np.array([1, 1])) == -np.inf


def test_lengths_must_match() -> None:
    with pytest.raises(SettingError, match="one of each"):
        poisson_log_score(np.array([1.0]), np.array([1, 2]))
