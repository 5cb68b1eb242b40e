"""The first page: what changed, is it more than chance, what recurs, what to do, what it saves."""

from __future__ import annotations

import math
from collections import Counter
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.messages import from_lines
from rehit.report.catalogue import catalogue
from rehit.report.document import (
    Answer,
    Bullets,
    Document,
    Grid,
    Picture,
    Section,
    Sentence,
    Terms,
)
from rehit.report.figures import (
    breakeven_curve,
    budget_sweep,
    cost_over_years,
    draw_picture,
    forecast_check,
    incident_calendar,
    method_mix,
    rate_caterpillar,
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
    trace_counts,
    verdict,
    within,
)
from rehit.report.quality import quality_section
from rehit.report.say import Say
from rehit.report.static_map import overview_picture
from rehit.tables import table


def build_document(facts: Facts) -> Document:
    """Write all sections, the summary from their figures, and check that the figures add up."""
    trace_counts(facts)
    sections = [make(facts) for make in (
        volume_section, response_section, places_section, hotspots_section, methods_section,
        cost_section, programme_section, evaluation_section, quality_section, notes_section,
        glossary_section)]
    facts.book.check_sums()
    inputs, say = facts.inputs, facts.say
    return Document(say.language, say("page.title", name=inputs.name),
                    say.days(inputs.period_start, inputs.period_end),
                    (summary_section(facts), *sections))


# Sections on places that recur and on hotspots gained and lost.

#: What the forecast calls itself among the ways of forecasting that are compared.
OWN_FORECAST = "forecast"


def places_section(facts: Facts) -> Section:
    """Write which places are hit again and again, and how sure that is."""
    say = facts.say
    section = Section("places", say("heading.places"))
    repeats = facts.inputs.given("repeats")
    if repeats is None:
        section.say(say("missing.repeats"), tone="limit")
        return section
    streets = bool((repeats["place_kind"] == "street").all())
    if streets:
        section.say(say("places.streets_only"), tone="limit")
    else:
        repeats = repeats[repeats["place_kind"] != "street"]
    top = int(facts.number("top_places"))
    _trace_places(facts, repeats, top)
    figures = facts.book.figures
    opening = "places.streets" if streets else "places.opening"
    section.say(say(opening, n=len(repeats), places=say.whole(len(repeats)),
                  share=figures["A2"].shown, top=min(top, len(repeats))), "A1", "A2")
    section.put(draw_picture("share_curve", lambda ax: share_curve(
        repeats, ax=ax, say=say, streets=streets, titled=False)))
    section.put(draw_picture("rates", lambda ax: rate_caterpillar(
        repeats, ax=ax, say=say, top=top, sure=facts.number("sure_chance"),
        threshold_per_year=None if streets else facts.inputs.threshold_per_year,
        titled=False), tall=1.35))
    section.put(_places_grid(facts, repeats, top))
    _survival(facts, section)
    return section


def _trace_places(facts: Facts, repeats: pd.DataFrame, top: int) -> None:
    say = facts.say
    again = repeats["n_rehits"] > 0
    hit = int(again.sum())
    facts.trace("A1", hit, say.whole(hit), table="repeats",
                incidents=facts.at(repeats.loc[again, "place_id"]), n=say.whole(len(repeats)))
    worst = repeats.nlargest(top, "n_incidents", keep="first")
    total = max(int(repeats["n_incidents"].sum()), 1)
    share = float(worst["n_incidents"].sum()) / total
    facts.trace("A2", share, say.share(share), table="repeats", top=len(worst),
                incidents=facts.at(worst["place_id"]))
    if facts.inputs.threshold_per_year is not None and "street" not in set(repeats["place_kind"]):
        above = repeats["chance_above"] >= facts.number("sure_chance")
        over = int(above.sum())
        facts.trace("A3", over, say.whole(over), table="repeats",
                    incidents=facts.at(repeats.loc[above, "place_id"]),
                    sure=say.share(facts.number("sure_chance")),
                    threshold=say.given(facts.inputs.threshold_per_year))


