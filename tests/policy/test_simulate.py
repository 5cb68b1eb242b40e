"""The patch lived through, against formulas; nothing is lost, and names change nothing."""

from __future__ import annotations

from dataclasses import replace
from math import factorial

import numpy as np
import pytest
from invented_patch import make_patch, sure_worlds

from rehit.observed import DAYS_PER_YEAR
from rehit.policy import simulate
from rehit.policy.patch import Clock
from rehit.policy.policies import Policy
from rehit.policy.simulate import live, most_draws

TODAY = Policy(name="today")


def test_one_place_without_limits_against_renewal_formula_and_little_1961() -> None:
    """A wall at rate r that waits w is marked r / (1 + r w) times a year, and r w / (1 + r w) of
    the time (Little 1961, Operations Research 9, 383-387: number = rate times time).
    """
    rate, wait = 20.0, 6.0 / DAYS_PER_YEAR
    patch = make_patch(1, rate_per_year=rate, wait_days=6.0, lead_days=91.0)
    lived, = live(patch, [TODAY], sure_worlds(patch, 2000, years=4), seed=1, years=4, batch=2000)
    a_year = rate / (1 + rate * wait)
    assert lived.sums["markings"].mean() == pytest.approx(a_year, rel=0.01)
    assert lived.sums["rehits"].mean() == pytest.approx(a_year, rel=0.01)
    open_ = lived.sums["visible_days"].mean() / DAYS_PER_YEAR
    assert open_ == pytest.approx(a_year * wait, rel=0.01)


def test_a_queue_of_three_crews_against_erlang_1917(monkeypatch: pytest.MonkeyPatch) -> None:
    """M/M/3 at 80 % load: waiting and service together by Erlang's delay formula."""
    crews, load, a_day = 3, 0.8, 12.0
    service = crews * load / a_day
    patch = make_patch(1, rate_per_year=1e-6, wait_days=0.0, crews=crews,
                       elsewhere_per_year=DAYS_PER_YEAR * a_day, onsite_elsewhere_h=24 * service)

    def exponential(*args: object, **how: object) -> simulate.Marks:
        marks = drawn(*args, **how)  # type: ignore[arg-type]
        return replace(marks, effort=chance.exponential(size=len(marks.at)))

    drawn, chance = simulate.come, np.random.default_rng(5)
    monkeypatch.setattr(simulate, "come", exponential)
    lived, = live(patch, [TODAY], sure_worlds(patch, 400, years=1), seed=1, years=1, batch=400)
    busy = crews * load
    full = busy**crews / factorial(crews) / (1 - load)
    delayed = full / (sum(busy**k / factorial(k) for k in range(crews)) + full)
    expected = service + delayed * service / (crews * (1 - load))
    found = lived.sums["visible_days"].sum() / lived.sums["cleared"].sum()
    assert found == pytest.approx(expected, rel=0.01)


def whole_patch() -> object:
    rng = np.random.default_rng(3)
    return make_patch(
        60, rate_per_year=8.0, wait_days=4.0, crews=2, round_the_clock=False,
        cell=rng.integers(0, 8, 60), offensive=np.full(61, 0.2), elsewhere_per_year=60.0,
        onsite_h=np.full(60, 0.7), onsite_coated_h=np.full(60, 0.4), onsite_elsewhere_h=0.7,
        coating_saves=np.arange(60.0), prevented=0.3, report_days=5.0, effort_sd=0.4,
        bursts={"town": 0.05, "cell": 0.3, "place": 0.7})


POLICIES = (
    TODAY, Policy(name="quick", ordinary_working_days=1, offensive_hours=12),
    Policy(name="look", looks_per_week=30), Policy(name="coat", coat=30),
    Policy(name="starved", hours_share=0.05), Policy(name="campaign", never_reported_share=0.2,
                                                     report_days_share=0.4))


@pytest.fixture(scope="module")
def lived() -> list[simulate.Lived]:
    patch = whole_patch()
    return live(patch, POLICIES, sure_worlds(patch, 120, years=3, never_ratio=0.2), seed=7,
                years=3)


def test_every_marking_is_cleared_or_fades_or_stands(lived: list[simulate.Lived]) -> None:
    for each in lived:
        ended = each.sums["cleared"].sum(axis=0) + each.sums["faded"].sum(axis=0) + each.standing
        assert (each.sums["markings"].sum(axis=0) == ended).all(), each.policy.name
        assert (each.cleanings.sum(axis=2) == each.sums["cleared"]).all()


def test_no_crew_works_more_hours_than_it_has(lived: list[simulate.Lived]) -> None:
    patch = whole_patch()
    for each in lived:
        hours = each.sums["hours"].sum(axis=0) + each.looks.sum() * patch.practice.look_h
        # A job begun on the last day is counted whole.
        assert hours.max() <= 3 * patch.paid_hours(each.policy) + 12, each.policy.name


