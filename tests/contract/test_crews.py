"""The search for the smallest team that keeps the response standards, and what a team is."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from types import SimpleNamespace

import contract_town
import numpy as np
import pandas as pd
import pytest

from rehit.contract.crews import (
    CrewKind,
    Demand,
    Standards,
    Team,
    TeamPath,
    crew_calendar,
    crew_kinds,
    fewest,
    minutes_a_year,
    needs_callout,
    queue_year,
)
from rehit.contract.price import Contract
from rehit.errors import SettingError, TableError
from rehit.parameters import load_parameters

NUMBERS = contract_town.NUMBERS
ONE = CrewKind(1.0, frozenset(["paint_out"]))
ANY = CrewKind(2.0, frozenset(["paint_out", "hot_wash"]))
DAYS = np.arange("2026-01-05", "2028-01-03", dtype="datetime64[D]")
WORKING = DAYS[np.is_busday(DAYS)]


def demand(share_of_wash: float = 0.3, *, total: float = 1000.0, numbers=NUMBERS,
           kinds: tuple[CrewKind, ...] = (ONE, ANY)) -> Demand:
    washes = round(100 * share_of_wash)
    jobs = pd.DataFrame({"minutes": np.full(100, 10.0), "priority": "ordinary",
                         "method": ["hot_wash"] * washes + ["paint_out"] * (100 - washes)})
    volume = SimpleNamespace(totals=np.full((5, 1), total))
    return Demand(jobs, None, volume, DAYS, kinds,  # type: ignore[arg-type]
                  Standards.from_parameters(numbers), numbers)


def test_search_finds_the_first_level_that_keeps_the_standard() -> None:
    """Against every possible answer, from every start, with no cap."""
    for first, start in itertools.product(range(43), range(43)):
        looked = set()

        def look(at: int, first: int = first, looked: set = looked) -> SimpleNamespace:
            looked.add(at)
            return SimpleNamespace(keeps=lambda *_: at >= first, utilisation=0.9)

        assert fewest(look, start, "ordinary", 0.95) == first
        assert len(looked) <= 2 * math.log2(44) + 2


def test_search_ends_where_crews_idle_and_still_miss_the_standard() -> None:
    def look(at: int) -> SimpleNamespace:
        return SimpleNamespace(keeps=lambda *_: False, utilisation=2 / (at + 1))

    assert fewest(look, 0, "offensive", 0.95) is None


def test_a_town_that_needs_110_crews_gets_them_without_a_cap() -> None:
    """A town of a million rows was refused: more than 40 crews were not considered."""
    big = demand(kinds=(ANY,))
    minutes = minutes_a_year(crew_calendar(DAYS, team=Team((ANY,), (1,)), parameters=NUMBERS))
    service = 10.0 + NUMBERS["contract.travel_minutes"]
    big = replace(big, volume=SimpleNamespace(totals=np.full((5, 1), 109.5 * minutes / service)))
    path = TeamPath(big)
    team = path.team(path.start())
    assert 110 <= team.crews <= 112


def test_teams_grow_from_parts_of_the_least_one_by_the_kind_that_is_short() -> None:
    """Three hot washes in ten: a washing crew first, then painters, a second washer fourth."""
    path = TeamPath(demand())
    assert [path.team(level).crews for level in range(5)] == [0.25, 0.5, 0.75, 1, 2]
    assert [path.team(level).counts for level in range(3, 8)] == [
        (0, 1), (1, 1), (2, 1), (3, 1), (3, 2)]
    assert path.team(4).persons == 3
    assert path.given(0.5) == Team((ONE, ANY), (0, 1), 0.5)
    assert path.level_of(Team((ONE, ANY), (1, 1))) == 4


def test_kinds_of_crews_are_those_of_the_vehicles_file() -> None:
    """`vehicles.csv` was not read: a washing trailer of two was priced as a van of one."""
    jobs = pd.DataFrame({"method": ["paint_out", "hot_wash", "scrape"], "persons": [1.0, 2.0, 1.0]})
    assert crew_kinds(jobs) == (CrewKind(1.0, frozenset(["paint_out", "scrape"])),
                                CrewKind(2.0, frozenset(["paint_out", "scrape", "hot_wash"])))
    vehicles = pd.DataFrame({"crew_size": [2, 3], "methods": ["paint_out", "hot_wash;inspect"]})
    assert crew_kinds(jobs, vehicles) == (CrewKind(2.0, frozenset(["paint_out"])),
                                          CrewKind(3.0, frozenset(["hot_wash", "scrape"])))


@pytest.mark.parametrize(("part", "left_min", "called"), [
    (1, 130, False), (1, 110, True), (0.25, 60, False), (0.25, 40, True)])
def test_an_offensive_job_goes_to_a_call_out_where_too_little_of_the_day_is_left(
        part: float, left_min: float, called: bool) -> None:
    """Two hours are needed, or half of the day where a part of a crew is there for less than four.

    The day of a quarter of a crew lasts 96 minutes here; 24 hours from a Friday end on Saturday.
    """
    numbers = load_parameters().override({
        "contract.callout_margin_minutes": 120, "contract.hours_per_day": 8,
        "contract.productive_share": 0.8, "contract.weekend_cover": 1})
    calendar = crew_calendar(WORKING, team=Team((ANY,), (1,), part), parameters=numbers)
    minute = calendar.opens_minute + calendar.length_minutes - left_min
    clock = np.array([np.datetime64("2026-01-09", "m") + np.timedelta64(round(minute), "m")] * 2)
    found = needs_callout(clock, np.array([True, False]), calendar,
                          standards=Standards(24.0, 5.0, 0.95), parameters=numbers)
    assert found.tolist() == [called, False]


def served(overtime: float, *, minutes: float = 20.0) -> dict[str, float]:
    """Ten weeks of 30 jobs a day at nine o'clock, for one painter of 384 minutes a day."""
    moment = np.repeat(WORKING[:50].astype("datetime64[m]") + np.timedelta64(9, "h"), 30)
    n = len(moment)
    return queue_year(moment, np.full(n, minutes), np.zeros(n, bool), np.full(n, "paint_out"),
                      WORKING, team=Team((ONE,), (1,), 1.0, overtime),
                      standards=Standards(24.0, 5.0, 0.95), parameters=load_parameters())


