"""The second page: every table with its method, how the figures were made, the words used."""

from __future__ import annotations

import math
from collections import Counter
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.messages import Message, from_lines, message
from rehit.observed import (
    STRETCHES,
    half_said,
    incidents_so_far,
    places_for_half,
    ranked_places,
    surely_over,
    surfaces_told,
)
from rehit.report.catalogue import catalogue
from rehit.report.document import Bullets, Grid, Picture, Section, Sentence, Terms
from rehit.report.figures import (
    breakeven_curve,
    cost_over_years,
    draw_picture,
    forecast_check,
    method_mix,
    rehit_survival,
    ring_table,
    share_curve,
)
from rehit.report.inputs import each
from rehit.report.measures import (
    GROUPS,
    Comparison,
    Facts,
    Response,
    Slice,
    compare_counts,
    compare_slices,
    count_interval,
    counts_inside,
    keep_at_fdr,
    measure_response,
    overlap_matrix,
    starting_year,
    verdict,
    within,
)
from rehit.report.quality import quality_section
from rehit.report.say import Say
from rehit.report.trace import works_rows
from rehit.tables import table


def details_sections(facts: Facts) -> list[Section]:
    """Write the sections of the second page that have something to say, figures as counted."""
    made = [make(facts) for make in (
        volume_section, response_section, places_section, hotspots_section, forecast_section,
        methods_section, cost_section, programme_section, evaluation_section, quality_section,
        notes_section, glossary_section)]
    return [section for section in made if section.blocks]


# Places that recur, and hotspots that changed.

#: What the forecast calls itself among the ways of forecasting that are compared.
OWN_FORECAST = "forecast"


def begin_places(facts: Facts) -> tuple[Section, pd.DataFrame | None, bool]:
    """Begin a section on the places that can recur.

    Returns
    -------
    tuple
        The section; the places, None where there are none, which is then said; whether the log
        knows them by their street only.
    """
    section = Section("places", facts.say("heading.places"))
    repeats = facts.inputs.given("repeats")
    if repeats is None:
        section.say(facts.say("missing.repeats"), tone="limit")
        return section, None, False
    ranked = ranked_places(repeats)
    return section, ranked, bool(ranked["place_kind"].isin(STRETCHES).all())


def places_section(facts: Facts) -> Section:
    """Write which places are hit again and again, and how sure that is."""
    say = facts.say
    section, repeats, streets = begin_places(facts)
    if repeats is None:
        return section
    top = int(facts.number("top_places"))
    _trace_places(facts, repeats, top, streets=streets)
    if repeats["n_incidents"].any():
        section.say(say(half_said(repeats)), "A4")
    section.put(draw_picture("share_curve", lambda ax: share_curve(
        repeats, ax=ax, say=say, titled=False), data=repeats[
            ["place_id", "n_incidents"]]), _places_grid(facts, repeats, top))
    for told in surfaces_told(facts.inputs.incidents, repeats, window=facts.inputs.window,
                              parameters=facts.parameters):
        section.say(say(told))
    _survival(facts, section)
    return section


def _trace_places(facts: Facts, repeats: pd.DataFrame, top: int, *, streets: bool) -> None:
    say = facts.say
    places = "repeats" if streets else f"repeats[~repeats.place_kind.isin({list(STRETCHES)})]"
    known = "+".join(f"([repeats.place_kind]=<place_kind.{kind}>)" for kind in STRETCHES)
    known = f"1*({known}{'>' if streets else '='}0)"
    facts.trace("A0", len(repeats), say.whole(len(repeats)), table="repeats",
                recipe=f"len({places})", live=f"SUMPRODUCT({known})",
                incidents=facts.at(repeats["place_id"]))
    again = repeats["n_rehits"] > 0
    hit = int(again.sum())
    facts.trace("A1", hit, say.whole(hit), table="repeats",
                recipe=f"({places}.n_rehits > 0).sum()",
                live=f"SUMPRODUCT({known}*([repeats.n_rehits]>0))",
                incidents=facts.at(repeats.loc[again, "place_id"]), n=len(repeats))
    worst = repeats.nlargest(top, "n_incidents", keep="first")
    total = max(int(repeats["n_incidents"].sum()), 1)
    share = float(worst["n_incidents"].sum()) / total
    facts.trace("A2", share, say.share(share), table="repeats", n=len(worst),
                recipe=f"{places}.n_incidents.nlargest({top}).sum() / {places}.n_incidents.sum()",
                live=f"SUMPRODUCT(LARGE({known}*[repeats.n_incidents],ROW($1:${len(worst)})))/"
                      f"SUMPRODUCT({known}*[repeats.n_incidents])",
                incidents=facts.at(worst["place_id"]))
    so_far, half = incidents_so_far(repeats), places_for_half(repeats)
    facts.add_column("repeats", "incidents_so_far", so_far)
    facts.trace("A4", half, say.whole(half), table="repeats",
                recipe=f"({places}.incidents_so_far < {places}.n_incidents.sum() / 2).sum() + 1",
                live=f"SUMPRODUCT({known}*([repeats.incidents_so_far]<"
                     f"SUMPRODUCT({known}*[repeats.n_incidents])/2))+1",
                incidents=facts.at(repeats.loc[so_far.index[:half], "place_id"]), n=len(repeats))
    if facts.inputs.threshold_per_year is not None and not streets:
        above = surely_over(repeats, chance=facts.number("sure_chance"))
        over = int(above.sum())
        facts.trace("A3", over, say.whole(over), table="repeats",
                    recipe=f"({places}.chance_above >= {facts.number('sure_chance')}).sum()",
                    live=f"SUMPRODUCT({known}*([repeats.chance_above]>="
                          f"{facts.number('sure_chance')}))",
                    incidents=facts.at(repeats.loc[above, "place_id"]),
                    sure=facts.number("sure_chance"), threshold=facts.inputs.threshold_per_year)