def test_what_a_policy_does_goes_the_way_it_must(lived: list[simulate.Lived]) -> None:
    today, quick, look, coat, starved, campaign = (
        {name: value.sum() for name, value in each.sums.items()} for each in lived)
    assert quick["visible_days"] < 0.9 * today["visible_days"]
    assert look["visible_days"] < 0.9 * today["visible_days"]
    assert look["found"] > 0 == today["found"]
    assert coat["markings"] < 0.95 * today["markings"]
    assert coat["hours"] < today["hours"]
    assert starved["cleared"] < 0.8 * today["cleared"]
    assert starved["in_time"] / starved["reported"] < 0.2
    assert campaign["visible_days"] < today["visible_days"]
    assert campaign["reported"] > today["reported"]


def test_a_policy_that_only_relabels_changes_nothing() -> None:
    patch = whole_patch()
    worlds = sure_worlds(patch, 40, years=1)
    here, there = live(patch, [TODAY, Policy(name="new_name")], worlds, seed=2, years=1)
    alone, = live(patch, [Policy(name="alone")], worlds, seed=2, years=1)
    for other in (there, alone):
        for name, value in here.sums.items():
            assert (value == other.sums[name]).all(), name


def test_results_do_not_depend_on_the_number_of_processes() -> None:
    patch = make_patch(5)
    worlds = sure_worlds(patch, 40)
    one, = live(patch, [TODAY], worlds, seed=2, years=1, batch=20, n_jobs=1)
    two, = live(patch, [TODAY], worlds, seed=2, years=1, batch=20, n_jobs=2)
    assert (one.sums["markings"] == two.sums["markings"]).all()


def test_where_slow_clearance_brings_rehits_quick_clearance_saves_them() -> None:
    patch = make_patch(40, rate_per_year=12.0, wait_days=7.0, lead_days=91.0)
    worlds = sure_worlds(patch, 60, years=2)
    quick = Policy(name="quick", ordinary_working_days=1)
    markings = {effect: [each.sums["markings"].mean() for each in live(
        patch, [TODAY, quick], worlds, seed=3, years=2, effect=effect)] for effect in (1.0, 1.2)}
    # Without an effect the wall is clean for longer, so it is marked a little more often.
    assert markings[1.0][1] > markings[1.0][0]
    rates = 12.0, 12.0 * 1.2 ** (np.log2(1.4 + 1) - np.log2(7 + 1))
    slow, fast = (rate / (1 + rate * wait / DAYS_PER_YEAR)
                  for rate, wait in zip(rates, (7, 1.4), strict=True))
    assert markings[1.2][1] / markings[1.2][0] == pytest.approx(fast / slow, rel=0.01)
    # Today's own waits are the usual ones: the effect leaves today's practice as it is.
    assert markings[1.2][0] == pytest.approx(markings[1.0][0], rel=0.02)


def test_only_an_offensive_marking_is_cleared_by_call_out_on_a_day_off() -> None:
    """Every job is planned half a day, or half a working day, after its report."""
    for offends, least, most in ((1.0, 0.5, 0.51), (0.0, 0.9, 1.5)):
        patch = make_patch(30, rate_per_year=5.0, wait_days=0.5, round_the_clock=False,
                           crews=5, offensive=np.full(31, offends), onsite_h=np.full(30, 0.5))
        lived, = live(patch, [TODAY], sure_worlds(patch, 20), seed=1, years=1)
        each = lived.sums["waiting_days"].sum() / lived.sums["cleared"].sum()
        assert least <= each < most


def test_clock_counts_working_days_and_finds_back() -> None:
    clock = Clock(np.arange(14) % 7 < 5, starts=7.0, length=8.0)
    times = np.array([0.0, 7 / 24, 11 / 24, 15 / 24, 1 + 11 / 24, 5.5, 7 + 15 / 24])
    assert clock.work(times).tolist() == pytest.approx([0, 0, 0.5, 1, 1.5, 5, 6])
    assert clock.time(np.array([0.5, 5.5])).tolist() == pytest.approx([11 / 24, 7 + 11 / 24])
    # Within one working day of Thursday noon is by midnight of Friday; of Saturday, Monday's.
    assert clock.end_of(np.array([1.0, 1.0]), np.array([3.5, 5.5])).tolist() == [5.0, 8.0]


def test_a_year_taken_in_parts_is_the_same_year(monkeypatch: pytest.MonkeyPatch,
                                                lived: list[simulate.Lived]) -> None:
    patch = whole_patch()
    monkeypatch.setattr(simulate, "MOST_EVENTS", 30_000)
    parts = live(patch, POLICIES, sure_worlds(patch, 120, years=3, never_ratio=0.2), seed=7,
                 years=3)
    for one, other in zip(lived, parts, strict=True):
        for name, value in one.sums.items():
            assert other.sums[name] == pytest.approx(value, abs=1e-6), (one.policy.name, name)
        assert (one.cleanings == other.cleanings).all()


def test_no_more_draws_side_by_side_than_memory_holds() -> None:
    small, large = (most_draws(make_patch(n), policies=4, years=5, memory_bytes=3e8)
                    for n in (500, 50_000))
    assert large < small / 10
    assert most_draws(make_patch(10**6), policies=4, years=5, memory_bytes=3e8) == 1
