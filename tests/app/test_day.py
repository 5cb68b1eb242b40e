"""The part for one day's patrol."""

from __future__ import annotations

import os
import re
from pathlib import Path
from types import SimpleNamespace

import pytest

from rehit.app.day import Wished, crew_names, crews_planned, newest_form, routes_drawn

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


def test_routes_are_drawn_as_a_line_a_crew_with_numbered_stops() -> None:
    """At the equator a degree is as wide as tall: 692 units between the edges."""
    found = [
        {"geometry": {"type": "LineString", "coordinates": [[0, 0], [1, 1]]},
         "properties": {"route_id": "V1"}},
        {"geometry": {"type": "Point", "coordinates": [0, 0]},
         "properties": {"crew_id": "V1", "number": 0.0, "name": "Depot"}},
        {"geometry": {"type": "Point", "coordinates": [1, 1]},
         "properties": {"crew_id": "V1", "number": 7.0, "name": "<b>1 Elm Road"}}]
    drawn = routes_drawn(found, {"V1": "#0b6b67"}, label="Van A", streets=[[[0, 0], [1, 0]]])
    assert drawn.index('class="streets" points="14.0,706.0 705.9,706.0"') < drawn.index("stroke=")
    way = re.search(r'<polyline points="([^"]+)" stroke="#0b6b67"', drawn)
    assert way is not None
    x, y = way.group(1).split()[1].split(",")
    assert (float(x), float(y)) == (pytest.approx(706, abs=0.2), 14.0)
    assert re.findall(r">(\d+)</text>", drawn) == ["7"]
    assert "&lt;b&gt;1 Elm Road" in drawn


def test_the_crews_of_a_plan_that_is_not_there_have_no_names(tmp_path: Path) -> None:
    assert crews_planned(tmp_path).empty
    (tmp_path / "day_plan.json").write_text('{"crews": [{"crew_id": "V1", "name": "Van A"}]}')
    assert crews_planned(tmp_path).to_dict("records") == [{"crew_id": "V1", "name": "Van A"}]


def test_crews_are_read_as_the_command_reads_them(tmp_path: Path) -> None:
    """A table of a spreadsheet that parts cells by semicolons."""
    file = tmp_path / "vehicles.csv"
    file.write_text("vehicle_id;name;kind\nV1;Van A;paint_only\nV2;Van B;hot_wash\n",
                    encoding="utf-8")
    project = SimpleNamespace(path=lambda role: file if role == "vehicles" else None)
    assert crew_names(SimpleNamespace(project=lambda: project)) == ["Van A", "Van B"]
