"""Sections on methods, cost, the coating programme, and whether last quarter's measures worked."""

from __future__ import annotations

import math

import pandas as pd

from rehit.reporting.coating import where_coating_pays
from rehit.reporting.cost_pictures import cost_pictures
from rehit.reporting.document import Grid, Section
from rehit.reporting.drawing import draw_picture
from rehit.reporting.figures import budget_sweep, method_mix
from rehit.reporting.measures import Facts, Slice, starting_year
from rehit.reporting.rows import each
from rehit.tables import table

METHODS = table("advice").column("method").allowed


def methods_section(facts: Facts) -> Section:
    """Write which method fits how many of the period's incidents, and what that takes."""
    w = facts.words
    section = Section("methods", w("heading.methods"))
    advice = facts.inputs.given("advice")
    if advice is None:
        section.say(w("missing.advice"), tone="limit")
        return section
    joined = facts.now.incidents.merge(advice, on="incident_id", how="inner",
                                       suffixes=("", "_advice"))
    if joined.empty:
        section.say(w("methods.none"), tone="note")
        return section
    counts = joined["method"].value_counts().sort_index().sort_values(
        ascending=False, kind="stable")
    facts.trace("M0", len(joined), w.whole(len(joined)), incidents=joined,
                parts=tuple(_code(m) for m in counts.index))
    for method, n in counts.items():
        facts.trace(_code(method), int(n), w.whole(n), key="M_part", word=w.code("method", method),
                    incidents=joined[joined["method"] == method])
    top = str(counts.index[0])
    share = float(counts.iloc[0] / len(joined))
    facts.trace("M1", share, w.share(share), key="M1_inspect" if top == "inspect" else "M1",
                incidents=joined[joined["method"] == top], word=w.code("method", top))
    _say_methods(facts, section, counts)
    if len(counts) > 1 or top != "inspect":
        section.put(draw_picture("methods", lambda ax: method_mix(
            joined["method"], ax=ax, words=w, titled=False), tall=0.85))
    section.put(_mix_grid(facts, joined, counts))
    section.say(w("methods.caution"), tone="note")
    return section


def _say_methods(facts: Facts, section: Section, counts: pd.Series) -> None:
    """Say for how many a method was chosen, and how many someone has to look at first."""
    w = facts.words
    look, total = int(counts.get("inspect", 0)), int(counts.sum())
    if total > look:
        section.say(w("methods.opening", count=w.whole(total - look), n=total - look),
                    *([] if look else ["M0"]))
    if look:
        section.say(w("methods.opening_inspect", count=w.whole(look), total=w.whole(total),
                      n=total), _code("inspect"))


def _mix_grid(facts: Facts, joined: pd.DataFrame, counts: pd.Series) -> Grid:
    w = facts.words
    rows = []
    for method, n in counts.items():
        part = joined[joined["method"] == method]
        rows.append((w.code("method", method), w.whole(n), w.share(n / len(joined)),
                     w.number(part["minutes"].sum() / 60, 2), w.number(part["paint_l"].sum(), 2),
                     w.number(part["remover_l"].sum(), 2),
                     w.number(part["wash_water_l"].sum(), 2)))
    headers = tuple(w(f"methods.col_{c}") for c in
                    ("method", "count", "share", "hours", "paint", "remover", "water"))
    return Grid(w("methods.caption"), headers, tuple(rows), frozenset(range(1, 7)),
                w("methods.note"), tuple(_code(m) for m in counts.index))


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
    w, inputs = facts.words, facts.inputs
    section = Section("cost", w("heading.cost"))
    section.say(w("cost.money", currency=inputs.currency, price_year=inputs.price_year),
                tone="note")
    spend = inputs.given("spend")
    if spend is None:
        section.say(w("missing.spend"), tone="limit")
    else:
        _spend(facts, section, spend)
    if inputs.given("strategy_costs") is None:
        section.say(w("missing.strategy_costs"), tone="limit")
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
    said = where_coating_pays(costing, costs, words=facts.words, kinds=kinds,
                              top=int(facts.number("top_places")))
    if said:
        section.say(said)


