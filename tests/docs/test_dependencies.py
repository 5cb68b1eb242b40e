"""Each direct dependency is used, explained and pinned; the bill of materials holds the lock."""

from __future__ import annotations

import importlib.util
import re
import tomllib
from pathlib import Path
from types import ModuleType

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).parents[2]
#: Used without an import: time zones on Windows, and Leaflet's files, which are read as data.
READ = {"tzdata", "xstatic-leaflet"}
MODULES = {"python-calamine": "python_calamine", "scikit-learn": "sklearn", "salib": "SALib",
           "charset-normalizer": "charset_normalizer"}


@pytest.fixture(scope="module")
def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("dependencies", ROOT / "docs" / "dependencies.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def direct() -> set[str]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return {Requirement(line).name for line in project["dependencies"]}


def test_each_is_explained_and_none_else(script: ModuleType) -> None:
    written = script.rows()
    assert {row["name"] for row in written} == direct()
    assert all(row["why"] and row["instead"] for row in written)
    page = (ROOT / "docs" / "dependencies.md").read_text(encoding="utf-8")
    for row in written:
        assert f"| {row['name']} | {row['why']} | " in page
        assert f" | {row['instead']} |\n" in page
        assert f" | {script.licence(row['name'])} | " in page


def test_each_is_used() -> None:
    source = "\n".join(path.read_text(encoding="utf-8")
                       for path in (ROOT / "src").rglob("*.py"))
    unused = {name for name in direct() - READ if not re.search(
        rf"^\s*(?:import|from) {MODULES.get(name, name)}\b", source, flags=re.MULTILINE)}
    assert unused == set()


def test_the_bill_names_each_pinned_package_with_its_hashes(script: ModuleType) -> None:
    lock = (ROOT / "requirements.lock").read_text(encoding="utf-8")
    parts = script.bill(lock)["components"]
    assert {part["name"] for part in parts} >= direct()
    assert len(parts) == len(re.findall(r"^\S+==", lock, flags=re.MULTILINE))
    assert sum(len(part["hashes"]) for part in parts) == lock.count("--hash=sha256:")
    assert all(part["hashes"] for part in parts)
