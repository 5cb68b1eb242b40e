"""The bid: what there is to say about a priced contract, and its two pages as a PDF.

The first page holds the prices and the risk, the second what was assumed, left out and is to be
minded. The workbook stands in :mod:`rehit.report.bid_workbook`.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from rehit.contract.price import (
    FORMS,
    Contract,
    expected_year,
    points,
    schedule_of_rates,
    tender_figures,
)
from rehit.contract.volume import DAYS_PER_YEAR, EXCLUSIONS, SIZES
from rehit.messages import Message, message
from rehit.report.pdf import (
    paper,
    render_pdf,
    typst_bullets,
    typst_cell,
    typst_table,
    typst_text,
    typst_words,
)
from rehit.report.say import Say

CAUTIONS = ("solvents", "hot_water", "wash_water", "dust", "access", "consent")
_FULL_YEAR = 0.95  # a log that lacks a few days knows its seasons
_BURSTS = 1.05
_TORNADO_ROWS = 6
_BARS = 31
#: Sizes of the text to try: the largest with which each of the two parts still fits its page.
TEXT_SCALES = (1.2, 1.16, 1.12, 1.08, 1.04, 1.0)
_TALL_MM = 17
_FILL, _LOSS = "teal", "rust"


def bid_findings(contract: Contract, moved: pd.DataFrame) -> list[Message]:
    """Return what to bid, what it may cost, and what it hangs on.

    Parameters
    ----------
    contract
        The contract as priced.
    moved
        `contract_sensitivity`.
    """
    offer, cost = contract.price("lump_sum"), contract.cost_summary()
    jobs, queue = contract.outlook.work["jobs"][:, 0], contract.queue
    low, high = np.quantile(jobs, [0.1, 0.9])
    asked = {"mean": float(offer["price_per_year"]), "margin": contract.margin,
             "of_100": 100 * contract.level, "loss": float(offer["chance_of_loss"])}
    top = moved[moved["assumption"] != "wanted_margin"].iloc[0]
    excluded = len(contract.excluded) / contract.volume.observed_years
    return [
        message("bid.ask", **asked) if contract.years == 1 else message(
            "bid.ask_years", first=_first_year_sum(contract), years=contract.years, **asked),
        message("bid.first_year", n=round(float(jobs.mean())), low=float(low), high=float(high),
                **{name: cost[name] for name in ("mean", "p10", "p90")}),
        message("bid.kept" if queue.years["offensive"].sum() else "bid.kept_none_offensive",
                crews=crews_message(queue.crews), offensive=queue.in_time_offensive,
                ordinary=queue.in_time_ordinary, callouts=queue.callouts),
        *crews_step(contract),
        message("bid.moved_most", assumption=top["assumption"], swing=float(top["swing"]),
                change=abs(float(top["price_high"] - top["price_low"]) / 2 / float(top["price"]))),
        message("bid.excluded", n=round(excluded)),
        *short_log(contract)]


def _first_year_sum(contract: Contract) -> float:
    figures = tender_figures(contract)
    return float(figures.loc[figures["form"] == "lump_sum", "value"].iloc[0])


def crews_message(crews: float) -> Message:
    """Return a number of crews as it is said.

    Examples
    --------
    >>> Say("en")(crews_message(3)), Say("en")(crews_message(0.25))
    ('3 crews', '0.25 of a crew')
    """
    return message("bid.part_of_crew" if crews < 1 else "bid.crews", n=crews)


def crews_step(contract: Contract) -> list[Message]:
    """Return what one step fewer crews would cost and keep, where there is such a step."""
    table = contract.crews[contract.crews["arrangement"].isin(["whole", "part_time"])]
    chosen = contract.crews[contract.crews["chosen"]].iloc[0]
    fewer = table[~table["chosen"] & (table["persons"] < chosen["persons"])]
    if not len(fewer):
        return []
    less = fewer.loc[fewer["persons"].idxmax()]
    return [message(
        "bid.step_overtime" if chosen["arrangement"] == "overtime" else "bid.step",
        fewer=crews_message(float(less["crews"])), fewer_price=float(less["lump_sum"]),
        fewer_in_time=_in_time(less), crews=crews_message(float(chosen["crews"])),
        price=float(chosen["lump_sum"]), in_time=_in_time(chosen),
        worked=float(chosen["utilisation"]), overtime=float(chosen["overtime_hours"]))]


def steps_message(steps: pd.DataFrame) -> Message:
    """Return how the bid's first year follows from what the comparison expects.

    Parameters
    ----------
    steps
        `contract_steps`.
    """
    money, jobs = (steps.set_index("step")[column] for column in ("money", "jobs"))
    start = ["known", "new", "unplaced"]
    return message("bid.steps", expected=float(jobs[start].sum()),
                   compared=float(money[start].sum()),
                   jobs=float(jobs["first_year"]), direct=float(
                       money["first_year"] + money["otherwise"]), price=float(money["lump_sum"]))


def _in_time(option: pd.Series) -> float:
    """Return the share in time of the kind of jobs that keeps its standard less often."""
    return float(option[["in_time_offensive", "in_time_ordinary"]].astype(float).min())


def short_log(contract: Contract) -> list[Message]:
    """Return a message where the log is too short to know the season."""
    span = contract.volume.observed_years
    return [] if span >= _FULL_YEAR else [message("bid.short_log", n=round(span * DAYS_PER_YEAR))]


def assumptions(contract: Contract) -> list[Message]:
    """Return what the price rests on."""
    numbers = contract.parameters

    def fact(*names: str) -> dict[str, float]:
        return {name.partition(".")[2]: numbers[name] for name in names}

    return [
        *_volume_assumptions(contract),
        *short_log(contract),
        message("bid.assume_found", **fact("contract.found_low", "contract.found_likely",
                                           "contract.found_high", "contract.found_area_ratio")),
        message("bid.assume_crews", crews=crews_message(contract.queue.crews),
                persons=contract.queue.team.persons, paid_hours=contract.capacity.paid_hours,
                **fact("costs.labour_per_hour", "contract.productive_share",
                       "contract.travel_minutes")),
        message("bid.assume_holidays", region=contract.region) if contract.region else
        message("bid.assume_no_holidays"),
        message("bid.assume_standards", **fact(
            "service.offensive_hours", "service.ordinary_working_days", "contract.standard_share",
            "contract.penalty_offensive", "contract.penalty_ordinary")),
        message("bid.assume_weekend_cover" if numbers["contract.weekend_cover"]
                else "bid.assume_no_weekend_cover"),
        message("bid.assume_estimate", **fact("contract.estimate_accuracy",
                                              "contract.estimate_confidence",
                                              "contract.overhead_share")),
        message("bid.assume_off", **fact("contract.supervision_share", "contract.insurance_share",
                                         "contract.bond_share", "contract.bond_rate")),
        *([message("bid.assume_index", **fact("contract.index_fixed"))]
          if contract.years > 1 else []),
        message("bid.assume_tax", **fact("contract.vat_share"))]


def _volume_assumptions(contract: Contract) -> list[Message]:
    volume, held = contract.volume, len(contract.jobs)
    counted = float(volume.classes["n"].sum())
    facts = {"n": round(volume.per_year), "years": volume.observed_years, "trend": volume.trend,
             "trend_sd": volume.trend_sd}
    told = message("bid.assume_volume", **facts) if round(counted) == held else message(
        "bid.assume_volume_changed", counted=counted, held=held, **facts)
    return [told, message("bid.assume_bursts", dispersion=volume.dispersion)
            if volume.dispersion >= _BURSTS else message("bid.assume_no_bursts")]


def exclusions(contract: Contract) -> list[Message]:
    """Return what is outside the price, and how often the log has it."""
    counts = contract.excluded["exclusion"].value_counts()
    span = contract.volume.observed_years
    return [*(message(f"bid.outside_{key}", per_year=float(counts.get(key, 0)) / span)
              for key in EXCLUSIONS), message("bid.outside_other")]


def tender_messages(contract: Contract) -> dict[str, Message]:
    """Return for each price form what to write in the tender."""
    value = tender_figures(contract).set_index(["form", "item"])["value"]
    year = "" if contract.years == 1 else "_first_year"
    banded = value["banded_lump_sum"]
    return {
        "schedule_of_rates": message("bid.tender_schedule"),
        "lump_sum": message(f"bid.tender_lump_sum{year}",
                            value=float(value["lump_sum", "lump_sum_per_year"])),
        "banded_lump_sum": message(
            f"bid.tender_banded{year}", value=float(banded["lump_sum_per_year"]),
            top=float(banded["band_top_jobs"]), above=float(banded["rate_above_band"])),
        "cost_plus": message("bid.tender_cost_plus", markup=float(value["cost_plus", "markup"])),
    }


def bid_summary(contract: Contract, moved: pd.DataFrame, say: Say, *, name: str,
                limits: Sequence[str] = ()) -> bytes:
    """Return the two-page summary of a bid as a PDF.

    Parameters
    ----------
    contract
        The contract as priced.
    moved
        `contract_sensitivity`.
    say
        Language and money.
    name
        Of the patch.
    limits
        Sentences on what the log cannot tell, shown with the assumptions.
    """
    pages = _Pages(contract, say)
    head = (f"#show: bid.with(title: {typst_text(say('bid.title', name=name))}, "
            f"language: {typst_text(say.language)}, "
            f"page-word: {typst_text(say('page.page_of'))})")
    return render_pdf("\n".join((paper("bid"), head, pages.first(moved),
                                 "#pagebreak()", pages.second(limits))), scales=TEXT_SCALES)


class _Pages:
    """Writes a contract's pages as typst markup; all text as quoted strings."""

    def __init__(self, contract: Contract, say: Say) -> None:
        self.contract, self.say = contract, say
        self.point = points(contract.level)

    def first(self, moved: pd.DataFrame) -> str:
        """The prices and the risk."""
        say, contract = self.say, self.contract
        offer, cost = contract.price("lump_sum"), contract.cost_summary()
        tail = contract.parameters["contract.tail_level"]
        jobs = contract.outlook.work["jobs"][:, 0]
        low, high = np.quantile(jobs, [0.1, 0.9])
        worst = 100 * (1 - tail)
        lead = say("bid.lead" if contract.years == 1 else "bid.lead_years", margin=contract.margin,
                   of_100=100 * contract.level, price=float(offer["price_per_year"]),
                   years=contract.years, cost=float(offer["cost_per_year"]),
                   loss=float(offer["chance_of_loss"]))
        spread = say("bid.spread", n=round(float(jobs.mean())), low=float(low), high=float(high),
                     p10=cost["p10"], p90=cost["p90"], tail=cost[f"cte{points(tail)}"],
                     worst=round(worst, 4))
        return "\n".join([
            typst_words(lead), "",
            typst_words(spread),
            self.heading("forms"), self.prices(),
            typst_words(say("bid.note_prices", worst=round(worst, 4))), self.carries(),
            self.heading("histogram"), self.histogram(),
            self.heading("crews"), self.crews(), typst_words(say("bid.note_crews")),
            self.heading("moved"), self.tornado(moved)])

    def second(self, limits: Sequence[str]) -> str:
        """What was assumed, left out and is to be minded."""
        say, contract = self.say, self.contract
        return "\n".join([
            "#set text(size: 7.6pt * scale)", "#grid(columns: (4fr, 5fr), gutter: 8mm, [",
            self.heading("cost"), self.cost(),
            "], [", self.heading("schedule"), self.schedule(), "])",
            self.heading("assumptions"), typst_bullets([*say.all(assumptions(contract)), *limits]),
            self.heading("outside"), typst_bullets(say.all(exclusions(contract))),
            self.heading("cautions"),
            typst_bullets([say(f"bid.caution_{key}") for key in CAUTIONS])])

    def heading(self, key: str) -> str:
        """A heading of the second level."""
        return f"#heading(level: 2, {typst_text(self.say(f'bid.head_{key}'))})"

    def heads(self, *keys: str) -> list[str]:
        """Column heads, with the money and the level offered where they name them."""
        return [self.say(f"bid.col_{key}", currency=self.say.currency, level=self.point)
                for key in keys]

    def prices(self) -> str:
        """Each form's price at each level, with its risk at the level offered."""
        say, levels = self.say, sorted(self.contract.prices["level"].unique())
        cells = self.heads("form")
        cells += [say("bid.col_price", level=points(level), currency=say.currency)
                  for level in levels]
        cells += self.heads("margin", "loss", "worst")
        header = len(cells)
        for form in FORMS:
            row = self.contract.price(form)
            cells += [say.code("price_form", form),
                      *(say.whole(self.contract.price(form, level)["price_per_year"])
                        for level in levels),
                      say.share(row["expected_margin"], 1), say.chance(row["chance_of_loss"], 1),
                      _signed(say, row["tail_profit_per_year"])]
        widths = ", ".join(["auto", *["1fr"] * (header - 1)])
        align = ", ".join(["left", *["right"] * (header - 1)])
        return typst_table(f"({widths})", f"({align})", cells, header)

    def carries(self) -> str:
        """What to write in the tender, and who carries which risk."""
        say, told = self.say, tender_messages(self.contract)
        cells = self.heads("form", "tender", "carries")
        for form in FORMS:
            cells += [say.code("price_form", form), say(told[form]), say(f"carries.{form}")]
        return typst_table("(auto, 1fr, 1.3fr)", "(left, left, left)", cells, 3)

    def crews(self) -> str:
        """Every way to provide crews that was looked at, with its result."""
        say = self.say
        cells = self.heads("arrangement", "crews", "people", "worked", "offensive_in_time",
                           "others_in_time", "overtime", "lump_sum", "loss_chance")
        for row in self.contract.crews.to_dict("records"):
            flagged = not np.isnan(row["in_time_offensive"])
            words = say.code("arrangement", row["arrangement"])
            cells += [say("bid.chosen", what=words) if row["chosen"] else words,
                      say.given(row["crews"]), say.given(row["persons"]),
                      say.share(row["utilisation"]),
                      say.share(row["in_time_offensive"], 1) if flagged
                      else say("bid.none_flagged"),
                      say.share(row["in_time_ordinary"], 1), say.whole(row["overtime_hours"]),
                      say.whole(row["lump_sum"]), say.chance(row["chance_of_loss"], 1)]
        return typst_table("(1.5fr, auto, auto, auto, 1fr, 1fr, auto, 1fr, 1fr)",
                      "(left, right, right, right, right, right, right, right, right)", cells, 9)

    def cost(self) -> str:
        """The cost lines at the expected volume."""
        say, lines = self.say, expected_year(self.contract)
        cells = self.heads("cost_line", "a_year")
        for line, value in lines.items():
            cells += [say.code("bid_line", line), say.whole(value)]
        off = self.contract.off_price
        cells += [say("bid.off_sum"), say.whole(off), say("bid.at_expected_volume"),
                  say.whole(sum(lines.values()) + off)]
        return typst_table("(1fr, auto)", "(left, right)", cells, 2)

    def schedule(self) -> str:
        """What is asked for a visit and besides, and for the area from the ground by size."""
        say, rates = self.say, schedule_of_rates(self.contract)
        cells = [*self.heads("item", "each"), say.currency]
        for row in rates[rates["section"].isin(["job", "once"])].to_dict("records"):
            cells += [schedule_item(say, row), say.code("rate_unit", row["unit"]),
                      say.decimal(float(row["price"]), 2)]
        ground = rates[(rates["section"] == "area") & (rates["access_kind"] == "ground")]
        matrix = ground.set_index(["method", "size_class"])["price"]
        head = [say("bid.col_method_m2", currency=say.currency),
                *(say.code("size_class", size) for size in SIZES)]
        for method in dict.fromkeys(ground["method"]):
            head += [say.code("method", method), *(
                say.decimal(float(matrix.get((method, size), np.nan)), 2) for size in SIZES)]
        return (typst_table("(1fr, auto, auto)", "(left, left, right)", cells, 3) + "\n"
                + typst_table("(1fr, auto, auto, auto)", "(left, right, right, right)", head, 4))

    def histogram(self) -> str:
        """The simulated costs as bars, with the lump sum asked as a line."""
        say, cost = self.say, self.contract.first_year_cost
        price = float(self.contract.price("lump_sum")["factor"]
                      * self.contract.outlook.bases["lump_sum"][:, 0].mean())
        low, high = np.quantile(cost, [0.001, 0.999])
        low, high = min(low, price), max(high, price) * 1.02
        counts, edges = np.histogram(cost, bins=_BARS, range=(low, high))
        heights = _TALL_MM * counts / max(counts.max(), 1)
        bars = ", ".join(
            f"align(bottom, box(width: 100%, height: {height:.2f}mm, "
            f"fill: {_LOSS if edge >= price else _FILL}))"
            for height, edge in zip(heights, edges[:-1], strict=True))
        at = 100 * (price - low) / (high - low)
        words = say("bid.dashed", price=price)
        return (f"#block(width: 100%, height: {_TALL_MM + 2}mm)["
                f"#place(bottom, grid(columns: (1fr,) * {_BARS}, rows: {_TALL_MM}mm, "
                f"column-gutter: 0.4mm, {bars}))"
                f"#place(bottom + left, dx: {at:.2f}%, line(angle: -90deg, length: {_TALL_MM}mm, "
                'stroke: (paint: black, dash: "dashed", thickness: 0.7pt)))]\n'
                "#grid(columns: (1fr, 3fr, 1fr), align: (left, center, right), "
                f"{typst_cell(say.sum(low))}, {typst_cell(words)}, {typst_cell(say.sum(high))})")

    def tornado(self, moved: pd.DataFrame) -> str:
        """How far the price moves with each assumption."""
        say, shown = self.say, moved.head(_TORNADO_ROWS)
        base, swing = float(moved["price"].iloc[0]), float(moved["swing"].iloc[0])
        low, high = shown["price_low"] - base, shown["price_high"] - base
        largest = np.maximum(low.abs(), high.abs())
        head = ", ".join(f"[*{typst_words(cell)}*]" for cell in (
            say("bid.col_moved_by", swing=swing),
            *self.heads("lower", "higher", "change")))
        rows = ", ".join(
            f"{typst_cell(say.code('assumption', name))}, {typst_cell(_signed(say, down))}, "
            f"{typst_cell(_signed(say, up))}, "
            f"box(width: {100 * size / max(largest.max(), 1.0):.1f}%, height: 2.4mm, fill: {_FILL})"
            for name, down, up, size in zip(shown["assumption"], low, high, largest, strict=True))
        return ("#table(columns: (auto, auto, auto, 1fr), align: (left, right, right, left), "
                f"table.header({head}), {rows})")


def schedule_item(say: Say, line: Mapping[Hashable, Any]) -> str:
    """Return the words for a line of the schedule of rates."""
    if line["section"] != "area":
        return say.code("rate_item", line["item"])
    return say(f"bid.area_{line['access_kind']}", method=line["method"], size=line["size_class"])


def _signed(say: Say, value: float) -> str:
    return ("+" if round(value) > 0 else "") + say.whole(value)

