"""Faults of the user's own strategies and decision table, found before any work is done."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from rehit.errors import ManyErrors, RehitError
from rehit.parameters import Parameters


def file_faults(files: Mapping[str, tuple[Path, ...]],
                parameters: Parameters) -> list[RehitError]:
    """Return what is wrong in the project's strategies and methods files.

    Handed to :func:`rehit.project.load_project`, so that a user reads the faults of all rates at
    once, and not the next file's after mending the first.
    """
    def strategies(path: Path) -> None:
        from rehit.costs.strategies import load_strategies

        load_strategies(path, parameters=parameters)

    def methods(path: Path) -> None:
        from rehit.treatment.methods import load_methods

        load_methods(path)

    checks: dict[str, Callable[[Path], None]] = {"strategies": strategies, "methods": methods}
    faults: list[RehitError] = []
    for role, check in checks.items():
        for path in files.get(role, ()):
            try:
                if path.exists():  # a missing file is a fault of the project file
                    check(path)
            except ManyErrors as error:
                faults += error.errors
            except RehitError as error:
                faults.append(error)
    return faults
