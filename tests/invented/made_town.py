"""A project folder of a small invented town, for tests of whole commands."""

from __future__ import annotations

import shutil
from pathlib import Path

from make_demo import make_town, write_town

DEMO = Path(__file__).parents[2] / "data_demo"


def write_small_town(folder: Path, *, n_assets: int) -> None:
    """Write the town's files with the demo's mapping, and its settings where the town has none."""
    write_town(make_town(seed=5, n_assets=n_assets, n_coated=4, n_lit=4), folder)
    shutil.copy(DEMO / "mapping.toml", folder)
    if not (folder / "rehit.toml").exists():
        shutil.copy(DEMO / "rehit.toml", folder)
