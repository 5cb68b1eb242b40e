"""Each thing a log lacks gives one sentence, and a full log none."""

from __future__ import annotations

import pandas as pd
import pytest

from rehit.limits import find_limits
from rehit.observed import Window
from rehit.parameters import Parameters, load_parameters

FULL = pd.DataFrame({
    "reported_at": pd.date_range("2024-01-01", periods=12, freq="MS", tz="UTC"),
    "cleared_at": pd.date_range("2024-01-03", periods=12, freq="MS", tz="UTC"),
    "status": ["cleared"] * 11 + ["open"],
    "place_quality": "surveyed", "substrate": "brick", "area_m2": 1.0,
    "priority": ["offensive"] + ["ordinary"] * 11,
})
START, END = pd.Timestamp("2024-01-01", tz="UTC"), pd.Timestamp("2025-01-01", tz="UTC")


def _limits(incidents: pd.DataFrame, *, has_register: bool, until: pd.Timestamp = END,
            parameters: Parameters | None = None) -> tuple[str, ...]:
    return find_limits(incidents, has_register=has_register, window=Window(START, until),
                       parameters=parameters)


def test_a_full_log_with_a_register_has_no_limits() -> None:
    assert _limits(FULL, has_register=True) == ()


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
    said = _limits(log, has_register=True)
    assert len(said) == 1
    assert word in said[0]


def test_a_log_without_a_register_says_what_is_not_counted() -> None:
    assert "no asset register" in _limits(FULL, has_register=False)[0]


def test_an_empty_log_allows_no_conclusion() -> None:
    assert "nothing can be concluded" in _limits(FULL.iloc[:0], has_register=True)[0]


@pytest.mark.parametrize(("change", "number", "value"), [
    ({"place_quality": ["none"] * 2 + ["surveyed"] * 10}, "placeless_share", 0.2),
    ({"substrate": ["unknown"] * 8 + ["brick"] * 4}, "lacking_share", 0.8),
    ({"place_quality": ["street"] * 8 + ["surveyed"] * 4}, "lacking_share", 0.8),
    ({"reported_at": pd.to_datetime(["2024-01-01"] + ["2024-12-05"] * 11, utc=True)},
     "extract_months", 13),
    ({"reported_at": pd.to_datetime(["2024-01-01"] + ["2024-12-05"] * 11, utc=True)},
     "extract_month_share", 0.95),
])
def test_the_project_decides_when_a_lack_is_worth_saying(
        change: dict[str, object], number: str, value: float) -> None:
    log = FULL.assign(**change)
    assert len(_limits(log, has_register=True)) == 1
    lenient = load_parameters().override({f"pipeline.{number}": value})
    assert _limits(log, has_register=True, parameters=lenient) == ()


@pytest.mark.parametrize(("days", "said"), [(1.5, "less than two days"), (90, "90 days only")])
def test_a_log_shorter_than_a_year_stretches_its_rates(days: float, said: str) -> None:
    log = FULL.assign(reported_at=START)
    end = START + pd.Timedelta(days=days)
    assert _limits(log, has_register=True, until=end) == (
        f"The log covers {said}: rates per year stretch what was seen in them to a year, "
        "whatever the season.",)
    lenient = load_parameters().override({"pipeline.short_log_days": 30})
    assert len(_limits(log, has_register=True, until=end, parameters=lenient)) == (days < 30)


def test_a_step_in_the_whole_logs_pace_is_a_limit() -> None:
    days = [*range(364), *(364 + k / 4 for k in range(4 * 371))]
    log = pd.DataFrame({"reported_at": START + pd.to_timedelta(days, unit="D"),
                        "cleared_at": END, "status": "cleared", "place_quality": "surveyed",
                        "substrate": "brick", "area_m2": 1.0, "priority": "offensive"})
    log.loc[0, "status"] = "open"
    said = _limits(log, has_register=True, until=START + pd.Timedelta(days=735))
    assert len(said) == 1
    assert said[0].startswith("The whole log changed pace around 30 December 2024: 7.0 incidents a "
                              "week before, 28.0 after.")
