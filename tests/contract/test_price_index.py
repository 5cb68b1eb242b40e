"""Price adjustment against the clauses' published worked figures."""

from __future__ import annotations

import numpy as np
import pytest

from rehit.contract.price import (
    cpi_change,
    expected_indices,
    fidic_multiplier,
    index_paths,
    indexed_price,
    nec_adjustment,
    price_adjustment_factor,
)
from rehit.errors import SettingError
from rehit.parameters import load_parameters


def test_factor_and_amount_against_nec_x1_worked_example() -> None:
    """NEC X1, Reachback question 17373 (Option C); the A and B amount follows from its factor."""
    factor = price_adjustment_factor(weights=[0.1, 0.2, 0.05], base=[10, 15, 5],
                                     latest=[12, 20, 7])
    assert factor == pytest.approx(0.1066667, abs=5e-8)
    assert nec_adjustment(10_000, factor=factor, at_current_cost=True) == pytest.approx(
        963.86, abs=0.005)
    assert nec_adjustment(10_000, factor=factor, at_current_cost=False) == pytest.approx(
        1066.67, abs=0.005)


def test_multiplier_against_fidic_13_8_worked_inputs() -> None:
    """Inputs of a published question on FIDIC 13.8; the result was worked out by hand from them."""
    ratios = [469.8 / 433.2, 1, 583.3 / 564.1, 132.6 / 127.7, 132.6 / 127.7]
    found = fidic_multiplier(fixed=0.2, coefficients=[0.024, 0.056, 0.216, 0.126, 0.378],
                             ratios=ratios)
    assert found == pytest.approx(1.028719, abs=5e-7)


def test_cpi_clause_against_published_example() -> None:
    """A base-index clause's own figures: 229.815 to 232.945 is 3.130 points or 1.4 percent."""
    points, share = cpi_change(base=229.815, current=232.945)
    assert points == pytest.approx(3.130, abs=5e-4)
    assert round(100 * share, 1) == 1.4
    assert share == pytest.approx(0.0136197, abs=5e-8)


def test_faulty_clauses_are_refused() -> None:
    with pytest.raises(SettingError, match="add up to 1"):
        fidic_multiplier(fixed=0.3, coefficients=[0.8], ratios=[1.0])
    with pytest.raises(SettingError, match="2 weights"):
        price_adjustment_factor(weights=[0.1, 0.2], base=[10], latest=[12])


def test_paths_start_at_one_and_grow_as_expected() -> None:
    numbers = load_parameters()
    paths = index_paths(years=3, draws=20_000, parameters=numbers, rng=np.random.default_rng(1))
    expected = expected_indices(years=3, parameters=numbers)
    for line, path in paths.items():
        assert (path[:, 0] == 1).all()
        error = path.std(axis=0)[1:] / np.sqrt(len(path))
        assert (np.abs(path.mean(axis=0) - expected[line])[1:] < 4 * error).all()


def test_price_follows_its_weights() -> None:
    price = indexed_price({"labour": np.array([1.0, 1.1]), "materials": np.array([1.0, 1.0])},
                          weights={"labour": 0.5, "materials": 0.5}, fixed=0.2)
    assert price == pytest.approx([1.0, 1.04])
