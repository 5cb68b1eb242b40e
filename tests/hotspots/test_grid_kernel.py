"""Kernel density in metres, whatever the spread of the data."""

from __future__ import annotations

import numpy as np
import pytest

from rehit.errors import SettingError
from rehit.hotspots.grid import kernel_density


def test_kernel_is_the_normal_density_of_its_bandwidth() -> None:
    counts = np.zeros((81, 81))
    counts[40, 40] = 3
    density = kernel_density(counts, cell_m=20.0, bandwidth_m=100.0)
    for row, column in ((40, 40), (43, 44), (30, 40)):
        far_m = 20.0 * np.hypot(row - 40, column - 40)
        normal = 3 * np.exp(-0.5 * (far_m / 100) ** 2) / (2 * np.pi * 0.1**2)
        assert density[row, column] == pytest.approx(normal, rel=2e-3)


def test_bandwidth_is_in_metres_and_not_scaled_by_the_data() -> None:
    # Trap: scipy scales by the data's own spread, scikit-learn takes coordinate units.
    near, far = np.zeros((60, 60)), np.zeros((60, 60))
    near[30, [29, 31]] = 1
    far[30, [5, 55]] = 1
    peak = [kernel_density(c, cell_m=100.0, bandwidth_m=100.0).max() for c in (near, far)]
    alone = kernel_density(np.eye(1, 3600, 1830).reshape(60, 60), cell_m=100.0, bandwidth_m=100.0)
    assert peak[1] == pytest.approx(alone.max(), rel=1e-9)
    assert peak[0] > peak[1]


def test_lengths_must_be_positive() -> None:
    with pytest.raises(SettingError, match="metres"):
        kernel_density(np.ones((3, 3)), cell_m=100.0, bandwidth_m=0.0)


@pytest.mark.parametrize(("cell_m", "bandwidth_m"), [(0.0, 100.0), (50.0, 0.0), (-50.0, 100.0)])
def test_lengths_of_a_kernel_must_be_positive(cell_m: float, bandwidth_m: float) -> None:
    with pytest.raises(SettingError):
        kernel_density(np.ones((3, 3)), cell_m=cell_m, bandwidth_m=bandwidth_m)
