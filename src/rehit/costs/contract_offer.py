"""What to write in the tender: the figures each price form is offered by."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
from xlsxwriter.utility import xl_rowcol_to_cell

from rehit.costs.contract import Contract
from rehit.costs.contract_price import points
from rehit.costs.contract_rates import schedule_of_rates

if TYPE_CHECKING:
    from xlsxwriter.worksheet import Worksheet

    from rehit.costs.contract_workbook import BidBook

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
