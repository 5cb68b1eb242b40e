"""Fixtures of the patrol tests; the tables are built in ``patrol_town.py``."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from rehit.parameters import Parameters, load_parameters


@pytest.fixture(scope="session")
def numbers() -> Parameters:
    """Defaults with a search short enough for tests."""
    return load_parameters().override({"patrol.search_iterations": 1500.0})
