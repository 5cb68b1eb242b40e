"""The demo town and the notebooks, from a checkout and from a built package."""

from __future__ import annotations

import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from rehit.cli import main
from rehit.outputs.demo import demo_folder, lay_out_notebooks
from rehit.project import load_project

ROOT = Path(__file__).parents[2]


def test_the_checkout_holds_the_town() -> None:
    assert load_project(demo_folder()).name == load_project(ROOT / "data_demo").name


def test_notebooks_are_laid_out_with_the_town_beside_them(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--notebooks", str(tmp_path / "mine")]) == 0
    assert "01_clean_log.py" in capsys.readouterr().out
    assert load_project(tmp_path / "mine" / "notebooks" / "../data_demo").files["log"]
    assert (tmp_path / "mine" / "notebooks" / "run_all.py").exists()
    assert lay_out_notebooks(tmp_path / "mine")[-1].name == "11_try_policies.py"


def test_a_built_package_carries_town_and_notebooks(tmp_path: Path) -> None:
    """CI installs such a wheel into an empty environment and runs the demo from it."""
    pytest.importorskip("setuptools", minversion="77", reason="nothing to build with")
    code = ("import sys; from setuptools import build_meta; "
            "print(build_meta.build_wheel(sys.argv[1]))")
    subprocess.run([sys.executable, "-c", code, str(tmp_path)], cwd=_copy(tmp_path / "source"),
                   check=True, capture_output=True)
    (wheel,) = tmp_path.glob("*.whl")
    names = set(zipfile.ZipFile(wheel).namelist())
    for path in (ROOT / "data_demo").iterdir():
        if path.suffix in (".toml", ".csv", ".geojson", ".gpkg"):
            assert f"rehit/demo/data_demo/{path.name}" in names
    assert {f"rehit/demo/notebooks/{path.name}" for path in (ROOT / "notebooks").glob("*.py")} <= (
        names)
    assert "rehit/report/locale/es/cli.po" in names
    assert "rehit/py.typed" in names


def _copy(folder: Path) -> Path:
    """Copy what a build reads, so that it leaves nothing in the checkout."""
    folder.mkdir()
    for name in ("pyproject.toml", "setup.py", "MANIFEST.in", "README.md", "LICENSE"):
        shutil.copyfile(ROOT / name, folder / name)
    for name in ("src", "data_demo", "notebooks"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns(
            "__pycache__", "*.egg-info", "truth", "town"))
    return folder
