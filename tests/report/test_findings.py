"""Every sentence that states a finding has a test with data in which it is false.

:data:`FALSE_IN` names that test for each message; a message that is added without one fails here.
"""

from __future__ import annotations

import ast
import dataclasses
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from report_tables import make_input

from rehit.observed import ranked_places
from rehit.outputs import costs as outputs_costs
from rehit.outputs import region
from rehit.outputs.costs import cost_messages
from rehit.outputs.price import information_messages
from rehit.parameters import load_parameters
from rehit.region.areas import Funnel
from rehit.report import details, figures, front, static_map
from rehit.report.catalogue import catalogue
from rehit.report.document import Picture, Sentence
from rehit.report.front import build_document
from rehit.report.inputs import ReportInput
from rehit.report.measures import Facts, gather_facts
from rehit.report.say import Say

TESTS = Path(__file__).parents[1]
EN = Say("en")
DATA = make_input(n=900)
NO_PICTURE = Picture("none", "", "", "", b"", b"")
#: Topics whose messages state findings; titles of figures do so too.
TOPICS = ("tile", "todo", "hotspots", "cost", "programme", "places", "compared", "emerging",
          "rings", "trend", "ranking", "evaluation", "verdict", "evaluate", "spells", "ways",
          "region", "policies")
#: Messages of the bid's topic that state findings; its others are heads and conditions of a price.
OF_A_BID = ("bid.ask", "bid.ask_years", "bid.first_year", "bid.kept", "bid.kept_none_offensive",
            "bid.step", "bid.step_overtime", "bid.moved_most", "bid.excluded", "bid.short_log",
            "bid.received", "bid.received_low", "bid.flips", "bid.nothing_flips")
#: Messages of those topics that state none: heads, captions, notes, units, parts of sentences, and
#: what says that nothing is known.
NO_FINDING = (
    "col_", "caption", "note", "_caption", "_note", "hotspots.own_forecast", "hotspots.opening",
    "cost.money", "tile.incidents", "tile.rehits", "tile.over", "tile.again", "tile.response",
    "tile.saving", "compared.between", "compared.within", "compared.size",
    "compared.no_difference", "rings.where", "rings.band", "places.survival_caution",
    "emerging.more", "evaluate.alone", "evaluate.holds_if", "evaluate.named", "evaluate.usual",
    "evaluate.step_title", "evaluate.step_rate", "evaluate.step_begins", "evaluate.rates_treated",
    "evaluate.rates_comparison", "spells.all", "spells.of_word", "ways.kind", "ways.owner",
    "ways.nothing_placed", "ways.expected", "region.own_fault", "region.not_done",
    "region.more_not_done", "region.worker_lost", "region.scheduler_lost", "region.areas",
    "region.learnt", "policies.title", "policies.lead", "policies.points", "head_", "row_",
    "assumed_", "caution_")
FRONT, DETAILS, FIGURES = ("report/test_front.py", "report/test_details.py",
                           "report/test_figures.py")
SAID, WORDS, TREND = ("hotspots/test_spacetime_said.py", "hotspots/test_recurrence_words.py",
                      "hotspots/test_recurrence_trend.py")
