"""The bid on two pages: the prices and the risk; what was assumed, left out, and to be minded."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from rehit.costs.contract import Contract, expected_year
from rehit.costs.contract_crews import crews_words
from rehit.costs.contract_jobs import EXCLUSIONS
from rehit.costs.contract_offer import tender_words
from rehit.costs.contract_price import CARRIES, FORMS, points
from rehit.costs.contract_rates import schedule_of_rates
from rehit.costs.contract_sheets import LINE_WORDS
from rehit.costs.contract_volume import DAYS_PER_YEAR
from rehit.pdf import render_pdf, typst_text

CAUTIONS = (
    "Solvents, removers and paints: follow the maker's safety data sheet; gloves, eye protection, "
    "ventilation; no ignition near solvents.",
    "Hot water under pressure scalds and cuts: trained operators, screens, nobody in the line of "
    "the jet. Too much pressure or heat damages masonry: try it out on a hidden spot.",
    "Wash water carries paint and remover: capture it, keep it out of drains and watercourses, "
    "dispose of it as the local authority asks.",
    "Old paint may hold lead; dry blasting and grinding of masonry frees silica dust: test and "
    "assess before work that raises dust.",
    "Ladders, platforms, traffic and electrical cabinets: only with the training, permits and "
    "traffic management plans that local rules ask for.",
    "Coated or listed surfaces: only with the owner's and, where it applies, the heritage "
    "authority's consent.",
)
_BARS = 31
_TALL_MM = 22
_LEVEL = "contract.price_level"
_BURSTS = 1.05
_FULL_YEAR = 0.95  # a log that lacks a few days knows its seasons
_FILL, _LOSS = 'rgb("#5b7fa6")', 'rgb("#c0562f")'
_PAGE = """#set document(title: {title})
#set page(paper: "a4", margin: (x: 18mm, y: 15mm), numbering: "1 / 1")
#set text(font: "DejaVu Sans", size: 8.5pt, lang: "en")
#set par(leading: 0.55em)
#show heading.where(level: 1): set text(size: 15pt)
#show heading.where(level: 2): set text(size: 10.5pt)
#set table(stroke: none, inset: (x: 4pt, y: 3pt), fill: (_, y) => if y == 0 {{ luma(235) }})
"""


def bid_summary(contract: Contract, sensitivity: pd.DataFrame, *, name: str,
                currency: str, limits: Sequence[str] = ()) -> bytes:
    """Return the two-page summary of a bid as a PDF.

    Parameters
    ----------
    contract
        The contract as priced.
    sensitivity
        `contract_sensitivity`.
    name, currency
        Of the patch; sign of the money.
    limits
        Sentences on what the log cannot tell, shown with the assumptions.
    """
    head = _PAGE.format(title=typst_text(f"Bid: {name}"))
    return render_pdf(head + _first_page(contract, sensitivity, name, currency) + "\n#pagebreak()\n"
                      + _second_page(contract, currency, limits))


def _first_page(contract: Contract, sensitivity: pd.DataFrame, name: str, money: str) -> str:
    offer, cost = contract.price("lump_sum"), contract.cost_summary()
    level = points(contract.parameters["contract.price_level"])
    lead = (f"To earn a margin of {contract.margin:.0%} of the price in {level} of 100 simulated "
            f"contracts, ask {money}{offer['price_per_year']:,.0f} a year as a lump sum (before "
            f"tax, {_years(contract.years)}). The expected cost is {money}"
            f"{offer['cost_per_year']:,.0f} a year; the chance of a loss at this price is "
            f"{_chance(offer['chance_of_loss'])}.")
    tail = contract.parameters["contract.tail_level"]
    worst = f"the worst {points(1 - tail)} of 100"
    jobs = contract.outlook.work["jobs"][:, 0]
    low, high = np.quantile(jobs, [0.1, 0.9])
    spread = (f"Jobs in the first year: {jobs.mean():,.0f} expected, {low:,.0f} to {high:,.0f} in "
              f"80 of 100 cases. Cost: {money}{cost['p10']:,.0f} to {money}{cost['p90']:,.0f}; "
              f"{money}{cost[f'cte{points(tail)}']:,.0f} on average in {worst}.")
    return "\n".join([
        f"#heading(level: 1, {typst_text('Bid: ' + name)})", _text(lead), "", _text(spread),
        "== Price by form", _price_table(contract, money),
        _text("Prices a year. P50, P80, P90: the wanted margin is kept in so many of 100 simulated "
              "contracts. Margin is profit over price, markup is profit over cost. Worst cases: "
              f"mean result a year in {worst} contracts."),
        _carries(contract, money),
        "== What the first year may cost", _histogram(contract, money),
        "== Crews against the response standards", _crew_table(contract),
        "== Which assumption moves the lump sum", _tornado(sensitivity, money)])


def _second_page(contract: Contract, money: str, limits: Sequence[str]) -> str:
    return "\n".join([
        "#grid(columns: (1fr, 1fr), gutter: 8mm, [", "== Expected cost of the first year",
        _cost_table(contract, money), "], [", "== Schedule of rates asked",
        _rate_table(contract, money), "])",
        "== Assumptions", _bullets([*assumptions(contract), *limits]),
        "== Outside the price", _bullets(exclusions(contract)),
        "== Cautions", _bullets(CAUTIONS)])


def assumptions(contract: Contract) -> list[str]:
    """Say in words what the price rests on."""
    v, p = contract.volume, contract.parameters
    return [
        f"Volume: {v.per_year:,.0f} jobs a year in a log of {v.observed_years:.1f} years, those "
        f"outside the price not counted{_changed(contract)}; trend {v.trend:+.1%} a year "
        f"(standard error {v.trend_sd:.1%}); " + (
            f"bursts make counts vary {v.dispersion:.1f} times as much as chance alone."
            if v.dispersion >= _BURSTS else "counts vary as much as chance alone has it."),
        *short_log(contract),
        f"Own patrols find {p['contract.found_low']:.0%} to {p['contract.found_high']:.0%} more "
        f"than is reported (most likely {p['contract.found_likely']:.0%}), at "
        f"{p['contract.found_area_ratio']:.0%} of the area.",
        f"{crews_words(contract.capacity.crews)}, {contract.capacity.paid_hours:,.0f} paid hours "
        f"a crew, at {p['costs.labour_per_hour']:,.2f} a crew hour, "
        f"{p['contract.productive_share']:.0%} of it at work or driving; "
        f"{p['contract.travel_minutes']:.0f} minutes of driving to each job.",
        "Crews work Monday to Friday, "
        + (f"public holidays ({contract.region}) excepted." if contract.region else
           "public holidays too: the project names no country for them."),
        f"Standards: offensive within {p['service.offensive_hours']:g} hours, others within "
        f"{p['service.ordinary_working_days']:g} working days, for "
        f"{p['contract.standard_share']:.0%} of jobs; deductions "
        f"{p['contract.penalty_offensive']:,.0f} and {p['contract.penalty_ordinary']:,.0f} a late "
        "job. " + ("Offensive markings are cleared by call-out on days off."
                   if p["contract.weekend_cover"] else "Nobody works on days off."),
        f"Own unit costs are right within {p['contract.estimate_accuracy']:.0%} at "
        f"{p['contract.estimate_confidence']:.0%} confidence; overhead "
        f"{p['contract.overhead_share']:.0%} of cost.",
        *([f"Price adjusted each year by a formula with {p['contract.index_fixed']:.0%} fixed, the "
           "rest by published indices of pay, materials and plant."] if contract.years > 1 else []),
        "Tax is not in any figure. Rates marked as assumptions in the workbook are to be replaced "
        "by the contractor's own.",
    ]


def _changed(contract: Contract) -> str:
    """Say it where jobs at places changed since do not count as the log has them."""
    counted, held = contract.volume.classes["n"].sum(), len(contract.jobs)
    return "" if round(counted) == held else (
        f" and those at places changed since as they would come now ({counted:,.0f} of {held:,})")


def short_log(contract: Contract) -> list[str]:
    """Say it where the log is too short to know the season."""
    span = contract.volume.observed_years
    if span >= _FULL_YEAR:
        return []
    return [f"The log covers {span * DAYS_PER_YEAR:,.0f} days, less than a year: what the other "
            "seasons bring is not known, and the year is priced as if it went on like this."]


def exclusions(contract: Contract) -> list[str]:
    """Say what is outside the price, and how often the log has it."""
    counts = contract.excluded["exclusion"].value_counts()
    span = contract.volume.observed_years
    named = [f"{words[0].upper()}{words[1:]}: by quotation ({counts.get(key, 0) / span:,.0f} a "
             "year in the log)." for key, words in EXCLUSIONS.items()]
    return [*named, "Coatings, repainting of whole walls, repair of damage under the marking, "
                    "work inside buildings and beyond the access equipment named: by quotation."]


def _text(words: str) -> str:
    return f"#{typst_text(words)}"


def _bullets(lines: tuple[str, ...] | list[str]) -> str:
    return "\n".join(f"- {_text(line)}" for line in lines)


def _table(columns: str, align: str, cells: list[str], header: int) -> str:
    head = ", ".join(f"[*{_text(c)}*]" for c in cells[:header])
    body = ", ".join(f"[{_text(c)}]" for c in cells[header:])
    return f"#table(columns: {columns}, align: {align}, table.header({head}), {body})"


def _price_table(contract: Contract, money: str) -> str:
    prices = contract.prices
    levels = sorted(prices["level"].unique())
    offered = contract.parameters["contract.price_level"]
    at = points(offered)
    header = ["form", *(f"P{points(level)}, {money}" for level in levels),
              f"margin, P{at}", f"loss chance, P{at}", f"worst cases, P{at}"]
    cells = list(header)
    for form in FORMS:
        row = contract.price(form)
        cells += [form.replace("_", " "),
                  *(f"{contract.price(form, level)['price_per_year']:,.0f}" for level in levels),
                  f"{row['expected_margin']:.1%}", _chance(row["chance_of_loss"]),
                  f"{-row['tail_loss_per_year']:+,.0f}"]
    widths = ", ".join(["auto", *["1fr"] * (len(levels) + 3)])
    align = ", ".join(["left", *["right"] * (len(levels) + 3)])
    return _table(f"({widths})", f"({align})", cells, len(header))


def _carries(contract: Contract, money: str) -> str:
    said = tender_words(contract, currency=money)
    cells = ["form", f"to write in the tender, P{points(contract.parameters[_LEVEL])}",
             "who carries which risk"]
    for form in FORMS:
        cells += [form.replace("_", " "), said[form], CARRIES[form]]
    return _table("(auto, 1fr, 1.3fr)", "(left, left, left)", cells, 3)


def _crew_table(contract: Contract) -> str:
    header = ["crews", "time worked", "offensive in time", "others in time", "by call-out",
              "mean wait (working h)", "chance of a wait, Erlang C"]
    cells = list(header)
    for row in _near(contract).to_dict("records"):
        cells += [f"{row['crews']:g}", f"{row['utilisation']:.0%}",
                  _share(row["in_time_offensive"]), f"{row['in_time_ordinary']:.1%}",
                  f"{row['callouts']:.1%}", f"{row['wait_hours']:.1f}",
                  f"{row['erlang_waits']:.0%}"]
    return _table("7", "right", cells, len(header))


def _near(contract: Contract) -> pd.DataFrame:
    """Return the numbers of crews looked at next to the one chosen, at most five."""
    chosen = int((contract.crews["crews"] == contract.queue.crews).to_numpy().argmax())
    first = max(0, min(chosen - 3, len(contract.crews) - 5))
    return contract.crews.iloc[first:first + 5]


def _cost_table(contract: Contract, money: str) -> str:
    lines = expected_year(contract)
    cells = ["cost line", f"{money} a year"]
    for line, value in lines.items():
        cells += [LINE_WORDS[line], f"{value:,.0f}"]
    cells += ["at the expected volume", f"{sum(lines.values()):,.0f}"]
    return _table("(1fr, auto)", "(left, right)", cells, 2)


def _rate_table(contract: Contract, money: str) -> str:
    cells = ["item", "for each", f"{money}"]
    for row in schedule_of_rates(contract).to_dict("records"):
        unit = {"m2": "m²"}.get(str(row["unit"]), str(row["unit"]))
        cells += [str(row["item"]).replace("_", " "), unit, f"{row['asked']:,.2f}"]
    return _table("(1fr, auto, auto)", "(left, left, right)", cells, 3)


def _histogram(contract: Contract, money: str) -> str:
    """Draw the simulated costs as bars, with the lump sum asked as a line."""
    cost = contract.outlook.cost[:, 0]
    price = float(contract.price("lump_sum")["factor"]
                  * contract.outlook.bases["lump_sum"][:, 0].mean())
    low, high = np.quantile(cost, [0.001, 0.999])
    low, high = min(low, price), max(high, price) * 1.02
    counts, edges = np.histogram(cost, bins=_BARS, range=(low, high))
    heights = _TALL_MM * counts / max(counts.max(), 1)
    bars = ", ".join(
        f"align(bottom, box(width: 100%, height: {height:.2f}mm, "
        f"fill: {_LOSS if edge >= price else _FILL}))"
        for height, edge in zip(heights, edges[:-1], strict=True))
    at = 100 * (price - low) / (high - low)
    words = f"dashed: the lump sum asked in the first year, {money}{price:,.0f}"
    return (f"#block(width: 100%, height: {_TALL_MM + 2}mm)["
            f"#place(bottom, grid(columns: (1fr,) * {_BARS}, rows: {_TALL_MM}mm, "
            f"column-gutter: 0.4mm, {bars}))"
            f"#place(bottom + left, dx: {at:.2f}%, line(angle: -90deg, length: {_TALL_MM}mm, "
            'stroke: (paint: black, dash: "dashed", thickness: 0.7pt)))]\n'
            f"#grid(columns: (1fr, 3fr, 1fr), align: (left, center, right), "
            f"{_cell(f'{money}{low:,.0f}')}, {_cell(words)}, {_cell(f'{money}{high:,.0f}')})")


def _tornado(table: pd.DataFrame, money: str) -> str:
    """Draw how far the price moves with each assumption."""
    shown = table.head(7)
    base, swing = float(table["price"].iloc[0]), float(table["swing"].iloc[0])
    low, high = shown["price_low"] - base, shown["price_high"] - base
    largest = np.maximum(low.abs(), high.abs())
    head = ", ".join(f"[*{_text(cell)}*]" for cell in (
        f"moved by {swing:.0%}", f"lower ({money})", f"higher ({money})", "change of the price"))
    rows = ", ".join(
        f"{_cell(str(name))}, {_cell(f'{down:+,.0f}')}, {_cell(f'{up:+,.0f}')}, "
        f"box(width: {100 * size / max(largest.max(), 1.0):.1f}%, height: 2.4mm, fill: {_FILL})"
        for name, down, up, size in zip(shown["assumption"], low, high, largest, strict=True))
    return ("#table(columns: (auto, auto, auto, 1fr), align: (left, right, right, left), "
            f"table.header({head}), {rows})")


def _cell(words: str) -> str:
    return f"[{_text(words)}]"


def _share(value: float) -> str:
    return "none flagged" if np.isnan(value) else f"{value:.1%}"


def _chance(value: float) -> str:
    return "below 0.1%" if value < 0.001 else f"{value:.1%}"


def _years(years: int) -> str:
    return "one year" if years == 1 else f"{years} years, indexed, mean of the years"
