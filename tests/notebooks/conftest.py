"""The script that runs the notebooks, as a module."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

RUNNER = Path(__file__).parents[2] / "notebooks" / "run_all.py"


@pytest.fixture(scope="module")
def runner() -> ModuleType:
    spec = importlib.util.spec_from_file_location("run_all", RUNNER)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
