"""Going through the rows of a finished table."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pandas as pd


def each(frame: pd.DataFrame) -> Iterator[Any]:
    """Give each row as a named tuple, its columns as attributes.

    Examples
    --------
    >>> [row.n + 1 for row in each(pd.DataFrame({"n": [1, 2]}))]
    [2, 3]
    """
    yield from frame.itertuples(index=False)
