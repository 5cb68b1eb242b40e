"""No standard is missed that any plan could keep, against every plan of small days."""

from __future__ import annotations

import pytest
from patrol_small_days import fewest_missed, missed_by_search, small_day

from rehit.parameters import Parameters


@pytest.mark.parametrize(("n_crews", "n_jobs", "n_looks", "last_due_min", "seed"), [
    *((1, 6, 0, 800, seed) for seed in (1, 2, 9)), *((2, 6, 0, 650, seed) for seed in (2, 6, 7)),
    *((1, 4, 12, 800, seed) for seed in (1, 6, 7))])
def test_no_standard_is_missed_that_any_plan_could_keep(
        n_crews: int, n_jobs: int, n_looks: int, last_due_min: float, seed: int,
        numbers: Parameters) -> None:
    """Days on which the search used to begin a job late for a shorter way."""
    day = small_day(numbers, seed=seed, n_crews=n_crews, n_jobs=n_jobs, n_looks=n_looks,
                    last_due_min=last_due_min)
    assert missed_by_search(day, numbers) == fewest_missed(day)
