"""The tables that rooms hand to each other: columns, units, keys; checked at every door.

Each table is described by ``schemas/<table>.csv`` with the columns
``column, kind, unit, key, nullable, allowed, meaning``. The same files are the data dictionary
that goes out with the results.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import geopandas as gpd
import pandas as pd

from rehit.errors import ManyErrors, RehitError, TableError, Where
from rehit.messages import message
from rehit.packaged import packaged_rows

GEOMETRY_KINDS = ("point", "line", "polygon", "geometry")


@dataclass(frozen=True)
class Column:
    """One column of a table: its kind, unit, whether it may be empty, what it means."""

    name: str
    kind: str
    unit: str
    key: bool
    nullable: bool
    allowed: tuple[str, ...]
    meaning: str


@dataclass(frozen=True)
class Table:
    """The contract of one table: its name and columns in order."""

    name: str
    columns: tuple[Column, ...]

    @property
    def key(self) -> list[str]:
        """Names of the columns that together name a row."""
        return [c.name for c in self.columns if c.key]

    @property
    def names(self) -> list[str]:
        """Names of all columns, in order."""
        return [c.name for c in self.columns]

    def column(self, name: str) -> Column:
        """Return one column's description."""
        return next(c for c in self.columns if c.name == name)

    @property
    def spatial(self) -> bool:
        """Whether the table carries a geometry."""
        return any(c.kind in GEOMETRY_KINDS for c in self.columns)


@cache
def table(name: str) -> Table:
    """Return the contract of the table called `name`."""
    rows = packaged_rows("schemas", f"{name}.csv")
    return Table(name, tuple(
        Column(r["column"], r["kind"], r["unit"], r["key"] == "yes", r["nullable"] == "yes",
               tuple(filter(None, r["allowed"].split("|"))), r["meaning"])
        for r in rows
    ))


def table_names() -> list[str]:
    """Return the names of all tables that have a contract."""
    folder = files("rehit") / "schemas"
    return sorted(p.name.removesuffix(".csv") for p in folder.iterdir() if p.name.endswith(".csv"))


def check(frame: pd.DataFrame, name: str, *, where: str) -> None:
    """Hold `frame` against the contract `name`; extra columns are welcome.

    Parameters
    ----------
    frame
        The table at the door.
    name
        A table of the folder ``schemas``.
    where
        Who is asking, for the message.

    Raises
    ------
    ManyErrors
        Listing every missing column, wrong kind, empty or repeated key, code outside the allowed
        list, and a geometry without a projected CRS.
    """
    contract = table(name)
    faults: list[RehitError] = []
    for column in contract.columns:
        faults += _column_faults(frame, column, where, name)
    key = contract.key
    if key and set(key) <= set(frame.columns) and frame.duplicated(key).any():
        repeated = frame.loc[frame.duplicated(key), key].iloc[0].to_dict()
        faults.append(TableError(message("where.table", where=where, table=name),
                                 "errors.key_twice", key=str(repeated)))
    if contract.spatial and not faults:
        faults += _crs_faults(frame, message("where.table", where=where, table=name))
    if faults:
        raise ManyErrors(where, faults)


def require_projected(frame: gpd.GeoDataFrame | gpd.GeoSeries, *, where: str) -> None:
    """Refuse a geometry whose coordinates are not metres (or feet) on a plane."""
    faults = _crs_faults(frame, where)
    if faults:
        raise faults[0]


def empty(name: str, *, crs: object = None) -> pd.DataFrame:
    """Return a table of the contract `name` with no rows and the right column kinds."""
    contract = table(name)
    data = {c.name: pd.Series([], dtype=_dtype(c.kind)) for c in contract.columns
            if c.kind not in GEOMETRY_KINDS}
    if not contract.spatial:
        return pd.DataFrame(data)
    found: pd.DataFrame = gpd.GeoDataFrame(data, geometry=gpd.GeoSeries([], crs=crs))
    return found


def _dtype(kind: str) -> str:
    return {"number": "float64", "whole": "Int64", "flag": "boolean",
            "time": "datetime64[us, UTC]"}.get(kind, "str")


def _column_faults(frame: pd.DataFrame, column: Column, where: str,
                   name: str) -> list[RehitError]:
    spot = message("where.column", where=where, table=name, column=column.name)
    if column.name not in frame.columns:
        return [TableError(spot, "errors.column_missing", kind=column.kind, meaning=column.meaning)]
    values = frame[column.name]
    if not _right_kind(values, column.kind):
        return [TableError(spot, "errors.wrong_kind", dtype=str(values.dtype), kind=column.kind)]
    faults: list[RehitError] = []
    if not column.nullable and values.isna().any():
        faults.append(TableError(spot, "errors.empty_cells", n=int(values.isna().sum())))
    if column.allowed:
        strange = sorted({str(v) for v in values.dropna().unique()} - set(column.allowed))
        if strange:
            faults.append(TableError(spot, "errors.unknown_codes", values=tuple(strange[:5]),
                                     known=column.allowed))
    return faults


def _right_kind(values: pd.Series, kind: str) -> bool:
    dtype = values.dtype
    if kind == "time":
        return isinstance(dtype, pd.DatetimeTZDtype) and str(dtype.tz) == "UTC"
    if kind in ("number", "whole"):
        return pd.api.types.is_numeric_dtype(dtype) and not pd.api.types.is_bool_dtype(dtype)
    if kind == "flag":
        return pd.api.types.is_bool_dtype(dtype)
    if kind in GEOMETRY_KINDS:
        return str(dtype) == "geometry"
    return pd.api.types.is_string_dtype(dtype) or isinstance(dtype, pd.CategoricalDtype) or (
        bool(values.isna().all()))


def _crs_faults(frame: gpd.GeoDataFrame | gpd.GeoSeries | pd.DataFrame,
                where: Where) -> list[RehitError]:
    crs = getattr(frame, "crs", None)
    if crs is not None and crs.is_projected:
        return []
    if crs is None:
        return [TableError(where, "errors.no_crs")]
    return [TableError(where, "errors.in_degrees", crs=crs.to_string())]
