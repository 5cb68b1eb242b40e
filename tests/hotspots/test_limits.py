"""Each thing a log lacks gives one message, and a full log none."""

from __future__ import annotations

import pandas as pd
import pytest

from rehit.hotspots.limits import find_limits
from rehit.messages import Message
from rehit.observed import Window
from rehit.parameters import Parameters, load_parameters
from rehit.report.say import Say

FULL = pd.DataFrame({
    "reported_at": pd.date_range("2024-01-01", periods=12, freq="MS", tz="UTC"),
    "cleared_at": pd.date_range("2024-01-03", periods=12, freq="MS", tz="UTC"),
    "status": ["cleared"] * 11 + ["open"],
    "place_quality": "surveyed", "substrate": "brick", "area_m2": 1.0,
    "priority": ["offensive"] + ["ordinary"] * 11,
})
START, END = pd.Timestamp("2024-01-01", tz="UTC"), pd.Timestamp("2025-01-01", tz="UTC")


def _limits(incidents: pd.DataFrame, *, has_register: bool, until: pd.Timestamp = END,
            parameters: Parameters | None = None) -> tuple[Message, ...]:
    return find_limits(incidents, has_register=has_register, window=Window(START, until),
                       parameters=parameters)


def test_a_full_log_with_a_register_has_no_limits() -> None:
    assert _limits(FULL, has_register=True) == ()


@pytest.mark.parametrize(("change", "word"), [
    ({"cleared_at": pd.NaT}, "no_clearance"),
    ({"status": "cleared"}, "closed_only"),
    ({"place_quality": "street"}, "street_only"),
    ({"place_quality": ["none"] * 2 + ["surveyed"] * 10}, "placeless"),
    ({"substrate": "unknown"}, "no_surfaces"),
    ({"area_m2": float("nan")}, "no_sizes"),
    ({"priority": "ordinary"}, "nothing_offensive"),
    ({"reported_at": pd.to_datetime(["2024-01-01"] + ["2024-12-05"] * 11, utc=True)},
     "extract"),
])
def test_each_lack_is_said_once(change: dict[str, object], word: str) -> None:
    log = FULL.assign(**change)
    if "cleared_at" in change:
        log["cleared_at"] = pd.to_datetime(log["cleared_at"], utc=True)
    said = _limits(log, has_register=True)
    assert [each.name for each in said] == [word]


def test_a_log_without_a_register_says_what_is_not_counted() -> None:
    assert [each.name for each in _limits(FULL, has_register=False)] == ["no_register"]


def test_an_empty_log_allows_no_conclusion() -> None:
    assert _limits(FULL.iloc[:0], has_register=True)[0].name == "nothing"


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


@pytest.mark.parametrize(("days", "said"), [(1.5, "less than two days"), (90.4, "90 days only")])
def test_a_log_shorter_than_a_year_stretches_its_rates(days: float, said: str) -> None:
    log = FULL.assign(reported_at=START)
    end = START + pd.Timedelta(days=days)
    assert Say("en").all(_limits(log, has_register=True, until=end)) == [
        f"The log covers {said}: rates per year stretch what was seen in them to a year, "
        "whatever the season."]
    lenient = load_parameters().override({"pipeline.short_log_days": 30})
    assert len(_limits(log, has_register=True, until=end, parameters=lenient)) == (days < 30)


def test_a_step_in_the_whole_logs_pace_is_a_limit() -> None:
    days = [*range(364), *(364 + k / 4 for k in range(4 * 371))]
    log = pd.DataFrame({"reported_at": START + pd.to_timedelta(days, unit="D"),
                        "cleared_at": END, "status": "cleared", "place_quality": "surveyed",
                        "substrate": "brick", "area_m2": 1.0, "priority": "offensive"})
    log.loc[0, "status"] = "open"
    said = Say("en").all(_limits(log, has_register=True, until=START + pd.Timedelta(days=735)))
    assert len(said) == 1
    assert said[0].startswith("The whole log changed pace around 30 December 2024: 7.0 incidents a "
                              "week before, 28.0 after.")


def test_limits_are_said_in_both_languages() -> None:
    log = FULL.assign(
        reported_at=pd.to_datetime(["2024-01-01"] + ["2024-12-05"] * 11, utc=True),
        cleared_at=pd.Series([pd.Timestamp("2024-12-06", tz="UTC")] * 4 + [pd.NaT] * 8))
    found = _limits(log, has_register=True)
    assert [each.name for each in found] == ["extract", "few_clearances"]
    assert Say("en")(found[0]).startswith(
        "92% of incidents fall in one month (December 2024) of 12")
    assert Say("es")(found[0]).startswith("El 92\u00a0% de los casos cae en un solo mes (diciembre "
                                          "de 2024) de 12")
    assert Say("es")(found[1]).startswith("Solo el 33\u00a0% de los casos tiene fecha de limpieza")
