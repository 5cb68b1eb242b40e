"""Seeded towns with known truth, made once per session."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

import pytest


@cache
def _town(options: tuple[tuple[str, Any], ...]) -> tuple[Any, Any]:
    from make_demo import clean_placed_incidents, make_town

    town = make_town(**dict(options))
    return town, clean_placed_incidents(town)


@pytest.fixture(scope="session")
def town_of() -> Callable[..., tuple[Any, Any]]:
    """Return a maker: options of ``make_town`` -> (town, placed incidents as truly happened)."""
    return lambda **options: _town(tuple(sorted(options.items())))
