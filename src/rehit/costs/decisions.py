"""What a decision needs to know of each strategy, from its expected costs.

Everything is against the baseline, removing each time.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rehit.costs.expected import Expected, cost_at_rates
from rehit.costs.pieces import Pieces
from rehit.costs.quadrature import gamma_hats
from rehit.costs.renewals import BATCH

Numbers = NDArray[np.float64]
CENT = 0.005  # money differences below this are rounding


def payback_years(expected: Expected, baseline: Expected) -> Numbers:
    """Return the first year by whose end a strategy's cost so far is no more than the baseline's.

    Discounted expected costs, no credit for unused life; NaN where that never happens or nothing
    is paid at the start.
    """
    ahead = np.cumsum(baseline.by_year - expected.by_year, axis=1)
    pays = ahead[:, 1:] >= -CENT
    first = np.where(pays.any(axis=1), pays.argmax(axis=1) + 1.0, np.nan)
    return np.where(expected.by_year[:, 0] > baseline.by_year[:, 0] + CENT, first, np.nan)


def savings_ratio(expected: Expected, baseline: Expected) -> Numbers:
    """Return the savings-to-investment ratio: later savings per unit of extra first cost.

    References
    ----------
    NIST Handbook 135. Later savings are present values, credit for unused life included; NaN
    where no extra first cost is paid.
    """
    extra = expected.by_year[:, 0] - baseline.by_year[:, 0]
    later = ((baseline.by_year[:, 1:].sum(axis=1) - baseline.residual)
             - (expected.by_year[:, 1:].sum(axis=1) - expected.residual))
    return np.divide(later, extra, out=np.full(len(extra), np.nan), where=extra > CENT)


def expected_losses(pieces: Sequence[Pieces], expected: Sequence[Expected], *, shape: Numbers,
                    rate_years: Numbers) -> Numbers:
    """Return what each strategy is expected to cost beyond the best for the true rate.

    For the strategy cheapest on average this is the value of knowing the rate for certain: the
    most that finding out more about the place could be worth over the horizon. Only the rate's
    uncertainty counts, not the luck of later years, which nobody can find out.

    Returns
    -------
    numpy.ndarray
        Shape (places, strategies), present value; NaN where a strategy is not allowed.
    """
    losses = np.empty((len(shape), len(pieces)))
    # Places whose repaints fall due after as many patches share their curves: keep them together.
    order = np.lexsort([p.renewing.life.cleanings for p in pieces if p.renewing is not None]
                       or [shape])
    for start in range(0, len(shape), BATCH):
        part = order[start:start + BATCH]
        nodes, weights = gamma_hats(shape[part], rate_years[part])
        costs = np.stack([cost_at_rates(piece.at(part), known.weights.at(part), nodes)
                          for piece, known in zip(pieces, expected, strict=True)], axis=2)
        allowed = np.stack([piece.allowed[part] for piece in pieces], axis=1)
        best = np.where(allowed[:, None, :], costs, np.inf).min(axis=2)
        regret = np.einsum("pn,pns->ps", weights, costs - best[:, :, None])
        losses[part] = np.where(allowed, regret.clip(0), np.nan)
    return losses
