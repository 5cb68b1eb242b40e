"""The first page: five figures, what to do, what cannot be told, and one finding a chart."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from rehit.messages import Message, message
from rehit.observed import plausible_waits, too_few_dates
from rehit.report.details import (
    allowed_time,
    begin_places,
    cluster_changes,
    cost_years_picture,
    details_sections,
    leading_method,
    methods_picture,
    saving_range,
    shown_rehits,
)
from rehit.report.document import Document, Grid, Section, Sentence, Tile, Tiles
from rehit.report.figures import (
    budget_sweep,
    draw_picture,
    incident_calendar,
    rate_caterpillar,
    rehit_survival,
)
from rehit.report.inputs import each
from rehit.report.measures import (
    Comparison,
    Facts,
    compare_slices,
    starting_year,
    trace_counts,
    verdict,
)
from rehit.report.static_map import overview_picture

#: Below this the weekly counts differ too little from chance for a reader to care.
BUNCHING_WORTH_SAYING = 1.2
#: Places listed on the first page; the second page and the workbook list more.
PLACES_LISTED = 10
#: Names given of a longer list.
NAMES_GIVEN = 3


def build_document(facts: Facts) -> Document:
    """Write both pages and check that the figures add up.

    The second page is made first: the first one quotes its figures.
    """
    trace_counts(facts)
    details = details_sections(facts)
    facts.book.check_sums()
    inputs, say = facts.inputs, facts.say
    front = [summary_section(facts), to_do_section(facts), limits_section(facts),
             volume_finding(facts), places_finding(facts), hotspots_finding(facts),
             surfaces_finding(facts), methods_finding(facts), cost_finding(facts),
             programme_finding(facts), measures_finding(facts)]
    return Document(say.language, say("page.title", name=inputs.name),
                    say.days(inputs.period_start, inputs.period_end),
                    *(tuple(section for section in sections
                            if section.blocks and section.id not in inputs.left_out)
                      for sections in (front, details)))


def summary_section(facts: Facts) -> Section:
    """Set the five figures that a reader looks for first."""
    section = Section("summary", facts.say("heading.summary"))
    section.put(Tiles((_incidents_tile(facts), _rehits_tile(facts), _over_tile(facts),
                       _response_tile(facts), _saving_tile(facts))))
    return section


def _tile(facts: Facts, name: str, value: str, reading: Message, trace: str = "",
          **labelled: object) -> Tile:
    return Tile(facts.say(f"tile.{name}", **labelled), value, facts.say(reading), trace)


def _incidents_tile(facts: Facts) -> Tile:
    return _tile(facts, "incidents", facts.say.whole(facts.now.count), change_reading(facts), "V1")


def change_reading(facts: Facts) -> Message:
    """Say how the period compares per observed day, with a year earlier where that was observed.

    Quarters differ by season, so the same days a year earlier come first.
    """
    for name, earlier in (("year", facts.year), ("before", facts.before)):
        comparison = compare_slices(facts, earlier)
        if comparison is not None:
            return _change(facts, comparison, name)
    return message("tile.holes" if facts.holes else "tile.no_earlier")


def _change(facts: Facts, comparison: Comparison, name: str) -> Message:
    if not comparison.count_before:
        return message(f"tile.from_none_{name}")
    outcome = verdict(comparison, chance_limit=facts.number("chance_limit"))
    code = "unclear" if outcome == "no_clear_change" else "changed"
    return message(f"tile.{code}_{name}", change=comparison.ratio - 1, low=comparison.low - 1,
                   high=comparison.high - 1)


def _rehits_tile(facts: Facts) -> Tile:
    figures, say = facts.book.figures, facts.say
    now, rehits, unsure = facts.now.count, figures["V3"].value, figures["V4"].value
    firm = now - figures["V5"].value
    if not now:
        return _tile(facts, "rehits", "–", message("tile.rehits_no_incident"), "V3")
    if not firm:
        return _tile(facts, "rehits", "–", message("tile.rehits_no_place"), "V5")
    if unsure and not rehits:
        return _tile(facts, "rehits", "–", message("tile.rehits_unsure", n=unsure), "V4")
    rows = facts.inputs.incidents
    assumed = too_few_dates(int(rows["cleared_at"].notna().sum()), parameters=facts.parameters,
                            closed=int(rows["status"].ne("open").sum()))
    return _tile(facts, "rehits", say.whole(rehits), message(
        "tile.rehits_assumed" if assumed else "tile.rehits_share", share=rehits / firm, n=firm,
        days=plausible_waits(rows, parameters=facts.parameters)[1]), "V3")


def _over_tile(facts: Facts) -> Tile:
    figure = facts.book.figures.get("A3")
    threshold = facts.inputs.threshold_per_year
    if figure is None or threshold is None:
        again = facts.book.figures.get("A1")
        return _tile(facts, "again", "–" if again is None else again.shown,
                     message("tile.again_reading" if again else "tile.no_places"),
                     "A1" if again else "")
    return _tile(facts, "over", figure.shown, message(
        "tile.over_reading", n=facts.book.figures["A0"].value, sure=facts.number("sure_chance")),
        "A3", threshold=threshold)


def _response_tile(facts: Facts) -> Tile:
    figures = facts.book.figures
    told = {priority: figures[name] for priority, name in
            (("offensive", "R1"), ("ordinary", "R2")) if figures[name].rows}
    if not told or not facts.inputs.incidents["cleared_at"].notna().any():
        return _tile(facts, "response", "–", message("tile.response_none"))
    allowed = {"offensive": facts.standards.offensive_h, "ordinary": facts.standards.ordinary_h}
    first, *other = told
    values: dict[str, Any] = {
        "priority": first, "allowed": allowed_time(allowed[first])}
    if not other:
        return _tile(facts, "response", told[first].shown,
                     message("tile.response_one", **values), told[first].id)
    return _tile(facts, "response", told[first].shown, message(
        "tile.response_both", **values, other=other[0], share=told[other[0]].value,
        other_allowed=allowed_time(allowed[other[0]])), told[first].id)


def _saving_tile(facts: Facts) -> Tile:
    figures = facts.book.figures
    if "P3" not in figures:
        return _tile(facts, "saving", "–", message("tile.saving_none"))
    programme = facts.inputs.programme
    span = None if programme is None else saving_range(programme, facts.inputs.given(
        "budget_sweep"))
    code = ("saving_no_gain" if figures["P3"].value <= 0 else
            "saving_reading" if span is None else "saving_ranged")
    low, high = span or (math.nan, math.nan)
    return _tile(facts, "saving", figures["P3"].shown, message(
        f"tile.{code}", n=figures["P1"].value, cost=figures["P2"].value, low=low, high=high,
        price_year=facts.inputs.price_year), "P3")


def to_do_section(facts: Facts) -> Section:
    """Write what follows from the figures: coat, look, clean, in that order."""
    say, figures = facts.say, facts.book.figures
    section = Section("do", say("heading.do"))
    if "P1" in figures and figures["P3"].value > 0:
        _programme_advice(facts, section)
    if "H6" in figures and figures["H6"].value:
        section.say(say("todo.look", n=figures["H6"].value, names=_risen(facts)), "H6")
    if "M1" in figures:
        top = leading_method(facts)
        section.say(say("todo.inspect" if top == "inspect" else "todo.method", word=top,
                        share=figures["M1"].value), "M1")
    if not section.blocks:
        section.say(say("todo.nothing"), tone="key")
    return section


def _risen(facts: Facts) -> tuple[str, ...]:
    """Name the hotspots that clearly have more than before, most incidents first."""
    clusters = facts.inputs.clusters
    assert clusters is not None
    changes = cluster_changes(facts, clusters).assign(name=clusters["name"].to_numpy())
    risen = changes[changes["reading"] == "up"].sort_values("now", ascending=False)
    return tuple(risen["name"].astype(str).head(NAMES_GIVEN))


def _programme_advice(facts: Facts, section: Section) -> None:
    programme = facts.inputs.programme
    assert programme is not None
    figures, years = facts.book.figures, starting_year(programme)
    last = int(years.max())
    section.say(facts.say("todo.programme_years" if last > 1 else "todo.programme",
                          n=figures["P1"].value, cost=figures["P2"].value, years=last),
                "P1", "P2", tone="key")
    soon = programme[years == years.min()].sort_values(
        ["saving_per_year", "place_id"], ascending=[False, True]).head(NAMES_GIVEN)
    section.say(facts.say("todo.start_with", n=len(soon),
                          places=tuple(facts.named(place) for place in soon["place_id"])))


def limits_section(facts: Facts) -> Section:
    """Write what the report cannot tell, the weightiest first."""
    say = facts.say
    section = Section("limits", say("heading.limits"))
    if facts.holes:
        section.say(say("limits_of.holes", empty=facts.empty_weeks, n=len(facts.weeks),
                        mean=float(facts.weeks.mean())), tone="limit")
    if facts.now.partial:
        section.say(say("limits_of.partial", days=facts.now.days, n=facts.now.period.days,
                        first=facts.now.period.first, last=facts.now.period.last), tone="limit")
    for told in facts.inputs.limits:
        section.say(say(told), tone="limit")
    if facts.bunching > BUNCHING_WORTH_SAYING and not facts.holes:
        section.say(say("limits_of.bunching", factor=facts.bunching), tone="note")
    if facts.inputs.left_out:
        section.say(say("limits_of.left_out", sections=tuple(
            say.code("heading", name) for name in facts.inputs.left_out)), tone="note")
    return section


def volume_finding(facts: Facts) -> Section:
    """Show the days on which incidents were reported."""
    section = Section("volume", facts.say("heading.volume"))
    incidents = facts.inputs.incidents
    if len(incidents):
        section.put(draw_picture("calendar", lambda ax: incident_calendar(
            incidents, ax=ax, say=facts.say, time_zone=facts.inputs.time_zone,
            chance_limit=facts.number("chance_limit"), titled=False),
            data=_by_day(facts)))
    return section


def _by_day(facts: Facts) -> pd.DataFrame:
    days = facts.inputs.incidents["reported_at"].dt.tz_convert(facts.inputs.time_zone).dt.date
    return pd.DataFrame(days.value_counts().sort_index().rename_axis("day").reset_index(
        name="incidents"))


def places_finding(facts: Facts) -> Section:
    """Show the places that are hit most, by the names that a crew can find."""
    say = facts.say
    section, repeats, streets = begin_places(facts)
    if repeats is None:
        return section
    if streets:
        section.say(say("places.streets_only"), tone="limit")
    top = int(facts.number("top_places"))
    figures = facts.book.figures
    section.say(say("places.streets" if streets else "places.opening", n=len(repeats),
                    share=figures["A2"].value, top=min(top, len(repeats))), "A0", "A2")
    section.put(draw_picture("rates", lambda ax: rate_caterpillar(
        repeats, ax=ax, say=say, top=top, sure=facts.number("sure_chance"), names=facts.called,
        threshold_per_year=None if streets else facts.inputs.threshold_per_year,
        titled=False), tall=1.35, data=repeats.head(top)[
            ["place_id", "n_incidents", "n_rehits", "rate_per_year", "rate_low", "rate_high",
             "now_per_year", "now_low", "now_high", "chance_above"]]), _worst_grid(facts, repeats))
    return section


def _worst_grid(facts: Facts, repeats: pd.DataFrame) -> Grid:
    say = facts.say
    worst = repeats.sort_values(["rank_mean", "place_id"]).head(PLACES_LISTED)
    rows = tuple((facts.named(row.place_id),
                  "–" if pd.isna(row.asset_type) else say.thing(row.asset_type),
                  say.whole(row.n_incidents),
                  shown_rehits(row.place_kind, row.n_rehits, say),
                  say.ranged(row.rate_per_year, row.rate_low, row.rate_high))
                 for row in each(worst))
    return Grid(say("places.caption", n=len(worst)), tuple(
        say(f"places.col_{c}") for c in ("place", "type", "all", "rehits", "rate")), rows,
        frozenset({2, 3, 4}))


def hotspots_finding(facts: Facts) -> Section:
    """Show where incidents lie together, and which hotspots clearly changed, if any did."""
    say, figures = facts.say, facts.book.figures
    section = Section("hotspots", say("heading.hotspots"))
    if "H1" not in figures:
        section.say(say("missing.clusters"), tone="limit")
    elif "H6" not in figures:
        section.say(say("hotspots.not_compared", n=figures["H1"].value), "H1")
    elif figures["H6"].value or figures["H7"].value:
        section.say(say("hotspots.changed", n=figures["H1"].value, up=figures["H6"].value,
                        down=figures["H7"].value), "H1", "H6", "H7", tone="key")
    else:
        section.say(say("hotspots.none_changed", n=figures["H1"].value), "H1", "H6", "H7")
    section.put(overview_picture(facts))
    return section


def surfaces_finding(facts: Facts) -> Section:
    """Show how long cleaned surfaces stay clean, by what they are made of."""
    section = Section("surfaces", facts.say("heading.surfaces"))
    survival = facts.inputs.given("survival")
    if survival is None or not set(
            survival.loc[survival["grouping"] == "substrate", "group"]) - {"unknown"}:
        return section
    section.put(draw_picture("survival_substrate", lambda ax: rehit_survival(
        survival, ax=ax, say=facts.say, grouping="substrate",
        chance_limit=facts.number("chance_limit"), titled=False),
        data=survival[survival["grouping"] == "substrate"]))
    return section


def methods_finding(facts: Facts) -> Section:
    """Show which methods the period's incidents need, with the cautions of the work."""
    section = Section("methods", facts.say("heading.methods"))
    picture = methods_picture(facts)
    if picture is not None:
        section.put(picture)
        section.say(facts.say("methods.caution"), tone="note")
    _say_referred(facts, section)
    return section


