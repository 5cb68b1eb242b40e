"""The bid as a workbook: live formulas, inputs coloured apart, a sheet of checks.

Blue cells are inputs to change. Green cells come from rehit's simulation. All other figures are
formulas: prices follow the cost at the expected volume times a ratio that the simulation gave.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

import pandas as pd
from xlsxwriter.format import Format
from xlsxwriter.utility import xl_rowcol_to_cell
from xlsxwriter.workbook import Workbook
from xlsxwriter.worksheet import Worksheet

from rehit.contract.cost import LINES, service_of
from rehit.contract.price import (
    FORMS,
    INDEX_LINES,
    Contract,
    expected_indices,
    expected_year,
    index_weights,
    indexed_price,
    points,
    schedule_of_rates,
    tender_figures,
)
from rehit.contract.schedule import HIRED, turnover_shares
from rehit.contract.volume import DAYS_PER_YEAR, EXCLUSIONS
from rehit.files.safe_text import neutralise_formula
from rehit.report.bid import crews_message, schedule_item
from rehit.report.live_workbook import (
    STYLES,
    leave_to_be_calculated,
    set_height,
    set_page,
    write_cautions,
)
from rehit.report.say import Say

RATES = ("costs.labour_per_hour", "contract.productive_share", "contract.hours_per_day",
         "contract.overtime_multiple", "contract.weekend_multiple", "contract.leave_cover_share",
         "contract.vehicle_per_crew", "contract.vehicle_per_job", "contract.standing_per_year",
         "contract.mobilisation", "contract.overhead_share", "contract.supervision_share",
         "contract.insurance_share", "contract.bond_share", "contract.bond_rate",
         "contract.penalty_offensive", "contract.penalty_ordinary", "contract.index_fixed",
         "contract.inflation_labour", "contract.inflation_materials", "contract.inflation_plant")
WORK = ("jobs", "offensive", "crew_minutes", "callout_minutes", "materials", "water", "access",
        "traffic_control", "rate_value", "hired_value")
#: Steps from the markings expected to the jobs of the first year.
STEPS_OF_JOBS = ("known", "new", "unplaced", "outside", "changed", "trend", "found")
_CENT, _SMALL = 0.005, 5e-7
_BLUE = {"font_color": "#1f4e9e", "bg_color": "#e3edfb"}
_GREEN = {"font_color": "#1d5c3a", "bg_color": "#e4f3ea"}
_STYLES: dict[str, dict[str, object]] = {
    "title": STYLES["title"], "head": STYLES["head"],
    "strong": {"bold": True},
    "given": {**_BLUE, "num_format": "#,##0.00##"},
    "drawn": {**_GREEN, "num_format": "#,##0.00##"},
    "tenths": {**_GREEN, "num_format": "#,##0.0"},
    "whole": {**_GREEN, "num_format": "#,##0"},
    "drawn_share": {**_GREEN, "num_format": "0.0%"},
    "money": {"num_format": "#,##0.00"},
    "total": {"num_format": "#,##0.00", "bold": True, "top": 1},
    "share": {"num_format": "0.0%"},
    "factor": {"num_format": "0.0000"},
    "verdict": {"align": "center"},
    "text": STYLES["text"], "wrap": STYLES["wrap"],
}


def write_bid_workbook(path: Path | str, contract: Contract, say: Say, *, name: str,
                       steps: pd.DataFrame | None = None, cautions: Sequence[str] = ()) -> Path:
    """Write the bid as an XLSX file.

    Parameters
    ----------
    path
        Where it goes.
    contract
        The contract as priced.
    say
        Language and money.
    name
        Of the patch.
    steps
        `contract_steps`: from the markings expected to the lump sum.
    cautions
        Codes of the cautions that hold for the bid's jobs, written in full.

    Returns
    -------
    Path
        The file. Its sheet of checks holds the tool's own figures beside the formulas'.
    """
    with Workbook(str(path), {"strings_to_formulas": False, "strings_to_urls": False}) as workbook:
        workbook.set_properties({"title": say("bid.workbook_title")})
        book = BidBook(workbook, contract, say, safe(name))
        cover = book.sheet("prices", widths=(26, 12, 17, 17, 17, 12, 12, 12, 17))
        _write_inputs(book)
        _write_work(book)
        _write_year(book)
        _write_schedule(book)
        _write_prices(book, cover)
        if steps is not None:
            _write_steps(book, steps)
        _write_risk(book)
        _write_outside(book)
        if cautions:
            sheet = book.sheet("cautions", widths=())
            book.write(sheet, 0, 0, "sheet_cautions", "title")
            write_cautions(sheet, say, cautions, style=book.styles["wrap"], first=2)
        _write_checks(book)
        cover.activate()
    leave_to_be_calculated(Path(path))
    return Path(path)


@dataclass
class BidBook:
    """A workbook under way, and where each figure stands in it."""

    workbook: Workbook
    contract: Contract
    say: Say
    name: str
    cells: dict[str, str] = field(default_factory=dict)
    widths: dict[str, tuple[int, ...]] = field(default_factory=dict)
    styles: dict[str, Format] = field(init=False)

    def __post_init__(self) -> None:
        self.styles = {key: self.workbook.add_format(how) for key, how in _STYLES.items()}

    def sheet(self, key: str, *, widths: tuple[int, ...]) -> Worksheet:
        """Add a sheet with columns of these widths."""
        sheet = self.workbook.add_worksheet(self.say(f"bid.sheet_{key}"))
        for column, width in enumerate(widths):
            sheet.set_column(column, column, width)
        self.widths[sheet.get_name()] = widths
        sheet.hide_gridlines(2)
        set_page(sheet, width=sum(widths))
        return sheet

    def write(self, sheet: Worksheet, row: int, column: int, key: str, style: str = "",
              **facts: object) -> None:
        """Write one message of the catalogue."""
        facts.setdefault("currency", self.say.currency)
        sheet.write_string(row, column, safe(self.say(f"bid.{key}", **facts)),
                           self.styles.get(style))

    def head(self, sheet: Worksheet, row: int, keys: Iterable[str], **facts: object) -> None:
        """Write a line of column heads; an empty key leaves its column."""
        texts = []
        for column, key in enumerate(keys):
            if key:
                self.write(sheet, row, column, f"col_{key}", "head", **facts)
                texts.append((self.say(f"bid.col_{key}", currency=self.say.currency, **facts),
                              self.widths[sheet.get_name()][column]))
        set_height(sheet, row, texts)

    def number(self, sheet: Worksheet, row: int, column: int, value: float, style: str) -> None:
        """Write a number."""
        sheet.write_number(row, column, float(value), self.styles[style])

    def formula(self, sheet: Worksheet, row: int, column: int, text: str, style: str,
                key: str = "") -> None:
        """Write a formula and remember where it stands."""
        sheet.write_formula(row, column, f"={text}", self.styles[style])
        if key:
            self.keep(key, sheet, row, column)

    def keep(self, key: str, sheet: Worksheet, row: int, column: int) -> None:
        """Remember where a figure stands."""
        self.cells[key] = f"'{sheet.get_name()}'!" + xl_rowcol_to_cell(
            row, column, row_abs=True, col_abs=True)

    def mean_expected_year(self) -> float:
        """Return the tool's own mean cost a year at the expected volume."""
        years = range(1, self.contract.years + 1)
        return sum(sum(expected_year(self.contract, year=year).values())
                   for year in years) / self.contract.years


