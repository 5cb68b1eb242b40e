"""Sections on places that recur and on hotspots gained and lost."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.reporting.compare import compare_counts, keep_at_fdr
from rehit.reporting.document import Grid, Picture, Section
from rehit.reporting.drawing import draw_picture
from rehit.reporting.figures import (
    forecast_check,
    rate_caterpillar,
    rehit_survival,
    ring_table,
    share_curve,
)
from rehit.reporting.measures import Facts
from rehit.reporting.membership import counts_inside, overlap_matrix, within
from rehit.reporting.static_map import overview_picture

#: What the forecast calls itself among the ways of forecasting that are compared.
OWN_FORECAST = "forecast"


def places_section(facts: Facts) -> Section:
    """Write which places are hit again and again, and how sure that is."""
    w = facts.words
    section = Section("places", w("heading.places"))
    repeats = facts.inputs.given("repeats")
    if repeats is None:
        section.say(w("missing.repeats"), tone="limit")
        return section
    streets = bool((repeats["place_kind"] == "street").all())
    if streets:
        section.say(w("places.streets_only"), tone="limit")
    else:
        repeats = repeats[repeats["place_kind"] != "street"]
    top = int(facts.number("top_places"))
    _trace_places(facts, repeats, top)
    figures = facts.book.figures
    opening = "places.streets" if streets else "places.opening"
    section.say(w(opening, n=len(repeats), places=w.whole(len(repeats)),
                  share=figures["A2"].shown, top=min(top, len(repeats))), "A1", "A2")
    section.put(draw_picture("share_curve", lambda ax: share_curve(
        repeats, ax=ax, words=w, streets=streets, titled=False)))
    section.put(draw_picture("rates", lambda ax: rate_caterpillar(
        repeats, ax=ax, words=w, top=top, sure=facts.number("sure_chance"),
        threshold_per_year=None if streets else facts.inputs.threshold_per_year,
        titled=False), tall=1.35))
    section.put(_places_grid(facts, repeats, top))
    _survival(facts, section)
    return section


def _trace_places(facts: Facts, repeats: pd.DataFrame, top: int) -> None:
    w = facts.words
    again = repeats["n_rehits"] > 0
    hit = int(again.sum())
    facts.trace("A1", hit, w.whole(hit), table="repeats",
                incidents=facts.at(repeats.loc[again, "place_id"]), n=w.whole(len(repeats)))
    worst = repeats.nlargest(top, "n_incidents", keep="first")
    total = max(int(repeats["n_incidents"].sum()), 1)
    share = float(worst["n_incidents"].sum()) / total
    facts.trace("A2", share, w.share(share), table="repeats", top=len(worst),
                incidents=facts.at(worst["place_id"]))
    if facts.inputs.threshold_per_year is not None and "street" not in set(repeats["place_kind"]):
        above = repeats["chance_above"] >= facts.number("sure_chance")
        over = int(above.sum())
        facts.trace("A3", over, w.whole(over), table="repeats",
                    incidents=facts.at(repeats.loc[above, "place_id"]),
                    sure=w.share(facts.number("sure_chance")),
                    threshold=w.given(facts.inputs.threshold_per_year))


def _places_grid(facts: Facts, repeats: pd.DataFrame, top: int) -> Grid:
    w = facts.words
    worst = repeats.sort_values(["rank_mean", "place_id"]).head(top)
    this = facts.now.incidents.groupby("place_id").size()
    rows = tuple(_place_row(facts, row, int(this.get(row["place_id"], 0)))
                 for _, row in worst.iterrows())
    names = ["place", "type", "this", "all", "rehits", "rate", "over", "median"]
    threshold = facts.inputs.threshold_per_year
    if threshold is None:
        rows = tuple(row[:6] + row[7:] for row in rows)
        names.remove("over")
    headers = tuple(w(f"places.col_{c}") for c in names)
    note = w("places.note") if threshold is None else w(
        "places.note_threshold", threshold=w.given(threshold))
    if not facts.inputs.incidents["cleared_at"].notna().any():
        note += " " + w("places.note_assumed")
    return Grid(w("places.caption", n=len(worst)), headers, rows, frozenset({2, 3, 4, 5, 6, 7}),
                note)


def _place_row(facts: Facts, row: pd.Series, this: int) -> tuple[str, ...]:
    w = facts.words
    rate = (f"{w.number(row['rate_per_year'], 2)} "
            f"({w.span(w.number(row['rate_low'], 2), w.number(row['rate_high'], 2))})")
    days: Any = row["median_days_to_rehit"]
    kind = row["asset_type"]
    return (str(row["place_id"]), "–" if pd.isna(kind) else w.thing(kind), w.whole(this),
            w.whole(row["n_incidents"]),
            "–" if row["place_kind"] == "street" else w.whole(row["n_rehits"]), rate,
            w.chance(row["chance_above"]), "–" if pd.isna(days) else w.number(float(days), 2))


def _survival(facts: Facts, section: Section) -> None:
    survival = facts.inputs.given("survival")
    if survival is None:
        section.say(facts.words("missing.survival"), tone="note")
        return
    for grouping in ("substrate", "clearance_speed"):
        if set(survival.loc[survival["grouping"] == grouping, "group"]) - {"unknown"}:
            section.put(_survival_picture(facts, survival, grouping))
    section.say(facts.words("places.survival_caution"), tone="note")


def _survival_picture(facts: Facts, survival: pd.DataFrame, grouping: str) -> Picture:
    return draw_picture(f"survival_{grouping}", lambda ax: rehit_survival(
        survival, ax=ax, words=facts.words, grouping=grouping, titled=False))


def hotspots_section(facts: Facts) -> Section:
    """Write which clusters came, went and changed; near repeats; what was forecast and came."""
    w = facts.words
    section = Section("hotspots", w("heading.hotspots"))
    section.put(overview_picture(facts))
    clusters = facts.inputs.clusters
    if clusters is None or clusters.empty:
        section.say(w("missing.clusters"), tone="limit")
    else:
        _clusters(facts, section, clusters)
    cells = facts.inputs.given("cells")
    if cells is not None:
        hot = int(cells["hot"].sum())
        figure = facts.trace("H3", hot, w.whole(hot), table="cells", cells=w.whole(len(cells)),
                             incidents=within(facts.inputs.incidents,
                                               cells[cells["hot"].astype(bool)]))
        section.say(w("hotspots.cells", n=hot, count=w.whole(hot), cells=w.whole(len(cells))),
                    figure)
    rings = facts.inputs.given("rings")
    if rings is not None:
        section.put(draw_picture("rings", lambda ax: ring_table(
            rings, ax=ax, words=w, chance_limit=facts.number("chance_limit"), titled=False)))
    _scores(facts, section)
    checks = facts.inputs.given("forecast_checks")
    if checks is not None:
        section.put(draw_picture("forecast", lambda ax: forecast_check(
            checks, ax=ax, words=w, time_zone=facts.inputs.time_zone, titled=False)))
    return section


def _clusters(facts: Facts, section: Section, clusters: gpd.GeoDataFrame) -> None:
    w = facts.words
    before = facts.inputs.clusters_before
    matched = _matched(clusters, before, facts.number("cluster_overlap"))
    rows, changed, up = _cluster_rows(facts, clusters)
    facts.trace("H6", int(up.sum()), w.whole(up.sum()), table="clusters",
                incidents=within(facts.now.incidents, clusters[up]),
                rate=w.share(facts.number("gained_fdr")))
    facts.trace("H1", len(clusters), w.whole(len(clusters)), table="clusters",
                incidents=within(facts.inputs.incidents, clusters))
    section.say(w("hotspots.opening", n=len(clusters), count=w.whole(len(clusters))), "H1")
    if before is not None:
        overlap = w.share(facts.number("cluster_overlap"))
        found = []
        for figure, table, rows_there in (("H4", "clusters", clusters[~matched[0]]),
                                          ("H5", "clusters_before", before[~matched[1]])):
            found.append(rows_there["name"].astype(str).tolist())
            facts.trace(figure, len(rows_there), w.whole(len(rows_there)), table=table,
                        overlap=overlap, incidents=within(facts.inputs.incidents, rows_there))
        gained, lost = found
        section.say(w("hotspots.gained", n=len(gained), count=w.whole(len(gained)),
                      names=_listed(facts, gained)), "H4", tone="key")
        section.say(w("hotspots.lost", n=len(lost), count=w.whole(len(lost)),
                      names=_listed(facts, lost)), "H5", tone="key")
        section.say(w("hotspots.outlines"), tone="note")
    else:
        section.say(w("missing.clusters_before"), tone="note")
    section.put(Grid(w("hotspots.caption"), tuple(w(f"hotspots.col_{c}") for c in (
        "name", "this", "before", "per_year", "places", "reading")), rows,
        frozenset({1, 2, 3, 4}),
        w("hotspots.note", rate=w.share(facts.number("gained_fdr")), n=changed)))


def _matched(now: gpd.GeoDataFrame, before: gpd.GeoDataFrame | None,
             overlap: float) -> tuple[np.ndarray, np.ndarray]:
    """Say which clusters overlap one of the other list by at least `overlap` (Jaccard)."""
    if before is None or before.empty:
        return np.zeros(len(now), bool), np.zeros(0, bool)
    same = overlap_matrix(now, before) >= overlap
    return np.asarray(same.any(axis=1)), np.asarray(same.any(axis=0))


def _cluster_rows(facts: Facts, clusters: gpd.GeoDataFrame) -> tuple[
        tuple[tuple[str, ...], ...], int, np.ndarray]:
    w = facts.words
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
        rows.append((str(row["name"]), w.whole(now[i]),
                     w.whole(before[i]) if comparable else "–",
                     w.number(row["incidents_per_year"], 2), w.whole(row["n_places"]),
                     w(f"verdict.{reading}")))
    return tuple(rows[:int(facts.number("top_places"))]), int(sum(stands)), up


def _listed(facts: Facts, names: list[str]) -> str:
    shown = names[:6]
    more = len(names) - len(shown)
    text = ", ".join(shown) or facts.words("hotspots.none")
    return text + (facts.words("hotspots.and_more", n=more) if more else "")


def _scores(facts: Facts, section: Section) -> None:
    w = facts.words
    scores = facts.inputs.given("forecast_scores")
    if scores is None:
        return
    own = scores["method"] == OWN_FORECAST
    others = scores.loc[~own, "hit_rate"]
    if own.sum() == 1 and others.notna().any():
        section.say(w("hotspots.best_score", own=w.share(scores.loc[own, "hit_rate"].iloc[0]),
                      other=w.share(others.max())))
    rows: list[tuple[str, ...]] = [
        (w("hotspots.own_forecast") if mine else str(row["method"]), w.whole(row["horizon_days"]),
         w.share(row["hit_rate"]), w.number(row["pai"], 2), w.number(row["log_score"], 3))
        for mine, (_, row) in zip(own, scores.iterrows(), strict=True)]
    names, note = ["method", "horizon", "hit_rate", "pai", "log_score"], w("hotspots.scores_note")
    if scores["log_score"].notna().sum() < 2:  # nothing to set it against
        names, rows = names[:-1], [row[:-1] for row in rows]
    else:
        note += " " + w("hotspots.log_score_note")
    section.put(Grid(w("hotspots.scores_caption"), tuple(w(f"hotspots.col_{c}") for c in names),
                     tuple(rows), frozenset(range(1, len(names))), note))