def _places_grid(facts: Facts, repeats: pd.DataFrame, top: int) -> Grid:
    say = facts.say
    worst = repeats.sort_values(["rank_mean", "place_id"]).head(top)
    this = facts.now.incidents.groupby("place_id").size()
    rows = tuple(_place_row(facts, row, int(this.get(row["place_id"], 0)))
                 for _, row in worst.iterrows())
    names = ["place", "type", "this", "all", "rehits", "rate", "over", "median"]
    threshold = facts.inputs.threshold_per_year
    if threshold is None:
        rows = tuple(row[:6] + row[7:] for row in rows)
        names.remove("over")
    headers = tuple(say(f"places.col_{c}") for c in names)
    note = say("places.note") if threshold is None else say(
        "places.note_threshold", threshold=say.given(threshold))
    if not facts.inputs.incidents["cleared_at"].notna().any():
        note += " " + say("places.note_assumed")
    return Grid(say("places.caption", n=len(worst)), headers, rows, frozenset({2, 3, 4, 5, 6, 7}),
                note)


def _place_row(facts: Facts, row: pd.Series, this: int) -> tuple[str, ...]:
    say = facts.say
    rate = (f"{say.number(row['rate_per_year'], 2)} "
            f"({say.span(say.number(row['rate_low'], 2), say.number(row['rate_high'], 2))})")
    days: Any = row["median_days_to_rehit"]
    kind = row["asset_type"]
    return (str(row["place_id"]), "–" if pd.isna(kind) else say.thing(kind), say.whole(this),
            say.whole(row["n_incidents"]),
            "–" if row["place_kind"] == "street" else say.whole(row["n_rehits"]), rate,
            say.chance(row["chance_above"]), "–" if pd.isna(days) else say.number(float(days), 2))


def _survival(facts: Facts, section: Section) -> None:
    survival = facts.inputs.given("survival")
    if survival is None:
        section.say(facts.say("missing.survival"), tone="note")
        return
    for grouping in ("substrate", "clearance_speed"):
        if set(survival.loc[survival["grouping"] == grouping, "group"]) - {"unknown"}:
            section.put(_survival_picture(facts, survival, grouping))
    section.say(facts.say("places.survival_caution"), tone="note")


def _survival_picture(facts: Facts, survival: pd.DataFrame, grouping: str) -> Picture:
    return draw_picture(f"survival_{grouping}", lambda ax: rehit_survival(
        survival, ax=ax, say=facts.say, grouping=grouping, titled=False))


def hotspots_section(facts: Facts) -> Section:
    """Write which clusters came, went and changed; near repeats; what was forecast and came."""
    say = facts.say
    section = Section("hotspots", say("heading.hotspots"))
    section.put(overview_picture(facts))
    clusters = facts.inputs.clusters
    if clusters is None or clusters.empty:
        section.say(say("missing.clusters"), tone="limit")
    else:
        _clusters(facts, section, clusters)
    cells = facts.inputs.given("cells")
    if cells is not None:
        hot = int(cells["hot"].sum())
        figure = facts.trace("H3", hot, say.whole(hot), table="cells", cells=say.whole(len(cells)),
                             incidents=within(facts.inputs.incidents,
                                               cells[cells["hot"].astype(bool)]))
        section.say(say("hotspots.cells", n=hot, count=say.whole(hot), cells=say.whole(len(cells))),
                    figure)
    rings = facts.inputs.given("rings")
    if rings is not None:
        section.put(draw_picture("rings", lambda ax: ring_table(
            rings, ax=ax, say=say, chance_limit=facts.number("chance_limit"), titled=False)))
    _scores(facts, section)
    checks = facts.inputs.given("forecast_checks")
    if checks is not None:
        section.put(draw_picture("forecast", lambda ax: forecast_check(
            checks, ax=ax, say=say, time_zone=facts.inputs.time_zone, titled=False)))
    return section