def safe(value: object) -> str:
    """Return text that cannot run as a formula."""
    return neutralise_formula(str(value))


def _write_inputs(book: BidBook) -> None:
    sheet, contract = book.sheet("inputs", widths=(34, 14, 24, 70, 50)), book.contract
    book.write(sheet, 0, 0, "sheet_inputs", "title")
    book.write(sheet, 1, 0, "note_colours")
    book.head(sheet, 2, ("name", "value", "unit", "meaning", "source"))
    own = {"margin": contract.margin, "crews": contract.queue.team.crews,
           "persons": contract.queue.team.persons, "paid_hours": contract.capacity.paid_hours}
    row = 3
    for key, value in own.items():
        _input(book, sheet, row, key, key, value, book.say("bid.source_bid"))
        row += 1
    for name in RATES:
        entry = contract.parameters.row(name)
        source = book.say("bid.source_own", default=entry.default) if entry.overridden else (
            book.say("bid.source_default"))
        _input(book, sheet, row, name, name.partition(".")[2], entry.value, source,
               meaning=book.say.own(entry.meaning))
        row += 1
    queue = contract.queue
    source = book.say("bid.source_queue", crews=crews_message(queue.crews), n=len(queue.years))
    for key, value in asdict(service_of(queue)).items():
        _input(book, sheet, row, key, key, float(value), source, style="drawn")
        row += 1
    sheet.write_string(row, 0, book.say("bid.off_price"))
    c = book.cells
    book.formula(sheet, row, 1, f"{c['contract.supervision_share']}+{c['contract.insurance_share']}"
                 f"+{c['contract.bond_share']}*{c['contract.bond_rate']}", "factor", "off")


