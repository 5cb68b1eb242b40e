"""The public city logs as placed incidents, each read by rehit's own chain, for the studies."""

from __future__ import annotations

import io
import tempfile
from collections.abc import Iterator
from contextlib import redirect_stdout
from pathlib import Path

from rehit.chain import Chain
from rehit.cli import main
from rehit.project import load_project

DATA = Path(__file__).parents[3] / "shared" / "data"
#: Log of each city and its time zone; logs of a few days are too short for any replay.
CITIES = {
    "San Diego": ("san_diego/SDGraffiti3.csv", "America/Los_Angeles"),
    "Zurich": ("zurich/reports_cleaned.csv", "Europe/Zurich"),
    "Boston": ("boston/Graffiti Removal.csv", "America/New_York"),
    "Westminster": ("westminster_uk/Graffiti.csv", "Europe/London"),
    "Chicago": ("chicago/chicago_graffiti_historical_extract.csv", "America/Chicago"),
}


def chains(wanted: list[str]) -> Iterator[tuple[str, Chain]]:
    """Go through the cities asked for (all where none is), each as a chain of its own."""
    for city in wanted or list(CITIES):
        log, zone = CITIES[city]
        with tempfile.TemporaryDirectory() as folder:
            project = Path(folder) / "town"
            with redirect_stdout(io.StringIO()):
                status = main(["new", str(project), "--log", str(DATA / log), "--time-zone", zone])
            if status:
                raise SystemExit(f"{city}: the log could not be opened")
            yield city, Chain(load_project(project))
