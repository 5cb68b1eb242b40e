"""Policies held against today's practice: what is said of them, and two pages for a committee."""

from __future__ import annotations

import io
from dataclasses import dataclass

import pandas as pd
from matplotlib.figure import Figure

from rehit.messages import Message, message
from rehit.policy.policies import TODAY
from rehit.report.bid import TEXT_SCALES
from rehit.report.figures import cost_and_days, house_style
from rehit.report.pdf import (
    paper,
    render_pdf,
    typst_bullets,
    typst_table,
    typst_text,
    typst_words,
)
from rehit.report.say import Say

#: Share of the worlds in which a change must have one sign before it is said to be one.
SURE = 0.9
#: Cautions for whoever acts on the pages.
CAUTIONS = ("model", "people", "works")
SHOWN = ("markings", "days_visible_each", "visible_days", "visible_days_offensive",
         "share_in_time", "cost", "cash", "crew_hours", "spare_hours", "litres")
_SHARES = ("share_in_time", "share_in_time_offensive")


@dataclass(frozen=True)
class Tried:
    """What came of trying policies, as tables; see `rehit.policy.answers` for their columns.

    Attributes
    ----------
    years, draws
        Years lived through, worlds drawn.
    by_year, against, frontier, best, unknowns, flips
        The tables.
    measured
        Whether the effect of quick clearance was measured on the log.
    doubts
        What had to be assumed: messages.
    """

    years: int
    draws: int
    by_year: pd.DataFrame
    against: pd.DataFrame
    frontier: pd.DataFrame
    best: pd.DataFrame
    unknowns: pd.DataFrame
    flips: pd.DataFrame
    measured: bool
    doubts: tuple[Message, ...]

    @property
    def policies(self) -> list[str]:
        """Codes of the policies, today's practice first."""
        return list(self.frontier["policy"])

    def a_year(self, policy: str, measure: str) -> tuple[float, float, float]:
        """Return mean and interval of a measure over the years, per year where it adds up."""
        table = self.by_year
        row = table[(table["policy"] == policy) & (table["measure"] == measure)
                    & (table["year"] == 0)].iloc[0]
        share = 1 if measure in (*_SHARES, "days_visible_each", "standing_at_end") else self.years
        return row["average"] / share, row["low"] / share, row["high"] / share

    def change(self, policy: str, measure: str) -> pd.Series:
        """Return what a policy adds to today's, per year where it adds up."""
        row = self.against[(self.against["policy"] == policy)
                           & (self.against["measure"] == measure)].iloc[0].copy()
        if measure not in (*_SHARES, "days_visible_each", "standing_at_end"):
            amounts = ["average", "low", "high"]
            row[amounts] = row[amounts].astype(float) / self.years
        return row


def policy_messages(tried: Tried) -> list[Message]:
    """Return what trying the policies found: today's practice, each policy, the choice."""
    cost, days = tried.a_year(TODAY, "cost"), tried.a_year(TODAY, "visible_days")
    told = [message(
        "policies.today", markings=tried.a_year(TODAY, "markings")[0],
        days=tried.a_year(TODAY, "days_visible_each")[0], standing=days[0],
        in_time=tried.a_year(TODAY, "share_in_time")[0], cost=cost[0], low=cost[1], high=cost[2])]
    told += [_policy_found(tried, policy) for policy in tried.policies[1:]]
    return [*told, *_choice(tried), *_quick_clearance(tried), *_to_measure(tried)]


def _policy_found(tried: Tried, policy: str) -> Message:
    """Return what a policy changes, as far as nearly all worlds agree on it."""
    days, cost = tried.change(policy, "visible_days"), tried.change(policy, "cost")
    facts = {"policy": policy, "days": abs(days["average"]), "days_low": days["low"],
             "days_high": days["high"], "cost": abs(cost["average"]), "cost_low": cost["low"],
             "cost_high": cost["high"]}
    return message(f"policies.{_way(days)}_days_{_way(cost)}_cost", **facts)


def _way(change: pd.Series) -> str:
    if change["sure"] < SURE or not change["average"]:
        return "same"
    return "more" if change["average"] > 0 else "fewer"


def _choice(tried: Tried) -> list[Message]:
    told = []
    for worth in tried.best["worth_of_day"].unique():
        rows = tried.best[tried.best["worth_of_day"] == worth]
        chosen = rows[rows["chosen"]].iloc[0]
        code = "policies.best_at_cost" if worth == 0 else "policies.best_at_worth"
        told.append(message(code, worth=float(worth), policy=str(chosen["policy"]),
                            share=float(chosen["best_in"])))
    return told


def _quick_clearance(tried: Tried) -> list[Message]:
    turned = tried.flips.dropna(subset=["flips_at"]).drop_duplicates("policy")
    known = "measured" if tried.measured else "assumed"
    if turned.empty:
        return [message(f"policies.quick_{known}_no_flip")] if len(tried.flips) else []
    return [message(f"policies.quick_{known}_flip", policy=str(row["policy"]),
                    ratio=float(row["flips_at"])) for _, row in turned.iterrows()]