def test_an_hour_is_overtime_or_its_job_is_late_not_both() -> None:
    """600 minutes of work come a day, 384 are there: it was paid as overtime and late as well."""
    none, some, enough = served(0.0), served(2.0), served(6.0)
    assert none["overtime_hours"] == 0
    assert none["late_ordinary"] > 0.8 * none["jobs"]
    # Two hours, 96 minutes of work, on nearly every day of the 50: less is late than without.
    assert 0 < some["overtime_hours"] <= 2 * 60
    assert some["late_ordinary"] < none["late_ordinary"]
    # With time enough nothing is late, and what is paid is what the ordinary hours lack.
    assert enough["late_ordinary"] == 0
    lacking = 50 * (600 - 384) / (60 * 0.8)
    assert 0.7 * lacking < enough["overtime_hours"] <= 1.01 * lacking


def test_no_overtime_where_the_crew_has_time_to_spare() -> None:
    assert served(2.0, minutes=10.0)["overtime_hours"] == 0


def test_a_washing_job_waits_for_the_crew_that_can_do_it() -> None:
    """A painter idles while the one washing crew is busy; painters take paint first."""
    moment = np.full(4, WORKING[0].astype("datetime64[m]") + np.timedelta64(9, "h"))
    methods = np.array(["hot_wash", "hot_wash", "paint_out", "paint_out"])
    year = queue_year(moment, np.full(4, 100.0), np.zeros(4, bool), methods, WORKING,
                      team=Team((ONE, ANY), (1, 1)), standards=Standards(24.0, 5.0, 0.95),
                      parameters=load_parameters())
    # Both kinds are busy for 200 minutes: one wash and one paint wait 100 each.
    assert year["waited"] == pytest.approx(200)


def test_standard_that_no_number_of_crews_keeps_is_said_to_be_so(monkeypatch) -> None:
    """Without work on days off, a marking reported on Friday night waits longer than 24 hours."""
    monkeypatch.setattr(contract_town, "NUMBERS", NUMBERS.override({"contract.weekend_cover": 0}))
    with pytest.raises(SettingError, match=r"of offensive markings in time with crews = .*"
                                           r"more crews would not help.*weekend_cover"):
        contract_town.priced()


def options(contract: Contract) -> pd.DataFrame:
    return contract.crews.set_index(["arrangement", "crews"])


def test_ways_to_provide_crews_stand_beside_each_other_with_their_results(monkeypatch) -> None:
    """A second crew was taken without a word of what one would have cost and kept."""
    monkeypatch.setattr(contract_town, "NUMBERS", NUMBERS.override({
        "contract.travel_minutes": 100, "contract.overtime_hours": 2}))
    contract = contract_town.priced()
    table = contract.crews
    assert table["chosen"].sum() == 1
    chosen = table[table["chosen"]].iloc[0]
    assert chosen["meets"]
    assert chosen["cost_per_year"] == table.loc[
        table["meets"] & (table["arrangement"] != "shared"), "cost_per_year"].min()
    assert {"overtime", "shared"} <= set(table["arrangement"])
    shared = table[table["arrangement"] == "shared"].iloc[0]
    whole = table[(table["arrangement"] == "whole") & (table["crews"] == shared["crews"])].iloc[0]
    assert shared["cost_per_year"] < whole["cost_per_year"]
    assert shared["in_time_ordinary"] == whole["in_time_ordinary"]
    fewer = table[(table["persons"] < chosen["persons"]) & (table["overtime_hours"] == 0)]
    assert not fewer["meets"].any()


def test_a_number_given_is_priced_alone_even_where_it_misses(monkeypatch) -> None:
    monkeypatch.setattr(contract_town, "NUMBERS", NUMBERS.override({
        "contract.crews": 0.25, "contract.travel_minutes": 100}))
    contract = contract_town.priced()
    assert contract.queue.crews == 0.25
    assert not contract.queue.meets(0.95)
    assert len(contract.crews[contract.crews["chosen"]]) == 1


def burst(n: int = 3000, in_one_month: float = 0.7) -> pd.Series:
    """Return report times of two years, most of them in one month."""
    rng = np.random.default_rng(3)
    day = np.where(rng.random(n) < in_one_month, 592 + 26 * rng.random(n), 731 * rng.random(n))
    return contract_town.START + pd.to_timedelta(np.sort(day), unit="D")


def test_extract_of_one_month_is_not_priced_unless_told_to(monkeypatch) -> None:
    table, advice = contract_town.incidents(3000)
    table["reported_at"] = burst()
    monkeypatch.setattr(contract_town, "incidents", lambda _: (table, advice))
    with pytest.raises(TableError, match=r"in one of its 26 periods of 28 days.*even_share = 0"):
        contract_town.priced()
    monkeypatch.setattr(contract_town, "NUMBERS", NUMBERS.override({
        "contract.even_share": 0, "contract.standard_share": 0.8, "contract.queue_years": 5}))
    contract = contract_town.priced()
    assert contract.queue.meets(0.8)
    # Weeks as uneven as these need far more crews than the work alone.
    assert contract.queue.utilisation < 0.5
