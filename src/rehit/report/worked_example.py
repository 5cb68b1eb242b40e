"""One place worked by hand: a spreadsheet with live formulas that an accountant can follow.

Blue cells are what went in. Everything else is a formula, but for what is a chance and not money:
how many renewals are expected, and which share of a cover's life is left at the end (blue too).
Where only cleanings end a life, the sheet works the renewals out again from the beta distribution.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
from xlsxwriter.utility import xl_rowcol_to_cell
from xlsxwriter.workbook import Workbook
from xlsxwriter.worksheet import Worksheet

from rehit.costs.cashflow import planned_years, renewals_of
from rehit.costs.lifecycle import Comparison, compare_by_formula
from rehit.costs.rates import (
    BY_METHOD,
    ESCALATION,
    LINES,
    MEASURE,
    PLAIN,
    cleaning_methods,
    painted_out,
)
from rehit.costs.renewals import Renewals
from rehit.costs.strategies import Strategy
from rehit.files.safe_text import neutralise_formula
from rehit.parameters import Parameters, load_parameters
from rehit.report.live_workbook import (
    STYLES,
    leave_to_be_calculated,
    said_source,
    set_page,
    write_cautions,
)
from rehit.report.say import Say

# First sheets of the worked example: what goes in, growth factors and unit costs.

STRATEGY_NUMBERS = ("cleaning_share", "first_cost", "cover_materials_per_m2",
                    "cover_minutes_per_m2", "cover_visits", "yearly_cost", "life_cleanings",
                    "recoat_margin", "recoat_every", "effect_on_rate")
PLACE_NUMBERS = ("gamma_shape", "gamma_rate_years", "mark_area_m2", "wall_area_m2")


@dataclass
class Book:
    """A workbook under way, and where each input stands in it."""

    workbook: Workbook
    comparison: Comparison
    parameters: Parameters
    say: Say
    cells: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        add = self.workbook.add_format
        self.bold = add(STYLES["strong"])
        self.given = add({"font_color": "#1f4e9e", "bg_color": "#eef3fb"})
        self.money = add({"num_format": "#,##0.00"})
        self.factor = add({"num_format": "0.000000"})
        self.wrap = add(STYLES["wrap"])

    @property
    def place(self) -> pd.Series:
        """The place worked through."""
        return self.comparison.costing.iloc[0]

    @property
    def called(self) -> str:
        """What the place worked through is called."""
        return str(self.place.get("place_name", self.place["place_id"]))

    def reference(self, sheet: str, cell: str) -> str:
        """Return a cell of one of the first sheets as a formula names it."""
        return f"'{self.say(f'worked.sheet_{sheet}')}'!{cell}"

    def sheet(self, name: str) -> Worksheet:
        """Add a sheet whose first column is wide enough for words."""
        sheet = self.workbook.add_worksheet(name)
        sheet.set_column(0, 0, 34)
        set_page(sheet)
        return sheet


def safe(value: object) -> str:
    """Return text that cannot run as a formula."""
    return neutralise_formula(str(value))


def write_inputs(book: Book) -> None:
    """Write the place, the parameters and the strategies, each number in a cell of its own."""
    say = book.say
    sheet = book.sheet(say("worked.sheet_inputs"))
    sheet.set_column(1, 2, 14)
    sheet.set_column(3, 4, 60)
    place = say("worked.place", place=book.called)
    sheet.write_string(0, 0, safe(place), book.bold)
    row = 1
    for name in PLACE_NUMBERS:
        row = _input(book, sheet, row, name, float(book.place[name]), "", say(f"worked.{name}"),
                     say("worked.costing_table"))
    for name in ("access", "traffic_control", "method"):
        sheet.write_string(row, 0, name)
        sheet.write_string(row, 1, safe(book.place[name]), book.given)
        row += 1
    sheet.write_string(row + 1, 0, say("worked.rates"), book.bold)
    row += 2
    for name in _parameter_names(book):
        entry = book.parameters.row(f"costs.{name}")
        row = _input(book, sheet, row, name, entry.value, say.own(entry.unit),
                     say.own(entry.meaning), said_source(entry, say=say))
    row = _input(book, sheet, row, "horizon", book.comparison.timeline.years,
                 say("worked.horizon_unit"), say("worked.horizon"), say("worked.this_comparison"))
    _write_strategies(book, sheet, row + 1)


def _parameter_names(book: Book) -> list[str]:
    methods = {str(cleaning_methods(book.comparison.costing.head(1), s)[0])
               for s in book.comparison.strategies}
    return [*PLAIN, *(f"{rate}_{method}" for method in sorted(methods) for rate in BY_METHOD)]


def _input(book: Book, sheet: Worksheet, row: int, name: str, value: float, unit: str,
           meaning: str, source: str) -> int:
    sheet.write_string(row, 0, name)
    sheet.write_number(row, 1, value, book.given)
    for column, words in ((2, unit), (3, meaning), (4, source)):
        sheet.write_string(row, column, safe(words))
    book.cells[name] = book.reference(
        "inputs", xl_rowcol_to_cell(row, 1, row_abs=True, col_abs=True))
    return row + 1


def _write_strategies(book: Book, sheet: Worksheet, row: int) -> None:
    sheet.write_string(row, 0, book.say("worked.strategies"), book.bold)
    for column, strategy in enumerate(book.comparison.strategies, start=1):
        sheet.write_string(row, column, safe(strategy.name), book.bold)
        for offset, name in enumerate(STRATEGY_NUMBERS, start=1):
            sheet.write_string(row + offset, 0, name)
            value = getattr(strategy, name)
            if np.isinf(value):
                sheet.write_string(row + offset, column, book.say("worked.no_limit"),
                                   book.given)
            else:
                sheet.write_number(row + offset, column, value, book.given)
            book.cells[f"{strategy.name}.{name}"] = book.reference("inputs", xl_rowcol_to_cell(
                row + offset, column, row_abs=True, col_abs=True))


def write_growth(book: Book) -> None:
    """Write how each cost line grows, in the year and at its end, and the discount factors."""
    say = book.say
    sheet = book.sheet(say("worked.sheet_factors"))
    cells, years = book.cells, book.comparison.timeline.years
    for block, (key, time) in enumerate((("running", "{y}-1+{p}"), ("end", "{y}"))):
        top = block * (len(LINES) + 4)
        sheet.write_string(top, 0, say(f"worked.growth_{key}"), book.bold)
        for year in range(1, years + 1):
            sheet.write_number(top, year, year, book.bold)
            here = xl_rowcol_to_cell(top, year, row_abs=True)
            moment = time.format(y=here, p=cells["payment_point"])
            for number, line in enumerate(LINES):
                sheet.write_string(top + 1 + number, 0, say.code("flow_line", line))
                growth = cells[f"escalation_{ESCALATION[line]}"]
                sheet.write_formula(top + 1 + number, year, f"=(1+{growth})^({moment})",
                                    book.factor)
            row = top + 1 + len(LINES)
            sheet.write_string(row, 0, say(f"worked.discount_{key}"))
            sheet.write_formula(row, year, f"=(1+{cells['discount_rate']})^-({moment})",
                                book.factor)
            cells[f"growth.{key}.{year}"] = book.reference("factors", (
                f"{xl_rowcol_to_cell(top + 1, year, row_abs=True)}:"
                f"{xl_rowcol_to_cell(top + len(LINES), year, row_abs=True)}"))
            cells[f"discount.{key}.{year}"] = book.reference("factors",
                                                             xl_rowcol_to_cell(row, year))


def write_unit_costs(book: Book) -> None:
    """Write what one cleaning, one covering and one repaint cost, line by line, as formulas."""
    say = book.say
    sheet = book.sheet(say("worked.sheet_unit_costs"))
    for number, line in enumerate(LINES):
        sheet.write_string(number + 1, 0, say.code("flow_line", line))
    column = 1
    columns = [(say(f"worked.unit_{what}", strategy=say.code("strategy", s.name)),
                f"{s.name}.{what}", formulas)
               for s in book.comparison.strategies
               for what, formulas in (("cleaning", _cleaning(book, s)), ("cover", _cover(book, s)))]
    c = book.cells
    columns.append((say("worked.unit_repaint"), "repaint", _wall_job(
        book, c["repaint_materials_per_m2"], c["repaint_minutes_per_m2"],
        c["repaint_minutes_per_visit"])))
    columns += [(say("worked.unit_more", strategy=say.code("strategy", s.name)),
                 f"{s.name}.repaint", _more(book, s))
                for s in book.comparison.strategies if _painted(book, s)]
    for title, key, formulas in columns:
        sheet.write_string(0, column, safe(title), book.bold)
        for number, line in enumerate(LINES):
            sheet.write_formula(number + 1, column, "=" + formulas.get(line, "0"), book.money)
        first = xl_rowcol_to_cell(1, column, row_abs=True, col_abs=True)
        last = xl_rowcol_to_cell(len(LINES), column, row_abs=True, col_abs=True)
        book.cells[f"unit.{key}"] = book.reference("unit_costs", f"{first}:{last}")
        sheet.write_formula(len(LINES) + 1, column, f"=SUM({first}:{last})", book.money)
        column += 1
    sheet.write_string(len(LINES) + 1, 0, book.say("worked.sum"), book.bold)
    sheet.set_column(1, column, 22)


def _cleaning(book: Book, strategy: Strategy) -> dict[str, str]:
    c, area = book.cells, book.cells["mark_area_m2"]
    if _painted(book, strategy):  # small things are painted whole
        area = (f"IF({area}/{_wall(book)}>={c['repaint_wall_share']},{_wall(book)},{area})")
    method = str(cleaning_methods(book.comparison.costing.head(1), strategy)[0])
    own = {key: c[f"{strategy.name}.{key}"] for key in STRATEGY_NUMBERS}
    minutes = (f"({c[f'minutes_per_visit_{method}']}+{c[f'minutes_per_m2_{method}']}"
               f"*({area})^{c[f'minutes_area_power_{method}']})")
    litres = f"{c[f'water_l_per_m2_{method}']}*{area}"
    if strategy.cleaning == "removal" and method == str(book.place["method"]):
        minutes = _given(book, "minutes_per_incident") or minutes
        litres = _given(book, "wash_water_l_per_incident") or litres
    per_visit = _given(book, "incidents_per_visit") or c["incidents_per_visit"]
    recoat = f"{area}*{own['recoat_margin']}/{own['recoat_every']}"
    hours = f"({own['cleaning_share']}*{minutes}+{own['cover_minutes_per_m2']}*{recoat})/60"
    return {
        "call_out": f"{c['call_out']}/{per_visit}",
        "labour": f"({own['cleaning_share']}*{minutes}*{c[f'crew_size_{method}']}"
                  f"+{own['cover_minutes_per_m2']}*{recoat})/60*{c['labour_per_hour']}",
        "materials": f"{own['cleaning_share']}*{c[f'materials_per_m2_{method}']}*{area}"
                     f"+{own['cover_materials_per_m2']}*{recoat}",
        **_site(book, hours), "water": f"{litres}*{c['water_per_l']}",
        "wear": "0" if strategy.covers_wall else f"{c[f'wear_per_m2_{method}']}*{area}"}


def _more(book: Book, strategy: Strategy) -> dict[str, str]:
    """Return what a full repaint costs beyond the patch it takes the place of."""
    c = book.cells
    whole = _wall_job(book, c["repaint_materials_per_m2"], c["repaint_minutes_per_m2"],
                      c["repaint_minutes_per_visit"])
    patch = _cleaning(book, strategy)
    return {line: f"MAX(0,({whole.get(line, '0')})-({patch.get(line, '0')}))" for line in LINES}


def _painted(book: Book, strategy: Strategy) -> bool:
    """Say whether markings of the place are painted out under a strategy."""
    return bool(painted_out(book.comparison.costing.head(1), strategy)[0])


def _given(book: Book, column: str) -> str | None:
    value = book.place.get(column, np.nan)
    return f"{float(value)!r}" if pd.notna(value) else None


def _cover(book: Book, strategy: Strategy) -> dict[str, str]:
    if strategy.covers_wall:
        c, visits = book.cells, book.cells[f"{strategy.name}.cover_visits"]
        return _wall_job(
            book, c[f"{strategy.name}.cover_materials_per_m2"],
            c[f"{strategy.name}.cover_minutes_per_m2"],
            f"{c['cover_minutes_per_visit']}+{c['cover_again_minutes_per_visit']}*({visits}-1)",
            visits=visits)
    return {"measure": book.cells[f"{strategy.name}.first_cost"]}


def _wall_job(book: Book, materials: str, minutes: str, visit: str,
              visits: str = "1") -> dict[str, str]:
    c, wall = book.cells, _wall(book)
    hours = f"({visit}+{minutes}*{wall})/60"
    site = _site(book, f"{hours}/{visits}")
    return {"call_out": f"{c['call_out']}*{visits}", "materials": f"{materials}*{wall}",
            "labour": f"{hours}*{c['labour_per_hour']}",
            **{line: f"({cost})*{visits}" for line, cost in site.items()}}


def _wall(book: Book) -> str:
    return f"MAX({book.cells['wall_area_m2']},{book.cells['mark_area_m2']})"


def life_formula(book: Book, strategy: Strategy) -> str:
    """Return the formula of the cleanings after which the wall is repainted or covered anew."""
    c, wall = book.cells, _wall(book)
    if _painted(book, strategy):
        return (f"ROUNDUP(LN(1-{c['repaint_wall_share']})/LN(1-{c['mark_area_m2']}/{wall})"
                "-0.000000001,0)")
    life = f"INT({c[f'{strategy.name}.life_cleanings']})"
    if not strategy.covers_wall:
        return life
    spots = f"MAX(1,{c['spot_share']}*{wall}/{c['mark_area_m2']})"
    return f"{life}*2^INT(LN({spots})/LN(2)+0.000000001)"


def _site(book: Book, hours: str) -> dict[str, str]:
    c, access = book.cells, str(book.place["access"])
    traffic = f"{c['traffic_control']}+{c['traffic_control_per_hour']}*MAX(0,{hours}-1)"
    return {"access": "0" if access == "ground" else c[f"access_{access}"],
            "traffic_control": traffic if bool(book.place["traffic_control"]) else "0"}


COLUMNS = ("year", "cleanings", "cleaning_cost", "upkeep", "planned", "planned_cost",
           "patched", "patched_cost", "by_cleaning", "by_cleaning_cost", "by_age",
           "by_age_cost", "credit", "sum", "present")
PATCHED, BY_CLEANING, CREDIT, SUM, PRESENT = (
    COLUMNS.index(name) for name in ("patched", "by_cleaning", "credit", "sum", "present"))
TOP_COLUMNS = ("strategy", "present", "annual", "saved", "own", "agrees", "allowed")


def write_worked_example(path: Path | str, costing: pd.DataFrame, *,
                         strategies: Sequence[Strategy] | Path | str | None = None,
                         horizon_years: int | None = None,
                         parameters: Parameters | None = None, say: Say | None = None,
                         cautions: Sequence[str] = ()) -> Path:
    """Write the first place of a costing table as a workbook with live formulas.

    Parameters
    ----------
    path
        Where the XLSX file goes.
    costing
        The `costing` table; its first row is worked through.
    strategies, horizon_years, parameters
        As for :func:`rehit.costs.lifecycle.compare_by_formula`.
    say
        Language of the sheets; English by default.
    cautions
        Codes of the cautions that hold for work at the place, written in full.

    Returns
    -------
    Path
        The file. Its summary sheet holds rehit's own figures beside the formulas' and says
        whether they agree to the cent.
    """
    parameters = parameters or load_parameters()
    comparison = compare_by_formula(costing.head(1), strategies=strategies,
                                    horizon_years=horizon_years, parameters=parameters)
    say = say or Say("en")
    with Workbook(str(path), {"strings_to_formulas": False, "strings_to_urls": False}) as workbook:
        workbook.set_properties({"title": say("worked.title")})
        book = Book(workbook, comparison, parameters, say)
        summary = book.sheet(say("worked.sheet_summary"))
        write_inputs(book)
        write_growth(book)
        write_unit_costs(book)
        totals = [_write_years(book, number) for number in range(len(comparison.strategies))]
        _write_summary(book, summary, totals)
        if cautions:
            write_cautions(book.sheet(book.say("worked.sheet_cautions")), book.say, cautions,
                           style=book.wrap, first=0)
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
        sheet.write_string(0, column, book.say(f"worked.col_{title}"), book.bold)
    repaints, renewals = _renewals(book, number)
    unused = xl_rowcol_to_cell(years + 3, CREDIT)
    first = f"=SUM({cells[f'unit.{strategy.name}.cover']})"
    sheet.write_number(1, 0, 0)
    for column in (SUM, PRESENT):
        sheet.write_formula(1, column, first, book.money)
    for year in range(1, years + 1):
        _write_year(book, sheet, number, year, repaints, renewals, unused)
    sheet.write_string(years + 3, CREDIT - 1, book.say("worked.unused_share"))
    sheet.write_number(years + 3, CREDIT, float(renewals.unused[0]), book.given)
    summed = f"{xl_rowcol_to_cell(1, PRESENT)}:{xl_rowcol_to_cell(years + 1, PRESENT)}"
    sheet.write_string(years + 2, 0, book.say("worked.sum"), book.bold)
    sheet.write_formula(years + 2, PRESENT, f"=SUM({summed})", book.money)
    counted = repaints if book.comparison.pieces[number].renewing is None else (
        renewals.by_cleaning)
    _write_renewal_check(book, number, counted[0], name)
    found: str = f"'{name}'!" + xl_rowcol_to_cell(years + 2, PRESENT)
    return found


def _renewals(book: Book, number: int) -> tuple[np.ndarray, Renewals]:
    comparison, pieces = book.comparison, book.comparison.pieces[number]
    thinned = comparison.rate_years / max(1 - pieces.effect_on_rate, 1e-12)
    return renewals_of(pieces, shape=comparison.shape, rate_years=thinned,
                       years=comparison.timeline.years)


def _write_year(book: Book, sheet: Worksheet, number: int, year: int, repaints: np.ndarray,
                renewals: Renewals, unused: str) -> None:
    """Write one year of one strategy: counts in blue, money as formulas."""
    cells, pieces = book.cells, book.comparison.pieces[number]
    strategy, years = pieces.strategy, book.comparison.timeline.years
    row, at = year + 1, _row_cells(year + 1)
    running, end = cells[f"growth.running.{year}"], cells[f"growth.end.{year}"]
    renewed = cells[f"unit.{strategy.name}.cover"]
    more = cells.get(f"unit.{strategy.name}.repaint", renewed)
    due = planned_years(pieces.planned_every, years)[0, year - 1]
    counts = {0: year, 4: int(due), PATCHED: repaints[0, year - 1],
              BY_CLEANING: renewals.by_cleaning[0, year - 1],
              BY_CLEANING + 2: renewals.by_age[0, year - 1]}
    for column, value in counts.items():
        sheet.write_number(row, column, float(value), book.given if column else None)
    rate = f"{cells['gamma_shape']}/{cells['gamma_rate_years']}"
    sheet.write_formula(row, 1, f"={rate}*(1-{cells[f'{strategy.name}.effect_on_rate']})",
                        book.factor)
    money = {
        2: _times(at[1], cells[f"unit.{strategy.name}.cleaning"], running),
        3: f"={cells[f'{strategy.name}.yearly_cost']}*INDEX({running},{MEASURE + 1})",
        5: _times(at[4], cells["unit.repaint"], end), 7: _times(at[6], more, running),
        9: _times(at[8], renewed, running), 11: _times(at[10], renewed, end),
        SUM: f"={at[2]}+{at[3]}+{at[5]}+{at[7]}+{at[9]}+{at[11]}+{at[CREDIT]}",
        PRESENT: f"=({at[2]}+{at[3]}+{at[7]}+{at[9]})*{cells[f'discount.running.{year}']}"
                 f"+({at[5]}+{at[11]}+{at[CREDIT]})*{cells[f'discount.end.{year}']}"}
    if year == years:
        money[CREDIT] = f"{_times('-' + unused, renewed, end)}*{cells['residual_share']}"
    for column, formula in money.items():
        sheet.write_formula(row, column, formula, book.money)


def _row_cells(row: int) -> list[str]:
    return [xl_rowcol_to_cell(row, column) for column in range(len(COLUMNS))]


def _times(count: str, unit: str, growth: str) -> str:
    return f"={count}*SUMPRODUCT({unit},{growth})"


MOST_TERMS = 2_000  # a cleaning every day for ten years, fifteen to a life


def _write_renewal_check(book: Book, number: int, by_cleaning: np.ndarray, name: str) -> None:
    """Work the expected renewals out again where only cleanings end a life.

    The chance that at least m cleanings come in t years is the beta distribution with parameters
    m and shape at t / (t + rate); the expected number of lives of K used up is its sum over
    m = K, 2K, 3K … A life used up so often that the sum has more than ``MOST_TERMS`` cells a year
    is not worked out again: a sheet ends after 16,384 columns.
    """
    comparison = book.comparison
    pieces, years = comparison.pieces[number], comparison.timeline.years
    wears = pieces.renewing or pieces.repainting
    if wears is None or not by_cleaning.any():
        return
    life = wears.life
    column = "G" if pieces.renewing is None else "I"
    if life.years < years or 0 < life.reset_every[0] < years:
        return
    sheet = book.workbook.get_worksheet_by_name(name)
    assert sheet is not None
    shape, rate = book.cells["gamma_shape"], book.cells["gamma_rate_years"]
    effect = book.cells[f"{comparison.strategies[number].name}.effect_on_rate"]
    terms = int(np.ceil(by_cleaning.sum() * 8 + 30))
    if terms > MOST_TERMS:
        return
    top = years + 5
    sheet.write_string(top, 0, book.say("worked.renewals_checked"), book.bold)
    sheet.write_string(top + 1, 0, "K")
    sheet.write_formula(top + 1, 1, f"={life_formula(book, pieces.strategy)}", book.factor)
    lives = xl_rowcol_to_cell(top + 1, 1, row_abs=True, col_abs=True)
    for year in range(1, years + 1):
        row = top + 2 + year
        sheet.write_number(row, 0, year)
        chances = [f"BETADIST({year}*(1-{effect})/({year}*(1-{effect})+{rate}),"
                   f"{term}*{lives},{shape})" for term in range(1, terms + 1)]
        for at, chance in enumerate(chances, start=3):
            sheet.write_formula(row, at, f"={chance}", book.factor)
        total = f"SUM({xl_rowcol_to_cell(row, 3)}:{xl_rowcol_to_cell(row, 2 + terms)})"
        sheet.write_formula(row, 1, f"={total}", book.factor)
        given = f"SUM({column}3:{column}{year + 2})"
        sheet.write_formula(row, 2, f'=IF(ABS({xl_rowcol_to_cell(row, 1)}-{given})<0.00001,'
                                    f'{quoted(book, "agrees")},{quoted(book, "differs")})')


def quoted(book: Book, name: str) -> str:
    """Return a word as text inside a formula."""
    return '"' + book.say(f"worked.{name}").replace('"', '""') + '"'


def _write_summary(book: Book, sheet: Worksheet, totals: list[str]) -> None:
    comparison, say = book.comparison, book.say
    sheet.set_column(1, 6, 20)
    sheet.write_string(0, 0, safe(say("worked.heading", place=book.called,
                                    years=comparison.timeline.years)), book.bold)
    for column, title in enumerate(TOP_COLUMNS):
        sheet.write_string(2, column, say(f"worked.top_{title}"), book.bold)
    d, n = book.cells["discount_rate"], book.cells["horizon"]
    annuity = f"IF({d}=0,{n},(1-(1+{d})^-{n})/{d})"
    for row, (pieces, expected, total) in enumerate(
            zip(comparison.pieces, comparison.expected, totals, strict=True), start=3):
        own = float(expected.present_value[0])
        sheet.write_string(row, 0, safe(pieces.strategy.name))
        sheet.write_string(row, 6, say("worked.yes") if pieces.allowed[0] else
                           say("worked.not_allowed", why=pieces.why_not[0]))
        sheet.write_formula(row, 1, f"={total}", book.money)
        sheet.write_formula(row, 2, f"=B{row + 1}/{annuity}", book.money)
        sheet.write_formula(row, 3, f"=B4-B{row + 1}", book.money)
        sheet.write_number(row, 4, own, book.given)
        sheet.write_formula(row, 5, f"=IF(ABS(B{row + 1}-E{row + 1})<0.005,"
                                    f"{quoted(book, 'yes')},{quoted(book, 'no')})")
    sheet.write_string(len(totals) + 4, 0, say("worked.note"), book.wrap)
