"""The sheets of the bid workbook that reckon: cost of a year, rates, prices, risk, checks."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from xlsxwriter.utility import xl_rowcol_to_cell
from xlsxwriter.worksheet import Worksheet

from rehit.costs.contract import expected_year, index_weights
from rehit.costs.contract_cost import LINES
from rehit.costs.contract_index import LINES as INDEX_LINES
from rehit.costs.contract_index import expected_indices, indexed_price
from rehit.costs.contract_offer import tender_figures, write_offer
from rehit.costs.contract_price import CARRIES, FORMS, points
from rehit.costs.contract_rates import schedule_of_rates

if TYPE_CHECKING:
    from rehit.costs.contract_workbook import BidBook

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
