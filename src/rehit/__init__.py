"""Which graffitied assets recur, where, why it costs what it costs, and what to do instead.

>>> import rehit
>>> town = rehit.open_project(log=rehit.example_log(), crs="EPSG:32625")
>>> rehit.rank_places(town)["places"].loc[0, "n_rehits"].item()
12
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from rehit.errors import tell_with
from rehit.messages import Message

__version__ = "0.1.0"

if TYPE_CHECKING:
    from rehit.api import (
        Answer,
        choose_methods,
        choose_programme,
        clean,
        compare_areas,
        compare_strategies,
        draw,
        evaluate_measure,
        example_log,
        explain_figure,
        limits_of,
        match_assets,
        open_project,
        plan_patrol,
        price_contract,
        propose,
        rank_places,
        read_log,
        try_policies,
        write_report,
    )
    from rehit.errors import RehitError
    from rehit.report.notebook import shown_table, turning

# The modules behind the names are read when one of them is first used: help must not wait.
_HOME = {"RehitError": "rehit.errors", "shown_table": "rehit.report.notebook",
         "turning": "rehit.report.notebook"}

__all__ = [
    "Answer", "RehitError", "choose_methods", "choose_programme", "clean", "compare_areas",
    "compare_strategies", "draw", "evaluate_measure", "example_log", "explain_figure",
    "limits_of", "match_assets", "open_project", "plan_patrol", "price_contract", "propose",
    "rank_places", "read_log", "shown_table", "try_policies", "turning", "write_report",
]


def _in_english(told: Message) -> str:
    """Say what an error has to say to a Python user; the catalogues are read when it does."""
    said: str = import_module("rehit.report.say").Say("en")(told)
    return said


tell_with(_in_english)


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'rehit' has no attribute {name!r}")
    return getattr(import_module(_HOME.get(name, "rehit.api")), name)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
