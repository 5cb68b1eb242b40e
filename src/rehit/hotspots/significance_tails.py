"""Exact chances of sums of values drawn from a map, and false-discovery control over many tests."""

from __future__ import annotations

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft
from scipy.special import comb
from scipy.stats import hypergeom

from rehit.errors import SettingError

LATTICE_STEPS = 4096  # numerical resolution of values that are not whole numbers
LARGE_FROM, MOST_LARGE = 0.99, 12  # values above this quantile, and at most so many, are large
LONGEST_EXACT = 2**23  # sums that can be larger than this are worked out on the lattice as well


def sum_tails(sample: np.ndarray, sums: np.ndarray, how_many: np.ndarray) -> np.ndarray:
    """Return P(sum of k values drawn from `sample` >= s) for each s and its k.

    Values are drawn with replacement, which errs on the careful side, but for the few largest: each
    of those is drawn once at most, or the chance of drawing the one very hot wall twice would hide
    truly hot areas. Whole numbers are exact; other values are rounded to a fine lattice.

    Parameters
    ----------
    sample
        The values that could be drawn, shape (n,).
    sums, how_many
        The sums asked about and of how many values each is made, shape (m,).

    Examples
    --------
    >>> sum_tails(np.array([0, 0, 1, 1]), np.array([2.0]), np.array([2])).round(4).tolist()
    [0.25]
    """
    low, most = float(sample.min()), int(how_many.max(initial=1))
    whole = bool((sample == np.round(sample)).all()) and (
        float(sample.max()) - low) * most < LONGEST_EXACT
    step = 1.0 if whole else max((float(sample.max()) - low) / LATTICE_STEPS, 1e-12)
    steps = np.sort(np.round((sample - low) / step).astype("int64"))
    large = steps[steps > np.quantile(steps, LARGE_FROM)][-MOST_LARGE:]
    usual = np.bincount(steps[: len(steps) - len(large)]) / (len(steps) - len(large))
    tails = np.ones(len(sums))
    for k in np.unique(how_many[how_many > 0]):
        upper = _upper_tail(usual, large, int(k), len(steps))
        chosen = how_many == k
        # Half a step of slack so that rounding on the lattice never makes a sum look rarer.
        slack = 1e-9 if whole else 0.5 * k
        place = np.ceil((sums[chosen] - k * low) / step - slack).astype("int64")
        tails[chosen] = upper[np.clip(place, 0, len(upper) - 1)]
    # The transform is exact to about 1e-16; smaller chances are not claimed.
    return np.maximum(tails, 1e-15)


def _upper_tail(usual: np.ndarray, large: np.ndarray, k: int, n: int) -> np.ndarray:
    """Return P(sum of k draws >= s) on the lattice s = 0, 1, ..., by characteristic functions.

    How many of the draws are large values is hypergeometric, and every set of so many is as likely.
    """
    most = min(k, len(large))
    shares = hypergeom.pmf(np.arange(most + 1), n, len(large), k)
    longest = k * (len(usual) - 1) + int(large.sum()) + 1
    length = next_fast_len(longest, real=True)
    spectrum = rfft(usual, length)
    wave = -2j * np.pi * np.arange(len(spectrum)) / length
    sets = [np.ones(len(spectrum), dtype=complex)]  # sums over all sets of 0, 1, ... large values
    for value in large:
        turn = np.exp(wave * value)
        longer = [a + b * turn for a, b in zip(sets[1:], sets[:-1], strict=True)]
        sets = [sets[0], *longer, *([sets[-1] * turn] if len(sets) <= most else [])]
    mixed = sum(share / comb(len(large), j) * chosen * spectrum ** (k - j)
                for j, (share, chosen) in enumerate(zip(shares, sets, strict=True)))
    total = np.maximum(irfft(mixed, length), 0.0)[:longest]
    return np.append(np.minimum(np.cumsum(total[::-1])[::-1], 1.0), 0.0)


def false_discovery(p: np.ndarray, *, rate: float) -> np.ndarray:
    """Tell which chances pass the Benjamini-Hochberg control; NaN never passes nor counts.

    Parameters
    ----------
    p
        Chances, shape (n,); NaN where there is no test.
    rate
        Share of false alarms among the cells called hot that is accepted.

    Raises
    ------
    SettingError
        If the rate does not lie between 0 and 1.

    References
    ----------
    Benjamini and Hochberg 1995, JRSS B 57:289-300.

    Examples
    --------
    >>> false_discovery(np.array([0.001, 0.02, 0.04, 0.9, np.nan]), rate=0.05).tolist()
    [True, True, False, False, False]
    """
    if not 0 < rate < 1:
        raise SettingError("false discovery rate", got=f"{rate:g}", allowed="between 0 and 1",
                           remedy="set hotspots.false_discovery_rate")
    tested = np.isfinite(p)
    ordered = np.sort(p[tested])
    passing = np.flatnonzero(ordered <= rate * np.arange(1, len(ordered) + 1) / len(ordered))
    limit = ordered[passing[-1]] if len(passing) else -1.0
    return np.asarray(tested & (np.nan_to_num(p, nan=2.0) <= limit))
