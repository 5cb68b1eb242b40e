"""Contract price from the chain's results."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from rehit.errors import SettingError
from rehit.pipeline.chain import Chain


def write_price(chain: Chain, stage: Path, *, margin: float | None,
                years: int) -> dict[str, Any]:
    """Say that this version cannot price a contract yet."""
    raise SettingError("rehit price", got=f"{chain.project.name}, {margin}, {years}, {stage.name}",
                       allowed="nothing yet: this version cannot price a contract",
                       remedy="use rehit compare for the cost of each place")
