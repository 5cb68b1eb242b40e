"""The crew's works log: what was done, how long it took, what it used, what it cost."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from rehit.errors import ManyErrors
from rehit.headers import resolve_columns
from rehit.tables import check
from rehit.tabular import read_text_table
from rehit.vocabulary import code_texts

SQUARE_FOOT_M2 = 0.09290304  # international foot, exact
MINUTES_PER_HOUR = 60.0
TEXTS = ("work_id", "report_id", "asset_id", "done_at", "crew")
NUMBERS = ("area_m2", "minutes", "crew_size", "paint_l", "remover_l", "wash_water_l", "cost")


def read_works(path: Path | str, *, columns: Mapping[str, str] | None = None,
               sheet: str | None = None) -> pd.DataFrame:
    """Read a works log to the `works` table.

    Parameters
    ----------
    path
        CSV/TSV, workbook or Parquet, one row per job.
    columns
        Field to column name where the header words do not tell.
    sheet
        Which sheet of a workbook.

    Returns
    -------
    pandas.DataFrame
        The `works` table. Hours become minutes and square feet square metres. A number that
        cannot be read, or is below nought, is empty; a job without a number is named by its row.
        How each column was understood stands in ``.attrs["notes"]``.

    Raises
    ------
    InputFileError
        If the file cannot be read.
    ManyErrors
        Listing columns that are not there.
    """
    where = Path(path).name
    raw = read_text_table(path, sheet=sheet)
    chosen, notes, faults = resolve_columns(list(raw.table.columns), columns, kind="works",
                                            needed=("method",), where=where)
    if faults:
        raise ManyErrors(where, faults)
    works = _columns(raw.table, chosen)
    unreadable = works["method"].isna() & works["method_given"].notna()
    if unreadable.any():
        words = ", ".join(map(repr, sorted(works.loc[unreadable, "method_given"].unique())[:10]))
        notes.append(f"{int(unreadable.sum())} jobs name a method that is not known: {words}")
    check(works, "works", where=where)
    works.attrs["notes"] = [*raw.notes, *notes]
    return works


def _columns(table: pd.DataFrame, chosen: Mapping[str, str]) -> pd.DataFrame:
    def text(field: str) -> pd.Series:
        if field in chosen:
            return table[chosen[field]]
        return pd.Series([None] * len(table), index=table.index, dtype="str")

    def number(field: str) -> pd.Series:
        plain = text(field).str.replace(r"[^\d.,-]", "", regex=True)
        decimal = plain.str.replace(r",(?=\d{3}(?:\D|$))", "", regex=True).str.replace(",", ".")
        value = pd.to_numeric(decimal, errors="coerce").astype(float)
        return value.where(value >= 0)

    works = pd.DataFrame({name: text(name) for name in TEXTS})
    row = "row " + pd.Series(works.index + 1, index=works.index).astype("str")
    again = works["work_id"].duplicated() & works["work_id"].notna()
    works["work_id"] = works["work_id"].where(~again, works["work_id"] + " " + row).fillna(row)
    works["method_given"] = text("method")
    coded = code_texts(works["method_given"], field="method", otherwise="")
    works["method"] = coded.where(coded != "")
    for name in NUMBERS:
        works[name] = number(name)
    works["area_m2"] = works["area_m2"].fillna(number("area_sqft") * SQUARE_FOOT_M2)
    works["minutes"] = works["minutes"].fillna(number("hours") * MINUTES_PER_HOUR)
    return works