def _input(book: BidBook, sheet: Worksheet, row: int, key: str, code: str, value: float,
           source: str, *, meaning: str = "", style: str = "given") -> None:
    say = book.say
    book.number(sheet, row, 1, value, style)
    for column, words in (
            (0, say(f"input.{code}")), (2, say(f"input_unit.{code}", currency=say.currency)),
            (3, meaning or say(f"input_meaning.{code}")), (4, source)):
        sheet.write_string(row, column, safe(words), book.styles["text"] if column else None)
    book.keep(key, sheet, row, 1)


def _write_work(book: BidBook) -> None:
    """Write the expected work of a year by class, and its sums as formulas."""
    sheet, say = book.sheet("work", widths=(24, 12, 16, 16, 16, 16, 16)), book.say
    book.write(sheet, 0, 0, "title_work", "title")
    table = book.contract.volume_table()
    book.head(sheet, 2, ("method", "size", "n", "expected", "low", "high", "found"))
    for row, record in enumerate(table.to_dict("records"), start=3):
        sheet.write_string(row, 0, safe(say.code("method", record["method"])))
        sheet.write_string(row, 1, safe(say.code("size_class", record["size_class"])))
        for column, key in enumerate(("n", "expected", "low", "high", "found"), start=2):
            book.number(sheet, row, column, record[key], "tenths")
    last = 3 + len(table)
    book.write(sheet, last, 0, "all", "head")
    book.formula(sheet, last, 3, f"SUM(D4:D{last})", "total", "class_jobs")
    top = last + 3
    book.write(sheet, top - 1, 0, "title_year_work", "title")
    book.head(sheet, top, ("quantity", "", "a_job", "per_year"))
    work = book.contract.outlook.work
    jobs = float(work["jobs"][:, 0].mean())
    for row, key in enumerate(WORK, start=top + 1):
        sheet.write_string(row, 0, say.code("work", key))
        if key == "jobs":
            book.formula(sheet, row, 3, book.cells["class_jobs"], "money", key)
        else:
            book.number(sheet, row, 2, float(work[key][:, 0].mean()) / jobs, "drawn")
            book.formula(sheet, row, 3, f"{xl_rowcol_to_cell(row, 2)}*{book.cells['jobs']}",
                         "money", key)


def _write_year(book: BidBook) -> None:
    """Write the cost lines of each contract year as formulas at the expected volume."""
    years, c = range(1, book.contract.years + 1), book.cells
    sheet = book.sheet("year", widths=(38, *([18] * (len(years) + 1))))
    book.write(sheet, 0, 0, "title_year", "title")
    book.write(sheet, 2, 0, "col_cost_line", "head")
    for year in years:
        book.write(sheet, 2, year, "col_year_money", "head", year=year)
    top = 3
    for number, line in enumerate(INDEX_LINES):
        sheet.write_string(top + number, 0, book.say(f"index_line.{line}"))
        for year in years:
            book.formula(sheet, top + number, year,
                         f"(1+{c[f'contract.inflation_{line}']})^{year - 1}", "factor")
    first = top + len(INDEX_LINES) + 1
    _write_lines(book, sheet, first=first, index_top=top)
    total = first + len(LINES)
    book.write(sheet, total, 0, "year_total", "head")
    for year in years:
        book.formula(sheet, total, year, f"SUM({xl_rowcol_to_cell(first, year)}:"
                     f"{xl_rowcol_to_cell(total - 1, year)})", "total", f"year.{year}")
    book.write(sheet, total + 1, 0, "years_mean")
    book.formula(sheet, total + 1, 1, f"AVERAGE({xl_rowcol_to_cell(total, 1)}:"
                 f"{xl_rowcol_to_cell(total, len(years))})", "money", "mean_year")
    book.write(sheet, total + 3, 0, "note_overtime")


