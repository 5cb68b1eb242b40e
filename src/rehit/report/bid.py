"""The bid on two pages: the prices and the risk; what was assumed, left out, and to be minded."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
from xlsxwriter.utility import xl_rowcol_to_cell
from xlsxwriter.workbook import Workbook
from xlsxwriter.worksheet import Worksheet

from rehit.contract.cost import LINES
from rehit.contract.crews import crews_words
from rehit.contract.price import (
    CARRIES,
    FORMS,
    INDEX_LINES,
    Contract,
    expected_indices,
    expected_year,
    index_weights,
    indexed_price,
    points,
    schedule_of_rates,
)
from rehit.contract.volume import DAYS_PER_YEAR, EXCLUSIONS
from rehit.files.safe_text import neutralise_formula
from rehit.report.live_workbook import leave_to_be_calculated, said_source
from rehit.report.pdf import render_pdf, typst_text

# What to write in the tender: the figures each price form is offered by.

OWN = "own bid"
MEANINGS = {
    "lump_sum_per_year": "paid for the first year, adjusted by the indices in later ones",
    "band_top_jobs": "jobs a year that the lump sum holds up to",
    "rate_above_band": "paid for each job above the band, adjusted like the lump sum",
    "markup": "fee over the cost as incurred, deductions not counted as cost",
    "minimum_charge": "least that is paid for a job",
}


def tender_figures(contract: Contract, *, level: float | None = None) -> pd.DataFrame:
    """Return the `contract_offer` table: the figures to write, in the form prices are received in.

    Parameters
    ----------
    level
        Chance with which the wanted margin is kept (default ``contract.price_level``).
    """
    outlook = contract.outlook
    first = float(outlook.bases["lump_sum"][:, 0].mean())
    factor = {form: float(contract.price(form, level)["factor"])
              for form in ("lump_sum", "banded_lump_sum", "cost_plus")}
    rows = [("lump_sum", "lump_sum_per_year", first * factor["lump_sum"], "currency/year"),
            ("banded_lump_sum", "lump_sum_per_year", first * factor["banded_lump_sum"],
             "currency/year"),
            ("banded_lump_sum", "band_top_jobs", outlook.band_top, "jobs/year"),
            ("banded_lump_sum", "rate_above_band",
             outlook.above_rate * factor["banded_lump_sum"], "currency/job"),
            ("cost_plus", "markup", factor["cost_plus"] - 1, "share of cost"),
            *(("schedule_of_rates", str(row["item"]), float(row["asked"]),
               f"currency/{row['unit']}")
              for row in schedule_of_rates(contract, level=level).to_dict("records"))]
    table = pd.DataFrame(rows, columns=["form", "item", "value", "unit"])
    table.insert(0, "tenderer", OWN)
    return table.assign(meaning=table["item"].map(MEANINGS).fillna("paid for each square metre"))


def tender_words(contract: Contract, *, currency: str) -> dict[str, str]:
    """Say for each price form what to write in the tender."""
    table = tender_figures(contract).set_index(["form", "item"])["value"]
    year = "a year" if contract.years == 1 else "in the first year"
    banded = table["banded_lump_sum"]
    return {
        "schedule_of_rates": "The rates and the minimum charge of the schedule overleaf.",
        "lump_sum": f"{currency}{table['lump_sum', 'lump_sum_per_year']:,.0f} {year}.",
        "banded_lump_sum": f"{currency}{banded['lump_sum_per_year']:,.0f} {year} up to "
                           f"{banded['band_top_jobs']:,.0f} jobs, "
                           f"{currency}{banded['rate_above_band']:,.2f} for each job above.",
        "cost_plus": f"A fee of {table['cost_plus', 'markup']:.1%} on the cost as incurred.",
    }


def write_offer(book: BidBook, sheet: Worksheet, row: int) -> int:
    """Write the figures as formulas on the prices above them; return the next free row.

    A figure is its part of the mean price a year, which the simulation gave. The schedule of
    rates has a sheet of its own.
    """
    contract = book.contract
    level = contract.parameters["contract.price_level"]
    figures = tender_figures(contract)
    sheet.write_string(row, 0, f"what to write in the tender at P{points(level)}", book.strong)
    for column, words in enumerate(("price form", "value", "unit", "part of the mean price")):
        sheet.write_string(row + 1, column, words, book.bold)
    row += 2
    for record in figures[figures["form"] != "schedule_of_rates"].to_dict("records"):
        form, item, value = record["form"], str(record["item"]), float(record["value"])
        sheet.write_string(row, 0, str(form).replace("_", " "))
        sheet.write_string(row, 2, record["unit"].replace("currency", book.currency))
        sheet.write_string(row, 4, record["meaning"])
        part = xl_rowcol_to_cell(row, 3)
        if item == "band_top_jobs":
            sheet.write_number(row, 1, value, book.whole)
        elif item == "markup":
            # The factor on cost before margin, as the prices have it.
            sheet.write_number(row, 3, (1 + value) * (1 - contract.margin), book.drawn)
            sheet.write_formula(row, 1, f"={part}/(1-{book.cells['margin']})-1", book.share)
        else:
            price = float(contract.price(str(form))["price_per_year"])
            sheet.write_number(row, 3, value / price, book.drawn)
            sheet.write_formula(row, 1, f"={book.cells[f'price.{form}.{level}']}*{part}",
                                book.money)
        book.keep(f"offer.{form}.{item}", sheet, row, 1)
        row += 1
    return row


# The sheets of the bid workbook that reckon: cost of a year, rates, prices, risk, checks.

HEAD_HEIGHT = 48
LINE_WORDS = {
    "labour": "crews, ordinary hours", "overtime": "crews, overtime", "callouts": "call-outs on "
    "days off", "vehicles": "vehicles and plant", "running": "vehicle running cost",
    "materials": "materials", "water": "wash water capture and disposal",
    "access": "access equipment", "traffic_control": "traffic control",
    "standing": "standing cost", "overhead": "overhead", "penalties": "deductions for late jobs"}


def write_year(book: BidBook) -> None:
    """Write the cost lines of each contract year as formulas at the expected volume."""
    years = book.contract.years
    sheet = book.sheet("Cost of a year", widths=(34, *([18] * (years + 1))))
    sheet.write_string(0, 0, "Cost at the expected volume, in money of the year", book.title)
    sheet.write_string(2, 0, "cost line", book.bold)
    for year in range(1, years + 1):
        sheet.write_string(2, year, f"year {year} ({book.currency})", book.bold)
    c = book.cells
    top = 3
    for number, line in enumerate(INDEX_LINES):
        sheet.write_string(top + number, 0, f"index of {line}")
        for year in range(1, years + 1):
            sheet.write_formula(top + number, year,
                                f"=(1+{c[f'contract.inflation_{line}']})^{year - 1}", book.factor)
    first = top + len(INDEX_LINES) + 1
    formulas = _line_formulas(c)
    rows = {line: first + number for number, line in enumerate(LINES)}
    for line, row in rows.items():
        sheet.write_string(row, 0, LINE_WORDS[line])
        for year in range(1, years + 1):
            follows = LINES[line]
            if line == "overhead":
                above = (f"{xl_rowcol_to_cell(first, year)}:"
                         f"{xl_rowcol_to_cell(row - 1, year)}")
                formula = f"=SUM({above})*{c['contract.overhead_share']}"
            elif follows is None:
                formula = f"={formulas[line]}"
            else:
                index = xl_rowcol_to_cell(top + INDEX_LINES.index(follows), year)
                formula = f"=({formulas[line]})*{index}"
            sheet.write_formula(row, year, formula, book.money)
            book.keep(f"line.{line}.{year}", sheet, row, year)
    total = first + len(LINES)
    sheet.write_string(total, 0, "cost of the year", book.bold)
    for year in range(1, years + 1):
        sheet.write_formula(total, year, f"=SUM({xl_rowcol_to_cell(first, year)}:"
                                         f"{xl_rowcol_to_cell(total - 1, year)})", book.total)
        book.keep(f"year.{year}", sheet, total, year)
    sheet.write_string(total + 1, 0, "mean of the years")
    sheet.write_formula(total + 1, 1, f"=AVERAGE({xl_rowcol_to_cell(total, 1)}:"
                                      f"{xl_rowcol_to_cell(total, years)})", book.money)
    book.keep("mean_year", sheet, total + 1, 1)
    sheet.write_string(total + 3, 0, "Overtime is nothing here if crews suffice at the expected "
                                     "volume; the simulation has years where they do not.")


def mean_expected_year(book: BidBook) -> float:
    """Return the tool's own mean cost a year at the expected volume."""
    contract = book.contract
    return sum(sum(expected_year(contract, year=year).values())
               for year in range(1, contract.years + 1)) / contract.years


