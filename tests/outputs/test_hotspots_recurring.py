"""The full reading of recurrence, on the demo town."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest

from rehit.chain import Chain
from rehit.hotspots.recurrence import risk_clock
from rehit.messages import message
from rehit.outputs.hotspots import (
    compared_places,
    compared_spells,
    emerging_zones,
    mean_counts,
    ranking_found,
    told_apart,
    worst_trends,
    write_beliefs,
    write_reading,
)
from rehit.report.say import Say


@pytest.fixture(scope="module")
def clock(demo_chain: Chain) -> tuple[pd.DataFrame, pd.Series]:
    return risk_clock(demo_chain.incidents, register=demo_chain.register,
                      window=demo_chain.cleaned.window,
                      parameters=demo_chain.parameters)


def test_the_mean_count_is_that_of_the_planted_rates(demo_chain: Chain, clock) -> None:
    # The interval holds the mean of the true rates per year at risk of all assets.
    truth = pd.read_csv(Path(__file__).parents[2] / "data_demo" / "truth" / "rates.csv")
    mean = truth["rate_per_year"].mean()
    found = mean_counts(demo_chain, clock)
    assert [each.facts["days"] for each in found] == [365, 730]
    assert found[0].facts["low"] <= mean <= found[0].facts["high"]
    assert Say("en")(found[0]).startswith("In 365 days at risk a place has had ")


def test_each_of_the_worst_places_gets_its_trend(demo_chain: Chain, clock) -> None:
    found = [each for each in worst_trends(demo_chain, clock) if each.code != "trend.bursts"]
    worst = demo_chain.repeats["place_id"].head(5).tolist()
    assert [each.facts["place"] for each in found] == [demo_chain.named(each) for each in worst]
    assert all("times the average so far" in text for text in Say("en").all(found))


def test_in_a_town_that_speeds_up_as_a_whole_no_place_is_told_to(demo_chain: Chain) -> None:
    """Every date is moved to the root of its share of the log: all rates rise alike."""
    log, window = demo_chain.incidents, demo_chain.cleaned.window
    share = (log["reported_at"] - window.start) / (window.end - window.start)
    later = window.start + share**0.5 * (window.end - window.start)
    faster = demo_chain.given(incidents=log.assign(
        reported_at=later, cleared_at=later + (log["cleared_at"] - log["reported_at"])))
    clock = risk_clock(faster.incidents, register=faster.register, window=window,
                       parameters=faster.parameters)
    codes = [each.code for each in worst_trends(faster, clock)]
    assert "trend.as_all" in codes
    assert "trend.faster" not in codes


def test_models_are_settled_and_read(demo_chain: Chain) -> None:
    # Planted per type of asset: doors of metal or timber and signs are hit less than walls.
    found = [*compared_places(demo_chain), *compared_spells(demo_chain)]
    said = Say("en").all(found)
    assert sum("Based on 4,313 re-hits" in s for s in said) == 2
    assert any("Lower: surface sign face (against brick)" in s for s in said)
    # A further column of the register, named in the project file; its planted effect is none.
    assert sum("cannot tell: lit false (against true)" in s for s in said) == 2
    assert any("each doubling of the wait for clearance" in s and "cannot tell" in s for s in said)


def test_models_of_a_large_log_are_read_from_every_so_many_th_place(demo_chain: Chain) -> None:
    n = len(demo_chain.spells)
    few = demo_chain.with_parameters({"hotspots.model_spells": n // 2 + 1})
    first, *rest = compared_places(few)
    assert first == message("compared.of_every_place", every=2)
    all_read = compared_places(demo_chain)
    assert first.code not in {each.code for each in all_read}
    whole = {each.facts["term"]: each.facts["ratio"] for each in all_read if "ratio" in each.facts}
    held = [each.facts["low"] <= whole[each.facts["term"]] <= each.facts["high"]
            for each in rest if each.facts.get("term") in whole]
    assert len(held) > 5
    assert all(held)


def test_a_column_that_repeats_others_is_left_out() -> None:
    x = pd.DataFrame({"a": [1.0, 0, 0, 1], "b": [0.0, 1, 0, 0], "rest": [0.0, 0, 1, 0]})
    assert told_apart(x) == ["a", "b"]


def test_the_reading_is_one_text_under_headings(
        demo_chain: Chain, clock: tuple[pd.DataFrame, pd.Series], tmp_path: Path) -> None:
    write_reading(demo_chain, clock, tmp_path, first=[message("emerging.none")])
    text = (tmp_path / "recurrence.txt").read_text(encoding="utf-8")
    assert text.startswith("In short\n--------\nNothing new stands out in the last weeks.\n")
    assert text.count("\n---") == 5


def test_of_each_result_it_is_said_how_it_fared_on_this_log(
        demo_chain: Chain, clock: tuple[pd.DataFrame, pd.Series], tmp_path: Path) -> None:
    write_beliefs(demo_chain, emerging_zones(demo_chain), clock, tmp_path,
                  said=ranking_found(demo_chain))
    parts = (tmp_path / "what_to_believe.txt").read_text(encoding="utf-8").split("\n\n")
    assert [part.split("\n")[0] for part in parts] == [
        Say("en")(f"believe.{name}") for name in (
            "rehits", "rates", "forecast", "rings", "emerging", "cells", "trend", "measures")]
    for part in parts:
        assert all(part.count(start) for start in (
            "Taken for granted: ", "On this log: ", "What would overturn it: "))
    # The demo town's incidents are independent of each other: their scatter is that of chance.
    scatter = re.search(r"scatter (\S+) times", parts[6])
    assert float(scatter[1]) < 1.3


def test_nothing_is_emerging_in_the_demo_town_beyond_chance(demo_chain: Chain) -> None:
    # The planted spot has three times its small rate for 49 days: a few incidents more, which
    # a map of the whole town cannot tell from luck.
    zones = emerging_zones(demo_chain)
    assert zones["p_value"].min() > 0.05
    assert (zones["n_incidents"] > zones["expected"]).all()
