"""What the second page says, on cases worked out by hand."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pandas as pd
import pytest
from report_tables import (
    FROM,
    fill,
    make_clusters,
    make_incidents,
    make_input,
    make_repeats,
)

from rehit.parameters import load_parameters
from rehit.report.details import (
    cost_section,
    cost_years_picture,
    evaluation_section,
    forecast_section,
    hotspots_section,
    methods_section,
    places_section,
    programme_section,
    rate_costs_picture,
    response_section,
    volume_section,
)
from rehit.report.document import Grid, Picture, Section, Sentence
from rehit.report.inputs import ReportInput
from rehit.report.measures import Facts, gather_facts, trace_counts
from rehit.report.static_map import overview_picture

pytestmark = pytest.mark.usefixtures("unpainted")


def _facts(inputs: ReportInput) -> Facts:
    facts = gather_facts(inputs, load_parameters())
    trace_counts(facts)
    return facts


def _said(section: Section) -> str:
    return "\n".join(block.text for block in section.blocks if isinstance(block, Sentence))


def _grid(section: Section, number: int = 0) -> Grid:
    return [b for b in section.blocks if isinstance(b, Grid)][number]


def test_outlines_that_came_and_went_are_no_finding() -> None:
    """Of three clusters one stood before almost in place; of two before, one is gone."""
    inputs = make_input(n=400)
    section = hotspots_section(_facts(inputs))
    told = [b for b in section.blocks if isinstance(b, Sentence) and "H4" in b.traces]
    assert [b.tone for b in told] == ["note"]
    assert told[0].text.startswith("2 outlines are new and 1 of the period before are gone.")
    assert "that alone is no change" in told[0].text
    same = dataclasses.replace(inputs, clusters_before=inputs.clusters)
    assert "0 outlines are new" in _said(hotspots_section(_facts(same)))


def test_clusters_count_the_incidents_inside_their_hulls() -> None:
    inputs = make_input(n=900, clusters=make_clusters([(1500, 1500)]), cells=None)
    facts = _facts(inputs)
    centre = inputs.clusters.geometry.iloc[0].centroid
    close = facts.now.incidents.geometry.distance(centre) <= 260
    row = _grid(hotspots_section(facts)).rows[0]
    assert row[1] == str(int(close.sum()))
    overview_picture(facts)
    assert facts.book.figures["H2"].value == pytest.approx(close.mean())


def test_a_street_cluster_counts_its_street_wherever_its_middle_falls() -> None:
    """A street has no area, and its middle lies where none of its incidents does."""
    plain = make_input(n=300)
    incidents = plain.incidents.copy()
    incidents["place_id"] = np.where(incidents.index % 3 == 0, "plover lane", "other")
    middle = make_clusters([(2950, 50)]).assign(places="plover lane", name="Plover Lane")
    middle = middle.set_geometry(middle.geometry.centroid)
    moved = middle.set_geometry(middle.geometry.translate(40))
    given = dataclasses.replace(plain, incidents=incidents, clusters=middle,
                                clusters_before=moved, cells=None)
    facts = _facts(given)
    section = hotspots_section(facts)
    there = int((facts.now.incidents["place_id"] == "plover lane").sum())
    assert there > 0
    assert _grid(section).rows[0][:2] == ("Plover Lane", str(there))
    overview_picture(facts)
    assert facts.book.figures["H2"].value == pytest.approx(there / facts.now.count)
    assert "0 outlines are new" in _said(section)
    unnamed = _facts(dataclasses.replace(
        given, clusters=middle.assign(places=""), clusters_before=moved.assign(places="")))
    assert "0 outlines are new" in _said(hotspots_section(unnamed))
    rows = facts.inputs.incidents["place_id"] == "plover lane"
    assert len(facts.book.figures["H1"].rows) == facts.inputs.incidents.loc[
        rows, "source_rows"].str.split(";").str.len().sum()


def test_log_without_clearance_dates_calls_nothing_a_rehit() -> None:
    incidents = make_incidents(300)
    incidents["cleared_at"] = pd.Series(pd.NaT, index=incidents.index).dt.tz_localize(
        "UTC").dt.as_unit("us")
    repeats = make_repeats(incidents).head(11)
    facts = _facts(make_input(incidents=incidents, full=False, repeats=repeats))
    assert "rest on an assumed time to clearance" in _grid(places_section(facts)).note
    assert facts.book.figures["A2"].label == "Share of the 11 places hit most"


def test_tenfold_rise_in_one_cluster_is_called_and_the_rest_are_not() -> None:
    incidents = make_incidents(1500)
    burst = incidents[incidents["reported_at"] > "2025-08-01"].copy()
    burst = burst.head(60).assign(
        incident_id=lambda f: "b" + f["incident_id"],
        reported_at=pd.Timestamp("2025-08-15", tz="UTC").as_unit("us"))
    there = burst.set_geometry(make_clusters([(700, 700)]).geometry.centroid.repeat(len(burst))
                               .to_numpy(), crs=incidents.crs)
    merged = pd.concat([incidents, there], ignore_index=True)
    inputs = make_input(incidents=merged, clusters=make_clusters([(700, 700), (2900, 2900)]))
    rows = {r[0]: r[-1] for r in _grid(hotspots_section(_facts(inputs))).rows}
    assert rows["Heron Street 1"] == "higher, more than chance"
    assert rows["Heron Street 2"] == "no clear change"


def test_log_known_by_street_only_ranks_streets_and_claims_no_wall() -> None:
    incidents = make_incidents(800).assign(
        place_kind="street", place_quality="street", asset_id=None, street_key="plover lane")
    incidents["place_id"] = "street-" + (incidents.index % 30).astype(str)
    repeats = make_repeats(incidents).assign(place_kind="street", n_rehits=0)
    inputs = make_input(incidents=incidents, full=False, repeats=repeats, threshold_per_year=6.0)
    facts = _facts(inputs)
    places_section(facts)
    assert facts.book.figures["A0"].value == 30
    assert "A3" not in facts.book.figures


def test_log_with_holes_is_not_compared_over_time() -> None:
    incidents = make_incidents(1800)
    week = (incidents["reported_at"] - FROM).dt.days // 7
    patchy = incidents[(week % 10) < 6]
    holes = _facts(make_input(incidents=patchy, full=False))
    assert holes.holes
    assert holes.empty_weeks == pytest.approx(len(holes.weeks) * 0.4, abs=4)
    assert "not comparable" in str(_grid(volume_section(holes)).rows)
    assert not _facts(make_input(incidents=incidents, full=False)).holes
    sparse = _facts(make_input(incidents=make_incidents(150), full=False))
    assert sparse.weeks.mean() < 2
    assert not sparse.holes


def test_spending_of_the_period_against_forecast_and_before() -> None:
    months = pd.date_range("2024-07-01", periods=18, freq="MS", tz="UTC").as_unit("us")
    spend = pd.DataFrame({"month": months, "spent": 1000.0, "expected": 800.0,
                          "expected_low": 600.0, "expected_high": 1000.0})
    facts = _facts(make_input(n=200, spend=spend))
    text = _said(cost_section(facts))
    assert "In the period before it was EUR\u00a03,000." in text
    assert (facts.book.figures["C1"].value, facts.book.figures["C2"].value) == (3000.0, 2400.0)
    blind = spend.assign(expected=np.nan, expected_low=np.nan, expected_high=np.nan)
    section = cost_section(_facts(make_input(n=200, spend=blind)))
    assert "no forecast to set it against" in _said(section)
    assert _grid(section).headers == ("Month", "Spent")


def test_days_stand_on_the_calendar_of_the_place() -> None:
    """A measure of 2 July in Madrid begins at 22:00 of 1 July in UTC."""
    inputs = make_input(n=200)
    assert inputs.evaluations is not None
    begun = inputs.evaluations.assign(
        started_at=pd.Timestamp("2024-07-01 22:00", tz="UTC").as_unit("us"))
    grid = _grid(evaluation_section(_facts(dataclasses.replace(inputs, evaluations=begun))))
    assert {row[1] for row in grid.rows} == {"2 July 2024"}


def test_each_way_is_set_against_removal_at_the_same_places() -> None:
    costs = pd.DataFrame({
        "place_id": ["a", "b", "a", "b"], "strategy": ["remove_each_time"] * 2 + ["coat"] * 2,
        "pv_mean": [100.0, 900.0, 300.0, 500.0], "allowed": [True, True, False, True],
        "cheapest": [True, False, False, True], "saving": [0.0, 0.0, -200.0, 400.0]})
    costs = fill(costs, "strategy_costs")
    inputs = dataclasses.replace(make_input(n=60, full=False), strategy_costs=costs)
    rows = _grid(cost_section(_facts(inputs))).rows
    assert [row[3:6] for row in rows] == [
        ("EUR\u00a0500", "EUR\u00a0500", "–"), ("EUR\u00a0500", "EUR\u00a0900", "EUR\u00a0400")]


def test_the_forecast_is_set_against_the_best_simple_count() -> None:
    scores = pd.DataFrame({
        "method": ["forecast", "count, all history", "count, 90 days"], "horizon_days": 28,
        "hit_rate": [0.29, 0.30, 0.24], "log_score": [-0.2, np.nan, np.nan], "pai": 5.0})
    section = forecast_section(_facts(make_input(n=200, forecast_scores=scores)))
    assert ("The forecast named places that took 29% of the incidents; the best simple count "
            "named places that took 30%.") in _said(section)


def test_methods_add_up_and_only_this_period_counts() -> None:
    inputs = make_input(n=700)
    facts = _facts(inputs)
    methods_section(facts)
    figures = facts.book.figures
    assert figures["M0"].value == facts.now.count
    assert sum(figures[p].value for p in figures["M0"].parts) == figures["M0"].value


def test_the_method_needed_most_is_a_share_in_value_label_and_sentence() -> None:
    inputs = make_input(n=700)
    assert inputs.advice is not None
    solvent = inputs.advice["incident_id"].isin(inputs.advice["incident_id"].iloc[::3])
    facts = _facts(dataclasses.replace(inputs, advice=inputs.advice.assign(
        method=np.where(solvent, "solvent_wipe", "paint_out"))))
    methods_section(facts)
    figure, figures = facts.book.figures["M1"], facts.book.figures
    assert figure.value == max(figures[p].value for p in figures["M0"].parts) / facts.now.count
    assert 0.6 < figure.value < 0.74
    assert figure.shown == facts.say.share(figure.value)
    assert figure.label == "Share of the incidents that the method needed most suits: “paint out”"


def test_log_without_surfaces_asks_to_look_first() -> None:
    inputs = make_input(n=300)
    assert inputs.advice is not None
    given = dataclasses.replace(inputs, advice=inputs.advice.assign(method="inspect"))
    facts = _facts(given)
    methods_section(facts)
    assert "before someone has looked" in facts.book.figures["M1"].label
    section = methods_section(_facts(given))
    assert not [b for b in section.blocks if isinstance(b, Picture)]
    n = facts.now.count
    assert "A method was chosen" not in _said(section)
    assert f"For {n} of the {n} incidents of the period someone has to look" in _said(section)


def test_streets_show_no_rehits_and_an_estimated_chance_is_never_certain() -> None:
    repeats = make_repeats(make_incidents(300)).assign(chance_above=1.0)
    facts = _facts(make_input(n=300, repeats=repeats))
    assert {row[7] for row in _grid(places_section(facts)).rows} == {">\u00a099%"}
    streets = _facts(make_input(n=300, repeats=repeats.assign(place_kind="street", n_rehits=0)))
    assert {row[4] for row in _grid(places_section(streets)).rows} == {"–"}


def test_programme_gives_a_range_only_if_it_holds_the_sum() -> None:
    inputs = make_input(n=200)
    sweep, programme = inputs.budget_sweep, inputs.programme
    assert sweep is not None
    assert programme is not None
    total = programme["saving_per_year"].sum()
    wide = sweep.assign(saving_low=total - 900, saving_high=total + 900)
    for table, ranged in ((wide, True), (sweep, False)):
        section = programme_section(_facts(dataclasses.replace(inputs, budget_sweep=table)))
        assert ("likely " in _said(section)) is ranged


def test_programme_says_when_money_is_due_and_what_the_saving_is_set_against() -> None:
    """Two years of coats: the cost is not all due at once, the first year's best come first."""
    inputs = make_input(n=200)
    assert inputs.programme is not None
    programme = inputs.programme.head(3).assign(year=[2, 1, 1], saving_per_year=[90.0, 20.0, 30.0])
    best = str(programme["place_id"].iloc[2])
    incidents = inputs.incidents.copy()
    at_best = incidents["place_id"] == best
    incidents.loc[at_best, "address"] = "7 Quay Lane"
    facts = _facts(dataclasses.replace(inputs, programme=programme, incidents=incidents))
    grid = _grid(programme_section(facts))
    where = grid.headers.index("Coated in year")
    assert [row[where] for row in grid.rows] == ["2", "1", "1"]
    assert "cheapest way without a coating" in grid.note
    assert f"7 Quay Lane ({best})" in {row[0] for row in grid.rows}


