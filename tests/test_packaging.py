"""The environment file and the lock file agree with pyproject.toml."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).parents[1]
CONDA_NAMES = {"xstatic-leaflet": None, "osmium": "pyosmium", "typst": "typst-py"}


def requirements() -> dict[str, Requirement]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    listed = project["dependencies"] + project["optional-dependencies"]["notebooks"]
    return {Requirement(line).name.lower(): Requirement(line) for line in listed}


def environment_lines() -> list[str]:
    text = (ROOT / "environment.yml").read_text(encoding="utf-8")
    return re.findall(r"^\s*- ([\w.-]+[<>=!~][^\s#]*)", text, flags=re.MULTILINE)


def test_environment_names_and_bounds_agree_with_pyproject() -> None:
    conda = {Requirement(line).name.lower(): Requirement(line).specifier
             for line in environment_lines()}
    conda.pop("python")
    expected = {CONDA_NAMES.get(name) or name: requirement.specifier
                for name, requirement in requirements().items()}
    assert conda == expected


def test_environment_python_is_the_one_pyproject_requires() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    python = next(line for line in environment_lines() if line.startswith("python>"))
    assert python == "python" + project["requires-python"]


def test_lock_is_hashed_and_names_no_address() -> None:
    lock = (ROOT / "requirements.lock").read_text(encoding="utf-8")
    assert "://" not in lock
    pinned = re.findall(r"^([a-z0-9][\w.-]*)==", lock, flags=re.MULTILINE | re.IGNORECASE)
    assert set(requirements()) <= {name.lower() for name in pinned}
    assert lock.count("--hash=sha256:") >= len(pinned)
