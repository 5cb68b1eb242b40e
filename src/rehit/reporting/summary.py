"""The first page: what changed, is it more than chance, what recurs, what to do, what it saves."""

from __future__ import annotations

from rehit.reporting.compare import Comparison
from rehit.reporting.document import Answer, Section, Sentence
from rehit.reporting.measures import Facts, Slice, compare_slices, starting_year, verdict
from rehit.reporting.sections_money import leading_method

#: Below this the weekly counts differ too little from chance for a reader to care.
BUNCHING_WORTH_SAYING = 1.2


def summary_section(facts: Facts) -> Section:
    """Write the one-page summary; it comes first but is made last, from entered figures."""
    w = facts.words
    section = Section("summary", w("heading.summary"))
    section.put(Answer(w("ask.changed"), _changed(facts)))
    section.put(Answer(w("ask.chance"), _chance(facts)))
    for question, answer in (("recurs", _recurs), ("do", _advice), ("saves", _saving)):
        section.put(Answer(w(f"ask.{question}"), answer(facts)))
    if facts.inputs.limits or facts.now.partial or facts.holes:
        limits = [Sentence(text, tone="limit") for text in facts.inputs.limits]
        if facts.now.partial:
            limits.insert(0, Sentence(_partly(facts, facts.now), tone="limit"))
        if facts.holes:
            limits.insert(0, Sentence(w("summary.holes_limit", empty=w.whole(facts.empty_weeks),
                                        weeks=w.whole(len(facts.weeks)),
                                        mean=w.number(float(facts.weeks.mean()), 2)),
                                      tone="limit"))
        section.put(Answer(w("ask.limits"), tuple(limits)))
    return section


def _partly(facts: Facts, part: Slice) -> str:
    return facts.words("summary.partial", days=facts.words.whole(part.days),
                       of=facts.words.whole(part.period.days),
                       period=facts.words.days(part.period.first, part.period.last))


def _changed(facts: Facts) -> tuple[Sentence, ...]:
    w = facts.words
    period = facts.now.period
    lines = [Sentence(w("summary.count", n=facts.now.count, count=w.whole(facts.now.count),
                        period=w.days(period.first, period.last)), ("V1",), "key")]
    for name, earlier, figure in (("before", facts.before, "V12"), ("year", facts.year, "V13")):
        comparison = compare_slices(facts, earlier)
        lines.append(Sentence(change_words(facts, comparison, earlier, name), (figure,)))
    return tuple(lines)


def change_words(facts: Facts, comparison: Comparison | None, earlier: Slice, name: str) -> str:
    """Say in one sentence how the period compares with an earlier one, per observed day."""
    w = facts.words
    than = w(f"summary.than_{name}")
    if comparison is None:
        return w("summary.holes" if facts.holes else "summary.not_observed", than=than)
    partly = w("summary.per_day") if earlier.partial or facts.now.partial else ""
    if not comparison.count_before:
        return w("summary.from_none", than=than, partly=partly)
    change = comparison.ratio - 1
    key = "more" if change > 0 else "fewer"
    if round(abs(change) * 100) == 0:
        key = "same"
    return w(f"summary.{key}", than=than, change=w.share(abs(change)), partly=partly,
             low=signed_share(facts, comparison.low - 1),
             high=signed_share(facts, comparison.high - 1))


def signed_share(facts: Facts, value: float) -> str:
    """Write a change in per cent with its sign."""
    w = facts.words
    if value > 9.99:
        return w("summary.tenfold")
    text = w("format.percent", value=w.whole(abs(value) * 100))
    if round(value * 100) == 0:
        return text
    return ("+" if value > 0 else "\u2212") + text


def _chance(facts: Facts) -> tuple[Sentence, ...]:
    w = facts.words
    lines = []
    for name, earlier in (("before", facts.before), ("year", facts.year)):
        comparison = compare_slices(facts, earlier)
        outcome = verdict(comparison, chance_limit=facts.number("chance_limit"))
        if comparison is None:
            continue
        lines.append(Sentence(w(f"chance.{outcome}", than=w(f"summary.than_{name}"),
                                p=w.p_value(comparison.p_value)), tone="key"))
    if len(lines) == 2:
        lines.append(Sentence(w("chance.season"), tone="note"))
    if not lines:
        key = "chance.holes" if facts.holes else "chance.no_comparison"
        lines.append(Sentence(w(key), tone="key"))
    elif facts.bunching > BUNCHING_WORTH_SAYING:
        lines.append(Sentence(w("chance.bunching", factor=w.number(facts.bunching, 2)),
                              tone="note"))
    return tuple(lines)


