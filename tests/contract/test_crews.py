"""The search for the fewest crews that keep the response standards."""

from __future__ import annotations

import itertools
import math
from types import SimpleNamespace

import contract_town
import numpy as np
import pandas as pd
import pytest

from rehit.contract.crews import (
    Standards,
    _summed,
    analytic_start,
    crew_calendar,
    crew_numbers,
    fewest,
    minutes_a_year,
    needs_callout,
)
from rehit.errors import SettingError, TableError
from rehit.parameters import load_parameters

NUMBERS = contract_town.NUMBERS


def test_search_finds_the_first_number_that_keeps_the_standard() -> None:
    """Against every possible answer, from every start; None where none keeps it."""
    n = 43
    for first, start in itertools.product(range(n + 1), range(n)):
        looked = set()

        def look(at: int, first: int = first, looked: set = looked) -> SimpleNamespace:
            looked.add(at)
            return SimpleNamespace(keeps=lambda *_: at >= first)

        assert fewest(look, n, start, "ordinary", 0.95) == (first if first < n else None)
        assert len(looked) <= 2 * math.log2(n) + 2


def test_numbers_of_crews_are_parts_of_one_then_whole_ones_to_the_cap() -> None:
    numbers = load_parameters().override({"contract.crew_step": 0.25, "contract.crews_most": 3})
    assert crew_numbers(numbers) == [0.25, 0.5, 0.75, 1, 2, 3]
    whole = load_parameters().override({"contract.crew_step": 1, "contract.crews_most": 2})
    assert crew_numbers(whole) == [1, 2]


@pytest.mark.parametrize(("crews", "left_min", "called"), [
    (1, 130, False), (1, 110, True), (0.25, 60, False), (0.25, 40, True)])
def test_an_offensive_job_goes_to_a_call_out_where_too_little_of_the_day_is_left(
        crews: float, left_min: float, called: bool) -> None:
    """Two hours are needed, or half of the day where a part of a crew is there for less than four.

    The day of a quarter of a crew lasts 96 minutes here; 24 hours from a Friday end on Saturday.
    """
    numbers = load_parameters().override({
        "contract.callout_margin_minutes": 120, "contract.hours_per_day": 8,
        "contract.productive_share": 0.8, "contract.weekend_cover": 1})
    every = np.arange("2026-01-05", "2026-02-02", dtype="datetime64[D]")
    calendar = crew_calendar(every[np.is_busday(every)], crews=crews, parameters=numbers)
    minute = calendar.opens_minute + calendar.length_minutes - left_min
    clock = np.array([np.datetime64("2026-01-09", "m") + np.timedelta64(round(minute), "m")] * 2)
    found = needs_callout(clock, np.array([True, False]), calendar,
                          standards=Standards(24.0, 5.0, 0.95), parameters=numbers)
    assert found.tolist() == [called, False]


@pytest.mark.parametrize(("crews", "waits", "wait_minutes"), [(1, 1 / 2, 30.0), (2, 1 / 3, 10.0)])
def test_wait_by_formula_against_closed_forms_of_one_and_two_servers(
        crews: int, waits: float, wait_minutes: float) -> None:
    """Half of the time worked, 30 minutes a job: ρ/(1-ρ) and ρ²/(1-ρ²) of a job's time."""
    days = np.arange("2026-01-05", "2028-01-03", dtype="datetime64[D]")
    calendar = crew_calendar(days, crews=crews, parameters=NUMBERS)
    year = {"jobs": 100, "offensive": 0, "late_offensive": 0, "late_ordinary": 0, "callouts": 0,
            "minutes": 0.5 * crews * minutes_a_year(calendar), "waited": 0.0}
    run = _summed(pd.DataFrame([year, year]), crews, calendar, 30.0)
    assert run.utilisation == pytest.approx(0.5)
    assert run.erlang_waits == pytest.approx(waits)
    assert run.erlang_wait_hours * 60 == pytest.approx(wait_minutes)


def test_search_starts_where_the_work_fits() -> None:
    """A patch of so many jobs that one crew needs 2.6 times the time it has: three are looked at.

    With a standard of five days hardly a job waits that long by Erlang's formula.
    """
    days = np.arange("2026-01-05", "2028-01-03", dtype="datetime64[D]")
    calendar = crew_calendar(days, crews=1, parameters=NUMBERS)
    service = 10.0 + NUMBERS["contract.travel_minutes"]
    jobs = pd.DataFrame({"minutes": np.full(4, 10.0)})
    volume = SimpleNamespace(totals=np.full((5, 1), 2.6 * minutes_a_year(calendar) / service))
    numbers = [0.5, 1.0, 2.0, 3.0, 4.0]
    start = analytic_start(jobs, volume, days, numbers, parameters=NUMBERS,
                           standards=Standards.from_parameters(NUMBERS))
    assert numbers[start] == 3.0


def test_standard_that_no_number_of_crews_keeps_is_said_to_be_so(monkeypatch) -> None:
    """Without work on days off, a marking reported on Friday night waits longer than 24 hours."""
    monkeypatch.setattr(contract_town, "NUMBERS", NUMBERS.override({
        "contract.weekend_cover": 0, "contract.crews_most": 3}))
    with pytest.raises(SettingError, match=r"of offensive markings in time with crews = 3.*"
                                           r"more crews would not help.*weekend_cover"):
        contract_town.priced()


def test_more_work_than_the_cap_can_do_asks_for_a_higher_cap(monkeypatch) -> None:
    monkeypatch.setattr(contract_town, "NUMBERS", NUMBERS.override({
        "contract.travel_minutes": 240, "contract.crews_most": 1}))
    with pytest.raises(SettingError, match=r"with crews = 1, the most.*raise contract\.crews_most"):
        contract_town.priced()


def burst(n: int = 3000, in_one_month: float = 0.7) -> pd.Series:
    """Return report times of two years, most of them in one month."""
    rng = np.random.default_rng(3)
    day = np.where(rng.random(n) < in_one_month, 592 + 26 * rng.random(n), 731 * rng.random(n))
    return contract_town.START + pd.to_timedelta(np.sort(day), unit="D")


def test_extract_of_one_month_is_not_priced_unless_told_to(monkeypatch) -> None:
    table, advice = contract_town.incidents(3000)
    table["reported_at"] = burst()
    monkeypatch.setattr(contract_town, "incidents", lambda: (table, advice))
    with pytest.raises(TableError, match=r"in one of its 26 periods of 28 days.*even_share = 0"):
        contract_town.priced()
    monkeypatch.setattr(contract_town, "NUMBERS", NUMBERS.override({
        "contract.even_share": 0, "contract.crews_most": 30, "contract.standard_share": 0.8,
        "contract.queue_years": 5}))
    contract = contract_town.priced()
    assert contract.queue.meets(0.8)
    # Weeks as uneven as these need far more crews than the work alone.
    assert contract.queue.utilisation < 0.5