def _spend(facts: Facts, section: Section, spend: pd.DataFrame) -> None:
    w = facts.words
    done = spend[spend["spent"].notna()]
    now, before, year = (_within(done, part) for part in (facts.now, facts.before,
                                                                 facts.year))
    spent, expected = float(now["spent"].sum()), float(now["expected"].sum())
    facts.trace("C1", spent, facts.money(spent), table="spend", n=len(now))
    if now.empty:
        section.say(w("cost.none_spent"), "C1", tone="note")
    elif now["expected"].isna().any():
        section.say(w("cost.spent_only", spent=facts.money(spent)), "C1", tone="key")
    else:
        facts.trace("C2", expected, facts.money(expected), table="spend")
        alike = facts.money(spent) == facts.money(expected)
        section.say(w("cost.about" if alike else "cost.over" if spent > expected else "cost.under",
                      spent=facts.money(spent), expected=facts.money(expected),
                      difference=facts.money(abs(spent - expected))), "C1", "C2", tone="key")
    for name, earlier in (("before", before), ("year", year)):
        if len(earlier):
            section.say(w("cost.spent_earlier", than=w(f"summary.than_{name}"), n=len(earlier),
                          spent=facts.money(float(earlier["spent"].sum()))))
    section.put(_spend_grid(facts, spend))


def _within(spend: pd.DataFrame, part: Slice) -> pd.DataFrame:
    """Keep the months that begin inside a period."""
    months = spend["month"].dt.tz_localize(None)
    first = pd.Timestamp(part.period.first).replace(day=1)
    return spend[(months >= first) & (months <= pd.Timestamp(part.period.last))]


def _spend_grid(facts: Facts, spend: pd.DataFrame) -> Grid:
    w = facts.words
    names = ["month", "spent", "expected", "range"]
    rows: list[tuple[str, ...]] = [(
        f"{w(f'month.{row.month.month}')} {row.month.year}",
        _money_or_dash(facts, row.spent), _money_or_dash(facts, row.expected),
        _money_span(facts, row.expected_low, row.expected_high))
        for row in each(spend.sort_values("month").tail(12))]
    if spend["expected"].isna().all():
        names, rows = names[:2], [row[:2] for row in rows]
    return Grid(w("cost.spend_caption"), tuple(w(f"cost.col_{c}") for c in names), tuple(rows),
                frozenset(range(1, len(names))))


def _strategy_grid(facts: Facts) -> Grid:
    w = facts.words
    costs = facts.inputs.strategy_costs
    assert costs is not None
    rows = []
    removal = costs[costs["strategy"] == costs["strategy"].iloc[0]].set_index("place_id")["pv_mean"]
    for strategy, everywhere in costs.groupby("strategy", sort=False):
        part = everywhere[everywhere["allowed"]]
        saved = float(part.loc[part["cheapest"], "saving"].sum())
        rate = part["breakeven_rate_per_year"].median()
        rows.append((w.code("strategy", strategy), w.whole(part["cheapest"].sum()),
                     w.whole(len(part)), facts.money(part["pv_mean"].mean()),
                     facts.money(removal.reindex(part["place_id"]).mean()),
                     facts.money(saved) if saved else "–",
                     facts.money(part["first_cost"].mean()),
                     w.number(rate, 2), w.number(part["wash_water_l"].mean(), 2)))
    horizon = facts.inputs.horizon_years
    note = w("cost.note") if horizon is None else w("cost.note_horizon", years=w.given(horizon))
    return Grid(w("cost.caption", n=costs["place_id"].nunique(),
                  places=w.whole(costs["place_id"].nunique())),
                tuple(w(f"cost.col_{c}") for c in (
                    "strategy", "cheapest", "allowed", "total", "removal", "saves", "first",
                    "breakeven", "water")),
                tuple(rows), frozenset(range(1, 9)), note)


def programme_section(facts: Facts) -> Section:
    """Write the coating programme: which places, at what first cost, for what saving."""
    w = facts.words
    section = Section("programme", w("heading.programme"))
    programme = facts.inputs.given("programme")
    sweep = facts.inputs.given("budget_sweep")
    if programme is None:
        section.say(w("missing.programme"), tone="limit")
    else:
        _programme(facts, section, programme, sweep)
    if sweep is not None and sweep["n_places"].any():
        section.put(draw_picture("budget", lambda ax: budget_sweep(
            sweep, ax=ax, words=w, currency=facts.inputs.currency, titled=False)))
    return section


