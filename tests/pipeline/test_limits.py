"""Each thing a log lacks gives one sentence, and a full log none."""

from __future__ import annotations

import pandas as pd
import pytest

from rehit.pipeline.limits import find_limits

FULL = pd.DataFrame({
    "reported_at": pd.date_range("2024-01-01", periods=12, freq="MS", tz="UTC"),
    "cleared_at": pd.date_range("2024-01-03", periods=12, freq="MS", tz="UTC"),
    "status": ["cleared"] * 11 + ["open"],
    "place_quality": "surveyed", "substrate": "brick", "area_m2": 1.0,
    "priority": ["offensive"] + ["ordinary"] * 11,
})


def test_a_full_log_with_a_register_has_no_limits() -> None:
    assert find_limits(FULL, has_register=True) == ()


@pytest.mark.parametrize(("change", "word"), [
    ({"cleared_at": pd.NaT}, "no clearance dates"),
    ({"status": "cleared"}, "closed cases only"),
    ({"place_quality": "street"}, "street only"),
    ({"place_quality": ["none"] * 2 + ["surveyed"] * 10}, "no usable place"),
    ({"substrate": "unknown"}, "made of"),
    ({"area_m2": float("nan")}, "no sizes"),
    ({"priority": "ordinary"}, "offensive"),
    ({"reported_at": pd.to_datetime(["2024-01-01"] + ["2024-12-05"] * 11, utc=True)},
     "fall in one month"),
])
def test_each_lack_is_said_once(change: dict[str, object], word: str) -> None:
    log = FULL.assign(**change)
    if "cleared_at" in change:
        log["cleared_at"] = pd.to_datetime(log["cleared_at"], utc=True)
    said = find_limits(log, has_register=True)
    assert len(said) == 1
    assert word in said[0]


def test_a_log_without_a_register_says_what_is_not_counted() -> None:
    assert "no asset register" in find_limits(FULL, has_register=False)[0]


def test_an_empty_log_allows_no_conclusion() -> None:
    assert "nothing can be concluded" in find_limits(FULL.iloc[:0], has_register=True)[0]