def _line_formulas(c: dict[str, str]) -> dict[str, str]:
    hourly, paid = c["costs.labour_per_hour"], f"{c['crews']}*{c['paid_hours']}"
    useful = c["contract.productive_share"]
    return {
        "labour": f"{paid}*{hourly}",
        "overtime": f"MAX(0,{c['crew_minutes']}/60-{paid}*{useful})/{useful}*{hourly}"
                    f"*{c['contract.overtime_multiple']}",
        "callouts": f"{c['callout_minutes']}/60*{hourly}*{c['contract.weekend_multiple']}",
        "vehicles": f"{c['crews']}*{c['contract.vehicle_per_crew']}",
        "running": f"{c['jobs']}*{c['contract.vehicle_per_job']}",
        "materials": c["materials"], "water": c["water"], "access": c["access"],
        "traffic_control": c["traffic_control"], "standing": c["contract.standing_per_year"],
        "penalties": f"{c['offensive']}*{c['late_offensive']}*{c['contract.penalty_offensive']}"
                     f"+({c['jobs']}-{c['offensive']})*{c['late_ordinary']}"
                     f"*{c['contract.penalty_ordinary']}"}


def write_schedule(book: BidBook) -> None:
    """Write the schedule of rates: rate at cost, and rate asked at each level as a formula."""
    sheet = book.sheet("Schedule of rates", widths=(46, 8, 12, 16, 16, 16, 16))
    sheet.write_string(0, 0, "Rates asked: rate at cost × factor", book.title)
    prices = book.contract.prices
    rows = prices[prices["form"] == "schedule_of_rates"]
    titles = ["item", "unit", "jobs in the log", f"at cost ({book.currency})"]
    for column, words in enumerate([*titles, *(f"asked, P{points(v)}" for v in
                                               rows["level"])]):
        sheet.write_string(2, column, words, book.bold)
    expected = mean_expected_year(book)
    sheet.set_row(2, HEAD_HEIGHT)
    sheet.write_string(3, 0, "factor before margin, for each 1,000 of cost a year")
    sheet.write_string(4, 0, "factor")
    for column, record in enumerate(rows.to_dict("records"), start=4):
        plain = record["factor"] * (1 - book.contract.margin) / expected
        sheet.write_number(3, column, plain * 1000, book.drawn)
        sheet.write_formula(4, column, f"={xl_rowcol_to_cell(3, column)}/1000*"
                                       f"{book.cells['mean_year']}/(1-{book.cells['margin']})",
                            book.factor)
    for row, record in enumerate(schedule_of_rates(book.contract).to_dict("records"), start=5):
        sheet.write_string(row, 0, str(record["item"]).replace("_", " "))
        sheet.write_string(row, 1, {"m2": "m²"}.get(record["unit"], record["unit"]))
        sheet.write_number(row, 2, record["n_jobs"], book.whole)
        sheet.write_number(row, 3, record["at_cost"], book.drawn)
        for column in range(4, 4 + len(rows)):
            factor = xl_rowcol_to_cell(4, column, row_abs=True)
            sheet.write_formula(row, column, f"=D{row + 1}*{factor}", book.money)
            book.keep(f"rate.{record['item']}.{column - 4}", sheet, row, column)


