"""The demo town run once for all tests of the joined rooms; a small one is in ``small_town.py``."""

from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from rehit.pipeline.chain import Chain
from rehit.project import load_project

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "data_demo"


@pytest.fixture(scope="session")
def demo_chain() -> Chain:
    return Chain(load_project(DEMO))


@pytest.fixture(scope="session")
def true_rows() -> pd.DataFrame:
    """Role and true incident of each log row, by row number."""
    return pd.read_csv(DEMO / "truth" / "rows.csv", dtype="str").set_index("source_row")


@pytest.fixture(scope="session")
def incident_of_row(demo_chain: Chain) -> pd.Series:
    """The incident that each log row ended in, by row number; rows set aside are absent."""
    rows = demo_chain.cleaned.incidents[["incident_id", "source_rows"]].assign(
        row=lambda t: t["source_rows"].str.split(";")).explode("row")
    return pd.Series(rows["incident_id"].to_numpy(),
                     index=rows["row"].str.rpartition("#")[2].str.strip())