def _places_grid(facts: Facts, repeats: pd.DataFrame, top: int) -> Grid:
    say = facts.say
    worst = repeats.sort_values(["rank_mean", "place_id"]).head(top)
    this = facts.now.incidents.groupby("place_id").size()
    rows = tuple(_place_row(facts, row, int(this.get(row["place_id"], 0)))
                 for _, row in worst.iterrows())
    names = ["place", "type", "this", "all", "rehits", "rate", "now", "over", "median"]
    threshold = facts.inputs.threshold_per_year
    if threshold is None:
        rows = tuple(row[:7] + row[8:] for row in rows)
        names.remove("over")
    headers = tuple(say(f"places.col_{c}") for c in names)
    note = say("places.note") if threshold is None else say(
        "places.note_threshold", threshold=threshold)
    if not facts.inputs.incidents["cleared_at"].notna().any():
        note += " " + say("places.note_assumed")
    return Grid(say("places.caption", n=len(worst)), headers, rows, frozenset(range(2, 9)),
                note)


def _place_row(facts: Facts, row: pd.Series, this: int) -> tuple[str, ...]:
    say = facts.say
    days: Any = row["median_days_to_rehit"]
    kind = row["asset_type"]
    return (facts.named(row["place_id"]), "–" if pd.isna(kind) else say.thing(kind),
            say.whole(this), say.whole(row["n_incidents"]),
            shown_rehits(row["place_kind"], row["n_rehits"], say),
            say.ranged(row["rate_per_year"], row["rate_low"], row["rate_high"]),
            say.ranged(row["now_per_year"], row["now_low"], row["now_high"]),
            say.chance(row["chance_above"]), "–" if pd.isna(days) else say.number(float(days), 2))


def shown_rehits(place_kind: str, n_rehits: int, say: Say) -> str:
    """Write a place's re-hits; at a stretch of many surfaces none seen is not none."""
    return "–" if place_kind in STRETCHES and not n_rehits else say.whole(n_rehits)


def _survival(facts: Facts, section: Section) -> None:
    survival = facts.inputs.given("survival")
    if survival is None:
        section.say(facts.say("missing.survival"), tone="note")
        return
    speed = survival[survival["grouping"] == "clearance_speed"]
    if set(speed["group"]) - {"unknown"}:
        section.put(draw_picture("survival_clearance_speed", lambda ax: rehit_survival(
            survival, ax=ax, say=facts.say, grouping="clearance_speed",
            chance_limit=facts.number("chance_limit"), titled=False), data=speed))
        section.say(facts.say("places.survival_caution"), tone="note")


def hotspots_section(facts: Facts) -> Section:
    """Write which clusters came, went and changed; hot cells; near repeats."""
    say = facts.say
    section = Section("hotspots", say("heading.hotspots"))
    clusters = facts.inputs.clusters
    if clusters is None or clusters.empty:
        section.say(say("missing.clusters"), tone="limit")
    else:
        _clusters(facts, section, clusters)
    cells = facts.inputs.given("cells")
    if cells is not None:
        hot = int(cells["hot"].sum())
        figure = facts.trace("H3", hot, say.whole(hot), table="cells", cells=len(cells),
                             recipe="cells.hot.sum()", live="COUNTIF([cells.hot],TRUE)",
                             incidents=within(facts.inputs.incidents,
                                              cells[cells["hot"].astype(bool)]))
        section.say(say("hotspots.cells", n=hot, cells=len(cells)), figure)
    rings = facts.inputs.given("rings")
    if rings is not None:
        section.put(draw_picture("rings", lambda ax: ring_table(
            rings, ax=ax, say=say, chance_limit=facts.number("chance_limit"), titled=False),
            data=rings))
    return section


def forecast_section(facts: Facts) -> Section:
    """Write how well ways of forecasting did, and what came of what was forecast."""
    say = facts.say
    section = Section("forecast", say("heading.forecast"))
    _scores(facts, section)
    checks = facts.inputs.given("forecast_checks")
    if checks is not None:
        section.put(draw_picture("forecast", lambda ax: forecast_check(
            checks, ax=ax, say=say, time_zone=facts.inputs.time_zone, titled=False),
            data=checks))
    return section


def _clusters(facts: Facts, section: Section, clusters: gpd.GeoDataFrame) -> None:
    say, top = facts.say, int(facts.number("top_places"))
    facts.trace("H1", len(clusters), say.whole(len(clusters)), table="clusters",
                recipe="len(clusters)", live="COUNTA([clusters.cluster_id])",
                incidents=within(facts.inputs.incidents, clusters))
    section.say(say("hotspots.opening", n=len(clusters)), "H1")
    changes = cluster_changes(facts, clusters)
    facts.add_column("clusters", "reading", changes["reading"].set_axis(clusters.index))
    for figure, reading in (("H6", "up"), ("H7", "down")) if facts.comparable else ():
        there = clusters[changes["reading"].eq(reading).to_numpy()]
        facts.trace(figure, len(there), say.whole(len(there)), table="clusters",
                    incidents=within(facts.now.incidents, there),
                    recipe=f"(clusters.reading == '{reading}').sum()",
                    live=f"COUNTIF([clusters.reading],<verdict.{reading}>)",
                    rate=facts.number("gained_fdr"))
    _outlines(facts, section, clusters)
    order = np.lexsort((clusters["cluster_id"].astype(str), -changes["now"]))[:top]
    rows = tuple(
        (str(row.name_), say.whole(row.now), say.whole(row.before) if facts.comparable else "–",
         say.number(row.incidents_per_year, 2), say.whole(row.n_places),
         say(f"verdict.{row.reading}"))
        for row in each(pd.DataFrame(clusters.drop(columns="geometry")).assign(
            **changes, name_=clusters["name"]).iloc[order]))
    section.put(Grid(say("hotspots.caption"), tuple(say(f"hotspots.col_{c}") for c in (
        "name", "this", "before", "per_year", "places", "reading")), rows,
        frozenset({1, 2, 3, 4}), say("hotspots.note", rate=facts.number("gained_fdr"),
                                     n=int(changes["reading"].isin(["up", "down"]).sum()))))