def write_prices(book: BidBook, sheet: Worksheet) -> None:
    """Write what to ask in each price form, at each level, as formulas on the simulated points."""
    contract, c = book.contract, book.cells
    sheet.write_string(0, 0, f"Bid: {book.name}", book.title)
    length = "One year" if contract.years == 1 else f"{contract.years} years"
    sheet.write_string(1, 0, f"{length}. A price at P80 keeps the wanted margin in "
                             "80 of 100 simulated contracts. Margin is profit over price; markup "
                             "is profit over cost.")
    titles = ("price form", "level", "mean cost a year",
              "before margin, over cost at expected volume",
              f"mean price a year ({book.currency})", "expected margin", "expected markup",
              "chance of loss", "mean loss a year in the worst cases")
    sheet.set_row(3, HEAD_HEIGHT)
    for column, words in enumerate(titles):
        sheet.write_string(3, column, words, book.bold)
    expected = mean_expected_year(book)
    cost_ratio = float(contract.prices["cost_per_year"].iloc[0]) / expected
    for row, record in enumerate(contract.prices.to_dict("records"), start=4):
        key = f"{record['form']}.{record['level']}"
        sheet.write_string(row, 0, str(record["form"]).replace("_", " "))
        sheet.write_string(row, 1, f"P{points(record['level'])}")
        sheet.write_formula(row, 2, f"={c['mean_year']}*{cost_ratio!r}", book.money)
        sheet.write_number(row, 3, record["price_per_year"] * (1 - contract.margin) / expected,
                           book.drawn)
        at = [xl_rowcol_to_cell(row, column) for column in range(10)]
        sheet.write_formula(row, 4, f"={c['mean_year']}*{at[3]}/(1-{c['margin']})", book.total)
        sheet.write_formula(row, 5, f"=({at[4]}-{at[2]})/{at[4]}", book.share)
        sheet.write_formula(row, 6, f"=({at[4]}-{at[2]})/{at[2]}", book.share)
        sheet.write_number(row, 7, record["chance_of_loss"], book.drawn_share)
        sheet.write_number(row, 8, record["tail_loss_per_year"], book.whole)
        for column, name in ((2, "cost"), (4, "price"), (5, "margin"), (6, "markup")):
            book.keep(f"{name}.{key}", sheet, row, column)
    row = 6 + len(contract.prices)
    _write_indexed(book, sheet, row)
    notes = ("Blue cells (sheet Inputs) are to be changed, and prices follow. Green cells come "
             "from the simulation: after a large change run rehit price again.",
             "Chance of loss and worst cases hold for the inputs of this run. A negative loss is "
             "a profit.")
    for number, words in enumerate(notes):
        sheet.write_string(row + 4 + number, 0, words)
    row = write_offer(book, sheet, row + 5 + len(notes)) + 1
    sheet.write_string(row, 0, "who carries which risk", book.strong)
    for number, (form, words) in enumerate(CARRIES.items(), start=row + 1):
        sheet.write_string(number, 0, form.replace("_", " "))
        sheet.write_string(number, 1, words)