def _recurs(facts: Facts) -> tuple[Sentence, ...]:
    w = facts.words
    figures = facts.book.figures
    now = facts.now.count
    rehits = figures["V3"]
    if not now:
        return (Sentence(w("summary.none_to_tell"), tone="key"),)
    firm = now - figures["V5"].value
    if not firm:
        return (Sentence(w("summary.no_firm_place"), ("V5",), "key"), *_top_share(facts))
    unsure = figures["V4"]
    if unsure.value and not rehits.value:
        lines = [Sentence(w("summary.uncertain", n=int(unsure.value), count=unsure.shown),
                          ("V4",), "key")]
    elif not rehits.value:
        lines = [Sentence(w("summary.no_rehits"), ("V3",), "key")]
    else:
        lines = [Sentence(w("summary.rehits", n=int(rehits.value), count=rehits.shown,
                            share=w.share(rehits.value / firm)),
                          ("V3",), "key")]
    lines += _top_share(facts)
    if "A3" in figures and facts.inputs.threshold_per_year is not None:
        key = "summary.over" if figures["A3"].value else "summary.over_none"
        lines.append(Sentence(w(key, n=int(figures["A3"].value),
                                count=figures["A3"].shown,
                                threshold=w.given(facts.inputs.threshold_per_year),
                                sure=w.share(facts.number("sure_chance"))), ("A3",)))
    return tuple(lines)


def _top_share(facts: Facts) -> list[Sentence]:
    figure = facts.book.figures.get("A2")
    if figure is None:
        return []
    repeats = facts.inputs.given("repeats")
    assert repeats is not None
    walls = int(repeats["place_kind"].ne("street").sum())
    what = "places" if walls else "streets"
    return [Sentence(facts.words(f"summary.top_share_{what}", share=figure.shown,
                                 n=min(int(facts.number("top_places")), walls or len(repeats))),
                     ("A2",))]


def _advice(facts: Facts) -> tuple[Sentence, ...]:
    w = facts.words
    figures = facts.book.figures
    lines = []
    if "P1" in figures:
        best = facts.inputs.programme
        assert best is not None
        last = int(starting_year(best).max())
        spread = w("summary.spread", years=w.whole(last)) if last > 1 else ""
        lines.append(Sentence(w("summary.programme", n=int(figures["P1"].value), spread=spread,
                                count=figures["P1"].shown, cost=figures["P2"].shown),
                              ("P1", "P2"), "key"))
        soon = best[starting_year(best) == starting_year(best).min()]
        first = soon.sort_values(["saving_per_year", "place_id"], ascending=[False, True]).head(3)
        lines.append(Sentence(w("summary.start_with", n=len(first), places=", ".join(
            facts.named(place) for place in first["place_id"].astype(str)))))
    if "M1" in figures:
        top = leading_method(facts)
        lines.append(Sentence(
            w("summary.inspect" if top == "inspect" else "summary.method",
              word=w.code("method", top), share=figures["M1"].shown), ("M1",)))
    if "H6" in figures and figures["H6"].value:
        lines.append(Sentence(w("summary.look", n=int(figures["H6"].value),
                                count=figures["H6"].shown), ("H6",)))
    return tuple(lines) or (Sentence(w("summary.no_advice"), tone="key"),)


def _saving(facts: Facts) -> tuple[Sentence, ...]:
    figures = facts.book.figures
    if "P3" not in figures:
        return (Sentence(facts.words("summary.no_saving"), tone="key"),)
    saving = figures["P3"]
    key = "summary.saving" if saving.value > 0 else "summary.no_gain"
    return (Sentence(facts.words(key, saving=saving.shown, price_year=facts.inputs.price_year),
                     ("P3",), "key"),)