def _outlines(facts: Facts, section: Section, clusters: gpd.GeoDataFrame) -> None:
    """Say how many outlines came and went, which by itself is no change of what happens there."""
    say, before = facts.say, facts.inputs.clusters_before
    if before is None:
        section.say(say("missing.clusters_before"), tone="note")
        return
    overlap = facts.number("cluster_overlap")
    now, then = _matched(clusters, before, overlap)
    for figure, table_, rows, same in (("H4", "clusters", clusters, now),
                                       ("H5", "clusters_before", before, then)):
        there = rows[~same]
        facts.add_column(table_, "in_both", pd.Series(same, index=rows.index))
        facts.trace(figure, len(there), say.whole(len(there)), table=table_, overlap=overlap,
                    recipe=f"(~{table_}.in_both).sum()", live=f"COUNTIF([{table_}.in_both],FALSE)",
                    incidents=within(facts.inputs.incidents, there))
    section.say(say("hotspots.outlines", new=int((~now).sum()), gone=int((~then).sum())), "H4",
                "H5", tone="note")


def _matched(now: gpd.GeoDataFrame, before: gpd.GeoDataFrame,
             overlap: float) -> tuple[np.ndarray, np.ndarray]:
    """Say which clusters overlap one of the other list by at least `overlap` (Jaccard)."""
    if before.empty:
        return np.zeros(len(now), bool), np.zeros(0, bool)
    same = overlap_matrix(now, before) >= overlap
    return np.asarray(same.any(axis=1)), np.asarray(same.any(axis=0))


def cluster_changes(facts: Facts, clusters: gpd.GeoDataFrame) -> pd.DataFrame:
    """Compare each cluster's count with the period before, allowing for how many there are.

    Returns
    -------
    pandas.DataFrame
        Per cluster, in its order: ``now``, ``before`` and ``reading``, a code of ``verdict``.
    """
    now = counts_inside(clusters, facts.now.incidents)
    before = counts_inside(clusters, facts.before.incidents)
    if not facts.comparable:
        reading = "holes" if facts.holes else "not_observed"
        return pd.DataFrame({"now": now, "before": before, "reading": reading})
    p_values = [compare_counts(
        count=int(n), days=facts.now.days, count_before=int(b), days_before=facts.before.days,
        level=0.95, bunching=facts.bunching).p_value for n, b in zip(now, before, strict=True)]
    stands = keep_at_fdr(p_values, rate=facts.number("gained_fdr"))
    grew = now * facts.before.days > before * facts.now.days
    return pd.DataFrame({"now": now, "before": before, "reading": np.where(
        ~np.asarray(stands, bool), "no_clear_change", np.where(grew, "up", "down"))})


def _scores(facts: Facts, section: Section) -> None:
    say = facts.say
    scores = facts.inputs.given("forecast_scores")
    if scores is None:
        return
    own = scores["method"] == OWN_FORECAST
    others = scores.loc[~own, "hit_rate"]
    if own.sum() == 1 and others.notna().any():
        section.say(say("hotspots.best_score", own=float(scores.loc[own, "hit_rate"].iloc[0]),
                        other=float(others.max())))
    rows: list[tuple[str, ...]] = [
        (say("hotspots.own_forecast") if mine else str(row["method"]),
         say.whole(row["horizon_days"]),
         say.share(row["hit_rate"]), say.number(row["pai"], 2), say.number(row["log_score"], 3))
        for mine, (_, row) in zip(own, scores.iterrows(), strict=True)]
    names, note = ["method", "horizon", "hit_rate", "pai", "log_score"], say("hotspots.scores_note")
    if scores["log_score"].notna().sum() < 2:  # nothing to set it against
        names, rows = names[:-1], [row[:-1] for row in rows]
    else:
        note += " " + say("hotspots.log_score_note")
    section.put(Grid(say("hotspots.scores_caption"), tuple(say(f"hotspots.col_{c}") for c in names),
                     tuple(rows), frozenset(range(1, len(names))), note))


# Why a coating pays where it does: it is paid by the whole surface, a removal by the marking.

#: Coating is rare among the places hit most where it pays on at most one of so many.
RARE = 4


