"""Carries the demo town and the notebooks, which stand beside the source, into a built package."""

from __future__ import annotations

import shutil
from pathlib import Path

from setuptools import setup
from setuptools.command.build_py import build_py

HERE = Path(__file__).parent
TOWN = ("*.toml", "*.csv", "*.geojson", "*.gpkg")


class WithDemo(build_py):
    """Copies them where `rehit demo` looks for them; an editable install reads the checkout."""

    def run(self) -> None:
        """Build as usual, then copy."""
        super().run()
        if not self.editable_mode:
            carried = Path(self.build_lib) / "rehit" / "demo"
            for pattern in TOWN:
                for path in (HERE / "data_demo").glob(pattern):
                    _copy(path, carried / "data_demo" / path.name)
            for path in (HERE / "notebooks").rglob("*"):
                if path.is_file() and path.suffix != ".pyc":
                    _copy(path, carried / "notebooks" / path.relative_to(HERE / "notebooks"))


def _copy(path: Path, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(path, target)


setup(cmdclass={"build_py": WithDemo})