def _write_lines(book: BidBook, sheet: Worksheet, *, first: int, index_top: int) -> None:
    formulas = _line_formulas(book.cells, shared=book.contract.capacity.shared)
    for row, (line, follows) in enumerate(LINES.items(), start=first):
        sheet.write_string(row, 0, book.say.code("bid_line", line))
        for year in range(1, book.contract.years + 1):
            if line == "mobilisation" and year > 1:
                text = "0"
            elif line == "overhead":
                above = (f"{xl_rowcol_to_cell(first, year)}:"
                         f"{xl_rowcol_to_cell(row - 1, year)}")
                text = f"SUM({above})*{book.cells['contract.overhead_share']}"
            elif follows is None:
                text = formulas[line]
            else:
                index = xl_rowcol_to_cell(index_top + INDEX_LINES.index(follows), year)
                text = f"({formulas[line]})*{index}"
            book.formula(sheet, row, year, text, "money", f"line.{line}.{year}")


def _line_formulas(c: dict[str, str], *, shared: bool) -> dict[str, str]:
    pay = c["costs.labour_per_hour"]
    ordinary = f"{pay}*(1+{c['contract.leave_cover_share']})"
    ours = (f"*MIN(1,{c['crew_minutes']}/60/({c['crews']}*{c['paid_hours']}"
            f"*{c['contract.productive_share']}))" if shared else "")
    return {
        "labour": f"{c['persons']}*{c['paid_hours']}*{ordinary}{ours}",
        "overtime": f"{c['jobs']}*{c['overtime_hours']}*{pay}*{c['contract.overtime_multiple']}",
        "backlog": f"{c['jobs']}*{c['backlog_hours']}*{ordinary}",
        "callouts": f"{c['callout_minutes']}/60*{pay}*{c['contract.weekend_multiple']}",
        "vehicles": f"{c['crews']}*{c['contract.vehicle_per_crew']}{ours}",
        "mobilisation": c["contract.mobilisation"],
        "running": f"{c['jobs']}*{c['contract.vehicle_per_job']}",
        "materials": c["materials"], "water": c["water"], "access": c["access"],
        "traffic_control": c["traffic_control"], "standing": c["contract.standing_per_year"],
        "penalties": f"{c['offensive']}*{c['late_offensive']}*{c['contract.penalty_offensive']}"
                     f"+({c['jobs']}-{c['offensive']})*{c['late_ordinary']}"
                     f"*{c['contract.penalty_ordinary']}"}


def _write_schedule(book: BidBook) -> None:
    """Write the schedule of rates: rate at cost, and rate asked at each level as a formula."""
    sheet, say, contract = book.sheet("schedule", widths=(46, 10, 12, 16, 16, 16, 16)), \
        book.say, book.contract
    book.write(sheet, 0, 0, "title_schedule", "title")
    rows = contract.prices[contract.prices["form"] == "schedule_of_rates"]
    book.head(sheet, 2, ("item", "each", "quantity_year", "direct"))
    for column, level in enumerate(rows["level"], start=4):
        book.write(sheet, 2, column, "col_asked", "head", level=points(level))
    expected = book.mean_expected_year()
    for row, key in enumerate(("factor_before_margin", "factor", "load"), start=3):
        book.write(sheet, row, 0, key)
    book.number(sheet, 5, 3, contract.outlook.load, "drawn")
    off = _off(book)
    for column, record in enumerate(rows.to_dict("records"), start=4):
        plain = record["factor"] * (1 - contract.margin - off) / expected
        book.number(sheet, 3, column, plain * 1000, "drawn")
        book.formula(sheet, 4, column, f"{xl_rowcol_to_cell(3, column)}/1000*"
                     f"{book.cells['mean_year']}/{_kept(book)}", "factor")
    for row, record in enumerate(schedule_of_rates(contract).to_dict("records"), start=6):
        sheet.write_string(row, 0, safe(schedule_item(say, record)))
        sheet.write_string(row, 1, say.code("rate_unit", record["unit"]))
        if record["section"] == "share":
            book.number(sheet, row, 3, record["direct"], "drawn_share")
            continue
        if record["quantity"]:
            book.number(sheet, row, 2, record["quantity"], "tenths")
        book.number(sheet, row, 3, record["direct"], "drawn")
        hired = record["item"] in HIRED or record["section"] == "once"
        load = f"(1+{book.cells['contract.overhead_share']})" if hired else "$D$6"
        for column in range(4, 4 + len(rows)):
            factor = xl_rowcol_to_cell(4, column, row_abs=True)
            book.formula(sheet, row, column, f"D{row + 1}*{load}*{factor}", "money",
                         f"rate.{record['item']}.{column - 4}")