def _clusters(facts: Facts, section: Section, clusters: gpd.GeoDataFrame) -> None:
    say = facts.say
    before = facts.inputs.clusters_before
    matched = _matched(clusters, before, facts.number("cluster_overlap"))
    rows, changed, up = _cluster_rows(facts, clusters)
    facts.trace("H6", int(up.sum()), say.whole(up.sum()), table="clusters",
                incidents=within(facts.now.incidents, clusters[up]),
                rate=say.share(facts.number("gained_fdr")))
    facts.trace("H1", len(clusters), say.whole(len(clusters)), table="clusters",
                incidents=within(facts.inputs.incidents, clusters))
    section.say(say("hotspots.opening", n=len(clusters), count=say.whole(len(clusters))), "H1")
    if before is not None:
        overlap = say.share(facts.number("cluster_overlap"))
        found = []
        for figure, table, rows_there in (("H4", "clusters", clusters[~matched[0]]),
                                          ("H5", "clusters_before", before[~matched[1]])):
            found.append(rows_there["name"].astype(str).tolist())
            facts.trace(figure, len(rows_there), say.whole(len(rows_there)), table=table,
                        overlap=overlap, incidents=within(facts.inputs.incidents, rows_there))
        gained, lost = found
        section.say(say("hotspots.gained", n=len(gained), count=say.whole(len(gained)),
                      names=_listed(facts, gained)), "H4", tone="key")
        section.say(say("hotspots.lost", n=len(lost), count=say.whole(len(lost)),
                      names=_listed(facts, lost)), "H5", tone="key")
        section.say(say("hotspots.outlines"), tone="note")
    else:
        section.say(say("missing.clusters_before"), tone="note")
    section.put(Grid(say("hotspots.caption"), tuple(say(f"hotspots.col_{c}") for c in (
        "name", "this", "before", "per_year", "places", "reading")), rows,
        frozenset({1, 2, 3, 4}),
        say("hotspots.note", rate=say.share(facts.number("gained_fdr")), n=changed)))


def _matched(now: gpd.GeoDataFrame, before: gpd.GeoDataFrame | None,
             overlap: float) -> tuple[np.ndarray, np.ndarray]:
    """Say which clusters overlap one of the other list by at least `overlap` (Jaccard)."""
    if before is None or before.empty:
        return np.zeros(len(now), bool), np.zeros(0, bool)
    same = overlap_matrix(now, before) >= overlap
    return np.asarray(same.any(axis=1)), np.asarray(same.any(axis=0))


def _cluster_rows(facts: Facts, clusters: gpd.GeoDataFrame) -> tuple[
        tuple[tuple[str, ...], ...], int, np.ndarray]:
    say = facts.say
    now = counts_inside(clusters, facts.now.incidents)
    before = counts_inside(clusters, facts.before.incidents)
    comparable = facts.now.days > 0 and facts.before.days > 0 and not facts.holes
    p_values = [compare_counts(
        count=int(n), days=facts.now.days, count_before=int(b), days_before=facts.before.days,
        level=0.95, bunching=facts.bunching).p_value if comparable else 1.0
        for n, b in zip(now, before, strict=True)]
    stands = keep_at_fdr(p_values, rate=facts.number("gained_fdr"))
    order = np.lexsort((clusters["cluster_id"].astype(str), -now))
    grew = now * facts.before.days > before * facts.now.days
    up = np.asarray(stands, bool) & grew & comparable
    rows = []
    for i in order:
        row = clusters.iloc[i]
        reading = ("holes" if facts.holes else "not_observed") if not comparable else (
            "no_clear_change" if not stands[i] else "up" if grew[i] else "down")
        rows.append((str(row["name"]), say.whole(now[i]),
                     say.whole(before[i]) if comparable else "–",
                     say.number(row["incidents_per_year"], 2), say.whole(row["n_places"]),
                     say(f"verdict.{reading}")))
    return tuple(rows[:int(facts.number("top_places"))]), int(sum(stands)), up


def _listed(facts: Facts, names: list[str]) -> str:
    shown = names[:6]
    more = len(names) - len(shown)
    text = ", ".join(shown) or facts.say("hotspots.none")
    return text + (facts.say("hotspots.and_more", n=more) if more else "")


def _scores(facts: Facts, section: Section) -> None:
    say = facts.say
    scores = facts.inputs.given("forecast_scores")
    if scores is None:
        return
    own = scores["method"] == OWN_FORECAST
    others = scores.loc[~own, "hit_rate"]
    if own.sum() == 1 and others.notna().any():
        section.say(say("hotspots.best_score", own=say.share(scores.loc[own, "hit_rate"].iloc[0]),
                      other=say.share(others.max())))
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
    named = _kinds(kinds, coated, say)
    return say("cost.surfaces", n=len(coated), count=say.whole(len(coated)),
                 small=say.number(small, 2), large=say.number(large, 2), both=say.whole(both),
                 top=len(worst), kinds=f" ({named})" if named else "")


def _kinds(kinds: pd.Series | None, coated: pd.Series, say: Say) -> str:
    if kinds is None:
        return ""
    known = kinds.reindex(coated).dropna().map(say.thing)
    most = sorted(Counter(known).items(), key=lambda item: (-item[1], item[0]))[:3]
    return ", ".join(kind for kind, _ in most)


