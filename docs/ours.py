"""Our own values beside the published ones, taken while the tests compare them.

    python docs/ours.py

Runs the tests of published values and closed forms, and writes ``docs/ours.csv``: for each the
first values that were held against the source. The page of checks shows them; a test of the page
holds that every check has its row.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

ROOT = Path(__file__).parents[1]
SHOWN = 4
DIGITS = 7


class Listener:
    """Hears every comparison that a test makes, and writes down our side of it."""

    def __init__(self) -> None:
        self.test, self.ours = "", dict[str, list[str]]()

    def pytest_runtest_call(self, item: pytest.Item) -> None:
        """Note which test is running."""
        self.test = f"{Path(item.path).relative_to(ROOT / 'tests').as_posix()}::" + (
            item.originalname if isinstance(item, pytest.Function) else item.name)
        self.ours.setdefault(self.test, [])

    def hear(self, value: Any) -> None:
        """Write down one value, or the first of several."""
        known = self.ours.get(self.test)
        if known is None or len(known) >= SHOWN:
            return
        try:
            numbers = np.ravel(np.asarray(value, dtype=float))
        except (TypeError, ValueError):
            return
        known += [f"{number:.{DIGITS}g}" for number in numbers[:SHOWN - len(known)]]


def listen(listener: Listener) -> None:
    """Let comparisons by tolerance tell the listener."""
    for kind in {type(pytest.approx(each)) for each in (1.0, [1.0], np.ones(1), {"a": 1.0})}:
        plain = kind.__eq__

        def told(self: Any, actual: Any, plain: Any = plain) -> bool:
            listener.hear(list(actual.values()) if isinstance(actual, dict) else actual)
            return bool(plain(self, actual))

        kind.__eq__ = told
    for module, name in ((np, "allclose"), (np.testing, "assert_allclose")):
        plain_close = getattr(module, name)

        def close(actual: Any, *rest: Any, plain: Any = plain_close, **how: Any) -> Any:
            listener.hear(actual)
            return plain(actual, *rest, **how)

        setattr(module, name, close)


def main() -> int:
    """Run the tests and write the table."""
    listener = Listener()
    listen(listener)
    status = pytest.main(["-n", "0", "-q", "-k", "_against_", str(ROOT / "tests")], [listener])
    rows = sorted((test, "; ".join(ours)) for test, ours in listener.ours.items()
                  if "_against_" in test)
    with (Path(__file__).parent / "ours.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file, lineterminator="\n").writerows([("test", "ours"), *rows])
    return int(status)


if __name__ == "__main__":
    sys.exit(main())
