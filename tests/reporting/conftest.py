"""Fixtures of the report's tests; the tables are built in ``report_tables.py``."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from report_tables import make_input

from rehit.reporting.inputs import ReportInput
from rehit.reporting.quarterly import write_report


@pytest.fixture(scope="session")
def full_input() -> ReportInput:
    """Every table given."""
    return make_input()


@pytest.fixture(scope="session")
def written(full_input: ReportInput, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the whole report once; tests read it."""
    folder = tmp_path_factory.mktemp("report")
    write_report(full_input, folder)
    return folder


@pytest.fixture(scope="session")
def bare_input() -> ReportInput:
    """Only incidents given."""
    return make_input(full=False, n=300)


