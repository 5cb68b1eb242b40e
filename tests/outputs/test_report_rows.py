"""The report's account of rows, row by row, on the demo town."""

from __future__ import annotations

from pathlib import Path

from small_town import make_town

from rehit.chain import Chain
from rehit.outputs.report import shared_incidents
from rehit.project import load_project
from rehit.report.trace import log_rows


def test_the_rows_behind_the_account_are_all_rows_of_the_log_once(demo_chain: Chain) -> None:
    cleaned = demo_chain.cleaned
    rows = log_rows(cleaned.incidents, cleaned.set_aside)
    totals = cleaned.counts.sum(numeric_only=True)
    for fate in ("in", "kept", "joined", "set_aside"):
        assert len(rows[fate]) == totals[f"rows_{fate}"], fate
    assert len(set(rows["in"])) == len(rows["in"])


def test_the_notes_of_the_log_go_to_others_only_where_the_project_says_so(tmp_path: Path) -> None:
    town = make_town(tmp_path / "town")
    assert shared_incidents(Chain(load_project(town)))["description"].isna().all()
    settings = town / "rehit.toml"
    settings.write_text(settings.read_text(encoding="utf-8").replace(
        "[project]", "[project]\nshare_notes = true"), encoding="utf-8")
    chain = Chain(load_project(town))
    assert shared_incidents(chain)["description"].eq("graffiti tag in spray paint").all()
