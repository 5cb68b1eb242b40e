"""Time to re-hit at a typical place: unbiased where pooling all spells is not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rehit.errors import TableError
from rehit.hotspots.survival import (
    kaplan_meier,
    median_time,
    read_typical_place,
    typical_curve,
    typical_median,
)
from rehit.report.say import Say


def spells(n: int, rng: np.random.Generator, *, window: float = 700.0) -> pd.DataFrame:
    """Exponential spells with gamma rates (shape 2, mean 1/60 a day): Lomax times marginally."""
    rows = []
    for k in range(n):
        rate, day = rng.gamma(2.0, 1 / 120), 0.0
        while day < window:
            gap = rng.exponential(1 / rate)
            rows.append((f"P{k}", min(gap, window - day), day + gap < window))
            day += gap
    return pd.DataFrame(rows, columns=["place_id", "days", "event"])


TRUE_MEDIAN = 120 * (2 ** (1 / 2) - 1)  # (1 + t/120)^-2 = 1/2


def test_typical_median_is_right_where_pooled_spells_are_far_off():
    rng = np.random.default_rng(1)
    table = spells(3000, rng)
    middle, low, high = typical_median(table, rng=rng)
    assert low <= TRUE_MEDIAN <= high
    assert middle == pytest.approx(TRUE_MEDIAN, rel=0.08)
    pooled = median_time(table["days"].to_numpy(), table["event"].to_numpy())[0]
    assert pooled < 0.8 * TRUE_MEDIAN


def test_interval_covers_the_true_median_as_often_as_it_says():
    rng = np.random.default_rng(2)
    inside = 0
    for _ in range(60):
        _, low, high = typical_median(spells(80, rng), rng=rng)
        inside += low <= TRUE_MEDIAN <= high
    assert 47 <= inside <= 60  # 54 expected, standard deviation 2.3


def test_one_spell_per_place_is_kaplan_meier():
    rng = np.random.default_rng(3)
    days, seen = rng.integers(1, 40, 200).astype(float), rng.random(200) < 0.7
    ours = typical_curve(np.arange(200), days, seen)
    plain = kaplan_meier(days, seen)
    assert ours["days"].tolist() == plain["days"].tolist()
    assert ours["survival"].to_numpy() == pytest.approx(plain["survival"].to_numpy(), abs=1e-12)


def test_readings_admit_what_the_log_cannot_tell():
    rng = np.random.default_rng(4)
    quiet = pd.DataFrame({"place_id": list("abcdefghijkl"), "days": [9.0] + [50.0] * 11,
                          "event": [True] + [False] * 11})
    assert read_typical_place(quiet, rng=rng).code == "spells.typical_beyond"
    one = pd.DataFrame({"place_id": "a", "days": [9.0, 11, 13], "event": True})
    assert Say("en")(read_typical_place(one,
                                        rng=rng)).startswith("Only 1 place was cleared: too few")
    said = Say("en")(read_typical_place(spells(200, rng), rng=rng))
    assert "half of the 200 places" in said


def test_unusable_spells_are_refused():
    with pytest.raises(TableError, match="typical_curve"):
        typical_curve(np.array(["a"]), np.array([-1.0]), np.array([True]))