def _write_indexed(book: BidBook, sheet: Worksheet, row: int) -> None:
    contract, c = book.contract, book.cells
    weights = index_weights(dict(contract.outlook.lines))
    sheet.write_string(row, 0, "Price adjustment by year (form of FIDIC 13.8)", book.strong)
    sheet.write_string(row + 2, 0, "multiplier")
    for year in range(1, contract.years + 1):
        parts = "+".join(f"{weights[line]!r}*(1+{c[f'contract.inflation_{line}']})^{year - 1}"
                         for line in INDEX_LINES)
        fixed = c["contract.index_fixed"]
        sheet.write_string(row + 1, year, f"year {year}")
        sheet.write_formula(row + 2, year, f"={fixed}+(1-{fixed})*({parts})", book.factor)
        book.keep(f"index.{year}", sheet, row + 2, year)


def write_risk(book: BidBook) -> None:
    """Write the distribution of the first year's cost and the crews looked at."""
    contract = book.contract
    sheet = book.sheet("Risk", widths=(30, 18, 18, 18, 18, 18, 18, 18))
    sheet.write_string(0, 0, f"Cost of the first year ({book.currency})", book.title)
    for row, (name, value) in enumerate(contract.cost_summary().items(), start=2):
        words = name.upper() if name != "mean" else "mean"
        sheet.write_string(row, 0, words.replace("CTE", "mean of the years above P"))
        sheet.write_number(row, 1, value, book.whole)
    top = 12
    sheet.write_string(top, 0, "Crews against the response standards", book.title)
    titles = ("crews", "time worked", "offensive in time", "others in time", "call-outs",
              "wait (working hours)", "chance of a wait, Erlang C", "wait by Erlang C")
    sheet.set_row(top + 2, HEAD_HEIGHT)
    for column, words in enumerate(titles):
        sheet.write_string(top + 2, column, words, book.bold)
    for row, record in enumerate(contract.crews.to_dict("records"), start=top + 3):
        for column, key in enumerate(("crews", "utilisation", "in_time_offensive",
                                      "in_time_ordinary", "callouts", "wait_hours",
                                      "erlang_waits", "erlang_wait_hours")):
            value = float(record[key])
            if not math.isfinite(value):
                sheet.write_string(row, column, "none flagged" if math.isnan(value)
                                   else "no limit")
            else:
                style = book.drawn_share if column in (1, 2, 3, 4, 6) else book.drawn
                sheet.write_number(row, column, value, style)


