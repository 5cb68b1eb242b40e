"""The bid as a workbook: live formulas, inputs coloured apart, a sheet of checks.

Blue cells are inputs to change. Green cells come from rehit's simulation. All other figures are
formulas: prices follow the cost at the expected volume times a ratio that the simulation gave.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from xlsxwriter.utility import xl_rowcol_to_cell
from xlsxwriter.workbook import Workbook
from xlsxwriter.worksheet import Worksheet

from rehit.costs.contract import Contract
from rehit.costs.contract_crews import crews_words
from rehit.costs.contract_jobs import EXCLUSIONS
from rehit.costs.contract_sheets import (
    HEAD_HEIGHT,
    write_checks,
    write_prices,
    write_risk,
    write_schedule,
    write_year,
)
from rehit.costs.contract_volume import DAYS_PER_YEAR
from rehit.costs.workbook_file import leave_to_be_calculated, said_source
from rehit.safe_text import neutralise_formula

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