POLICIES = "report/test_policies.py"
HERE, COATING = "report/test_findings.py", "outputs/test_costs_programme_words.py"
#: Start of the messages' codes to the file and test in which what they say is false.
FALSE_IN = {
    "tile.changed_": (FRONT, "test_a_change_is_called_more_than_chance_only_where_it_is"),
    "tile.unclear_": (FRONT, "test_a_change_is_called_more_than_chance_only_where_it_is"),
    "tile.from_none_": (HERE, "test_none_before_is_said_only_where_there_was_none"),
    "tile.no_earlier": (FRONT, "test_a_period_without_an_earlier_one_is_not_compared"),
    "tile.holes": (FRONT, "test_holes_and_partial_periods_are_limits_and_forbid_comparisons"),
    "tile.rehits_": (FRONT, "test_rehits_are_not_claimed_where_the_log_cannot_tell"),
    "tile.over_reading": (FRONT, "test_streets_are_no_places_over_the_threshold"),
    "tile.again_reading": (HERE, "test_tiles_say_so_where_nothing_is_known"),
    "tile.no_places": (HERE, "test_tiles_say_so_where_nothing_is_known"),
    "tile.response_": (HERE, "test_response_names_only_priorities_that_could_be_judged"),
    "tile.saving_": (FRONT, "test_coating_is_recommended_only_where_it_saves"),
    "todo.programme": (FRONT, "test_coating_is_recommended_only_where_it_saves"),
    "todo.start_with": (FRONT, "test_the_first_years_best_places_come_first_by_name"),
    "todo.look": (FRONT, "test_hotspots_are_said_to_change_only_where_one_clearly_does"),
    "todo.method": (FRONT, "test_the_method_named_is_the_one_that_most_incidents_need"),
    "todo.inspect": (FRONT, "test_the_method_named_is_the_one_that_most_incidents_need"),
    "todo.nothing": (HERE, "test_tiles_say_so_where_nothing_is_known"),
    "hotspots.changed": (FRONT, "test_hotspots_are_said_to_change_only_where_one_clearly_does"),
    "hotspots.none_changed": (FRONT,
                              "test_hotspots_are_said_to_change_only_where_one_clearly_does"),
    "hotspots.not_compared": (FRONT,
                              "test_hotspots_are_said_to_change_only_where_one_clearly_does"),
    "hotspots.outlines": (DETAILS, "test_outlines_that_came_and_went_are_no_finding"),
    "hotspots.cells": (HERE, "test_counts_in_sentences_follow_the_tables"),
    "hotspots.best_score": (DETAILS, "test_the_forecast_is_set_against_the_best_simple_count"),
    "cost.about": (FRONT, "test_spending_is_over_under_or_about_what_was_expected"),
    "cost.over": (FRONT, "test_spending_is_over_under_or_about_what_was_expected"),
    "cost.under": (FRONT, "test_spending_is_over_under_or_about_what_was_expected"),
    "cost.spent_": (DETAILS, "test_spending_of_the_period_against_forecast_and_before"),
    "cost.none_spent": (DETAILS, "test_spending_of_the_period_against_forecast_and_before"),
    "cost.surfaces": ("report/test_details_coating.py",
                      "test_nothing_is_said_where_size_does_not_explain_it"),
    "programme.opening": (DETAILS, "test_programme_gives_a_range_only_if_it_holds_the_sum"),
    "places.streets": (DETAILS, "test_log_known_by_street_only_ranks_streets_and_claims_no_wall"),
    "places.opening": (HERE, "test_counts_in_sentences_follow_the_tables"),
    "compared.higher": (WORDS, "test_rate_model_reading_tells_effects_from_noise"),
    "compared.lower": (WORDS, "test_rate_model_reading_tells_effects_from_noise"),
    "compared.untold": (WORDS, "test_rate_model_reading_tells_effects_from_noise"),
    "compared.unsettled": (WORDS, "test_unsettled_model_is_not_read_as_an_effect"),
    "compared.few_places": (WORDS, "test_few_places_give_no_reading_of_effects"),
    "compared.few": (WORDS, "test_few_places_give_no_reading_of_effects"),
    "compared.nothing": (WORDS, "test_few_places_give_no_reading_of_effects"),
    "compared.of_every_place": ("outputs/test_hotspots_recurring.py",
                                "test_models_of_a_large_log_are_read_from_every_so_many_th_place"),
    "compared.all_alike": (WORDS, "test_few_places_give_no_reading_of_effects"),
    "emerging.unproven": (SAID, "test_only_unlikely_zones_are_called_emerging"),
    "rings.batch": (SAID, "test_repeats_on_the_same_wall_are_no_near_repeats"),
    "emerging.unplaced": (SAID, "test_only_unlikely_zones_are_called_emerging"),
    "emerging.none": (SAID, "test_only_unlikely_zones_are_called_emerging"),
    "emerging.zone": (SAID, "test_only_unlikely_zones_are_called_emerging"),
    "emerging.short_log": (SAID, "test_a_log_of_one_week_tells_no_near_repeats_and_nothing_new"),
    "rings.unplaced": (SAID, "test_a_log_of_streets_tells_no_near_repeats"),
    "rings.one_place": (SAID, "test_incidents_at_one_place_only_tell_no_near_repeats"),
    "rings.one_time": (SAID, "test_a_log_of_one_week_tells_no_near_repeats_and_nothing_new"),
    "rings.none": (SAID, "test_repeats_on_the_same_wall_are_no_near_repeats"),
    "rings.raised": (SAID, "test_repeats_on_the_same_wall_are_no_near_repeats"),
    "trend.": (TREND, "test_reading_says_when_the_dates_cannot_tell"),
    "ranking.": (HERE, "test_the_ranking_says_what_the_places_are"),
    "evaluation.": (FRONT, "test_a_measures_verdict_is_that_of_the_evaluation"),
    "verdict.": (DETAILS, "test_tenfold_rise_in_one_cluster_is_called_and_the_rest_are_not"),
    "fig.share_curve": (FIGURES, "test_share_curve_by_hand"),
    "fig.survival_": (FIGURES, "test_survival_title_claims_a_difference_only_where_one_stands"),
    "fig.caterpillar": (HERE, "test_places_over_are_counted_in_the_title"),
    "fig.calendar": (FIGURES, "test_calendar_names_a_weekday_only_when_one_stands_out"),
    "fig.rings_": (FIGURES, "test_ring_title_claims_nothing_that_chance_explains"),
    "fig.check": (FIGURES, "test_forecast_title_counts_what_fell_inside"),
    "fig.years": (HERE, "test_the_cheapest_way_is_the_one_that_ends_lowest"),
    "fig.rate": (FIGURES, "test_break_even_is_where_the_lines_cross"),
    "fig.sweep": (HERE, "test_the_budget_named_is_the_one_chosen"),
    "fig.mix": (HERE, "test_the_method_named_fits_most"),
    "fig.map": (HERE, "test_the_share_in_hotspots_falls_to_nothing_where_none_lies_in_one"),
    "fig.funnel": (HERE, "test_areas_inside_the_lines_are_not_counted"),
    "fig.year_": (HERE, "test_a_bids_range_and_chance_follow_the_simulated_years"),
    "fig.swing": (HERE, "test_the_assumption_named_is_the_one_that_moves_most"),
    "fig.trade": (POLICIES, "test_the_picture_names_what_nothing_beats"),
    "policies.today": (POLICIES, "test_amounts_are_per_year"),
    "policies.fewer_": (POLICIES, "test_a_change_is_said_only_where_the_worlds_agree_on_its_sign"),
    "policies.more_": (POLICIES, "test_a_change_is_said_only_where_the_worlds_agree_on_its_sign"),
    "policies.same_": (POLICIES, "test_a_change_is_said_only_where_the_worlds_agree_on_its_sign"),
    "policies.best_": (POLICIES, "test_the_best_policy_is_the_one_that_is_and_turns_with_the_"
                       "worth_of_a_day"),
    "policies.quick_": (POLICIES, "test_quick_clearance_is_said_to_turn_a_choice_only_where_it_"
                        "does"),
    "policies.measure_": (POLICIES, "test_nothing_is_said_to_be_worth_knowing_where_nothing_"
                          "turns_the_choice"),
    "fig.route": ("report/test_static_map.py",
                  "test_routes_of_a_day_are_drawn_under_the_crews_names"),
}