# Method notes with sources, and the glossary.

def notes_section(facts: Facts) -> Section:
    """Write how the figures were made and who published the methods."""
    say = facts.say
    section = Section("notes", say("heading.notes"))
    values = {"level": say.share(facts.number("interval_level")),
              "p": say.number(facts.number("chance_limit"), 1),
              "fdr": say.share(facts.number("gained_fdr")),
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


# Sections on methods, cost, the coating programme, and whether last quarter's measures worked.

METHODS = table("advice").column("method").allowed


def methods_section(facts: Facts) -> Section:
    """Write which method fits how many of the period's incidents, and what that takes."""
    say = facts.say
    section = Section("methods", say("heading.methods"))
    advice = facts.inputs.given("advice")
    if advice is None:
        section.say(say("missing.advice"), tone="limit")
        return section
    joined = facts.now.incidents.merge(advice, on="incident_id", how="inner",
                                       suffixes=("", "_advice"))
    if joined.empty:
        section.say(say("methods.none"), tone="note")
        return section
    counts = joined["method"].value_counts().sort_index().sort_values(
        ascending=False, kind="stable")
    facts.trace("M0", len(joined), say.whole(len(joined)), incidents=joined,
                parts=tuple(_code(m) for m in counts.index))
    for method, n in counts.items():
        facts.trace(_code(method), int(n), say.whole(n), key="M_part",
                    word=say.code("method", method),
                    incidents=joined[joined["method"] == method])
    top = str(counts.index[0])
    share = float(counts.iloc[0] / len(joined))
    facts.trace("M1", share, say.share(share), key="M1_inspect" if top == "inspect" else "M1",
                incidents=joined[joined["method"] == top], word=say.code("method", top))
    _say_methods(facts, section, counts)
    if len(counts) > 1 or top != "inspect":
        section.put(draw_picture("methods", lambda ax: method_mix(
            joined["method"], ax=ax, say=say, titled=False), tall=0.85))
    section.put(_mix_grid(facts, joined, counts))
    section.say(say("methods.caution"), tone="note")
    return section


def _say_methods(facts: Facts, section: Section, counts: pd.Series) -> None:
    """Say for how many a method was chosen, and how many someone has to look at first."""
    say = facts.say
    look, total = int(counts.get("inspect", 0)), int(counts.sum())
    if total > look:
        section.say(say("methods.opening", count=say.whole(total - look), n=total - look),
                    *([] if look else ["M0"]))
    if look:
        section.say(say("methods.opening_inspect", count=say.whole(look), total=say.whole(total),
                      n=total), _code("inspect"))


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
    section.put(_strategy_grid(facts))
    _surfaces(facts, section)
    section.put(*cost_pictures(facts))
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
    facts.trace("C1", spent, facts.money(spent), table="spend", n=len(now))
    if now.empty:
        section.say(say("cost.none_spent"), "C1", tone="note")
    elif now["expected"].isna().any():
        section.say(say("cost.spent_only", spent=facts.money(spent)), "C1", tone="key")
    else:
        facts.trace("C2", expected, facts.money(expected), table="spend")
        alike = facts.money(spent) == facts.money(expected)
        way = "about" if alike else "over" if spent > expected else "under"
        section.say(say(f"cost.{way}",
                      spent=facts.money(spent), expected=facts.money(expected),
                      difference=facts.money(abs(spent - expected))), "C1", "C2", tone="key")
    for name, earlier in (("before", before), ("year", year)):
        if len(earlier):
            section.say(say("cost.spent_earlier", than=say(f"summary.than_{name}"), n=len(earlier),
                          spent=facts.money(float(earlier["spent"].sum()))))
    section.put(_spend_grid(facts, spend))


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
        f"{say.month(row.month.month)} {row.month.year}",
        _money_or_dash(facts, row.spent), _money_or_dash(facts, row.expected),
        _money_span(facts, row.expected_low, row.expected_high))
        for row in each(spend.sort_values("month").tail(12))]
    if spend["expected"].isna().all():
        names, rows = names[:2], [row[:2] for row in rows]
    return Grid(say("cost.spend_caption"), tuple(say(f"cost.col_{c}") for c in names), tuple(rows),
                frozenset(range(1, len(names))))


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
    note = say("cost.note") if horizon is None else say("cost.note_horizon",
                                                        years=say.given(horizon))
    return Grid(say("cost.caption", n=costs["place_id"].nunique(),
                  places=say.whole(costs["place_id"].nunique())),
                tuple(say(f"cost.col_{c}") for c in (
                    "strategy", "cheapest", "allowed", "total", "removal", "saves", "first",
                    "breakeven", "water")),
                tuple(rows), frozenset(range(1, 9)), note)


