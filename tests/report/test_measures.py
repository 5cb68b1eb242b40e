"""Counting re-hits and periods on cases worked out by hand."""

from __future__ import annotations

import dataclasses
from datetime import date

import numpy as np
import pandas as pd
import pytest
from report_tables import make_incidents, make_input

from rehit.hotspots.rates import rank_repeats
from rehit.observed import Window, incident_kinds
from rehit.parameters import load_parameters
from rehit.report.measures import compare_slices, gather_facts, trace_counts, verdict


def test_parts_add_up_to_the_whole() -> None:
    facts = gather_facts(make_input(n=900, full=False), load_parameters())
    trace_counts(facts)
    facts.book.check_sums()
    figures = facts.book.figures
    assert figures["V1"].value == sum(figures[f"V{n}"].value for n in (2, 3, 4, 5))
    assert figures["V1"].value == figures["V6"].value + figures["V7"].value
    assert len(figures["V1"].rows) == sum(len(figures[f"V{n}"].rows) for n in (8, 9, 10, 11))


def test_periods_take_local_days_and_do_not_overlap() -> None:
    inputs = make_input(n=3000, full=False)
    facts = gather_facts(inputs, load_parameters())
    local = inputs.incidents["reported_at"].dt.tz_convert("Europe/Madrid").dt.tz_localize(None)
    expected = local.between("2025-07-01", "2025-09-30 23:59:59.999999").sum()
    assert facts.now.count == expected
    assert not set(facts.now.incidents.index) & set(facts.before.incidents.index)


def test_quarter_cut_short_is_compared_per_observed_day() -> None:
    """One third of the quarter is observed with one third of the incidents: no change."""
    incidents = make_incidents(0)
    days = pd.date_range("2025-04-01", "2025-07-31", freq="D", tz="UTC")
    many = make_incidents(len(days)).assign(
        reported_at=days.as_unit("us"), cleared_at=pd.Series(days + pd.Timedelta(hours=5)))
    assert incidents.empty
    inputs = make_input(incidents=many, full=False, time_zone="UTC",
                        window=Window(pd.Timestamp("2025-01-01", tz="UTC"),
                                      pd.Timestamp("2025-07-31 23:59", tz="UTC")))
    facts = gather_facts(inputs, load_parameters())
    found = compare_slices(facts, facts.before)
    assert found is not None
    assert facts.now.partial
    assert found.ratio == pytest.approx(1.0, abs=0.01)
    assert verdict(found, chance_limit=0.05) == "no_clear_change"
    assert compare_slices(facts, facts.year) is None
    assert verdict(None, chance_limit=0.05) == "not_observed"


def test_verdict_names_the_direction() -> None:
    inputs = dataclasses.replace(make_input(n=2000, full=False), period_start=date(2025, 1, 1),
                                 period_end=date(2025, 3, 31))
    facts = gather_facts(inputs, load_parameters())
    found = compare_slices(facts, facts.before)
    assert found is not None
    tripled = dataclasses.replace(found, count=found.count * 3, p_value=0.001)
    assert verdict(tripled, chance_limit=0.05) == "up"
    assert verdict(dataclasses.replace(found, count=1, p_value=0.001), chance_limit=0.05) == "down"


def test_rehits_of_the_whole_window_are_those_of_the_ranking() -> None:
    incidents = make_incidents(900).assign(asset_id_given=None)
    inputs = make_input(incidents=incidents, full=False)
    facts = gather_facts(inputs, load_parameters())
    ranked = rank_repeats(incidents, window=inputs.window, rng=np.random.default_rng(1))
    told = incident_kinds(incidents, window=inputs.window, parameters=load_parameters())
    assert (told == "rehit").sum() == ranked["n_rehits"].sum() > 0
    period = told[facts.now.incidents.index]
    assert (facts.now.incidents["kind"] == period).all()