EVALUATED, BID = "hotspots/test_evaluate.py", "report/test_bid.py"
FALSE_IN |= {
    **dict.fromkeys(("evaluate.fewer", "evaluate.below", "evaluate.ratio", "evaluate.difference"),
                    (EVALUATED, "test_a_measure_that_doubles_the_rate_made_it_worse")),
    **dict.fromkeys(("evaluate.more", "evaluate.above", "evaluate.cannot_tell",
                     "evaluate.no_effect"),
                    (EVALUATED, "test_a_measure_that_halves_the_rate_worked")),
    "evaluate.no_comparison": (EVALUATED, "test_a_measure_that_halves_the_rate_worked"),
    "evaluate.few_": (EVALUATED, "test_few_incidents_are_not_enough"),
    "evaluate.short_": (EVALUATED, "test_a_measure_begun_last_month_cannot_be_judged"),
    **dict.fromkeys(("evaluate.rising", "evaluate.falling", "evaluate.no_trend"),
                    (EVALUATED, "test_groups_moving_apart_before_the_measure_forbid_a_verdict")),
    **dict.fromkeys(("evaluate.fell_back", "evaluate.no_usual"),
                    (EVALUATED, "test_falling_back_after_a_bad_spell_is_no_success")),
    "evaluate.unseen_": (EVALUATED, "test_places_missing_from_the_log_are_pointed_out"),
    **dict.fromkeys(("evaluate.gained", "evaluate.moved_"),
                    (EVALUATED, "test_the_displacement_quotient_is_read_as_bowers_and_johnson_do")),
    "evaluate.power": (EVALUATED,
                       "test_the_power_sentence_says_what_an_interval_of_that_width_can_see"),
    "evaluate.matched": (EVALUATED, "test_matched_places_were_hit_as_often_and_fall_back_alike"),
    **dict.fromkeys(("spells.differ", "spells.alike", "spells.association"),
                    (WORDS, "test_time_to_rehit_is_read_by_group_with_a_test")),
    **dict.fromkeys(("spells.median", "spells.untold", "spells.share"),
                    (WORDS, "test_time_to_rehit_says_when_the_median_was_not_reached")),
    **dict.fromkeys(("spells.few_", "spells.no_"),
                    (WORDS, "test_few_places_give_no_reading_of_effects")),
    "spells.typical": ("hotspots/test_survival_typical.py",
                       "test_readings_admit_what_the_log_cannot_tell"),
    "spells.mean": (WORDS, "test_empty_mean_count_is_said"),
    "spells.no_mean": (WORDS, "test_empty_mean_count_is_said"),
    **dict.fromkeys(("ways.programme", "ways.none_allowed", "ways.budget_too_small",
                     "ways.none_pays"), (COATING, "test_programme_is_said_or_why_there_is_none")),
    "ways.none_known": (COATING, "test_what_is_not_known_is_looked_at_before_it_is_coated"),
    **dict.fromkeys(("ways.cash_or_hours", "ways.hours_for_cash", "ways.pays_back_",
                     "ways.prevents"), (
        COATING, "test_a_council_reads_what_is_money_what_hours_and_when_it_pays_back")),
    **dict.fromkeys(("ways.consent", "ways.owners"), (
        "costs/test_programme.py", "test_who_has_to_be_asked_stands_beside_each_place")),
    "ways.effect_": ("outputs/test_costs.py", "test_a_measure_without_a_verdict_changes_nothing"),
    **dict.fromkeys(("ways.greedy", "ways.robust"), (
        "outputs/test_costs.py", "test_the_robust_programme_is_no_worse_in_the_worse_case")),
    "ways.variance": ("outputs/test_costs.py",
                      "test_shares_of_the_variance_are_written_where_asked"),
    **dict.fromkeys(("ways.cheaper", "ways.nothing_cheaper", "ways.largest",
                     "ways.surfaces_unknown"),
                    (HERE, "test_another_way_is_called_cheaper_only_where_it_saves")),
    "region.": (HERE, "test_an_area_is_named_only_where_it_stands_out"),
    **dict.fromkeys(("bid.ask", "bid.first_year", "bid.kept", "bid.excluded"), (
        BID, "test_findings_say_what_to_ask_in_the_language_of_the_project")),
    "bid.kept_none_offensive": (
        BID, "test_log_that_flags_nothing_as_offensive_claims_no_share_of_it"),
    "bid.step": (BID, "test_a_step_to_more_crews_is_announced_with_what_it_buys"),
    "bid.moved_most": (HERE, "test_the_assumption_named_is_the_one_that_moves_most"),
    "bid.short_log": (BID, "test_summary_says_whose_holidays_and_where_the_log_is_short"),
    **dict.fromkeys(("bid.flips", "bid.nothing_flips"), (
        HERE, "test_a_cause_is_said_to_turn_the_bid_only_where_it_does")),
    **dict.fromkeys(("ways.measure_first", "ways.measure_first_flips"), (
        HERE, "test_something_is_worth_finding_out_only_where_it_changes_the_choice")),
    "ways.booked": ("costs/test_expected.py",
                    "test_jobs_of_a_works_log_by_hand"),
    "fig.risk": (FIGURES,
                 "test_the_risk_of_a_bid_says_what_the_price_asked_risks_and_where_half_are_lost"),
    "bid.received": (BID, "test_prices_received_are_said_lowest_first"),
}