def write_checks(book: BidBook) -> None:
    """Write the tool's own figures beside the formulas' and whether they agree to the cent."""
    sheet = book.sheet("Checks", widths=(46, 20, 20, 12))
    sheet.write_string(0, 0, "Checks: this workbook against the tool's own figures", book.title)
    sheet.write_string(1, 0, "They agree as long as no blue cell has been changed.")
    for column, words in enumerate(("figure", "this workbook", "the tool", "agrees")):
        sheet.write_string(3, column, words, book.bold)
    figures = _own_figures(book)
    for row, (words, key, own, digits) in enumerate(figures, start=4):
        sheet.write_string(row, 0, words)
        style = book.money if digits > 0.001 else book.factor
        sheet.write_formula(row, 1, f"={book.cells[key]}", style)
        sheet.write_number(row, 2, own, style)
        sheet.write_formula(row, 3, f'=IF(ABS(B{row + 1}-C{row + 1})<{digits!r},"yes","NO")',
                            book.verdict)
    last = 4 + len(figures)
    sheet.write_string(last + 1, 0, "all agree", book.bold)
    sheet.write_formula(last + 1, 1, f'=IF(COUNTIF(D5:D{last},"yes")={len(figures)},"yes","NO")',
                        book.verdict)
    book.keep("all_agree", sheet, last + 1, 1)


def _own_figures(book: BidBook) -> list[tuple[str, str, float, float]]:
    contract, cent, small = book.contract, 0.005, 5e-7
    figures: list[tuple[str, str, float, float]] = []
    weights = index_weights(dict(contract.outlook.lines))
    expected = expected_indices(years=contract.years, parameters=contract.parameters)
    index = indexed_price(expected, weights=weights,
                          fixed=contract.parameters["contract.index_fixed"])
    for year in range(1, contract.years + 1):
        lines = expected_year(contract, year=year)
        figures += [(f"year {year}: {LINE_WORDS[line]}", f"line.{line}.{year}", lines[line], cent)
                    for line in LINES]
        figures.append((f"year {year}: cost", f"year.{year}", sum(lines.values()), cent))
        figures.append((f"year {year}: price adjustment", f"index.{year}",
                        float(index[year - 1]), small))
    for record in contract.prices.to_dict("records"):
        key = f"{record['form']}.{record['level']}"
        words = f"{str(record['form']).replace('_', ' ')}, P{points(record['level'])}"
        figures.append((f"{words}: price", f"price.{key}", record["price_per_year"], cent))
        figures.append((f"{words}: margin", f"margin.{key}", record["expected_margin"], small))
        figures.append((f"{words}: markup", f"markup.{key}", record["expected_markup"], small))
    offers = tender_figures(contract)
    figures += [(f"tender, {row['form']}: {row['item']}".replace("_", " "),
                 f"offer.{row['form']}.{row['item']}", row["value"],
                 small if row["item"] == "markup" else cent)
                for row in offers[offers["form"] != "schedule_of_rates"].to_dict("records")]
    levels = contract.prices.loc[contract.prices["form"] == "schedule_of_rates", "level"]
    for number, level in enumerate(levels):
        figures += [(f"rate {str(row['item']).replace('_', ' ')}, P{points(level)}",
                     f"rate.{row['item']}.{number}", row["asked"], cent)
                    for row in schedule_of_rates(contract, level=level).to_dict("records")]
    assert set(FORMS) == set(contract.prices["form"])
    return figures


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


# The bid as a workbook: live formulas, inputs coloured apart, a sheet of checks.
#
# Blue cells are inputs to change. Green cells come from rehit's simulation. All other figures are
# formulas: prices follow the cost at the expected volume times a ratio that the simulation gave.

RATES = ("costs.labour_per_hour", "contract.productive_share", "contract.hours_per_day",
         "contract.overtime_multiple", "contract.weekend_multiple", "contract.vehicle_per_crew",
         "contract.vehicle_per_job", "contract.standing_per_year", "contract.overhead_share",
         "contract.penalty_offensive", "contract.penalty_ordinary", "contract.index_fixed",
         "contract.inflation_labour", "contract.inflation_materials", "contract.inflation_plant")
