"""Price adjustment against a clause's published worked figures."""

from __future__ import annotations

import numpy as np
import pytest

from rehit.contract.price import expected_indices, index_paths, indexed_price
from rehit.parameters import load_parameters


def test_multiplier_against_fidic_13_8_worked_inputs() -> None:
    """Inputs of a published question on FIDIC 13.8; the result was worked out by hand from them.

    Coefficients 0.024, 0.056, 0.216, 0.126 and 0.378 beside a fixed 0.2: Pn = a + b Ln/Lo + ...
    """
    coefficients = [0.024, 0.056, 0.216, 0.126, 0.378]
    ratios = [469.8 / 433.2, 1, 583.3 / 564.1, 132.6 / 127.7, 132.6 / 127.7]
    found = indexed_price({str(n): np.array(ratio) for n, ratio in enumerate(ratios)},
                          weights={str(n): c / 0.8 for n, c in enumerate(coefficients)}, fixed=0.2)
    assert found == pytest.approx(1.028719, abs=5e-7)


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