def where_coating_pays(costing: pd.DataFrame, strategy_costs: pd.DataFrame, *, say: Say,
                       top: int, kinds: pd.Series | None = None) -> str:
    """Say at which surfaces a coating is cheapest, or nothing where size does not explain it.

    Parameters
    ----------
    costing
        Places, most hit first, with ``wall_area_m2`` [m²].
    strategy_costs
        Cost of each way at each place; a way with a first cost is a coating.
    say
        Language of the sentence.
    top
        Number of places hit most that they are set against.
    kinds
        Kind of asset by place, to name the most frequent ones.

    Returns
    -------
    str
        The sentences; empty where no coating pays, where it pays on many of the places hit most,
        or where these have no larger surfaces than those where it pays.
    """
    areas = costing.set_index("place_id")["wall_area_m2"].astype(float)
    coated = strategy_costs.loc[strategy_costs["cheapest"] & (strategy_costs["first_cost"] > 0),
                                "place_id"]
    worst = areas.head(top)
    small, large = areas[areas.index.isin(coated)].median(), worst.median()
    both = int(worst.index.isin(coated).sum())
    if coated.empty or not small * 2 < large or both * RARE > len(worst):
        return ""
    known = [] if kinds is None else list(kinds.reindex(coated).dropna().map(say.thing))
    most = sorted(Counter(known).items(), key=lambda item: (-item[1], item[0]))[:3]
    return say("cost.surfaces_named" if most else "cost.surfaces", n=len(coated), small=small,
               large=large, both=both, top=len(worst), kinds=tuple(kind for kind, _ in most))


# Method notes with sources, and the glossary.

def notes_section(facts: Facts) -> Section:
    """Write how the figures were made and who published the methods."""
    say = facts.say
    section = Section("notes", say("heading.notes"))
    values = {"level": facts.number("interval_level"), "p": facts.number("chance_limit"),
              "fdr": facts.number("gained_fdr"),
              "zone": facts.inputs.time_zone, "crs": facts.inputs.crs,
              "observed_from": facts.day(facts.inputs.window.start),
              "observed_to": facts.day(facts.inputs.window.end)}
    keys = [k for k in catalogue(say.language) if k.startswith("notes.")]
    section.put(Bullets(tuple(Sentence(say(key, **values)) for key in keys)))
    return section


def glossary_section(facts: Facts) -> Section:
    """Explain the words, one glossary for the whole report."""
    say = facts.say
    section = Section("glossary", say("heading.glossary"))
    keys = [k.removesuffix("_term") for k in catalogue(say.language)
            if k.startswith("glossary.") and k.endswith("_term")]
    entries = sorted(((say(f"{k}_term"), say(f"{k}_words")) for k in keys),
                     key=lambda pair: pair[0].casefold())
    section.put(Terms(tuple(entries)))
    return section


# Methods, cost, the coating programme, and whether the measures taken before worked.

METHODS = table("advice").column("method").allowed


def methods_section(facts: Facts) -> Section:
    """Write which method fits how many of the period's incidents, and what that takes."""
    say = facts.say
    section = Section("methods", say("heading.methods"))
    advice = facts.inputs.given("advice")
    if advice is None:
        section.say(say("missing.advice"), tone="limit")
        return section
    joined = _with_method(facts, advice)
    if joined.empty:
        section.say(say("methods.none"), tone="note")
        return section
    counts = joined["method"].value_counts().sort_index().sort_values(
        ascending=False, kind="stable")
    methods = ("advice[advice.incident_id.isin(incidents[incidents.in_period].incident_id)]"
               ".method")
    facts.trace("M0", len(joined), say.whole(len(joined)), incidents=joined,
                recipe=f"len({methods})", live="COUNTA([advice.method])",
                parts=tuple(_code(m) for m in counts.index))
    for method, n in counts.items():
        facts.trace(_code(method), int(n), say.whole(n), key="M_part", word=method,
                    recipe=f"({methods} == '{method}').sum()",
                    live=f"COUNTIF([advice.method],<method.{method}>)",
                    incidents=joined[joined["method"] == method])
    top = str(counts.index[0])
    share = float(counts.iloc[0] / len(joined))
    facts.trace("M1", share, say.share(share), key="M1_inspect" if top == "inspect" else "M1",
                recipe=f"({methods} == '{top}').mean()",
                live=f"COUNTIF([advice.method],<method.{top}>)/COUNTA([advice.method])",
                incidents=joined[joined["method"] == top], word=top)
    _say_methods(facts, section, counts)
    section.put(_mix_grid(facts, joined, counts))
    section.say(say("methods.caution"), tone="note")
    return section


def _with_method(facts: Facts, advice: pd.DataFrame) -> pd.DataFrame:
    return facts.now.incidents.merge(advice, on="incident_id", how="inner",
                                     suffixes=("", "_advice"))


def methods_picture(facts: Facts) -> Picture | None:
    """Draw how many of the period's incidents each method fits; None where all wait for a look."""
    advice = facts.inputs.given("advice")
    methods = (pd.Series([], dtype="str") if advice is None
               else _with_method(facts, advice)["method"])
    if not set(methods) - {"inspect"}:
        return None
    return draw_picture("methods", lambda ax: method_mix(methods, ax=ax, say=facts.say,
                                                         titled=False),
                        tall=0.85, data=methods.value_counts().reset_index())


def _say_methods(facts: Facts, section: Section, counts: pd.Series) -> None:
    """Say for how many a method was chosen, and how many someone has to look at first."""
    say = facts.say
    look, total = int(counts.get("inspect", 0)), int(counts.sum())
    if total > look:
        section.say(say("methods.opening", n=total - look), *([] if look else ["M0"]))
    if look:
        section.say(say("methods.opening_inspect", count=look, n=total), _code("inspect"))


