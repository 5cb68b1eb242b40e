"""The sentence on one crew's day: when it is back, and why if that is early."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from rehit.outputs.patrol import crew_sentence


def _day(*, back_min: float, n_left_out: int) -> tuple[Any, Any]:
    rows = pd.DataFrame({"arrive_min": [540.0, back_min]})
    sheet = SimpleNamespace(crew={"name": "Van A", "shift_end_min": 900.0}, rows=rows,
                            stops=rows.head(1))
    return SimpleNamespace(left_out=pd.DataFrame(index=range(n_left_out))), sheet


@pytest.mark.parametrize(("back_min", "early_min", "n_left_out", "said"), [
    (870.5, 30.0, 4, "  Van A: 1 stop, back at 14:30."),
    (870.0, 30.0, 4, "  Van A: 1 stop, back at 14:30, with the shift ending at 15:00: no stop "
     "left out that it can do fits in the time that remains."),
    (870.0, 30.0, 0, "  Van A: 1 stop, back at 14:30, with the shift ending at 15:00: every place "
     "likely enough to be offered is on a route."),
    (870.0, 45.0, 4, "  Van A: 1 stop, back at 14:30."),
])
def test_a_crew_back_early_says_why(back_min: float, early_min: float, n_left_out: int,
                                    said: str) -> None:
    plan, sheet = _day(back_min=back_min, n_left_out=n_left_out)
    assert crew_sentence(plan, sheet, early_min=early_min) == said