def _findings() -> list[str]:
    titles = [code for code in catalogue("en") if code.startswith("fig.")
              and code.endswith("_title")]
    told = [code for code in catalogue("en") if code.partition(".")[0] in TOPICS]
    return [*titles, *OF_A_BID] + [code for code in told if code not in NO_FINDING and not any(
        code.partition(".")[2].startswith(part) or code.endswith(part)
        for part in NO_FINDING if "." not in part)]


@cache
def _tests_of(name: str) -> set[str]:
    tree = ast.parse((TESTS / name).read_text(encoding="utf-8"))
    return {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}


@pytest.mark.parametrize("code", _findings())
def test_every_finding_names_the_test_in_which_it_is_false(code: str) -> None:
    starts = [start for start in FALSE_IN if code.startswith(start)]
    assert starts, f"no test is named in which {code} is false"
    name, test = FALSE_IN[max(starts, key=len)]
    assert test in _tests_of(name)


def _traced_only(facts: Facts) -> Picture:
    static_map._texts(facts)
    return NO_PICTURE


@pytest.fixture(autouse=True)
def _undrawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sentences and tiles are read here; the pictures of a whole report would take minutes."""
    for module in (front, details):
        monkeypatch.setattr(module, "draw_picture", lambda *_, **__: NO_PICTURE)
    monkeypatch.setattr(front, "overview_picture", _traced_only)


def _axes() -> Axes:
    return Figure(figsize=(6, 4)).add_subplot()


def _page(inputs: ReportInput) -> str:
    document = build_document(gather_facts(inputs, load_parameters()))
    blocks = [b for section in (*document.front, *document.details) for b in section.blocks]
    tiles = [tile for b in blocks for tile in getattr(b, "tiles", ())]
    return " ".join([*(b.text for b in blocks if isinstance(b, Sentence)),
                     *(f"{tile.label}: {tile.value} {tile.reading}." for tile in tiles)])


def test_none_before_is_said_only_where_there_was_none() -> None:
    incidents = DATA.incidents
    day = incidents["reported_at"]
    year_before = day.between("2024-06-30", "2024-10-02")
    without = dataclasses.replace(DATA, incidents=incidents[~year_before].reset_index(drop=True))
    assert "none a year earlier" in _page(without)
    assert "none a year earlier" not in _page(DATA)


def test_tiles_say_so_where_nothing_is_known() -> None:
    bare = _page(make_input(n=200, full=False))
    assert "no place is known well enough" in bare
    assert "no programme was worked out" in bare
    assert "Nothing to recommend yet" in bare
    full = _page(DATA)
    assert "no place is known well enough" not in full
    assert "Nothing to recommend yet" not in full
    assert "over the whole log" in _page(dataclasses.replace(DATA, threshold_per_year=None))


def test_response_names_only_priorities_that_could_be_judged() -> None:
    one = dataclasses.replace(DATA, incidents=DATA.incidents.assign(priority="ordinary"))
    assert "of the offensive ones" not in _page(one)
    assert "of the offensive ones" in _page(DATA)
    undated = DATA.incidents.assign(cleared_at=pd.Series(
        pd.NaT, index=DATA.incidents.index, dtype="datetime64[us, UTC]"))
    assert "the log gives no clearance dates" in _page(
        dataclasses.replace(DATA, incidents=undated))


def test_counts_in_sentences_follow_the_tables() -> None:
    assert DATA.cells is not None
    assert DATA.repeats is not None
    cold = dataclasses.replace(DATA, cells=DATA.cells.assign(hot=False))
    assert "0 of 144 squares of the grid stand out" in _page(cold)
    assert f"{int(DATA.cells['hot'].sum())} of 144 squares" in _page(DATA)
    alike = dataclasses.replace(DATA, repeats=DATA.repeats.assign(n_incidents=1))
    n = len(DATA.repeats)
    assert f"the 20 hit most take {EN.share(20 / n)} of their incidents" in _page(alike)
    assert f"the 20 hit most take {EN.share(20 / n)} of" not in _page(DATA)


def test_the_ranking_says_what_the_places_are() -> None:
    """The same town with every place hit once: half of the places for half of the incidents."""
    from rehit.api import example_log, open_project
    from rehit.outputs.hotspots import ranking_found

    town = open_project(log=example_log(), crs="EPSG:32625")
    even = town.repeats.assign(n_incidents=2, n_rehits=0, chance_above=0.0, rate_per_year=1.0)
    said = " ".join(town.say.all(ranking_found(town.given(repeats=even))))
    n = len(ranked_places(even))
    assert f"{(n + 1) // 2} of {n} " in said
    assert f"0 of {2 * n} incidents with a known place were re-hits" in said
    assert "0 sites will almost surely have more than" in said
    assert ", 1.0 a year" in said
    usual = " ".join(town.say.all(ranking_found(town)))
    assert f"{(n + 1) // 2} of {n} " not in usual
    nothing = town.given(repeats=even.iloc[:0])
    assert [each.code for each in ranking_found(nothing)] == ["ranking.nothing"]
    street = even.assign(place_kind="street")
    assert "ranking.streets_only" in [
        each.code for each in ranking_found(town.given(repeats=street))]
    assert "ranking.one_place" in [
        each.code for each in ranking_found(town.given(repeats=even.head(1)))]


def test_places_over_are_counted_in_the_title() -> None:
    assert DATA.repeats is not None
    worst = DATA.repeats.sort_values(["rank_mean", "place_id"])
    for over, title in ((20, "All 20 worst places will almost surely have more than 6"),
                        (7, "7 of the 20 worst places will almost surely have more than 6"),
                        (0, "The place most likely worst,")):
        table = worst.assign(chance_above=[0.95] * over + [0.2] * (len(worst) - over))
        text = figures.rate_caterpillar(table, ax=_axes(), say=EN, threshold_per_year=6)
        assert text.title.startswith(title)


def test_the_cheapest_way_is_the_one_that_ends_lowest() -> None:
    assert DATA.cost_years is not None
    table = DATA.cost_years

    def title(cheapest: str) -> str:
        cost = table["year"] * np.where(table["strategy"] == cheapest, 10.0, 90.0)
        return figures.cost_over_years(table.assign(cost_mean=cost, cost_low=cost, cost_high=cost),
                                       ax=_axes(), say=EN, currency="EUR").title

    assert "permanent coating costs least" in title("permanent_coating")
    assert "remove each time costs least" in title("remove_each_time")
    part = figures.cost_over_years(table, ax=_axes(), say=EN, currency="EUR",
                                   allowed=dict.fromkeys(table["strategy"].unique(), 3))
    assert "would cost least" in part.title


def test_the_budget_named_is_the_one_chosen() -> None:
    assert DATA.budget_sweep is not None
    for pick in (2, 8):
        sweep = DATA.budget_sweep.assign(chosen=np.arange(11) == pick)
        title = figures.budget_sweep(sweep, ax=_axes(), say=EN, currency="EUR").title
        assert title.startswith(f"With up to EUR\u00a0{pick * 2},000 to spend")
        assert f"coating {pick * 5} places" in title


def test_the_method_named_fits_most() -> None:
    for method, word in (("paint_out", "Paint out fits 75%"), ("hot_wash", "Hot wash fits 75%"),
                         ("inspect", "75% of the incidents of the period wait")):
        methods = pd.Series([method] * 3 + ["scrape"])
        assert figures.method_mix(methods, ax=_axes(), say=EN).title.startswith(word)


def test_the_share_in_hotspots_falls_to_nothing_where_none_lies_in_one() -> None:
    assert DATA.clusters is not None
    away = dataclasses.replace(DATA, clusters=DATA.clusters.assign(
        geometry=DATA.clusters.geometry.translate(xoff=90_000)))
    for inputs, nothing in ((DATA, False), (away, True)):
        facts = gather_facts(inputs, load_parameters())
        figure = Figure(figsize=(6, 4), layout="constrained")
        title = static_map.draw_map(facts, ax=figure.add_subplot()).title
        assert title.startswith("0% of the period's incidents") == nothing


def test_areas_inside_the_lines_are_not_counted() -> None:
    found = pd.DataFrame({"area": ["a", "b", "c"], "part": [80.0, 81.0, 20.0], "whole": 100.0,
                          "share": [0.80, 0.81, 0.20]})
    for standing, n in ((["inside", "inside", "far_low"], 1), (["inside"] * 3, 0)):
        for name in ("in_time", "rehits"):
            text = figures.funnel(found.assign(standing=standing), Funnel(0.8, 0.0).limits,
                                  ax=_axes(), say=EN, name=name)
            assert text.title.startswith(f"{n} of 3 areas")


def test_a_bids_range_and_chance_follow_the_simulated_years() -> None:
    cost = pd.DataFrame({"cost": np.linspace(1000, 2000, 101)})
    for asked, share in ((1500.0, "50%"), (1900.0, "10%")):
        text = figures.year_costs(cost, ax=_axes(), say=EN, currency="EUR", asked=asked)
        assert text.title.startswith("The first year costs EUR\u00a01,100 to EUR\u00a01,900")
        assert f"in {share} of them the cost exceeds" in text.note.replace("\u00a0", "")


def test_the_assumption_named_is_the_one_that_moves_most() -> None:
    moved = pd.DataFrame({"words": ["labour", "paint"], "price": 100.0, "swing": 0.2,
                          "price_low": [60.0, 95.0], "price_high": [140.0, 105.0]})
    draw = figures.price_swings
    assert draw(moved, ax=_axes(), say=EN, currency="EUR").title.startswith("“labour”")
    turned = moved.iloc[::-1].reset_index(drop=True)
    assert draw(turned, ax=_axes(), say=EN, currency="EUR").title.startswith("“paint”")


def test_an_area_is_named_only_where_it_stands_out() -> None:
    found = pd.DataFrame({"area": ["A", "B", "C"], "part": [50, 50, 90], "whole": [100] * 3,
                          "standing": ["inside", "inside", "far_high"]})
    assert [told.code for told in region._share_sentences("in_time", found)] == [
        "region.in_time_all", "region.in_time_high"]
    alike = found.assign(standing="inside")
    assert [told.code for told in region._share_sentences("in_time", alike)] == [
        "region.in_time_all", "region.in_time_alike"]
    low = found.assign(standing=["far_low", "inside", "inside"])
    assert region._share_sentences("rehits", low)[1].facts["names"] == ("A",)
    assert region._share_sentences("rehits", found.head(1))[0].code == "region.rehits_none"
    league = pd.DataFrame({"area": ["A", "B"], "pooled": [1.0, 2.0], "low": 0.5, "high": 3.0,
                           "rank_low": [2, 1], "rank_high": [2, 1]})
    (first,) = region._rate_sentences(league)
    assert (first.code, first.facts["area"]) == ("region.rates_first", "B")
    (unsure,) = region._rate_sentences(league.assign(rank_low=1))
    assert unsure.code == "region.rates_first"
    (unsure,) = region._rate_sentences(league.assign(rank_low=1, rank_high=2))
    assert unsure.code == "region.rates_worst"
    assert region._rate_sentences(league.head(1))[0].code == "region.rates_none"
    assert region._cost_sentences(league.head(0))[0].code == "region.costs_none"


def test_another_way_is_called_cheaper_only_where_it_saves() -> None:
    costs = pd.DataFrame({"place_id": ["A", "B"], "cheapest": True, "chance_cheapest": 0.9,
                          "strategy": ["permanent_coating", "remove_each_time"],
                          "saving": [100.0, 0.0]})
    work = pd.DataFrame({"place_class": ["known", "total"], "expected_per_year": 4.0,
                         "log_per_year": 4.0, "cost_per_year": 400.0, "cost_per_marking": 100.0,
                         "present_value": 3000.0})

    def told(costs: pd.DataFrame, method: str = "hot_wash") -> list[str]:
        chain: Any = SimpleNamespace(
            strategy_costs=costs, expected_work=work, effects=(), named=str,
            costing=pd.DataFrame({"method": [method] * 2}),
            parameters={"costs.horizon_years": 10.0})
        return [each.code for each in cost_messages(chain)]

    assert told(costs) == ["ways.cheaper", "ways.largest_no_effect", "ways.expected"]
    dearer = costs.assign(saving=[-1.0, 0.0])
    assert told(dearer) == ["ways.nothing_cheaper", "ways.expected"]
    assert told(dearer, "inspect") == ["ways.surfaces_unknown", "ways.expected"]


def test_a_cause_is_said_to_turn_the_bid_only_where_it_does() -> None:
    table = pd.DataFrame({"cause": ["labour", "minutes"], "worth": 100.0, "flips_at": [1.5, 0.8]})
    told = information_messages(table)
    assert [(each.code, each.facts["cause"]) for each in told] == [
        ("bid.flips", "minutes"), ("bid.flips", "labour")]
    none = information_messages(table.assign(flips_at=np.nan))
    assert [each.code for each in none] == ["bid.nothing_flips"]


@pytest.mark.parametrize(("worth", "flips_at", "codes"), [
    (50.0, 1.4, ["ways.measure_first_flips"]), (50.0, np.nan, ["ways.measure_first"]),
    (0.0, np.nan, [])])
def test_something_is_worth_finding_out_only_where_it_changes_the_choice(
        worth: float, flips_at: float, codes: list[str], monkeypatch: pytest.MonkeyPatch,
        tmp_path: Path) -> None:
    table = pd.DataFrame({"cause": ["labour"], "worth": [worth], "flips_at": [flips_at]})
    monkeypatch.setattr(outputs_costs, "what_to_measure", lambda *_, **__: table)
    chain: Any = SimpleNamespace(costing=None, strategies=None, doubt=None, cost_parameters=None,
                                 rng=str, say=EN)
    told = outputs_costs.write_information(chain, tmp_path)
    assert [each.code for each in told] == codes