def _off(book: BidBook) -> float:
    """Return what goes off every price, as a share of it."""
    return sum(turnover_shares(book.contract.parameters).values())


def _kept(book: BidBook) -> str:
    """Return the formula of what is left of a price for its cost."""
    return f"(1-{book.cells['margin']}-{book.cells['off']})"


def _write_prices(book: BidBook, sheet: Worksheet) -> None:
    """Write what to ask in each price form, at each level, as formulas on the simulated points."""
    contract, c, say = book.contract, book.cells, book.say
    book.write(sheet, 0, 0, "title", "title", name=book.name)
    book.write(sheet, 1, 0, "length_and_margin", n=contract.years)
    book.head(sheet, 3, ("form", "level", "mean_cost", "before_margin", "mean_price",
                         "expected_margin", "expected_markup", "chance_of_loss", "worst_profit"))
    expected = book.mean_expected_year()
    off = _off(book)
    for row, record in enumerate(contract.prices.to_dict("records"), start=4):
        key = f"{record['form']}.{record['level']}"
        sheet.write_string(row, 0, say.code("price_form", record["form"]))
        sheet.write_string(row, 1, f"P{points(record['level'])}")
        at = [xl_rowcol_to_cell(row, column) for column in range(5)]
        direct = (record["cost_per_year"] - off * record["price_per_year"]) / expected
        book.formula(sheet, row, 2, f"{c['mean_year']}*{direct!r}+{c['off']}*{at[4]}", "money",
                     f"cost.{key}")
        before = record["price_per_year"] * (1 - contract.margin - off) / expected
        book.number(sheet, row, 3, before, "drawn")
        book.formula(sheet, row, 4, f"{c['mean_year']}*{at[3]}/{_kept(book)}", "total",
                     f"price.{key}")
        book.formula(sheet, row, 5, f"({at[4]}-{at[2]})/{at[4]}", "share", f"margin.{key}")
        book.formula(sheet, row, 6, f"({at[4]}-{at[2]})/{at[2]}", "share", f"markup.{key}")
        book.number(sheet, row, 7, record["chance_of_loss"], "drawn_share")
        book.number(sheet, row, 8, record["tail_profit_per_year"], "whole")
    row = 6 + len(contract.prices)
    _write_indexed(book, sheet, row)
    book.write(sheet, row + 4, 0, "note_blue")
    book.write(sheet, row + 5, 0, "note_loss")
    row = _write_offer(book, sheet, row + 7) + 1
    book.write(sheet, row, 0, "col_carries", "strong")
    for number, form in enumerate(FORMS, start=row + 1):
        sheet.write_string(number, 0, say.code("price_form", form))
        sheet.write_string(number, 1, say(f"carries.{form}"))


def _write_indexed(book: BidBook, sheet: Worksheet, row: int) -> None:
    contract, c = book.contract, book.cells
    weights = index_weights(dict(contract.outlook.lines))
    book.write(sheet, row, 0, "title_index", "strong")
    book.write(sheet, row + 2, 0, "multiplier")
    for year in range(1, contract.years + 1):
        parts = "+".join(f"{weights[line]!r}*(1+{c[f'contract.inflation_{line}']})^{year - 1}"
                         for line in INDEX_LINES)
        fixed = c["contract.index_fixed"]
        book.write(sheet, row + 1, year, "col_year", year=year)
        book.formula(sheet, row + 2, year, f"{fixed}+(1-{fixed})*({parts})", "factor",
                     f"index.{year}")


