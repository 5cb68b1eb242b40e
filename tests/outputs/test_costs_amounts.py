"""Sentences of cost claim no more than an estimate over simulated futures can bear."""

from __future__ import annotations

import re

from rehit.chain import Chain
from rehit.outputs.costs import cost_sentences, programme_message
from rehit.report.say import Say


def test_the_demo_towns_sentences_hold_no_amount_to_the_last_euro(demo_chain: Chain) -> None:
    years = demo_chain.programme_years
    said = " ".join([*cost_sentences(demo_chain), Say("en")(programme_message(
        demo_chain, demo_chain.programme(years=years), years=years))])
    amounts = re.findall(r"€([\d,]+)", said)
    assert len(amounts) >= 6
    assert [a for a in amounts if len(a.replace(",", "").rstrip("0")) > 3] == []
    assert "100% sure" not in said