def test_a_way_allowed_nowhere_is_not_called_the_cheapest() -> None:
    """Only removal is allowed: there is nothing to compare, so no picture claims a winner."""
    inputs = make_input(n=200)
    costs, years = inputs.strategy_costs, inputs.cost_years
    assert costs is not None
    assert years is not None
    only = dataclasses.replace(inputs, strategy_costs=costs.assign(
        allowed=costs["strategy"] == "remove_each_time"))
    assert cost_years_picture(_facts(only)) is None
    assert rate_costs_picture(_facts(only)) is None
    worst = costs["place_id"].unique()[:20]
    some = costs.assign(allowed=(costs["strategy"] != "permanent_coating")
                        | costs["place_id"].isin(worst[:3]))
    costing = pd.DataFrame({"place_id": worst}).reindex(range(20))
    part = dataclasses.replace(inputs, strategy_costs=some, costing=costing.assign(
        wall_area_m2=5.0, gamma_shape=1.0, gamma_rate_years=1.0, mark_area_m2=1.0,
        method="paint_out", coating_allowed=True, access="ground", traffic_control=False))
    drawn = (cost_years_picture(_facts(part)), rate_costs_picture(_facts(part)))
    titles = [picture.title for picture in drawn if picture is not None]
    assert "permanent coating would cost least" in titles[0]
    assert titles[0].endswith("but only 3 of them allow it")
    assert titles[1].startswith("At a place of middling size")


def test_standards_are_those_of_the_service_parameters() -> None:
    numbers = load_parameters().override({"service.offensive_hours": 36.0,
                                          "service.ordinary_working_days": 10.0})
    facts = gather_facts(make_input(n=300, full=False), numbers)
    trace_counts(facts)
    grid = _grid(response_section(facts))
    assert [row[1] for row in grid.rows] == ["36\u00a0h", "14\u00a0days"]
    assert "10 working days are counted as 14 days" in grid.note
    assert facts.book.figures["R2"].label == "Cleared within 14\u00a0days, ordinary"


def test_standards_given_by_the_project_are_used() -> None:
    inputs = make_input(n=600, full=False)
    loose = dataclasses.replace(
        inputs, standards=dataclasses.make_dataclass("S", ["offensive_h", "ordinary_h"])(1e5, 1e5))
    rows: Any = _grid(response_section(_facts(loose))).rows
    assert rows[0][3].startswith(("100%", ">\u00a099%", "–"))
    assert rows[0][1] == "4,166.67\u00a0days"
    assert "working days" not in _grid(response_section(_facts(loose))).note