def _write_offer(book: BidBook, sheet: Worksheet, row: int) -> int:
    """Write the figures as formulas on the prices above them; return the next free row.

    A figure is its part of the mean price a year, which the simulation gave. The schedule of
    rates has a sheet of its own.
    """
    contract, say = book.contract, book.say
    figures = tender_figures(contract)
    book.write(sheet, row, 0, "col_tender", "strong", level=points(contract.level))
    book.head(sheet, row + 1, ("form", "value", "unit", "part_of_price", "paid_for"))
    row += 2
    for record in figures[figures["form"] != "schedule_of_rates"].to_dict("records"):
        form, item, value = str(record["form"]), str(record["item"]), float(record["value"])
        key, part = f"offer.{form}.{item}", xl_rowcol_to_cell(row, 3)
        sheet.write_string(row, 0, say.code("price_form", form))
        sheet.write_string(row, 2, safe(say(f"tender_unit.{item}", currency=say.currency)),
                           book.styles["text"])
        sheet.write_string(row, 4, say(f"tender_item.{item}"), book.styles["text"])
        if item == "band_top_jobs":
            book.number(sheet, row, 1, value, "whole")
            book.keep(key, sheet, row, 1)
        elif item == "markup":
            # The factor on cost before margin, as the prices have it.
            book.number(sheet, row, 3, (1 + value) * (1 - contract.margin - _off(book)), "drawn")
            book.formula(sheet, row, 1, f"{part}/{_kept(book)}-1", "share", key)
        else:
            price = float(contract.price(form)["price_per_year"])
            book.number(sheet, row, 3, value / price, "drawn")
            book.formula(sheet, row, 1, f"{book.cells[f'price.{form}.{contract.level}']}*{part}",
                         "money", key)
        row += 1
    return row


def _write_risk(book: BidBook) -> None:
    """Write the distribution of the first year's cost and the crews looked at."""
    contract, sheet = book.contract, book.sheet("risk", widths=(36, *([15] * 9)))
    book.write(sheet, 0, 0, "title_risk", "title")
    for row, (name, value) in enumerate(contract.cost_summary().items(), start=2):
        if name.startswith("p"):
            sheet.write_string(row, 0, name.upper())
        else:
            key = "cost_mean" if name == "mean" else "cost_tail"
            book.write(sheet, row, 0, key, level=name.removeprefix("cte"))
        book.number(sheet, row, 1, value, "whole")
    top = 12
    book.write(sheet, top, 0, "head_crews", "title")
    book.head(sheet, top + 2, ("arrangement", "crews", "people", "worked", "offensive_in_time",
                               "others_in_time", "overtime", "wait", "lump_sum", "loss_chance"))
    columns = {"crews": "drawn", "persons": "drawn", "utilisation": "drawn_share",
               "in_time_offensive": "drawn_share", "in_time_ordinary": "drawn_share",
               "overtime_hours": "tenths", "wait_hours": "tenths", "lump_sum": "whole",
               "chance_of_loss": "drawn_share"}
    for row, record in enumerate(contract.crews.to_dict("records"), start=top + 3):
        words = book.say.code("arrangement", record["arrangement"])
        sheet.write_string(row, 0, book.say("bid.chosen", what=words) if record["chosen"]
                           else words)
        for column, (key, style) in enumerate(columns.items(), start=1):
            value = float(record[key])
            if math.isfinite(value):
                book.number(sheet, row, column, value, style)
            else:
                book.write(sheet, row, column, "none_flagged")


def _write_outside(book: BidBook) -> None:
    """Write what is outside the price, with how often the log has it."""
    sheet = book.sheet("outside", widths=(50, 16, 16))
    book.write(sheet, 0, 0, "title_outside", "title")
    book.head(sheet, 2, ("what", "in_the_log", "per_year"))
    counts = book.contract.excluded["exclusion"].value_counts()
    span = book.contract.volume.observed_years
    for row, key in enumerate(EXCLUSIONS, start=3):
        sheet.write_string(row, 0, book.say.code("exclusion", key))
        book.number(sheet, row, 1, int(counts.get(key, 0)), "whole")
        book.formula(sheet, row, 2, f"B{row + 1}/{span!r}", "money")
    book.write(sheet, 4 + len(EXCLUSIONS), 0, "note_log_days", n=round(span * DAYS_PER_YEAR))


