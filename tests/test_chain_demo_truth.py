"""How much of the demo town's planted truth the joined rooms recover from its messy log."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from rehit.chain import Chain
from rehit.outputs.costs import done_table, shares_table
from rehit.outputs.hotspots import evaluations
from rehit.treatment.choose import method_shares

RATES = Path(__file__).parents[1] / "data_demo" / "truth" / "rates.csv"


def test_every_row_is_accounted_for(demo_chain: Chain, true_rows: pd.DataFrame) -> None:
    counts = demo_chain.cleaned.counts.iloc[0]
    assert counts["rows_in"] == len(true_rows)
    assert counts["rows_in"] == (
        counts["rows_kept"] + counts["rows_joined"] + counts["rows_set_aside"])
    assert counts["rows_kept"] == len(demo_chain.cleaned.incidents)
    assert counts["rows_set_aside"] == len(demo_chain.cleaned.set_aside)


def test_repeat_reports_join_the_right_incident(
        true_rows: pd.DataFrame, incident_of_row: pd.Series) -> None:
    joined = true_rows.join(incident_of_row.rename("incident")).dropna(subset=["true_id"])
    firsts = joined[joined["role"] == "first"].set_index("true_id")["incident"]
    repeats = joined[joined["role"] == "repeat"]
    expected = repeats["true_id"].map(firsts)
    right = (repeats["incident"] == expected) & repeats["incident"].notna()
    assert right.mean() >= 0.95
    # A false join puts rows of two true incidents into one.
    per_incident = joined.dropna(subset=["incident"]).groupby("incident")["true_id"]
    mixed = per_incident.agg(lambda ids: len(set(ids))) > 1
    assert mixed.mean() <= 0.01


def test_register_matches_are_right(demo_chain: Chain, true_rows: pd.DataFrame) -> None:
    incidents = demo_chain.incidents.set_index("incident_id")
    own = demo_chain.incidents["source_rows"].str.split(";").str[0].str.rpartition("#")[2]
    truth = pd.Series(true_rows["asset_id"].reindex(own.str.strip()).to_numpy(),
                      index=demo_chain.incidents["incident_id"])
    matched = incidents["asset_id"].notna() & truth.notna()
    assert matched.mean() > 0.95
    assert (incidents["asset_id"] == truth)[matched].mean() >= 0.98


def test_true_rates_lie_in_the_intervals_as_often_as_they_claim(demo_chain: Chain) -> None:
    truth = pd.read_csv(RATES).set_index("asset_id")["rate_per_year"]
    repeats = demo_chain.repeats[demo_chain.repeats["place_kind"] == "asset"]
    rate = repeats["place_id"].map(truth)
    inside = (repeats["rate_low"] <= rate) & (rate <= repeats["rate_high"])
    assert rate.notna().all()
    assert 0.85 <= inside.mean() <= 0.95


def test_the_planted_coating_is_found_and_the_lighting_is_not(demo_chain: Chain) -> None:
    found = {name: evaluation for name, _, evaluation in evaluations(demo_chain)}
    assert found["coating"].low <= 0.5 <= found["coating"].high
    assert found["coating"].verdict == "fewer"
    assert found["lighting"].verdict == "cannot_tell"


def test_the_same_seed_gives_the_same_costs(demo_chain: Chain) -> None:
    again = Chain(demo_chain.project)
    pd.testing.assert_frame_equal(again.strategy_costs, demo_chain.strategy_costs)


def test_advice_is_led_to_the_jobs_of_the_works_log(demo_chain: Chain) -> None:
    """Every job that names a report and a known method is compared, each once."""
    table = done_table(demo_chain)
    works = demo_chain.works
    assert table is not None
    assert works is not None
    assert table["n"].sum() / len(works) > 0.99
    assert table["share"].sum() == pytest.approx(1)
    assert table.loc[table["advised"] == table["done"], "share"].sum() > 0.9
    shares = shares_table(demo_chain)
    assert shares is not None
    assert sorted(set(shares["jobs"])) == ["advised", "done"]


def test_methods_of_the_demo_town_are_as_usual_elsewhere(demo_chain: Chain) -> None:
    """Typical shares, common practice without a published source: a check, not a target."""
    assert demo_chain.works is not None
    for methods in (demo_chain.advice["method"], demo_chain.works["method"]):
        assert method_shares(methods)["inside"].all()