def _programme(facts: Facts, section: Section, programme: pd.DataFrame,
               sweep: pd.DataFrame | None) -> None:
    w = facts.words
    n, first = len(programme), float(programme["first_cost"].sum())
    saving = float(programme["saving_per_year"].sum())
    shown = facts.money(saving)
    chosen = None if sweep is None else sweep[sweep["chosen"]]
    if chosen is not None and len(chosen) and chosen["saving_low"].notna().all():
        low, high = float(chosen["saving_low"].iloc[0]), float(chosen["saving_high"].iloc[0])
        if low <= saving <= high:
            shown += f" ({_money_span(facts, low, high)})"
    behind = facts.at(programme["place_id"])
    for figure, value, text in (("P1", n, w.whole(n)), ("P2", first, facts.money(first)),
                                ("P3", saving, shown)):
        facts.trace(figure, value, text, table="programme", incidents=behind)
    section.say(w("programme.opening", n=n, count=w.whole(n), cost=facts.money(first),
                  saving=shown), "P1", "P2", "P3", tone="key")
    ordered = programme.sort_values(["saving_per_year", "place_id"], ascending=[False, True])
    top = int(facts.number("top_places"))
    rows = tuple((str(row.place_id), w.code("strategy", row.strategy),
                  w.whole(row.start), facts.money(row.first_cost), facts.money(row.saving_per_year),
                  _money_span(facts, row.saving_low, row.saving_high),
                  "–" if pd.isna(row.payback_year) else w.whole(row.payback_year))
                 for row in each(ordered.assign(start=starting_year).head(top)))
    section.put(Grid(w("programme.caption", n=len(rows), total=w.whole(n)),
                     tuple(w(f"programme.col_{c}") for c in (
                         "place", "strategy", "start", "first", "saving", "range",
                         "payback")), rows,
                     frozenset({2, 3, 4, 5, 6}), w("programme.note")))


def evaluation_section(facts: Facts) -> Section:
    """Write whether the measures taken before made a difference."""
    w = facts.words
    section = Section("evaluation", w("heading.evaluation"))
    done = facts.inputs.given("evaluations")
    if done is None:
        section.say(w("missing.evaluations"), tone="limit")
        return section
    rows, anchors = [], []
    for number, row in enumerate(each(done), start=1):
        verdict = w(f"effect.{row.verdict}")
        ratio = float(row.ratio) if not pd.isna(row.ratio) else math.nan
        anchors.append(facts.trace(f"E{number}", 0.0 if math.isnan(ratio) else ratio,
                                   _effect(facts, row), key="E", table="evaluations",
                                   measure=row.measure))
        words = "" if pd.isna(row.words) else str(row.words)
        section.say(w("evaluation.line", measure=row.measure, verdict=verdict), f"E{number}",
                    tone="key")
        first, stop, rest = words.partition(". ")
        if first:
            section.say(first + stop.strip())
        if rest:
            section.say(rest, tone="note")
        rows.append((str(row.measure), facts.day(row.started_at), w.whole(row.n_treated),
                     w.whole(row.n_comparison), _effect(facts, row),
                     "–" if pd.isna(row.p_value) else w.p_value(row.p_value), verdict))
    section.put(Grid(w("evaluation.caption"), tuple(w(f"evaluation.col_{c}") for c in (
        "measure", "started", "treated", "comparison", "effect", "p", "verdict")), tuple(rows),
        frozenset({2, 3, 4, 5}), w("evaluation.note"), tuple(anchors), wordy=True))
    return section


def _effect(facts: Facts, row: object) -> str:
    w = facts.words
    ratio, low, high = (getattr(row, c) for c in ("ratio", "low", "high"))
    if pd.isna(ratio):
        return "–"
    if pd.isna(low) or pd.isna(high):
        return w.number(ratio, 2)
    return f"{w.number(ratio, 2)} ({w.span(w.number(low, 2), w.number(high, 2))})"


def _money_or_dash(facts: Facts, value: float) -> str:
    return "–" if pd.isna(value) else facts.money(float(value))


def _money_span(facts: Facts, low: float, high: float) -> str:
    if pd.isna(low) or pd.isna(high):
        return "–"
    return facts.words.span(facts.money(float(low)), facts.money(float(high)))
