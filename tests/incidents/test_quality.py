"""Findings: what the log's owner should mend, the worst first."""

from __future__ import annotations

import pandas as pd

from rehit.incidents.clean import clean_incidents
from rehit.incidents.quality import _RULES, SEVERITIES
from rehit.incidents.rows import REASONS, CleanSettings

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


def test_every_finding_says_effect_and_advice() -> None:
    assert all(severity in SEVERITIES and effect and advice
               for severity, effect, advice in _RULES.values())
    assert all(words.strip() for words in REASONS.values())


def test_closed_only_log_is_told_of_its_bias() -> None:
    fields = pd.DataFrame({"reported": ["2025-03-03"], "cleared": ["2025-03-04"]})
    codes = clean_incidents(fields, mapping=None, settings=SETTINGS).findings["code"].tolist()
    assert "closed_only" in codes
