"""The quality page of a cleaned log."""

from __future__ import annotations

import pandas as pd
from report_tables import FROM, HOSTILE, TO, make_input

from rehit.reporting.quality import quality_page


def test_page_accounts_for_every_row_and_escapes_the_log() -> None:
    inputs = make_input(n=200)
    page = quality_page(project_name=HOSTILE, findings=inputs.findings, counts=inputs.counts,
                        set_aside=inputs.set_aside, observed_from=FROM, observed_to=TO)
    assert "Of 350 rows read, 200 became incidents of their own, 110 were joined" in page
    assert "no usable date" in page
    assert "<script" not in page
    assert page.index("default point") < page.index("ask for closing dates")


def test_findings_come_by_weight_then_rows_and_repeat_no_reason_as_advice() -> None:
    findings = pd.DataFrame([
        ("a", "low", 9, "5 rows not counted: withdrawn", "Withdrawn"),
        ("b", "high", 2, "few lost", "Mend it"), ("c", "high", 7, "many lost", "Mend it")],
        columns=["code", "severity", "count", "effect", "advice"])
    page = quality_page(project_name="Town", findings=findings, counts=pd.DataFrame(),
                        set_aside=pd.DataFrame(), observed_from=FROM, observed_to=TO)
    assert page.index("many lost") < page.index("few lost") < page.index("withdrawn")
    assert "Withdrawn" not in page


def test_empty_tables_give_a_page_all_the_same() -> None:
    page = quality_page(project_name="Town", findings=pd.DataFrame(), counts=pd.DataFrame(),
                        set_aside=pd.DataFrame(), observed_from=FROM, observed_to=TO,
                        language="es")
    assert 'lang="es"' in page
    assert "No se dieron hallazgos" in page