def _mix_grid(facts: Facts, joined: pd.DataFrame, counts: pd.Series) -> Grid:
    say = facts.say
    rows = []
    for method, n in counts.items():
        part = joined[joined["method"] == method]
        rows.append((say.code("method", method), say.whole(n), say.share(n / len(joined)),
                     say.number(part["minutes"].sum() / 60, 2),
                     say.number(part["paint_l"].sum(), 2),
                     say.number(part["remover_l"].sum(), 2),
                     say.number(part["wash_water_l"].sum(), 2)))
    headers = tuple(say(f"methods.col_{c}") for c in
                    ("method", "count", "share", "hours", "paint", "remover", "water"))
    return Grid(say("methods.caption"), headers, tuple(rows), frozenset(range(1, 7)),
                say("methods.note"), tuple(_code(m) for m in counts.index))


def leading_method(facts: Facts) -> str:
    """Return the method that most of the period's incidents need, as the section counted them."""
    figures = facts.book.figures
    counted = {method: figures[_code(method)].value for method in METHODS
               if _code(method) in figures}
    return min(counted, key=lambda method: (-counted[method], method))


def _code(method: object) -> str:
    """Return the figure code of a method: M2 for the first method of the contract, and so on."""
    return f"M{METHODS.index(str(method)) + 2}"


def cost_section(facts: Facts) -> Section:
    """Write cost to date against what was expected, and the strategies compared."""
    say, inputs = facts.say, facts.inputs
    section = Section("cost", say("heading.cost"))
    section.say(say("cost.money", currency=inputs.currency, price_year=inputs.price_year),
                tone="note")
    spend = inputs.given("spend")
    if spend is None:
        section.say(say("missing.spend"), tone="limit")
    else:
        _spend(facts, section, spend)
    if inputs.given("strategy_costs") is None:
        section.say(say("missing.strategy_costs"), tone="limit")
        return section
    work = inputs.given("expected_work")
    if work is not None:
        section.put(_work_grid(facts, work))
    section.put(_strategy_grid(facts))
    _surfaces(facts, section)
    picture = rate_costs_picture(facts)
    if picture is not None:
        section.put(picture)
    return section


def _surfaces(facts: Facts, section: Section) -> None:
    """Say why coating pays where it does, where the size of the surfaces explains it."""
    costing, costs = facts.inputs.given("costing"), facts.inputs.given("strategy_costs")
    if costing is None or costs is None:
        return
    repeats = facts.inputs.given("repeats")
    kinds = None if repeats is None else repeats.set_index("place_id")["asset_type"]
    said = where_coating_pays(costing, costs, say=facts.say, kinds=kinds,
                              top=int(facts.number("top_places")))
    if said:
        section.say(said)


def _spend(facts: Facts, section: Section, spend: pd.DataFrame) -> None:
    say = facts.say
    done = spend[spend["spent"].notna()]
    now, before, year = (_within(done, part) for part in (facts.now, facts.before,
                                                                 facts.year))
    spent, expected = float(now["spent"].sum()), float(now["expected"].sum())
    facts.add_column("spend", "in_period", pd.Series(spend.index.isin(now.index),
                                                     index=spend.index))
    facts.trace("C1", spent, facts.money(spent), n=len(now), **_spent_rows(facts, now))
    if now.empty:
        section.say(say("cost.none_spent"), "C1", tone="note")
    elif now["expected"].isna().any():
        section.say(say("cost.spent_only", spent=spent), "C1")
    else:
        facts.trace("C2", expected, facts.money(expected), table="spend",
                    log_rows=works_rows(facts.inputs.works),
                    recipe="spend[spend.in_period].expected.sum()",
                    live="SUMIF([spend.in_period],TRUE,[spend.expected])")
    for name, earlier in (("before", before), ("year", year)):
        if len(earlier):
            section.say(say(f"cost.spent_{name}", spent=float(earlier["spent"].sum())))
    section.put(_spend_grid(facts, spend))


def _spent_rows(facts: Facts, months: pd.DataFrame) -> dict[str, Any]:
    """Return where the money spent in some months stands: its jobs, or the table by month."""
    works = facts.inputs.given("works")
    if works is None:
        return {"table": "spend", "recipe": "spend[spend.in_period].spent.sum()",
                "live": "SUMIF([spend.in_period],TRUE,[spend.spent])"}
    inside = works["month"].isin(months["month"])
    facts.add_column("works", "in_period", inside)
    return {"table": "works", "recipe": "works[works.in_period].cost.sum()",
            "live": "SUMIF([works.in_period],TRUE,[works.cost])",
            "log_rows": works_rows(works[inside & works["cost"].notna()])}


def _within(spend: pd.DataFrame, part: Slice) -> pd.DataFrame:
    """Keep the months that begin inside a period."""
    months = spend["month"].dt.tz_localize(None)
    first = pd.Timestamp(part.period.first).replace(day=1)
    found: pd.DataFrame = spend[(months >= first) & (months <= pd.Timestamp(part.period.last))]
    return found


def _spend_grid(facts: Facts, spend: pd.DataFrame) -> Grid:
    say = facts.say
    names = ["month", "spent", "expected", "range"]
    rows: list[tuple[str, ...]] = [(
        say("format.month_year", month=row.month, year=row.month.year),
        _money_or_dash(facts, row.spent), _money_or_dash(facts, row.expected),
        _money_span(facts, row.expected_low, row.expected_high))
        for row in each(spend.sort_values("month").tail(12))]
    if spend["expected"].isna().all():
        names, rows = names[:2], [row[:2] for row in rows]
    return Grid(say("cost.spend_caption"), tuple(say(f"cost.col_{c}") for c in names), tuple(rows),
                frozenset(range(1, len(names))))


