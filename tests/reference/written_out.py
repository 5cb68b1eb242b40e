"""Statistics written out place by place, to hold the fast code against."""

from __future__ import annotations

import numpy as np


def gi_star_written_out(values: np.ndarray, near: np.ndarray) -> np.ndarray:
    """Return Gi* of each place; `near` says of each pair whether they are neighbours.

    References
    ----------
    Ord and Getis 1995, Geographical Analysis 27:286-306, with weights of 0 and 1.
    """
    n, found = len(values), []
    for row in near:
        number = row.sum()
        scale = values.std() * np.sqrt((n * number - number**2) / (n - 1))
        found.append((values[row].sum() - values.mean() * number) / scale)
    return np.array(found)
