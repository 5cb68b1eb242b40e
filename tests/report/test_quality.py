"""The quality page of a cleaned log."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pandas as pd
from report_tables import FROM, HOSTILE, TO, make_input

from rehit.observed import Window
from rehit.report.quality import method_blocks, quality_page
from rehit.report.say import Say


def test_page_accounts_for_every_row_and_escapes_the_log() -> None:
    inputs = make_input(n=200)
    page = quality_page(project_name=HOSTILE, findings=inputs.findings, counts=inputs.counts,
                        set_aside=inputs.set_aside, window=Window(FROM, TO))
    assert "Of 350 rows read, 200 became incidents of their own, 110 were joined" in page
    assert "the report date cannot be read" in page
    assert "<script" not in page
    assert page.index("on a point that the log uses") < page.index("Add them to a vocabulary file")


def test_findings_come_by_weight_then_rows() -> None:
    findings = pd.DataFrame([
        ("a", "low", 9, "finding.swapped_axes", "mend.check_form"),
        ("b", "high", 2, "finding.place_zero", "mend.leave_empty"),
        ("c", "high", 7, "finding.grid_unknown", "mend.grid_code")],
        columns=["code", "severity", "count", "effect", "advice"])
    page = quality_page(project_name="Town", findings=findings, counts=pd.DataFrame(),
                        set_aside=pd.DataFrame(), window=Window(FROM, TO))
    assert page.index("coordinates on a grid") < page.index("points at 0, 0") < page.index(
        "were exchanged")


def test_methods_stand_beside_the_usual_band_and_what_was_done() -> None:
    shares = pd.DataFrame([("done", "share_hot_wash", 0.55, 0.2, 0.1, 0.3, False)], columns=[
        "jobs", "code", "share", "usual", "low", "high", "inside"])
    done = pd.DataFrame([("paint_out", "paint_out", False, 80, 0.8),
                         ("refer", "hot_wash", False, 15, 0.15),
                         ("solvent_wipe", "paint_out", True, 5, 0.05)],
                        columns=["advised", "done", "second_choice", "n", "share"])
    same, *other = method_blocks(Say("en"), shares=None, done=done)[0].rows
    assert same == ("any method", "as advised", "80", "80%")
    assert other == [("refer to a specialist", "hot wash", "15", "15%"),
                     ("solvent wipe", "paint out (the second choice)", "5", "5%")]
    page = quality_page(project_name="Town", findings=pd.DataFrame(), counts=pd.DataFrame(),
                        set_aside=pd.DataFrame(), window=Window(FROM, TO),
                        method_shares=shares, advised_done=done)
    assert "unlike ordinary towns" in page
    assert "10% to 30%" in page
    assert "a check, not a target" in page
    assert method_blocks(Say("en"), shares=None, done=None) == []


def test_empty_tables_give_a_page_all_the_same() -> None:
    page = quality_page(project_name="Town", findings=pd.DataFrame(), counts=pd.DataFrame(),
                        set_aside=pd.DataFrame(), window=Window(FROM, TO),
                        language="es")
    assert 'lang="es"' in page
    assert "No se dieron hallazgos" in page


def test_a_log_without_dates_claims_no_span_of_time() -> None:
    start = pd.Timestamp("1970-01-01", tz="UTC")
    page = quality_page(project_name="Town", findings=pd.DataFrame(), counts=pd.DataFrame(),
                        set_aside=pd.DataFrame(), window=Window(start, start))
    assert "no dates of report" in page
    assert "1970" not in page


def test_the_page_can_be_read_by_all(faults_of: Callable[[Path], list[object]],
                                     tmp_path: Path) -> None:
    inputs = make_input(n=200)
    page = tmp_path / "quality.html"
    page.write_text(quality_page(project_name="Town", findings=inputs.findings,
                                 counts=inputs.counts, set_aside=inputs.set_aside,
                                 window=Window(FROM, TO)), encoding="utf-8")
    assert faults_of(page) == []
