"""Sentences of cost claim no more than an estimate over simulated futures can bear."""

from __future__ import annotations

import re

import pytest

from rehit.chain import Chain
from rehit.outputs.costs import cost_sentences, programme_message
from rehit.outputs.tables import amount, chance
from rehit.report.say import Say


@pytest.mark.parametrize(("value", "currency", "said"), [
    (1_052_886.4, "€", "€1,050,000"), (109_175, "£", "£109,000"), (999.7, "€", "€1,000"),
    (99.6, "€", "€100"), (0.2, "€", "€0"), (0.0, "€", "€0"), (-5_238.0, "€", "\u2212€5,240"),
    (4_119.0, "EUR", "EUR 4,120")])
def test_an_estimate_has_three_figures(value: float, currency: str, said: str) -> None:
    assert amount(value, currency) == said


def test_a_given_amount_is_written_in_full() -> None:
    assert amount(12_345.0, "€", exact=True) == "€12,345"


@pytest.mark.parametrize(("value", "said"), [
    (1.0, "over 99%"), (0.9951, "over 99%"), (0.985, "98%"), (0.0, "under 1%")])
def test_no_estimated_chance_is_certain(value: float, said: str) -> None:
    assert chance(value) == said


def test_the_demo_towns_sentences_hold_no_amount_to_the_last_euro(demo_chain: Chain) -> None:
    years = demo_chain.programme_years
    said = " ".join([*cost_sentences(demo_chain), Say("en")(programme_message(
        demo_chain, demo_chain.programme(years=years), years=years))])
    amounts = re.findall(r"€([\d,]+)", said)
    assert len(amounts) >= 6
    assert [a for a in amounts if len(a.replace(",", "").rstrip("0")) > 3] == []
    assert "100% sure" not in said
