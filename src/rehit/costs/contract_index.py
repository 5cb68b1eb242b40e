"""Adjusting a price to changed pay and material prices by published clauses."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rehit.errors import SettingError
from rehit.parameters import Parameters

LINES = ("labour", "materials", "plant")


def price_adjustment_factor(*, weights: Sequence[float], base: Sequence[float],
                            latest: Sequence[float]) -> float:
    """Return the price adjustment factor of NEC secondary option X1.

    Parameters
    ----------
    weights
        Proportion of each index; what is missing to 1 is not adjusted.
    base, latest
        Each index at the base date and now.

    Raises
    ------
    SettingError
        If weights and indices do not match.

    References
    ----------
    NEC option X1: the sum of proportion × (L - B) / B.
    """
    _check(weights, base, latest)
    return float(sum(w * (now - then) / then
                     for w, then, now in zip(weights, base, latest, strict=True)))


def nec_adjustment(change: float, *, factor: float, at_current_cost: bool) -> float:
    """Return the amount for price adjustment by NEC X1.

    Parameters
    ----------
    change
        Change since the last assessment in the price for work done to date.
    factor
        From :func:`price_adjustment_factor`.
    at_current_cost
        Options C and D: the cost is already at today's prices, so it is ``F / (1 + F)`` of it;
        options A and B: prices of the base date, so it is F of it.
    """
    return change * factor / (1 + factor) if at_current_cost else change * factor


def fidic_multiplier(*, fixed: float, coefficients: Sequence[float],
                     ratios: Sequence[float]) -> float:
    """Return the adjustment multiplier Pn of FIDIC sub-clause 13.8.

    Parameters
    ----------
    fixed
        The coefficient a that is not adjusted.
    coefficients, ratios
        b, c, d … and the current over the base index of each.

    Raises
    ------
    SettingError
        If the coefficients do not add up to 1, or do not match the ratios.

    References
    ----------
    FIDIC conditions of contract 1999, 13.8: ``Pn = a + b Ln/Lo + c En/Eo + d Mn/Mo + …``.
    """
    _check(coefficients, ratios, ratios)
    if abs(fixed + sum(coefficients) - 1) > 1e-9:
        raise SettingError("FIDIC 13.8 coefficients", got=f"a sum of {fixed + sum(coefficients):g}",
                           allowed="coefficients that add up to 1",
                           remedy="correct the table of adjustment data")
    return float(fixed + sum(c * r for c, r in zip(coefficients, ratios, strict=True)))


def cpi_change(*, base: float, current: float) -> tuple[float, float]:
    """Return the change of a consumer price index in points and as a share of the base.

    Examples
    --------
    >>> points, share = cpi_change(base=229.815, current=232.945)
    >>> f"{points:.3f} points, {share:.1%}"
    '3.130 points, 1.4%'
    """
    return current - base, (current - base) / base


def _check(weights: Sequence[float], base: Sequence[float], latest: Sequence[float]) -> None:
    if not len(weights) == len(base) == len(latest) or any(b <= 0 for b in base):
        raise SettingError("price adjustment", got=f"{len(weights)} weights, {len(base)} and "
                           f"{len(latest)} indices", allowed="as many of each, indices above 0",
                           remedy="give each weight its index at both dates")


def index_paths(*, years: int, draws: int, parameters: Parameters,
                rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Return simulated price indices of pay, materials and plant: draws × years, 1 in year one.

    Growths of different lines and years are independent; the index of a line is their product.
    """
    paths = {}
    for line in LINES:
        growth = rng.normal(parameters[f"contract.inflation_{line}"],
                            parameters["contract.inflation_sd"], (draws, years - 1))
        grown = np.cumprod(1 + np.maximum(growth, -0.5), axis=1)
        paths[line] = np.hstack([np.ones((draws, 1)), grown])
    return paths


def expected_indices(*, years: int, parameters: Parameters) -> dict[str, np.ndarray]:
    """Return the expected index of pay, materials and plant in each contract year."""
    return {line: (1 + parameters[f"contract.inflation_{line}"]) ** np.arange(years)
            for line in LINES}


def indexed_price(paths: dict[str, np.ndarray], *, weights: dict[str, float],
                  fixed: float) -> np.ndarray:
    """Return the multiplier on the price by the FIDIC formula along each path.

    Parameters
    ----------
    paths
        Index of each line, in any one shape.
    weights
        Each line's share of the cost; they add up to 1.
    fixed
        Share of the price that is not adjusted.
    """
    # The same as fixed + sum((1 - fixed) * weight * path), and exactly 1 where no index moved.
    lines = [(1 - fixed) * weights[line] * (path - 1) for line, path in paths.items()]
    return 1 + np.sum(lines, axis=0)
