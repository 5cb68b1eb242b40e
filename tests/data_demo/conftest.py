"""The demo town, made once for all tests of this folder."""

from __future__ import annotations

from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2] / "data_demo"


@pytest.fixture(scope="session")
def folder() -> Path:
    """Return the folder of the committed files."""
    return FOLDER


@pytest.fixture(scope="session")
def town():
    """Return the default town."""
    from make_demo import make_town

    return make_town()