WORK_WORDS = {
    "jobs": "jobs", "offensive": "of these offensive", "crew_minutes": "minutes of crew time",
    "callout_minutes": "minutes of call-out", "materials": "materials", "water": "wash water",
    "access": "access equipment", "traffic_control": "traffic control",
    "rate_value": "worth at the rates at cost"}


@dataclass
class BidBook:
    """A workbook under way, and where each figure stands in it."""

    workbook: Workbook
    contract: Contract
    name: str
    currency: str
    cells: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        add = self.workbook.add_format
        self.title = add({"bold": True, "font_size": 14})
        self.bold = add({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        self.strong = add({"bold": True})
        self.given = add({"font_color": "#1f4e9e", "bg_color": "#e3edfb",
                          "num_format": "#,##0.00##"})
        self.drawn = add({"font_color": "#1d5c3a", "bg_color": "#e4f3ea",
                          "num_format": "#,##0.00##"})
        self.tenths = add({"font_color": "#1d5c3a", "bg_color": "#e4f3ea",
                           "num_format": "#,##0.0"})
        self.whole = add({"font_color": "#1d5c3a", "bg_color": "#e4f3ea", "num_format": "#,##0"})
        self.money = add({"num_format": "#,##0.00"})
        self.total = add({"num_format": "#,##0.00", "bold": True, "top": 1})
        self.drawn_share = add({"font_color": "#1d5c3a", "bg_color": "#e4f3ea",
                                "num_format": "0.0%"})
        self.share = add({"num_format": "0.0%"})
        self.factor = add({"num_format": "0.0000"})
        self.verdict = add({"align": "center"})

    def sheet(self, name: str, *, widths: tuple[int, ...]) -> Worksheet:
        """Add a sheet with columns of these widths."""
        sheet = self.workbook.add_worksheet(name)
        for column, width in enumerate(widths):
            sheet.set_column(column, column, width)
        sheet.hide_gridlines(2)
        sheet.set_landscape()
        sheet.fit_to_pages(1, 0)
        return sheet

    def keep(self, key: str, sheet: Worksheet, row: int, column: int) -> str:
        """Remember where a figure stands; return its absolute address."""
        self.cells[key] = f"'{sheet.get_name()}'!" + xl_rowcol_to_cell(
            row, column, row_abs=True, col_abs=True)
        return self.cells[key]


def safe(value: object) -> str:
    """Return text that cannot run as a formula."""
    return neutralise_formula(str(value))


def write_bid_workbook(path: Path | str, contract: Contract, *, name: str,
                       currency: str) -> Path:
    """Write the bid as an XLSX file.

    Parameters
    ----------
    path
        Where it goes.
    contract
        The contract as priced.
    name
        Of the patch.
    currency
        Sign shown in headings.

    Returns
    -------
    Path
        The file. Its sheet of checks holds the tool's own figures beside the formulas'.
    """
    with Workbook(str(path), {"strings_to_formulas": False, "strings_to_urls": False}) as workbook:
        workbook.set_properties({"title": "Bid"})
        book = BidBook(workbook, contract, safe(name), safe(currency))
        cover = book.sheet("Prices", widths=(24, 12, 17, 17, 15, 12, 12, 12, 17))
        _write_inputs(book)
        _write_work(book)
        write_year(book)
        write_schedule(book)
        write_prices(book, cover)
        write_risk(book)
        _write_terms(book)
        write_checks(book)
        cover.activate()
    leave_to_be_calculated(Path(path))
    return Path(path)


def _write_inputs(book: BidBook) -> None:
    sheet = book.sheet("Inputs", widths=(32, 14, 18, 62, 62))
    sheet.write_string(0, 0, "Inputs", book.title)
    sheet.write_string(1, 0, "Blue: change it. Green: from the simulation.")
    for column, words in enumerate(("name", "value", "unit", "meaning", "source")):
        sheet.write_string(2, column, words, book.bold)
    row = 3
    contract = book.contract
    own = [("margin", contract.margin, "share of price", "wanted profit over price"),
           ("crews", contract.capacity.crews, "crews", "crews provided"),
           ("paid_hours", contract.capacity.paid_hours, "hours/crew/year",
            "working days times paid hours a day")]
    for key, value, unit, meaning in own:
        row = _input(book, sheet, row, key, value, (unit, meaning, "this bid"))
    for name in RATES:
        entry = contract.parameters.row(name)
        row = _input(book, sheet, row, name, entry.value,
                     (entry.unit, entry.meaning, said_source(entry)))
    queue = contract.queue
    for key, value, meaning in (
            ("late_offensive", 1 - queue.in_time_offensive, "offensive markings cleared late"),
            ("late_ordinary", 1 - queue.in_time_ordinary, "other markings cleared late")):
        sheet.write_number(row, 1, value, book.drawn)
        _words(sheet, row, key, ("share", meaning, f"queue of {crews_words(queue.crews)}, "
                                 f"{len(queue.years)} simulated years"))
        book.keep(key, sheet, row, 1)
        row += 1


def _input(book: BidBook, sheet: Worksheet, row: int, key: str, value: float,
           words: tuple[str, str, str]) -> int:
    sheet.write_number(row, 1, value, book.given)
    _words(sheet, row, key, words)
    book.keep(key, sheet, row, 1)
    return row + 1


def _words(sheet: Worksheet, row: int, key: str, words: tuple[str, str, str]) -> None:
    sheet.write_string(row, 0, key.rpartition(".")[2].replace("_", " "))
    for column, text in enumerate(words, start=2):
        sheet.write_string(row, column, safe(text))


def _write_work(book: BidBook) -> None:
    """Write the expected work of a year by class, and its sums as formulas."""
    sheet = book.sheet("Work", widths=(20, 12, 16, 16, 16, 16, 16))
    sheet.write_string(0, 0, "Jobs expected in the first year", book.title)
    table = book.contract.volume_table()
    titles = ("method", "size", "jobs of the log, as they would come now", "jobs expected",
              "10 % point", "90 % point", "of these found by patrol")
    for column, words in enumerate(titles):
        sheet.write_string(2, column, words, book.bold)
    sheet.set_row(2, HEAD_HEIGHT)
    for row, record in enumerate(table.to_dict("records"), start=3):
        sheet.write_string(row, 0, safe(record["method"]).replace("_", " "))
        sheet.write_string(row, 1, safe(record["size_class"]))
        for column, key in enumerate(("n", "expected", "low", "high", "found"), start=2):
            sheet.write_number(row, column, float(record[key]), book.tenths)
    last = 3 + len(table)
    sheet.write_string(last, 0, "all", book.bold)
    sheet.write_formula(last, 3, f"=SUM(D4:D{last})", book.total)
    book.keep("class_jobs", sheet, last, 3)
    top = last + 3
    sheet.write_string(top - 1, 0, "Work of the first year", book.title)
    for column, words in enumerate(("quantity", "", "a job", "a year")):
        sheet.write_string(top, column, words, book.bold)
    work = book.contract.outlook.work
    jobs = float(work["jobs"][:, 0].mean())
    for row, (key, words) in enumerate(WORK_WORDS.items(), start=top + 1):
        sheet.write_string(row, 0, words)
        if key == "jobs":
            sheet.write_formula(row, 3, f"={book.cells['class_jobs']}", book.money)
        else:
            sheet.write_number(row, 2, float(work[key][:, 0].mean()) / jobs, book.drawn)
            sheet.write_formula(row, 3, f"={xl_rowcol_to_cell(row, 2)}*{book.cells['jobs']}",
                                book.money)
        book.keep(key, sheet, row, 3)


def _write_terms(book: BidBook) -> None:
    """Write what is outside the price, with how often the log has it."""
    sheet = book.sheet("Exclusions", widths=(46, 16, 16))
    sheet.write_string(0, 0, "Outside the price: by quotation, case by case", book.title)
    for column, words in enumerate(("what", "in the log", "a year")):
        sheet.write_string(2, column, words, book.bold)
    counts = book.contract.excluded["exclusion"].value_counts()
    span = book.contract.volume.observed_years
    for row, (key, words) in enumerate(EXCLUSIONS.items(), start=3):
        sheet.write_string(row, 0, words)
        sheet.write_number(row, 1, int(counts.get(key, 0)), book.whole)
        sheet.write_formula(row, 2, f"=B{row + 1}/{span!r}", book.money)
    sheet.write_string(4 + len(EXCLUSIONS), 0,
                       f"The log covers {span * DAYS_PER_YEAR:,.0f} days.")