#: One way alone is no comparison.
FEWEST_WAYS = 2


def cost_pictures(facts: Facts) -> list[Picture]:
    """Draw cost over the years and cost against the rate; ways allowed nowhere are left out.

    A way that no owner allows, or that cannot be told before someone has looked at the surface,
    is no choice: drawn beside the others it would look like the cheapest one.
    """
    inputs, say = facts.inputs, facts.say
    years, rates = inputs.given("cost_years"), inputs.given("rate_costs")
    pictures = []
    if years is not None:
        places = _worst(facts, int(years["n_places"].iloc[0]))
        allowed = _allowed(facts, places)
        years = _open_ways(years, allowed)
        if years["strategy"].nunique() >= FEWEST_WAYS:
            pictures.append(draw_picture("cost_years", lambda ax: cost_over_years(
                years, ax=ax, say=say, currency=inputs.currency, allowed=allowed, titled=False)))
    if rates is not None:
        rates = _open_ways(rates, _allowed(facts, None))
        if rates["strategy"].nunique() >= FEWEST_WAYS:
            pictures.append(draw_picture("rate_costs", lambda ax: breakeven_curve(
                rates, ax=ax, say=say, currency=inputs.currency, pays=_coating_pays(facts),
                titled=False)))
    return pictures


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
    if sweep is not None and sweep["n_places"].any():
        section.put(draw_picture("budget", lambda ax: budget_sweep(
            sweep, ax=ax, say=say, currency=facts.inputs.currency, titled=False)))
    return section