def _work_grid(facts: Facts, work: pd.DataFrame) -> Grid:
    """Return how the log's count leads to what a year costs, by class of place."""
    say = facts.say
    rows = []
    for row in work.to_dict("records"):
        each = row["cost_per_marking"]
        rows.append((say.code("place_class", row["place_class"]),
                     say.number(row["log_per_year"], 4), say.number(row["expected_per_year"], 4),
                     "–" if pd.isna(each) else facts.money(each),
                     *(facts.money(sum(row[name] for name in names)) for names in WORK_LINES),
                     facts.money(row["cost_per_year"])))
    return Grid(say("cost.work_caption"), tuple(say(f"cost.col_{c}") for c in (
        "class", "log_per_year", "expected_per_year", "cost_per_marking", "travel", "labour",
        "materials", "on_site", "other", "cost_per_year")),
        tuple(rows), frozenset(range(1, 10)), say("cost.work_note"))


#: Cost lines of `expected_work` that share a column of the page.
WORK_LINES = (("call_out",), ("labour",), ("materials",), ("access", "traffic_control"),
              ("water", "wear"))


def _strategy_grid(facts: Facts) -> Grid:
    say = facts.say
    costs = facts.inputs.strategy_costs
    assert costs is not None
    rows = []
    removal = costs[costs["strategy"] == costs["strategy"].iloc[0]].set_index("place_id")["pv_mean"]
    for strategy, everywhere in costs.groupby("strategy", sort=False):
        part = everywhere[everywhere["allowed"]]
        saved = float(part.loc[part["cheapest"], "saving"].sum())
        rate = part["breakeven_rate_per_year"].median()
        rows.append((say.code("strategy", strategy), say.whole(part["cheapest"].sum()),
                     say.whole(len(part)), facts.money(part["pv_mean"].mean()),
                     facts.money(removal.reindex(part["place_id"]).mean()),
                     facts.money(saved) if saved else "–",
                     facts.money(part["first_cost"].mean()),
                     say.number(rate, 2), say.number(part["wash_water_l"].mean(), 2)))
    horizon = facts.inputs.horizon_years
    note = say("cost.note") if horizon is None else say("cost.note_horizon", years=horizon)
    return Grid(say("cost.caption", n=costs["place_id"].nunique()),
                tuple(say(f"cost.col_{c}") for c in (
                    "strategy", "cheapest", "allowed", "total", "removal", "saves", "first",
                    "breakeven", "water")),
                tuple(rows), frozenset(range(1, 9)), note)


#: One way alone is no comparison.
FEWEST_WAYS = 2


def cost_years_picture(facts: Facts) -> Picture | None:
    """Draw cost over the years; ways allowed nowhere are left out, and None where one is left.

    A way that no owner allows, or that cannot be told before someone has looked at the surface,
    is no choice: drawn beside the others it would look like the cheapest one.
    """
    years = facts.inputs.given("cost_years")
    if years is None:
        return None
    allowed = _allowed(facts, _worst(facts, int(years["n_places"].iloc[0])))
    years = _open_ways(years, allowed)
    if years["strategy"].nunique() < FEWEST_WAYS:
        return None
    return draw_picture("cost_years", lambda ax: cost_over_years(
        years, ax=ax, say=facts.say, currency=facts.inputs.currency, allowed=allowed,
        titled=False), data=years)


def rate_costs_picture(facts: Facts) -> Picture | None:
    """Draw cost against the rate of re-hits, with the same ways left out."""
    rates = facts.inputs.given("rate_costs")
    if rates is None:
        return None
    rates = _open_ways(rates, _allowed(facts, None))
    if rates["strategy"].nunique() < FEWEST_WAYS:
        return None
    return draw_picture("rate_costs", lambda ax: breakeven_curve(
        rates, ax=ax, say=facts.say, currency=facts.inputs.currency, pays=_coating_pays(facts),
        titled=False), data=rates)


def _worst(facts: Facts, n_places: int) -> pd.Series | None:
    """Return the places that the costs so far add up; the costing table is in that order."""
    costing = facts.inputs.given("costing")
    return None if costing is None else costing["place_id"].head(n_places)


def _allowed(facts: Facts, places: pd.Series | None) -> dict[str, int] | None:
    """Count at how many of `places` (all where None) each way is allowed; None where not known."""
    costs = facts.inputs.given("strategy_costs")
    if costs is None:
        return None
    rows = costs if places is None else costs[costs["place_id"].isin(places)]
    if rows.empty:
        return None
    return {str(way): int(n) for way, n in rows.groupby("strategy")["allowed"].sum().items()}


def _open_ways(table: pd.DataFrame, allowed: dict[str, int] | None) -> pd.DataFrame:
    if allowed is None:
        return table
    return table[[allowed.get(str(way), 1) > 0 for way in table["strategy"]]]


def _coating_pays(facts: Facts) -> bool:
    costs = facts.inputs.given("strategy_costs")
    return costs is None or bool((costs["cheapest"] & (costs["first_cost"] > 0)).any())


def programme_section(facts: Facts) -> Section:
    """Write the coating programme: which places, at what first cost, for what saving."""
    say = facts.say
    section = Section("programme", say("heading.programme"))
    programme = facts.inputs.given("programme")
    sweep = facts.inputs.given("budget_sweep")
    if programme is None:
        section.say(say("missing.programme"), tone="limit")
    else:
        _programme(facts, section, programme, sweep)
    return section


def saving_range(programme: pd.DataFrame,
                 sweep: pd.DataFrame | None) -> tuple[float, float] | None:
    """Return the range of a programme's saving a year, if the sweep's range holds the sum."""
    chosen = None if sweep is None else sweep[sweep["chosen"]]
    if chosen is None or chosen.empty or chosen["saving_low"].isna().any():
        return None
    low, high = float(chosen["saving_low"].iloc[0]), float(chosen["saving_high"].iloc[0])
    return (low, high) if low <= programme["saving_per_year"].sum() <= high else None


