"""A number agrees with the word it counts."""

from __future__ import annotations

import numpy as np
import pytest

from rehit.wording import counted


@pytest.mark.parametrize(("number", "said"), [
    (0, "0 stops"), (1, "1 stop"), (1.0, "1 stop"), (2, "2 stops"), (2.5, "2.5 stops"),
    (10.0, "10 stops"), (np.int64(1), "1 stop"), (np.int64(1_234_567), "1234567 stops"),
])
def test_one_is_singular_and_all_else_plural(number: float, said: str) -> None:
    assert counted(number, "stop") == said
