"""The report's account of rows, row by row, on the demo town."""

from __future__ import annotations

from rehit.chain import Chain
from rehit.report.trace import log_rows


def test_the_rows_behind_the_account_are_all_rows_of_the_log_once(demo_chain: Chain) -> None:
    cleaned = demo_chain.cleaned
    rows = log_rows(cleaned.incidents, cleaned.set_aside)
    totals = cleaned.counts.sum(numeric_only=True)
    for fate in ("in", "kept", "joined", "set_aside"):
        assert len(rows[fate]) == totals[f"rows_{fate}"], fate
    assert len(set(rows["in"])) == len(rows["in"])
