"""A plain first plan, and what a finished plan has room for."""

from __future__ import annotations

import numpy as np

from rehit.patrol.search import (
    Break,
    Crew,
    Problem,
    fill_routes,
    finish_time,
    greedy_routes,
    most_score,
)


def line(crews: tuple[Crew, ...], *, service: int = 10, must: tuple[int, ...] = (),
         loads: np.ndarray | None = None) -> Problem:
    """Five stops 10 apart on a line from the depot, the farthest worth least."""
    at = np.arange(6) * 10
    return Problem(
        travel=np.abs(at[:, None] - at[None]), location=np.arange(1, 6),
        service=np.full(5, service), earliest=np.zeros(5, dtype=int), latest=np.full(5, 10_000),
        score=np.array([5.0, 4.0, 3.0, 2.0, 1.0]), must=np.isin(np.arange(5), must), crews=crews,
        loads=np.zeros((0, 0), dtype=np.int64) if loads is None else loads)


def anything(_crew: Crew, _route: list[int]) -> bool:
    return True


def test_all_that_fits_is_added_the_best_first() -> None:
    problem = line((Crew(0, 0, 0, 100),))
    # Three stops take 2 x 30 of driving and 3 x 10 of work; a fourth would take 120 in all.
    (route,) = fill_routes(problem, [[]], anything)
    assert sorted(route) == [0, 1, 2]
    assert finish_time(problem, problem.crews[0], route) == 90


def test_a_job_that_must_be_done_comes_before_better_scores() -> None:
    (route,) = fill_routes(line((Crew(0, 0, 0, 120),), must=(4,)), [[]], anything)
    assert 4 in route


def test_what_is_planned_stays_in_its_order() -> None:
    (route,) = fill_routes(line((Crew(0, 0, 0, 1000),)), [[3, 1]], anything)
    assert sorted(route) == [0, 1, 2, 3, 4]
    assert route.index(3) < route.index(1)


def test_nothing_is_added_that_a_crew_cannot_carry_or_that_breaks_a_rule() -> None:
    loads = np.full((5, 1), 10)
    (route,) = fill_routes(line((Crew(0, 0, 0, 1000, capacity=(25,)),), loads=loads), [[]],
                           anything)
    assert len(route) == 2
    (route,) = fill_routes(line((Crew(0, 0, 0, 1000),)), [[]], lambda _, way: len(way) < 4)
    assert len(route) == 3


def test_time_for_a_break_that_falls_due_is_kept() -> None:
    rest = Break(length=40, earliest=0, latest=100, free_until=60)
    (route,) = fill_routes(line((Crew(0, 0, 0, 100, rest=rest),)), [[]], anything)
    # Without the break 90 of 100 would be filled; with it no more than 60 may be.
    assert sorted(route) == [0, 1]


def test_work_ends_a_break_sooner_or_before_one_falls_due() -> None:
    """A shift of 100 with a break of 40: 60 of work, or 70 where up to 70 needs no break."""
    for free_until, end in ((50, 60), (70, 70), (200, 100)):
        rest = Break(length=40, earliest=0, latest=100, free_until=free_until)
        assert Crew(0, 0, 0, 100, rest=rest).work_until == end


def test_the_bound_counts_the_time_of_the_jobs_done() -> None:
    """Each stop takes 10 and the 10 to it: in 80 four looks, or three beside the job."""
    problem = line((Crew(0, 0, 0, 80),), must=(4,))
    assert most_score(problem) == 5 + 4 + 3 + 2
    assert most_score(problem, done=[4]) == 5 + 4 + 3


def test_greedy_weighs_the_square_of_the_score_against_the_extra_time() -> None:
    """One of two stops fits: 4² for 40 minutes is more than 2² for 16; 4/40 is less than 2/16."""
    at = np.array([0, 15, -3])
    problem = Problem(
        travel=np.abs(at[:, None] - at[None]), location=np.array([1, 2]), service=np.full(2, 10),
        earliest=np.zeros(2, dtype=int), latest=np.full(2, 1000), score=np.array([4.0, 2.0]),
        must=np.zeros(2, bool), crews=(Crew(0, 0, 0, 45),))
    assert greedy_routes(problem) == [[0]]
