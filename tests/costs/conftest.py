"""Invented places for the cost tests."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from python_calamine import CalamineWorkbook


def make_costing(n_places: int, rng: np.random.Generator) -> pd.DataFrame:
    """Return a costing table of invented places of every kind."""
    return pd.DataFrame({
        "place_id": [f"P{number:05d}" for number in range(n_places)],
        "gamma_shape": 0.6 + rng.poisson(rng.gamma(0.8, 4, n_places)),
        "gamma_rate_years": rng.uniform(1, 4, n_places),
        "mark_area_m2": rng.lognormal(0, 0.6, n_places),
        "wall_area_m2": rng.lognormal(2.6, 0.7, n_places),
        "method": rng.choice(["paint_out", "solvent_wipe", "hot_wash", "inspect"], n_places,
                             p=[0.5, 0.25, 0.2, 0.05]),
        "coating_allowed": rng.random(n_places) < 0.8,
        "access": rng.choice(["ground", "ladder", "platform"], n_places, p=[0.8, 0.15, 0.05]),
        "traffic_control": rng.random(n_places) < 0.05,
    })


@pytest.fixture
def make_places() -> Callable[[int, np.random.Generator], pd.DataFrame]:
    """The maker of invented places."""
    return make_costing


@pytest.fixture
def costing() -> pd.DataFrame:
    """Forty places."""
    return make_costing(40, np.random.default_rng(11))


@pytest.fixture
def one_wall() -> pd.DataFrame:
    """One bare brick wall, hit about four times a year."""
    return pd.DataFrame({
        "place_id": ["W1"], "gamma_shape": [8.0], "gamma_rate_years": [2.0],
        "mark_area_m2": [1.5], "wall_area_m2": [12.0], "method": ["hot_wash"],
        "coating_allowed": [True], "access": ["ground"], "traffic_control": [False]})


@pytest.fixture
def recomputed(tmp_path: Path) -> Callable[[Path], CalamineWorkbook]:
    """Open a workbook as LibreOffice works it out."""
    program = shutil.which("soffice")
    if program is None:
        pytest.skip("LibreOffice (soffice) is not installed")

    def open_recomputed(path: Path) -> CalamineWorkbook:
        subprocess.run(
            [program, f"-env:UserInstallation=file://{tmp_path}/profile", "--headless",
             "--convert-to", "xlsx:Calc MS Excel 2007 XML", "--outdir", str(tmp_path / "out"),
             str(path)], check=True, capture_output=True, timeout=120)
        return CalamineWorkbook.from_path(str(tmp_path / "out" / path.name))

    return open_recomputed
