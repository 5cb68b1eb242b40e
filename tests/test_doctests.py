"""Every example in a docstring is true."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

SOURCE = Path(__file__).parents[1] / "src"
NAMES = ["rehit"] + [
    ".".join(path.relative_to(SOURCE).with_suffix("").parts)
    for path in sorted((SOURCE / "rehit").rglob("*.py"))
    if path.name not in ("__init__.py", "__main__.py")
]


@pytest.mark.parametrize("name", NAMES)
def test_docstring_examples(name: str) -> None:
    options = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE
    assert doctest.testmod(importlib.import_module(name), optionflags=options).failed == 0
