"""The first page: each finding is said where the data hold it and not where they do not."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator
from datetime import date

import numpy as np
import pandas as pd
import pytest
from report_tables import FROM, TO, make_clusters, make_incidents, make_input, make_repeats

from rehit.parameters import load_parameters
from rehit.report.details import details_sections
from rehit.report.document import SECTIONS, Document, Picture, Section, Sentence, Tile, Tiles
from rehit.report.front import (
    build_document,
    cost_finding,
    hotspots_finding,
    limits_section,
    measures_finding,
    methods_finding,
    places_finding,
    programme_finding,
    spent_code,
    summary_section,
    surfaces_finding,
    to_do_section,
)
from rehit.report.inputs import ReportInput
from rehit.report.measures import Facts, gather_facts, trace_counts

pytestmark = pytest.mark.usefixtures("unpainted")


def _facts(inputs: ReportInput) -> Facts:
    facts = gather_facts(inputs, load_parameters())
    trace_counts(facts)
    details_sections(facts)
    return facts


def _said(section: Section) -> str:
    return "\n".join(block.text for block in section.blocks if isinstance(block, Sentence))


def _tiles(facts: Facts) -> dict[str, Tile]:
    tiles = next(b for b in summary_section(facts).blocks if isinstance(b, Tiles)).tiles
    return dict(zip(("incidents", "rehits", "over", "response", "saving"), tiles, strict=True))


def _words(document: Document) -> Iterator[str]:
    for section in document.front:
        yield section.title
        for block in section.blocks:
            for text in _texts(block):
                yield from text.split()


def _texts(block: object) -> Iterator[str]:
    if isinstance(block, str):
        yield block
    elif isinstance(block, tuple):
        for part in block:
            yield from _texts(part)
    elif isinstance(block, Picture):
        yield from (block.title, block.note)
    elif dataclasses.is_dataclass(block):
        for field in dataclasses.fields(block):
            yield from _texts(getattr(block, field.name))


def test_five_tiles_and_at_most_1500_words(full_input: ReportInput) -> None:
    document = build_document(gather_facts(full_input, load_parameters()))
    tiles = [b for b in document.front[0].blocks if isinstance(b, Tiles)]
    assert [len(b.tiles) for b in tiles] == [5]
    assert 300 < len(list(_words(document))) <= 1500
    for section in document.front:
        assert len([b for b in section.blocks if isinstance(b, Picture)]) <= 1


def test_a_code_beside_a_sentence_leads_to_a_figure_that_the_sentence_states(
        full_input: ReportInput) -> None:
    facts = gather_facts(full_input, load_parameters())
    document = build_document(facts)
    cited = 0
    for section in (*document.front, *document.details):
        for block in section.blocks:
            for quoted in (block.tiles if isinstance(block, Tiles) else
                           [block] if isinstance(block, Sentence) else []):
                text = (f"{quoted.value} {quoted.reading}" if isinstance(quoted, Tile)
                        else quoted.text)
                for code in ([quoted.trace] if isinstance(quoted, Tile) else quoted.traces):
                    if not code:
                        continue
                    figure, cited = facts.book.figures[code], cited + 1
                    shown = re.sub(r" ?\(.*", "", figure.shown)
                    assert shown in text or figure.value == 0, (code, figure.shown, text)
    assert cited > 25


def test_a_section_left_out_is_on_neither_page_and_the_report_says_so(
        full_input: ReportInput) -> None:
    whole = build_document(gather_facts(full_input, load_parameters()))
    shown = {section.id for section in (*whole.front, *whole.details)}
    assert set(SECTIONS) <= shown
    part = build_document(gather_facts(dataclasses.replace(
        full_input, left_out=("cost", "programme")), load_parameters()))
    assert shown - {section.id for section in (*part.front, *part.details)} == {
        "cost", "programme"}
    limits = next(section for section in part.front if section.id == "limits")
    assert "Left out on request: Cost and Coating programme." in [
        block.text for block in limits.blocks if isinstance(block, Sentence)]


def test_every_chart_hands_out_its_table(full_input: ReportInput) -> None:
    document = build_document(gather_facts(full_input, load_parameters()))
    charts = [b for section in (*document.front, *document.details) for b in section.blocks
              if isinstance(b, Picture) and b.id != "overview_map"]
    assert len(charts) >= 8
    assert [b.id for b in charts if not b.data] == []


def _with_counts(now: int, before: int) -> ReportInput:
    """Make a log with so many incidents in the period and a year earlier, spread evenly."""
    incidents = make_incidents(now + before + 900)
    times = [*pd.date_range("2025-07-02", "2025-09-29", periods=now, tz="UTC"),
             *pd.date_range("2024-07-02", "2024-09-29", periods=before, tz="UTC"),
             *pd.date_range(FROM, TO, periods=900)]
    keep = pd.Series(times).between("2024-10-01", "2025-06-30") | (
        pd.Series(range(len(times))) < now + before)
    changed = incidents.assign(reported_at=pd.DatetimeIndex(times).as_unit("us"), cleared_at=(
        pd.DatetimeIndex(times) + pd.Timedelta(1, "D")).as_unit("us"))
    return make_input(incidents=changed[keep.to_numpy()].reset_index(drop=True), full=False)


@pytest.mark.parametrize(("now", "before", "reading"), [
    (300, 100, "more than chance"), (100, 300, "more than chance"), (101, 100, "may be chance")])
def test_a_change_is_called_more_than_chance_only_where_it_is(now: int, before: int,
                                                              reading: str) -> None:
    tile = _tiles(_facts(_with_counts(now, before)))["incidents"]
    assert tile.value == str(now)
    assert tile.reading.endswith(reading)
    assert tile.reading.startswith("+" if now > before else "\u2212")


def test_a_period_without_an_earlier_one_is_not_compared() -> None:
    inputs = make_input(n=300, full=False, period_start=FROM.date(),
                        period_end=(FROM + pd.Timedelta(60, "D")).date())
    assert "no earlier period" in _tiles(_facts(inputs))["incidents"].reading


def test_rehits_are_not_claimed_where_the_log_cannot_tell() -> None:
    plain = make_incidents(300)
    undated = plain.assign(cleared_at=pd.Series(pd.NaT, index=plain.index).dt.tz_localize(
        "UTC").dt.as_unit("us"))
    tile = _tiles(_facts(make_input(incidents=undated, full=False)))["rehits"]
    assert "too few clearance dates" in tile.reading
    assert "had been cleaned" not in tile.reading
    dated = _tiles(_facts(make_input(incidents=plain, full=False)))["rehits"]
    assert int(dated.value) > 0
    assert "had been cleaned since the one before" in dated.reading
    street = plain.assign(place_kind="street", place_quality="street", asset_id=None,
                          street_key="plover lane")
    unknown = _tiles(_facts(make_input(incidents=street, full=False)))["rehits"]
    assert unknown.reading == "no place is known better than its street"


@pytest.mark.parametrize(("chance", "count"), [(0.95, "all"), (0.5, "0")])
def test_places_are_surely_over_only_above_the_chance_asked_for(chance: float,
                                                                count: str) -> None:
    repeats = make_repeats(make_incidents(400)).assign(chance_above=chance)
    facts = _facts(make_input(n=400, repeats=repeats))
    assert _tiles(facts)["over"].value == (str(len(repeats)) if count == "all" else count)


def test_streets_are_no_places_over_the_threshold() -> None:
    repeats = make_repeats(make_incidents(400)).assign(chance_above=0.99)
    mixed = repeats.assign(place_kind=["street"] * 3 + ["asset"] * (len(repeats) - 3))
    facts = _facts(make_input(n=400, repeats=mixed))
    assert _tiles(facts)["over"].value == str(len(repeats) - 3)
    assert f"of {len(repeats) - 3} places" in _tiles(facts)["over"].reading


def test_coating_is_recommended_only_where_it_saves() -> None:
    inputs = make_input(n=200)
    assert inputs.programme is not None
    good = _facts(inputs)
    assert "Coat" in _said(to_do_section(good))
    assert "likely" in _tiles(good)["saving"].reading or "their own cost paid" in _tiles(
        good)["saving"].reading
    loss = _facts(dataclasses.replace(inputs, programme=inputs.programme.assign(
        saving_per_year=-5.0)))
    assert "Coat" not in _said(to_do_section(loss))
    assert "saves nothing" in _tiles(loss)["saving"].reading


def test_the_first_years_best_places_come_first_by_name() -> None:
    inputs = make_input(n=200)
    assert inputs.programme is not None
    programme = inputs.programme.head(3).assign(year=[2, 1, 1], saving_per_year=[90.0, 20.0, 30.0])
    best = str(programme["place_id"].iloc[2])
    incidents = inputs.incidents.copy()
    incidents.loc[incidents["place_id"] == best, "address"] = "7 Quay Lane"
    facts = _facts(dataclasses.replace(inputs, programme=programme, incidents=incidents))
    said = _said(to_do_section(facts))
    assert "over 2 years: EUR\u00a01,200 for the first coats" in said
    second = facts.named(str(programme["place_id"].iloc[1]))
    assert f"Start with 7 Quay Lane ({best}) and {second}, which save most." in said


def test_the_method_named_is_the_one_that_most_incidents_need() -> None:
    inputs = make_input(n=700)
    assert inputs.advice is not None
    third = np.arange(len(inputs.advice)) % 3 == 0
    for method, other in (("paint_out", "solvent_wipe"), ("solvent_wipe", "paint_out")):
        facts = _facts(dataclasses.replace(inputs, advice=inputs.advice.assign(
            method=np.where(third, other, method))))
        word = method.replace("_", " ")
        assert f"Be ready for “{word}”" in _said(to_do_section(facts))
    look = _facts(dataclasses.replace(inputs, advice=inputs.advice.assign(method="inspect")))
    assert "someone has to look before" in _said(to_do_section(look))


def _burst(n: int) -> ReportInput:
    """Make a log with `n` incidents more than usual in one of two hotspots of the period."""
    incidents = make_incidents(1500)
    late = incidents[incidents["reported_at"] > "2025-08-01"].head(n)
    burst = late.assign(incident_id="b" + late["incident_id"],
                        reported_at=pd.Timestamp("2025-08-15", tz="UTC").as_unit("us"))
    middle = make_clusters([(700, 700)]).geometry.centroid.repeat(len(burst)).to_numpy()
    there = burst.set_geometry(middle, crs=incidents.crs)
    merged = pd.concat([incidents, there], ignore_index=True) if n else incidents
    return make_input(incidents=merged, clusters=make_clusters([(700, 700), (2900, 2900)]))


def test_hotspots_are_said_to_change_only_where_one_clearly_does() -> None:
    quiet = hotspots_finding(_facts(_burst(0)))
    assert "None of the 2 hotspots clearly changed" in _said(quiet)
    assert [b.tone for b in quiet.blocks if isinstance(b, Sentence)] == ["plain"]
    facts = _facts(_burst(60))
    assert "Of 2 hotspots, 1 have clearly more" in _said(hotspots_finding(facts))
    assert "clearly more incidents than before: Heron Street 1." in _said(to_do_section(facts))
    assert "hotspot" not in _said(to_do_section(_facts(_burst(0))))


def test_holes_and_partial_periods_are_limits_and_forbid_comparisons() -> None:
    incidents = make_incidents(1800)
    week = (incidents["reported_at"] - FROM).dt.days // 7
    holes = _facts(make_input(incidents=incidents[(week % 10) < 6], full=False))
    assert holes.holes
    assert f"nothing for {holes.empty_weeks} of its {len(holes.weeks)} weeks" in _said(
        limits_section(holes))
    assert _tiles(holes)["incidents"].reading == "not comparable: the log has holes"
    whole = _facts(make_input(incidents=incidents, full=False))
    assert "nothing for" not in _said(limits_section(whole))
    after = _facts(make_input(n=300, full=False, period_start=date(2026, 1, 1),
                              period_end=date(2026, 3, 31)))
    assert "covers only 0 of the 90 days" in _said(limits_section(after))
    assert _tiles(after)["incidents"].value == "0"


def test_spending_is_over_under_or_about_what_was_expected() -> None:
    months = pd.date_range("2024-07-01", periods=18, freq="MS", tz="UTC").as_unit("us")
    spend = pd.DataFrame({"month": months, "spent": 1000.0, "expected": 800.0,
                          "expected_low": 600.0, "expected_high": 1000.0})

    def said(expected: float) -> str:
        return _said(cost_finding(_facts(make_input(n=200, spend=spend.assign(
            expected=expected)))))

    assert "EUR\u00a03,000 was spent, EUR\u00a0600 more than the EUR\u00a02,400" in said(800)
    assert "EUR\u00a0600 less than" in said(1200)
    assert "about as much as expected (EUR\u00a03,000)" in said(1003)
    assert spent_code(1000, 2000) == "cost.under"


def test_budgets_that_treat_nothing_are_not_drawn() -> None:
    inputs = make_input(n=200)
    assert inputs.budget_sweep is not None
    assert programme_finding(_facts(inputs)).blocks
    nothing = dataclasses.replace(inputs, programme=None, budget_sweep=inputs.budget_sweep.assign(
        n_places=0, saving_per_year=0.0, saving_low=0.0, saving_high=0.0))
    assert programme_finding(_facts(nothing)).blocks == []


def test_a_measures_verdict_is_that_of_the_evaluation() -> None:
    said = _said(measures_finding(_facts(make_input(n=200))))
    assert "fewer markings" in said
    assert "cannot tell" in said
    given = make_input(n=200)
    assert given.evaluations is not None
    none = dataclasses.replace(given, evaluations=given.evaluations.assign(
        verdict="cannot_tell"))
    assert "fewer markings" not in _said(measures_finding(_facts(none)))


def test_places_are_named_by_address_with_their_number() -> None:
    inputs = make_input(n=300)
    grid = next(b for b in places_finding(_facts(inputs)).blocks if hasattr(b, "rows"))
    assert all(re.search(r"^\d+ .+ \(W-\d+\)$", row[0]) for row in grid.rows)


def test_surfaces_without_curves_leave_no_section() -> None:
    assert surfaces_finding(_facts(make_input(n=200, full=False))).blocks == []


def test_jobs_for_a_specialist_that_the_crews_did_are_a_finding() -> None:
    """Fault: 117 listed surfaces were hot-washed in a works log, and no page said so."""
    done = pd.DataFrame({"advised": ["refer", "refer", "refer", "hot_wash"],
                         "done": ["hot_wash", "paint_out", "refer", "hot_wash"],
                         "second_choice": False, "n": [117, 5, 9, 300], "share": 0.1})
    told = _said(methods_finding(_facts(make_input(advised_done=done))))
    assert "122 markings meant for a specialist" in told
    assert "117 of them by this method: hot" in told
    fine = done.assign(done=["refer", "inspect", "refer", "hot_wash"])
    assert "specialist" not in _said(methods_finding(_facts(make_input(advised_done=fine))))