def _to_measure(tried: Tried) -> list[Message]:
    if tried.unknowns.empty or tried.unknowns["worth"].iloc[0] <= 0:
        return [message("policies.measure_nothing")] if len(tried.policies) > 1 else []
    first = tried.unknowns.iloc[0]
    return [message("policies.measure_first", unknown=str(first["unknown"]),
                    worth=float(first["worth"]))]


# Two pages.

def committee_paper(tried: Tried, say: Say, *, name: str) -> bytes:
    """Return the two pages as a PDF.

    Parameters
    ----------
    tried
        What came of the policies.
    say
        Language and money.
    name
        Of the patch.
    """
    head = (f"#show: bid.with(title: {typst_text(say('policies.title', name=name))}, "
            f"language: {typst_text(say.language)}, "
            f"page-word: {typst_text(say('page.page_of'))})")
    told = policy_messages(tried)
    n = len(tried.policies) - 1
    first = [typst_words(say("policies.lead", n=n, years=tried.years, draws=tried.draws)),
             _heading(say, "found"), typst_bullets(say.all(told[:1 + n])),
             _heading(say, "picture"), '#image("cost_days.svg", width: 100%)',
             typst_words(say("fig.trade_note")),
             _heading(say, "choose"), typst_bullets(say.all(told[1 + n:]))]
    second = [_heading(say, "table"), _comparison(tried, say),
              typst_words(say("policies.note_table")),
              _heading(say, "years"), _years(tried, say),
              _heading(say, "assumed"), typst_bullets(say.all(tried.doubts)),
              _heading(say, "cautions"),
              typst_bullets([say(f"policies.caution_{key}") for key in CAUTIONS])]
    return render_pdf("\n".join((paper("bid"), head, "\n\n".join(first), "#pagebreak()",
                                 "\n\n".join(second))),
                      attachments={"cost_days.svg": cost_and_days_svg(tried, say)},
                      scales=TEXT_SCALES)


def cost_and_days_svg(tried: Tried, say: Say) -> bytes:
    """Return the drawing of cost against visible days."""
    with house_style():
        figure = Figure(figsize=(7.2, 3.9), layout="constrained")
        cost_and_days(tried.frontier, years=tried.years, ax=figure.subplots(), say=say,
                      currency=say.currency, titled=False)
        picture = io.BytesIO()
        figure.savefig(picture, format="svg", metadata={"Date": None})
    return picture.getvalue()


def _comparison(tried: Tried, say: Say) -> str:
    """Return the policies side by side: today's values, and what each policy adds a year."""
    others = tried.policies[1:]
    cells = [say("policies.col_measure"), say.code("policy", TODAY),
             *(say.code("policy", policy) for policy in others)]
    for measure in SHOWN:
        cells += [say(f"policies.row_{measure}", currency=say.currency),
                  _value(say, measure, tried.a_year(TODAY, measure)[0])]
        cells += [_added(say, measure, tried.change(policy, measure)) for policy in others]
    columns = ", ".join(["2fr", *["1fr"] * (len(others) + 1)])
    align = ", ".join(["left", *["right"] * (len(others) + 1)])
    return typst_table(f"({columns})", f"({align})", cells, len(others) + 2)


def _value(say: Say, measure: str, value: float) -> str:
    if measure in _SHARES:
        return say.share(value)
    return say.decimal(value, 1) if measure == "days_visible_each" else say.whole(value)


def _added(say: Say, measure: str, change: pd.Series) -> str:
    """Write a change with its sign; one on whose sign the worlds do not agree stands in brackets.
    """
    value = float(change["average"])
    if measure in _SHARES:
        text = say("policies.points", points=value * 100)
    else:
        text = say.written(value, "signed1" if measure == "days_visible_each" else "signed")
    return text if change["sure"] >= SURE else f"({text})"


def _years(tried: Tried, say: Say) -> str:
    """Return cost of each policy by year."""
    cells = [say("policies.col_cost", currency=say.currency),
             *(say("policies.col_year", year=year + 1) for year in range(tried.years))]
    header = len(cells)
    table = tried.by_year[tried.by_year["measure"] == "cost"]
    for policy in tried.policies:
        own = table[table["policy"] == policy]
        cells += [say.code("policy", policy), *(
            say.whole(value) for value in own["average"].to_numpy(float)[-tried.years:])]
    widths = ", ".join(["2fr", *["1fr"] * tried.years])
    return typst_table(f"({widths})", f"({', '.join(['left', *['right'] * tried.years])})",
                  cells, header)


def _heading(say: Say, key: str) -> str:
    return f"#heading(level: 2, {typst_text(say(f'policies.head_{key}'))})"