def _say_referred(facts: Facts, section: Section) -> None:
    """Say how many jobs meant for a specialist the crews did themselves, and mostly how."""
    done = facts.inputs.given("advised_done")
    if done is None:
        return
    own = done[done["advised"].eq("refer") & ~done["done"].isin(["refer", "inspect"])]
    if len(own):
        ways = own.groupby("done")["n"].sum().sort_values(ascending=False, kind="stable")
        section.say(facts.say("methods.referred", n=int(ways.sum()), method=str(ways.index[0]),
                              count=int(ways.iloc[0])), tone="key")


def cost_finding(facts: Facts) -> Section:
    """Show what was spent, and what each way costs over the years."""
    say, figures = facts.say, facts.book.figures
    section = Section("cost", say("heading.cost"))
    if "C2" in figures:
        section.say(say(spent_code(figures["C1"].value, figures["C2"].value),
                        spent=figures["C1"].value, expected=figures["C2"].value,
                        difference=abs(figures["C1"].value - figures["C2"].value)), "C1", "C2")
    elif "C1" in figures and figures["C1"].value:
        section.say(say("cost.spent_only", spent=figures["C1"].value), "C1")
    picture = cost_years_picture(facts)
    if picture is not None:
        section.put(picture)
    return section


def spent_code(spent: float, expected: float) -> str:
    """Return how spending stands to what was expected: alike to two figures, over or under.

    Examples
    --------
    >>> spent_code(1010, 1000), spent_code(1200, 1000), spent_code(800, 1000)
    ('cost.about', 'cost.over', 'cost.under')
    """
    def rounded(value: float) -> float:
        return float(f"{value:.2g}")

    if rounded(spent) == rounded(expected):
        return "cost.about"
    return "cost.over" if spent > expected else "cost.under"


def programme_finding(facts: Facts) -> Section:
    """Show what a budget for coating brings."""
    section = Section("programme", facts.say("heading.programme"))
    sweep = facts.inputs.given("budget_sweep")
    if sweep is not None and sweep["n_places"].any():
        section.put(draw_picture("budget", lambda ax: budget_sweep(
            sweep, ax=ax, say=facts.say, currency=facts.inputs.currency, titled=False),
            data=sweep))
    return section


def measures_finding(facts: Facts) -> Section:
    """Write each evaluated measure's verdict in a line."""
    section = Section("evaluation", facts.say("heading.evaluation"))
    done = facts.inputs.given("evaluations")
    for number, row in enumerate(each(done) if done is not None else (), start=1):
        ranged = not any(pd.isna(v) for v in (row.ratio, row.low, row.high))
        section.blocks.append(Sentence(facts.say(
            "evaluation.line_ranged" if ranged else "evaluation.line", measure=str(row.measure),
            verdict=row.verdict, ratio=math.nan if pd.isna(row.ratio) else float(row.ratio),
            low=row.low, high=row.high), (f"E{number}",), "key"))
    return section
