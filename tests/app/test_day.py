"""The part for one day's patrol."""

from __future__ import annotations

import os
from pathlib import Path
from types import SimpleNamespace

from rehit.app.day import Wished, crew_names, newest_form

NAMES = {"A": "1 Elm Road", "B": "2 Elm Road", "C": "3 Elm Road"}


def test_what_was_left_out_and_is_brought_in_again_is_no_wish_any_more() -> None:
    wished = Wished()
    wished.take([], ["A", "B"], NAMES)
    assert wished.options() == ["--leave-out", "A", "B"]
    wished.take(["A", "C"], [], NAMES)
    assert wished.options() == ["--bring-in", "C", "--leave-out", "B"]
    wished.take(["B"], ["C"], NAMES)
    assert wished.options() == []


def test_the_plan_shown_is_the_one_made_last_that_has_stops(tmp_path: Path) -> None:
    for age, (name, rows) in enumerate((("05", ""), ("02", "2026-01-02\n"), ("09", "x\n"))):
        path = tmp_path / f"results_2026-01-{name}.csv"
        path.write_text("day\n" + rows, encoding="utf-8")
        os.utime(path, (1e9 - age, 1e9 - age))
    assert newest_form(tmp_path) == tmp_path / "results_2026-01-02.csv"
    assert newest_form(tmp_path / "nowhere") is None


def test_crews_are_read_as_the_command_reads_them(tmp_path: Path) -> None:
    """A table of a spreadsheet that parts cells by semicolons."""
    file = tmp_path / "vehicles.csv"
    file.write_text("vehicle_id;name;kind\nV1;Van A;paint_only\nV2;Van B;hot_wash\n",
                    encoding="utf-8")
    project = SimpleNamespace(path=lambda role: file if role == "vehicles" else None)
    assert crew_names(SimpleNamespace(project=lambda: project)) == ["Van A", "Van B"]
