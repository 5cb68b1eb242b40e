"""One place worked by hand: a spreadsheet with live formulas that an accountant can follow.

Blue cells are what went in. Everything else is a formula, but for what is a chance and not money:
how many renewals are expected, and which share of a cover's life is left at the end (blue too).
Where only cleanings end a life, the sheet works the renewals out again from the beta distribution.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from xlsxwriter.utility import xl_rowcol_to_cell
from xlsxwriter.workbook import Workbook
from xlsxwriter.worksheet import Worksheet

from rehit.costs.expected import renewals_of
from rehit.costs.lifecycle import compare_by_formula
from rehit.costs.pieces import planned_years
from rehit.costs.rates import MEASURE
from rehit.costs.renewals import Renewals
from rehit.costs.strategies import Strategy
from rehit.costs.workbook_file import leave_to_be_calculated
from rehit.costs.worked_inputs import (
    Book,
    life_formula,
    safe,
    write_growth,
    write_inputs,
    write_unit_costs,
)
from rehit.parameters import Parameters, load_parameters
from rehit.wording import counted

COLUMNS = ("year", "cleanings expected", "cleaning cost", "upkeep", "planned repaints",
           "planned repaint cost", "renewals at a cleaning", "cost of these", "renewals by age",
           "cost of these", "credit for unused life", "sum at the prices of the year",
           "present value")


def write_worked_example(path: Path | str, costing: pd.DataFrame, *,
                         strategies: Sequence[Strategy] | Path | str | None = None,
                         horizon_years: int | None = None,
                         parameters: Parameters | None = None) -> Path:
    """Write the first place of a costing table as a workbook with live formulas.

    Parameters
    ----------
    path
        Where the XLSX file goes.
    costing
        The `costing` table; its first row is worked through.
    strategies, horizon_years, parameters
        As for :func:`rehit.costs.lifecycle.compare_by_formula`.

    Returns
    -------
    Path
        The file. Its summary sheet holds rehit's own figures beside the formulas' and says
        whether they agree to the cent.
    """
    parameters = parameters or load_parameters()
    comparison = compare_by_formula(costing.head(1), strategies=strategies,
                                    horizon_years=horizon_years, parameters=parameters)
    with Workbook(str(path), {"strings_to_formulas": False, "strings_to_urls": False}) as workbook:
        workbook.set_properties({"title": "One place worked by hand"})
        book = Book(workbook, comparison, parameters)
        summary = book.sheet("Summary")
        write_inputs(book)
        write_growth(book)
        write_unit_costs(book)
        totals = [_write_years(book, number) for number in range(len(comparison.strategies))]
        _write_summary(book, summary, totals)
    leave_to_be_calculated(Path(path))
    return Path(path)


def sheet_name(strategy: str, number: int) -> str:
    """Return a name a spreadsheet accepts, unique by its number."""
    return f"{number + 1} " + re.sub(r"[^A-Za-z0-9_ -]", "_", strategy)[:26].strip()


def _write_years(book: Book, number: int) -> str:
    """Write one strategy year by year; return the cell of its present value."""
    cells, years = book.cells, book.comparison.timeline.years
    strategy = book.comparison.strategies[number]
    name = sheet_name(strategy.name, number)
    sheet = book.sheet(name)
    sheet.set_column(0, len(COLUMNS), 18)
    for column, title in enumerate(COLUMNS):
        sheet.write_string(0, column, title, book.bold)
    renewals = _renewals(book, number)
    unused = xl_rowcol_to_cell(years + 3, 10)
    first = f"=SUM({cells[f'unit.{strategy.name}.cover']})"
    sheet.write_number(1, 0, 0)
    for column in (11, 12):
        sheet.write_formula(1, column, first, book.money)
    for year in range(1, years + 1):
        _write_year(book, sheet, number, year, renewals, unused)
    sheet.write_string(years + 3, 9, "unused share of life")
    sheet.write_number(years + 3, 10, float(renewals.unused[0]), book.given)
    last = xl_rowcol_to_cell(years + 1, 12)
    sheet.write_string(years + 2, 0, "sum", book.bold)
    sheet.write_formula(years + 2, 12, f"=SUM(M2:{last})", book.money)
    _write_renewal_check(book, number, renewals.by_cleaning[0], name)
    return f"'{name}'!" + xl_rowcol_to_cell(years + 2, 12)


def _renewals(book: Book, number: int) -> Renewals:
    comparison, pieces = book.comparison, book.comparison.pieces[number]
    thinned = comparison.rate_years / max(1 - pieces.effect_on_rate, 1e-12)
    return renewals_of(pieces, shape=comparison.shape, rate_years=thinned,
                       years=comparison.timeline.years)


def _write_year(book: Book, sheet: Worksheet, number: int, year: int, renewals: Renewals,
                unused: str) -> None:
    """Write one year of one strategy: counts in blue, money as formulas."""
    cells, pieces = book.cells, book.comparison.pieces[number]
    strategy, years = pieces.strategy, book.comparison.timeline.years
    row, at = year + 1, _row_cells(year + 1)
    running, end = cells[f"growth.running.{year}"], cells[f"growth.end.{year}"]
    renewed = cells[f"unit.{strategy.name}.{'repaint' if strategy.paints else 'cover'}"]
    pays = pieces.renewing is not None and pieces.renewing.pays_at_reset
    due = planned_years(pieces.planned_every, years)[0, year - 1]
    counts = {0: year, 4: int(due), 6: renewals.by_cleaning[0, year - 1],
              8: renewals.by_age[0, year - 1] if pays else 0.0}
    for column, value in counts.items():
        sheet.write_number(row, column, float(value), book.given if column else None)
    rate = f"{cells['gamma_shape']}/{cells['gamma_rate_years']}"
    sheet.write_formula(row, 1, f"={rate}*(1-{cells[f'{strategy.name}.effect_on_rate']})",
                        book.factor)
    money = {
        2: _times(at[1], cells[f"unit.{strategy.name}.cleaning"], running),
        3: f"={cells[f'{strategy.name}.yearly_cost']}*INDEX({running},{MEASURE + 1})",
        5: _times(at[4], cells["unit.repaint"], end), 7: _times(at[6], renewed, running),
        9: _times(at[8], renewed, end),
        11: f"={at[2]}+{at[3]}+{at[5]}+{at[7]}+{at[9]}+{at[10]}",
        12: f"=({at[2]}+{at[3]}+{at[7]})*{cells[f'discount.running.{year}']}"
            f"+({at[5]}+{at[9]}+{at[10]})*{cells[f'discount.end.{year}']}"}
    if year == years:
        money[10] = f"{_times('-' + unused, renewed, end)}*{cells['residual_share']}"
    for column, formula in money.items():
        sheet.write_formula(row, column, formula, book.money)


def _row_cells(row: int) -> list[str]:
    return [xl_rowcol_to_cell(row, column) for column in range(len(COLUMNS))]


def _times(count: str, unit: str, growth: str) -> str:
    return f"={count}*SUMPRODUCT({unit},{growth})"


def _write_renewal_check(book: Book, number: int, by_cleaning: np.ndarray, name: str) -> None:
    """Work the expected renewals out again where only cleanings end a life.

    The chance that at least m cleanings come in t years is the beta distribution with parameters
    m and shape at t / (t + rate); the expected number of lives of K used up is its sum over
    m = K, 2K, 3K …
    """
    comparison = book.comparison
    pieces, years = comparison.pieces[number], comparison.timeline.years
    renewing = pieces.renewing
    if renewing is None or not by_cleaning.any():
        return
    life = renewing.life
    if life.years < years or 0 < life.reset_every[0] < years:
        return
    sheet = book.workbook.get_worksheet_by_name(name)
    shape, rate = book.cells["gamma_shape"], book.cells["gamma_rate_years"]
    effect = book.cells[f"{comparison.strategies[number].name}.effect_on_rate"]
    terms = int(np.ceil(by_cleaning.sum() * 8 + 30))
    top = years + 5
    sheet.write_string(top, 0, "Renewals checked: chance of at least K, 2K, 3K … cleanings by the "
                               "end of each year, added up", book.bold)
    sheet.write_string(top + 1, 0, "K")
    sheet.write_formula(top + 1, 1, f"={life_formula(book, pieces.strategy)}", book.factor)
    lives = xl_rowcol_to_cell(top + 1, 1, row_abs=True, col_abs=True)
    for year in range(1, years + 1):
        row = top + 2 + year
        sheet.write_number(row, 0, year)
        chances = [f"BETADIST({year}*(1-{effect})/({year}*(1-{effect})+{rate}),"
                   f"{term}*{lives},{shape})" for term in range(1, terms + 1)]
        for column, chance in enumerate(chances, start=3):
            sheet.write_formula(row, column, f"={chance}", book.factor)
        total = f"SUM({xl_rowcol_to_cell(row, 3)}:{xl_rowcol_to_cell(row, 2 + terms)})"
        sheet.write_formula(row, 1, f"={total}", book.factor)
        given = f"SUM(G3:{xl_rowcol_to_cell(year + 1, 6)})"
        sheet.write_formula(row, 2, f'=IF(ABS({xl_rowcol_to_cell(row, 1)}-{given})<0.00001,'
                                    '"agrees","differs")')


def _write_summary(book: Book, sheet: object, totals: list[str]) -> None:
    comparison = book.comparison
    sheet.set_column(1, 6, 20)  # type: ignore[attr-defined]
    write = sheet.write_string  # type: ignore[attr-defined]
    formula, number = sheet.write_formula, sheet.write_number  # type: ignore[attr-defined]
    write(0, 0, "Place " + safe(book.place["place_id"]) + ": cost over "
          f"{counted(comparison.timeline.years, 'year')}", book.bold)
    titles = ("strategy", "present value", "equal sum a year", "saved against the first",
              "rehit's own figure", "agrees to the cent", "may be used here")
    for column, title in enumerate(titles):
        write(2, column, title, book.bold)
    d, n = book.cells["discount_rate"], book.cells["horizon"]
    annuity = f"IF({d}=0,{n},(1-(1+{d})^-{n})/{d})"
    for row, (pieces, expected, total) in enumerate(
            zip(comparison.pieces, comparison.expected, totals, strict=True), start=3):
        own = float(expected.present_value[0])
        write(row, 0, safe(pieces.strategy.name))
        write(row, 6, "yes" if pieces.allowed[0] else f"no: {pieces.why_not[0]}")
        formula(row, 1, f"={total}", book.money)
        formula(row, 2, f"=B{row + 1}/{annuity}", book.money)
        formula(row, 3, f"=B4-B{row + 1}", book.money)
        number(row, 4, own, book.given)
        formula(row, 5, f'=IF(ABS(B{row + 1}-E{row + 1})<0.005,"yes","NO")')
    write(len(totals) + 4, 0, (__doc__ or "").split("\n\n", 1)[1].replace("\n", " "), book.wrap)
