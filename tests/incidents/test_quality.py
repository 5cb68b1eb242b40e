"""Findings: what the log's owner should mend, the worst first."""

from __future__ import annotations

import pandas as pd
import pytest

from rehit.incidents.clean import clean_incidents
from rehit.incidents.quality import _ASIDE, _RULES, SEVERITIES
from rehit.incidents.rows import CleanSettings
from rehit.messages import message
from rehit.report.say import Say, catalogue

SETTINGS = CleanSettings(time_zone="UTC", crs="EPSG:32625")


def test_worst_come_first_and_only_what_was_found() -> None:
    fields = pd.DataFrame({
        "reported": ["2025-03-03 09:00", "", "2025-03-04 10:00"],
        "status": ["Open", "Done", "Done"],
        "cleared": ["", "2025-03-04", "2025-03-01"],
        "latitude": ["46.005", "0", "XXXX"], "longitude": ["-33.0005", "0", "XXXX"]})
    findings = clean_incidents(fields, mapping=None, settings=SETTINGS).findings
    rank = findings["severity"].map(SEVERITIES.index)
    assert rank.is_monotonic_increasing
    assert (findings["count"] > 0).all()
    assert not findings["code"].duplicated().any()
    counts = findings.set_index("code")["count"]
    assert counts["set_aside_reported_date_missing"] == 1
    assert counts["cleared_before_reported"] == 1
    assert counts["masked_place"] == 1
    assert counts["place_zero"] == 1
    assert counts["still_open"] == 1


@pytest.mark.parametrize("language", ["en", "es"])
def test_every_finding_by_rule_and_every_reason_has_words_and_advice(language: str) -> None:
    texts = catalogue(language)
    for rule, (severity, advice) in _RULES.items():
        assert severity in SEVERITIES
        assert texts[f"finding.{rule}"]
        assert texts[f"mend.{advice}"]
    assert set(_ASIDE) == {code.partition(".")[2] for code in texts
                           if code.startswith("set_aside.")}
    for advice in _ASIDE.values():
        assert texts[f"mend.{advice}"]


def test_findings_are_said_with_their_figures_in_both_languages() -> None:
    rows = message("finding.set_aside", n=19, reason="reported_date_unreadable")
    assert Say("en")(rows) == (
        "19 rows not counted as an incident: the report date cannot be read")
    assert Say("es")(rows) == "19 filas sin contar como caso: la fecha de aviso no se puede leer"
    one = message("finding.set_aside", n=1, reason="void_status")
    assert Say("en")(one).startswith("1 row not counted")
    ended = message("finding.extract_end_estimated", time=pd.Timestamp("2025-12-31 21:47"))
    assert Say("es")(ended).endswith("utilizables: 2025-12-31 21:47 UTC")
    street = message("finding.place_default", share=0.016)
    assert Say("es")(street).startswith("el 2\xa0% de los casos está en un punto que el registro")


def test_findings_of_a_log_are_messages_that_can_be_said() -> None:
    fields = pd.DataFrame({"reported": ["2025-03-03", "2025-03-03"], "status": ["Opne", "Zork"],
                           "latitude": ["", "x"], "longitude": ["", "x"]})
    findings = clean_incidents(fields, mapping=None, settings=SETTINGS).findings
    for language in ("en", "es"):
        said = Say(language).cells(findings["effect"]) + Say(language).cells(findings["advice"])
        assert said.str.len().min() > 10
    effects = Say("en").cells(findings.set_index("code")["effect"])
    assert effects["misspelt_words"] == "misspelt words were understood: status: Opne (1)"


def test_closed_only_log_is_told_of_its_bias() -> None:
    fields = pd.DataFrame({"reported": ["2025-03-03"], "cleared": ["2025-03-04"]})
    codes = clean_incidents(fields, mapping=None, settings=SETTINGS).findings["code"].tolist()
    assert "closed_only" in codes