def _programme(facts: Facts, section: Section, programme: pd.DataFrame,
               sweep: pd.DataFrame | None) -> None:
    say = facts.say
    n, first = len(programme), float(programme["first_cost"].sum())
    saving = float(programme["saving_per_year"].sum())
    span = saving_range(programme, sweep)
    behind = facts.at(programme["place_id"])
    works = facts.inputs.given("works")
    jobs = None if works is None else works[works["asset_id"].isin(set(programme["place_id"]))]
    for figure, value, text, recipe, cells in (
            ("P1", n, say.whole(n), "len(programme)", "COUNTA([programme.place_id])"),
            ("P2", first, facts.money(first), "programme.first_cost.sum()",
             "SUM([programme.first_cost])"),
            ("P3", saving, facts.money(saving), "programme.saving_per_year.sum()",
             "SUM([programme.saving_per_year])")):
        facts.trace(figure, value, text, table="programme", incidents=behind, recipe=recipe,
                    live=cells, log_rows=works_rows(jobs))
    section.say(say("programme.opening" if span is None else "programme.opening_ranged", n=n,
                    cost=first, saving=saving, low=span and span[0], high=span and span[1]),
                "P1", "P2", "P3", tone="key")
    if "consent" in programme and programme["consent"].eq("to_ask").any():
        section.say(say("ways.consent", n=int(programme["consent"].eq("to_ask").sum()), total=n))
    ordered = programme.sort_values(["saving_per_year", "place_id"], ascending=[False, True])
    top = int(facts.number("top_places"))
    rows = tuple((facts.named(row.place_id), say.code("strategy", row.strategy),
                  say.whole(row.start), facts.money(row.first_cost),
                  facts.money(row.saving_per_year),
                  _money_span(facts, row.saving_low, row.saving_high),
                  "–" if pd.isna(row.payback_year) else say.whole(row.payback_year))
                 for row in each(ordered.assign(start=starting_year).head(top)))
    section.put(Grid(say("programme.caption", n=len(rows), total=n),
                     tuple(say(f"programme.col_{c}") for c in (
                         "place", "strategy", "start", "first", "saving", "range",
                         "payback")), rows,
                     frozenset({2, 3, 4, 5, 6}), say("programme.note")))


def evaluation_section(facts: Facts) -> Section:
    """Write whether the measures taken before made a difference."""
    say = facts.say
    section = Section("evaluation", say("heading.evaluation"))
    done = facts.inputs.given("evaluations")
    if done is None:
        section.say(say("missing.evaluations"), tone="limit")
        return section
    rows, anchors = [], []
    for number, row in enumerate(each(done), start=1):
        verdict = say.code("effect", row.verdict)
        ratio = float(row.ratio) if not pd.isna(row.ratio) else math.nan
        anchors.append(facts.trace(f"E{number}", 0.0 if math.isnan(ratio) else ratio,
                                   _effect(facts, row), key="E", table="evaluations",
                                   recipe=f"evaluations.ratio.fillna(0).iloc[{number - 1}]",
                                   live=f"N(INDEX([evaluations.ratio],{number}))",
                                   incidents=facts.at(pd.Series(
                                       str(row.places).split("; "))),
                                   measure=row.measure))
        if row.reasons:
            section.say(" ".join(say.all(from_lines(row.reasons))))
        if row.reading:
            section.say(" ".join(say.all(from_lines(row.reading))), tone="note")
        rows.append((str(row.measure), facts.day(row.started_at), say.whole(row.n_treated),
                     say.whole(row.n_comparison), _effect(facts, row),
                     "–" if pd.isna(row.p_value) else say.p_value(row.p_value), verdict))
    section.put(Grid(say("evaluation.caption"), tuple(say(f"evaluation.col_{c}") for c in (
        "measure", "started", "treated", "comparison", "effect", "p", "verdict")), tuple(rows),
        frozenset({2, 3, 4, 5}), say("evaluation.note"), tuple(anchors), wordy=True))
    return section


def _effect(facts: Facts, row: object) -> str:
    say = facts.say
    ratio, low, high = (getattr(row, c) for c in ("ratio", "low", "high"))
    if pd.isna(ratio):
        return "–"
    if pd.isna(low) or pd.isna(high):
        return say.number(ratio, 2)
    return say.ranged(ratio, low, high)


def _money_or_dash(facts: Facts, value: float) -> str:
    return "–" if pd.isna(value) else facts.money(float(value))


def _money_span(facts: Facts, low: float, high: float) -> str:
    if pd.isna(low) or pd.isna(high):
        return "–"
    return facts.say.span(facts.money(float(low)), facts.money(float(high)))


# How many incidents came and how quickly they were cleared.

def volume_section(facts: Facts) -> Section:
    """Write how many incidents came, compared with the quarter and the year before."""
    say = facts.say
    section = Section("volume", say("heading.volume"))
    section.say(say("volume.opening", n=facts.now.count), "V1")
    section.put(_comparison_grid(facts), _kinds_grid(facts))
    return section


def _comparison_grid(facts: Facts) -> Grid:
    say = facts.say
    rows = [_period_row(facts, "this", facts.now, None)]
    for name, earlier in (("before", facts.before), ("year", facts.year)):
        rows.append(_period_row(facts, name, earlier, compare_slices(facts, earlier)))
    headers = tuple(say(f"volume.col_{c}") for c in
                    ("period", "observed", "count", "per_30", "change", "reading"))
    level = facts.number("interval_level")
    return Grid(say("volume.caption"), headers, tuple(rows), frozenset({1, 2, 3, 4}),
                say("volume.note", level=level), ("V1", "V12", "V13"))