def _programme(facts: Facts, section: Section, programme: pd.DataFrame,
               sweep: pd.DataFrame | None) -> None:
    say = facts.say
    n, first = len(programme), float(programme["first_cost"].sum())
    saving = float(programme["saving_per_year"].sum())
    shown = facts.money(saving)
    chosen = None if sweep is None else sweep[sweep["chosen"]]
    if chosen is not None and len(chosen) and chosen["saving_low"].notna().all():
        low, high = float(chosen["saving_low"].iloc[0]), float(chosen["saving_high"].iloc[0])
        if low <= saving <= high:
            shown += f" ({_money_span(facts, low, high)})"
    behind = facts.at(programme["place_id"])
    for figure, value, text in (("P1", n, say.whole(n)), ("P2", first, facts.money(first)),
                                ("P3", saving, shown)):
        facts.trace(figure, value, text, table="programme", incidents=behind)
    section.say(say("programme.opening", n=n, count=say.whole(n), cost=facts.money(first),
                  saving=shown), "P1", "P2", "P3", tone="key")
    ordered = programme.sort_values(["saving_per_year", "place_id"], ascending=[False, True])
    top = int(facts.number("top_places"))
    rows = tuple((str(row.place_id), say.code("strategy", row.strategy),
                  say.whole(row.start), facts.money(row.first_cost),
                  facts.money(row.saving_per_year),
                  _money_span(facts, row.saving_low, row.saving_high),
                  "–" if pd.isna(row.payback_year) else say.whole(row.payback_year))
                 for row in each(ordered.assign(start=starting_year).head(top)))
    section.put(Grid(say("programme.caption", n=len(rows), total=say.whole(n)),
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
        verdict = say(f"effect.{row.verdict}")
        ratio = float(row.ratio) if not pd.isna(row.ratio) else math.nan
        anchors.append(facts.trace(f"E{number}", 0.0 if math.isnan(ratio) else ratio,
                                   _effect(facts, row), key="E", table="evaluations",
                                   measure=row.measure))
        section.say(say("evaluation.line", measure=row.measure, verdict=verdict), f"E{number}",
                    tone="key")
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
    return f"{say.number(ratio, 2)} ({say.span(say.number(low, 2), say.number(high, 2))})"


def _money_or_dash(facts: Facts, value: float) -> str:
    return "–" if pd.isna(value) else facts.money(float(value))


def _money_span(facts: Facts, low: float, high: float) -> str:
    if pd.isna(low) or pd.isna(high):
        return "–"
    return facts.say.span(facts.money(float(low)), facts.money(float(high)))


#: Below this the weekly counts differ too little from chance for a reader to care.
BUNCHING_WORTH_SAYING = 1.2


def summary_section(facts: Facts) -> Section:
    """Write the one-page summary; it comes first but is made last, from entered figures."""
    say = facts.say
    section = Section("summary", say("heading.summary"))
    section.put(Answer(say("ask.changed"), _changed(facts)))
    section.put(Answer(say("ask.chance"), _chance(facts)))
    for question, answer in (("recurs", _recurs), ("do", _advice), ("saves", _saving)):
        section.put(Answer(say(f"ask.{question}"), answer(facts)))
    if facts.inputs.limits or facts.now.partial or facts.holes:
        limits = [Sentence(say(each), tone="limit") for each in facts.inputs.limits]
        if facts.now.partial:
            limits.insert(0, Sentence(_partly(facts, facts.now), tone="limit"))
        if facts.holes:
            limits.insert(0, Sentence(say("summary.holes_limit", empty=say.whole(facts.empty_weeks),
                                        weeks=say.whole(len(facts.weeks)),
                                        mean=say.number(float(facts.weeks.mean()), 2)),
                                      tone="limit"))
        section.put(Answer(say("ask.limits"), tuple(limits)))
    return section


def _partly(facts: Facts, part: Slice) -> str:
    return facts.say("summary.partial", days=facts.say.whole(part.days),
                       of=facts.say.whole(part.period.days),
                       period=facts.say.days(part.period.first, part.period.last))


def _changed(facts: Facts) -> tuple[Sentence, ...]:
    say = facts.say
    period = facts.now.period
    lines = [Sentence(say("summary.count", n=facts.now.count, count=say.whole(facts.now.count),
                        period=say.days(period.first, period.last)), ("V1",), "key")]
    for name, earlier, figure in (("before", facts.before, "V12"), ("year", facts.year, "V13")):
        comparison = compare_slices(facts, earlier)
        lines.append(Sentence(change_words(facts, comparison, earlier, name), (figure,)))
    return tuple(lines)


def change_words(facts: Facts, comparison: Comparison | None, earlier: Slice, name: str) -> str:
    """Say in one sentence how the period compares with an earlier one, per observed day."""
    say = facts.say
    than = say(f"summary.than_{name}")
    if comparison is None:
        return say("summary.holes" if facts.holes else "summary.not_observed", than=than)
    partly = say("summary.per_day") if earlier.partial or facts.now.partial else ""
    if not comparison.count_before:
        return say("summary.from_none", than=than, partly=partly)
    change = comparison.ratio - 1
    key = "more" if change > 0 else "fewer"
    if round(abs(change) * 100) == 0:
        key = "same"
    return say(f"summary.{key}", than=than, change=say.share(abs(change)), partly=partly,
             low=signed_share(facts, comparison.low - 1),
             high=signed_share(facts, comparison.high - 1))


def signed_share(facts: Facts, value: float) -> str:
    """Write a change in per cent with its sign."""
    say = facts.say
    if value > 9.99:
        return say("summary.tenfold")
    text = say("format.percent", value=say.whole(abs(value) * 100))
    if round(value * 100) == 0:
        return text
    return ("+" if value > 0 else "\u2212") + text


def _chance(facts: Facts) -> tuple[Sentence, ...]:
    say = facts.say
    lines = []
    for name, earlier in (("before", facts.before), ("year", facts.year)):
        comparison = compare_slices(facts, earlier)
        outcome = verdict(comparison, chance_limit=facts.number("chance_limit"))
        if comparison is None:
            continue
        lines.append(Sentence(say(f"chance.{outcome}", than=say(f"summary.than_{name}"),
                                p=say.p_value(comparison.p_value)), tone="key"))
    if len(lines) == 2:
        lines.append(Sentence(say("chance.season"), tone="note"))
    if not lines:
        key = "chance.holes" if facts.holes else "chance.no_comparison"
        lines.append(Sentence(say(key), tone="key"))
    elif facts.bunching > BUNCHING_WORTH_SAYING:
        lines.append(Sentence(say("chance.bunching", factor=say.number(facts.bunching, 2)),
                              tone="note"))
    return tuple(lines)


def _recurs(facts: Facts) -> tuple[Sentence, ...]:
    say = facts.say
    figures = facts.book.figures
    now = facts.now.count
    rehits = figures["V3"]
    if not now:
        return (Sentence(say("summary.none_to_tell"), tone="key"),)
    firm = now - figures["V5"].value
    if not firm:
        return (Sentence(say("summary.no_firm_place"), ("V5",), "key"), *_top_share(facts))
    unsure = figures["V4"]
    if unsure.value and not rehits.value:
        lines = [Sentence(say("summary.uncertain", n=int(unsure.value), count=unsure.shown),
                          ("V4",), "key")]
    elif not rehits.value:
        lines = [Sentence(say("summary.no_rehits"), ("V3",), "key")]
    else:
        lines = [Sentence(say("summary.rehits", n=int(rehits.value), count=rehits.shown,
                            share=say.share(rehits.value / firm)),
                          ("V3",), "key")]
    lines += _top_share(facts)
    if "A3" in figures and facts.inputs.threshold_per_year is not None:
        key = "summary.over" if figures["A3"].value else "summary.over_none"
        lines.append(Sentence(say(key, n=int(figures["A3"].value),
                                count=figures["A3"].shown,
                                threshold=say.given(facts.inputs.threshold_per_year),
                                sure=say.share(facts.number("sure_chance"))), ("A3",)))
    return tuple(lines)


def _top_share(facts: Facts) -> list[Sentence]:
    figure = facts.book.figures.get("A2")
    if figure is None:
        return []
    repeats = facts.inputs.given("repeats")
    assert repeats is not None
    walls = int(repeats["place_kind"].ne("street").sum())
    what = "places" if walls else "streets"
    return [Sentence(facts.say(f"summary.top_share_{what}", share=figure.shown,
                                 n=min(int(facts.number("top_places")), walls or len(repeats))),
                     ("A2",))]


def _advice(facts: Facts) -> tuple[Sentence, ...]:
    say = facts.say
    figures = facts.book.figures
    lines = []
    if "P1" in figures:
        best = facts.inputs.programme
        assert best is not None
        last = int(starting_year(best).max())
        spread = say("summary.spread", years=say.whole(last)) if last > 1 else ""
        lines.append(Sentence(say("summary.programme", n=int(figures["P1"].value), spread=spread,
                                count=figures["P1"].shown, cost=figures["P2"].shown),
                              ("P1", "P2"), "key"))
        soon = best[starting_year(best) == starting_year(best).min()]
        first = soon.sort_values(["saving_per_year", "place_id"], ascending=[False, True]).head(3)
        lines.append(Sentence(say("summary.start_with", n=len(first), places=", ".join(
            facts.named(place) for place in first["place_id"].astype(str)))))
    if "M1" in figures:
        top = leading_method(facts)
        lines.append(Sentence(
            say("summary.inspect" if top == "inspect" else "summary.method",
              word=say.code("method", top), share=figures["M1"].shown), ("M1",)))
    if "H6" in figures and figures["H6"].value:
        lines.append(Sentence(say("summary.look", n=int(figures["H6"].value),
                                count=figures["H6"].shown), ("H6",)))
    return tuple(lines) or (Sentence(say("summary.no_advice"), tone="key"),)


def _saving(facts: Facts) -> tuple[Sentence, ...]:
    figures = facts.book.figures
    if "P3" not in figures:
        return (Sentence(facts.say("summary.no_saving"), tone="key"),)
    saving = figures["P3"]
    key = "summary.saving" if saving.value > 0 else "summary.no_gain"
    return (Sentence(facts.say(key, saving=saving.shown, price_year=facts.inputs.price_year),
                     ("P3",), "key"),)


# Sections on how many incidents came, how quickly they were cleared, and how good the log is.

def volume_section(facts: Facts) -> Section:
    """Write how many incidents came, compared with the quarter and the year before."""
    say = facts.say
    section = Section("volume", say("heading.volume"))
    section.say(say("volume.opening", n=facts.now.count, count=say.whole(facts.now.count)), "V1")
    section.put(_comparison_grid(facts), _kinds_grid(facts))
    if len(facts.inputs.incidents):
        section.put(draw_picture("calendar", lambda ax: incident_calendar(
            facts.inputs.incidents, ax=ax, say=say, time_zone=facts.inputs.time_zone,
            chance_limit=facts.number("chance_limit"), titled=False)))
    return section


def _comparison_grid(facts: Facts) -> Grid:
    say = facts.say
    rows = [_period_row(facts, say("volume.this"), facts.now, None)]
    for name, earlier in (("before", facts.before), ("year", facts.year)):
        rows.append(_period_row(facts, say(f"volume.{name}"), earlier,
                                compare_slices(facts, earlier)))
    headers = tuple(say(f"volume.col_{c}") for c in
                    ("period", "observed", "count", "per_30", "change", "reading"))
    level = say.share(facts.number("interval_level"))
    return Grid(say("volume.caption"), headers, tuple(rows), frozenset({1, 2, 3, 4}),
                say("volume.note", level=level), ("V1", "V12", "V13"))


def _period_row(facts: Facts, label: str, part: Slice,
                comparison: Comparison | None) -> tuple[str, ...]:
    say = facts.say
    name = f"{label} ({say.days(part.period.first, part.period.last)})"
    observed = say("volume.of_days", days=say.whole(part.days), of=say.whole(part.period.days))
    if part.days <= 0:
        return name, observed, "–", "–", "–", say("verdict.not_observed")
    unfair = "holes" if facts.holes else "not_observed"
    low, high = count_interval(part.count, level=facts.number("interval_level"))
    scale = 30 / part.days
    per_30 = (f"{say.number(part.count * scale, 2)} "
              f"({say.span(say.number(low * scale, 2), say.number(high * scale, 2))})")
    change, reading = "–", "–"
    if part is not facts.now:
        reading = say("verdict." + (unfair if comparison is None else verdict(
            comparison, chance_limit=facts.number("chance_limit"))))
    if comparison is not None and not math.isnan(comparison.ratio):
        ends = (signed_share(facts, v - 1) for v in (comparison.low, comparison.high))
        change = f"{signed_share(facts, comparison.ratio - 1)} ({say.span(*ends)})"
    return name, observed, say.whole(part.count), per_30, change, reading


def _kinds_grid(facts: Facts) -> Grid:
    say = facts.say
    rows, anchors = [], []
    for column, (codes, start) in GROUPS.items():
        for offset, code in enumerate(codes):
            figure = facts.book.figures[f"V{start + offset}"]
            rows.append((say(f"volume.group_{column}") + ": " + say.code(column, code),
                         figure.shown, _part(facts, figure.value)))
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
    for number, priority in enumerate(("offensive", "ordinary"), start=1):
        allowed = (facts.standards.offensive_h if priority == "offensive"
                   else facts.standards.ordinary_h)
        response = _measure(facts, priority, allowed)
        rows.append(_response_row(facts, priority, allowed, response))
        anchors.append(facts.trace(
            f"R{number}", 0.0 if math.isnan(response.share) else response.share, rows[-1][3],
            key="R", incidents=response.judged, word=say.code("priority", priority),
            allowed=allowed_time(facts, allowed), within=say.whole(len(response.within)),
            judged=say.whole(len(response.judged))))
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
    note = say("response.note", level=say.share(facts.number("interval_level")))
    if facts.inputs.standards is not None:
        return note
    days = facts.parameters["service.ordinary_working_days"]
    return note + " " + say("response.working_days", n=say.given(days),
                          days=say.given(facts.standards.ordinary_h / 24))


def allowed_time(facts: Facts, hours: float) -> str:
    """Write a standard in hours below three days, otherwise in days."""
    say = facts.say
    if hours < 72:
        return say("format.hours", value=say.given(hours))
    return say("format.days", value=say.given(hours / 24))


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
        within = (f"{say.share(response.share)} "
                  f"({say.span(say.share(response.low), say.share(response.high))})")
    return (say.code("priority", priority), allowed_time(facts, allowed_h),
            say.whole(len(response.judged)), within,
            duration(facts, response.median_h) if response.timed else "–",
            say.whole(response.waiting), say.whole(response.undated))


def duration(facts: Facts, hours: float) -> str:
    """Write a length of time in hours below three days, otherwise in days."""
    say = facts.say
    if not math.isfinite(hours):
        return say("response.not_reached")
    if hours < 48:
        return say("format.hours", value=say.number(hours, 2))
    return say("format.days", value=say.number(hours / 24, 2))