def _write_steps(book: BidBook, steps: pd.DataFrame) -> None:
    """Write what leads from the markings expected to the lump sum asked; totals as formulas."""
    sheet = book.sheet("steps", widths=(60, 18, 18))
    book.write(sheet, 0, 0, "title_steps", "title")
    book.write(sheet, 1, 0, "note_steps")
    book.head(sheet, 3, ("step", "jobs_a_year", "year_money_each"))
    for row, record in enumerate(steps.to_dict("records"), start=4):
        step = str(record["step"])
        sheet.write_string(row, 0, book.say.code("bid_step", step))
        if step == "first_year":
            book.formula(sheet, row, 1, f"SUM(B5:B{row})", "total")
            book.formula(sheet, row, 2, f"SUM(C5:C{row})", "total")
        elif step == "lump_sum":
            book.formula(sheet, row, 2, f"SUM(C{len(STEPS_OF_JOBS) + 5}:C{row})", "total")
        else:
            if math.isfinite(float(record["jobs"])):
                book.number(sheet, row, 1, record["jobs"], "tenths")
            book.number(sheet, row, 2, record["money"], "whole")


def _write_checks(book: BidBook) -> None:
    """Write the tool's own figures beside the formulas' and whether they agree to the cent."""
    sheet, say = book.sheet("checks", widths=(56, 20, 20, 12)), book.say
    book.write(sheet, 0, 0, "title_checks", "title")
    book.write(sheet, 1, 0, "note_checks")
    book.head(sheet, 3, ("figure", "this_workbook", "the_tool", "agrees"))
    yes, no = say("bid.yes"), say("bid.no")
    figures = [*_own_years(book), *_own_prices(book), *_own_rates(book)]
    for row, (words, key, own, within) in enumerate(figures, start=4):
        sheet.write_string(row, 0, safe(words))
        style = "factor" if within == _SMALL else "money"
        book.formula(sheet, row, 1, book.cells[key], style)
        book.number(sheet, row, 2, own, style)
        book.formula(sheet, row, 3, f'IF(ABS(B{row + 1}-C{row + 1})<{within!r},"{yes}","{no}")',
                     "verdict")
    last = 4 + len(figures)
    book.write(sheet, last + 1, 0, "all_agree", "head")
    book.formula(sheet, last + 1, 1, f'IF(COUNTIF(D5:D{last},"{yes}")={len(figures)},'
                 f'"{yes}","{no}")', "verdict", "all_agree")


Figure = tuple[str, str, float, float]


def _own_years(book: BidBook) -> list[Figure]:
    contract, say = book.contract, book.say
    weights = index_weights(dict(contract.outlook.lines))
    expected = expected_indices(years=contract.years, parameters=contract.parameters)
    index = indexed_price(expected, weights=weights,
                          fixed=contract.parameters["contract.index_fixed"])
    figures: list[Figure] = []
    for year in range(1, contract.years + 1):
        lines = expected_year(contract, year=year)
        figures += [(say("bid.check_line", year=year, line=line), f"line.{line}.{year}",
                     value, _CENT) for line, value in lines.items()]
        figures.append((say("bid.check_year", year=year), f"year.{year}", sum(lines.values()),
                        _CENT))
        figures.append((say("bid.check_index", year=year), f"index.{year}",
                        float(index[year - 1]), _SMALL))
    return figures


def _own_prices(book: BidBook) -> list[Figure]:
    contract, figures = book.contract, []
    for record in contract.prices.to_dict("records"):
        key = f"{record['form']}.{record['level']}"
        for what, column, within in (("price", "price_per_year", _CENT),
                                     ("margin", "expected_margin", _SMALL),
                                     ("markup", "expected_markup", _SMALL)):
            words = book.say(f"bid.check_{what}", form=record["form"],
                             level=points(record["level"]))
            figures.append((words, f"{what}.{key}", float(record[column]), within))
    offers = tender_figures(contract)
    for row in offers[offers["form"] != "schedule_of_rates"].to_dict("records"):
        words = book.say("bid.check_tender", form=row["form"], item=row["item"])
        figures.append((words, f"offer.{row['form']}.{row['item']}", float(row["value"]),
                        _SMALL if row["item"] == "markup" else _CENT))
    return figures


def _own_rates(book: BidBook) -> list[Figure]:
    contract = book.contract
    levels = contract.prices.loc[contract.prices["form"] == "schedule_of_rates", "level"]
    return [(book.say("bid.check_rate", item=schedule_item(book.say, row), level=points(level)),
             f"rate.{row['item']}.{number}", float(row["price"]), _CENT)
            for number, level in enumerate(levels)
            for row in schedule_of_rates(contract, level=level).to_dict("records")
            if row["section"] != "share"]