def _period_row(facts: Facts, which: str, part: Slice,
                comparison: Comparison | None) -> tuple[str, ...]:
    say = facts.say
    name = say(f"volume.{which}", first=part.period.first, last=part.period.last)
    observed = say("volume.of_days", days=part.days, of=part.period.days)
    if part.days <= 0:
        return name, observed, "–", "–", "–", say("verdict.not_observed")
    unfair = "holes" if facts.holes else "not_observed"
    low, high = count_interval(part.count, level=facts.number("interval_level"))
    scale = 30 / part.days
    change, reading = "–", "–"
    if part is not facts.now:
        reading = say("verdict." + (unfair if comparison is None else verdict(
            comparison, chance_limit=facts.number("chance_limit"))))
    if comparison is not None and not math.isnan(comparison.ratio):
        change = say("format.change_ranged", change=comparison.ratio - 1, low=comparison.low - 1,
                     high=comparison.high - 1)
    return (name, observed, say.whole(part.count),
            say.ranged(part.count * scale, low * scale, high * scale), change, reading)


def _kinds_grid(facts: Facts) -> Grid:
    say = facts.say
    rows, anchors = [], []
    for column, (codes, start) in GROUPS.items():
        for offset, code in enumerate(codes):
            figure = facts.book.figures[f"V{start + offset}"]
            rows.append((say(f"volume.group_{column}", word=code), figure.shown,
                         _part(facts, figure.value)))
            anchors.append(figure.id)
    return Grid(say("volume.kinds_caption"),
                tuple(say(f"volume.col_{c}") for c in ("what", "count", "share")),
                tuple(rows), frozenset({1, 2}), say("volume.kinds_note"), tuple(anchors))


def _part(facts: Facts, value: float) -> str:
    if facts.now.count < facts.number("small_count"):
        return "–"
    return facts.say.share(value / facts.now.count)


def response_section(facts: Facts) -> Section:
    """Write the response against the service standards."""
    say = facts.say
    section = Section("response", say("heading.response"))
    rows, anchors = [], []
    judged = pd.Series(pd.NA, index=facts.inputs.incidents.index, dtype="boolean")
    for number, priority in enumerate(("offensive", "ordinary"), start=1):
        allowed = (facts.standards.offensive_h if priority == "offensive"
                   else facts.standards.ordinary_h)
        response = _measure(facts, priority, allowed)
        rows.append(_response_row(facts, priority, allowed, response))
        share = response.share
        judged.loc[response.judged.index] = response.judged.index.isin(response.within.index)
        anchors.append(facts.trace(
            f"R{number}", 0.0 if math.isnan(share) else share, say.share(share), key="R",
            recipe=f"incidents.cleared_in_time[incidents.priority == '{priority}'].mean()",
            live=f"IFERROR(COUNTIFS([incidents.cleared_in_time],TRUE,[incidents.priority],"
                  f"<priority.{priority}>)/SUMPRODUCT(([incidents.cleared_in_time]<>\"\")"
                  f"*([incidents.priority]=<priority.{priority}>)),0)",
            incidents=response.judged, word=priority, allowed=allowed_time(allowed),
            within=len(response.within), judged=len(response.judged)))
    facts.add_column("incidents", "cleared_in_time", judged)
    headers = tuple(say(f"response.col_{c}") for c in
                    ("priority", "standard", "judged", "within", "median", "waiting", "undated"))
    if not facts.inputs.incidents["cleared_at"].notna().any():
        section.say(say("response.no_dates"), tone="limit")
    else:
        section.put(Grid(say("response.caption"), headers, tuple(rows), frozenset(range(1, 7)),
                         _response_note(facts), tuple(anchors)))
    return section


def _response_note(facts: Facts) -> str:
    say = facts.say
    level = facts.number("interval_level")
    if facts.inputs.standards is not None:
        return say("response.note", level=level)
    return say("response.note_working_days", level=level,
               n=facts.parameters["service.ordinary_working_days"],
               days=facts.standards.ordinary_h / 24)


def allowed_time(hours: float) -> Message:
    """Return a standard in hours below three days, otherwise in days."""
    if hours < 72:
        return message("format.hours", value=hours)
    return message("format.days", value=hours / 24)


def _measure(facts: Facts, priority: str, allowed_h: float) -> Response:
    part = facts.now.incidents[facts.now.incidents["priority"] == priority]
    return measure_response(part, allowed_h=allowed_h, observed_to=facts.inputs.window.end,
                            time_zone=facts.inputs.time_zone,
                            level=facts.number("interval_level"))


def _response_row(facts: Facts, priority: str, allowed_h: float,
                  response: Response) -> tuple[str, ...]:
    say = facts.say
    within = "–"
    if len(response.judged):
        within = say("format.share_ranged", value=response.share, low=response.low,
                     high=response.high)
    return (say.code("priority", priority), say(allowed_time(allowed_h)),
            say.whole(len(response.judged)), within,
            duration(facts, response.median_h) if response.timed else "–",
            say.whole(response.waiting), say.whole(response.undated))


def duration(facts: Facts, hours: float) -> str:
    """Write a length of time in hours below three days, otherwise in days."""
    say = facts.say
    if not math.isfinite(hours):
        return say("response.not_reached")
    if hours < 48:
        return say("format.hours", value=float(f"{hours:.2g}"))
    return say("format.days", value=float(f"{hours / 24:.2g}"))
