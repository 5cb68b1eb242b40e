"""Patrol plan from the chain's results."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from rehit.errors import SettingError
from rehit.pipeline.chain import Chain


def write_patrol(chain: Chain, stage: Path, *, day: date | None,
                 crews: int | None) -> dict[str, Any]:
    """Say that this version cannot plan a patrol yet."""
    raise SettingError("rehit patrol", got=f"{chain.project.name}, {day}, {crews}, {stage.name}",
                       allowed="nothing yet: this version cannot plan a patrol",
                       remedy="use rehit hotspots for the forecast of each place")
