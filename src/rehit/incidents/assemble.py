"""The tables that cleaning gives: incidents, set-aside rows and counts per file."""

from __future__ import annotations

import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from rehit.incidents.rows import WHERE
from rehit.tables import table

REASONS = {
    "empty_row": "the row holds nothing; delete it from the export",
    "repeated_header": "the row repeats the column names; export the log in one piece",
    "reported_date_missing": "no report date, so the incident cannot be put in time; make the "
                             "field compulsory",
    "clearance_only": "the row only says how the report of the same number ended, which was taken "
                      "over",
    "reported_date_unreadable": "the report date cannot be read; write dates as year-month-day",
    "reported_date_impossible": "the report date does not exist in the calendar; check the entry",
    "reported_date_out_of_range": "the year of the report cannot be right; check the entry",
    "reported_after_extract": "reported after the extract was made; check the year",
    "duplicate_without_parent": "called a duplicate, but the report it repeats is not in the log; "
                                "record the number of the first report",
    "void_status": "the request was withdrawn or entered in error, so there was no incident",
    "place_outside_study_area": "its only place lies outside the study area; check the place or "
                                "the study area",
}
CODED = ("substrate", "finish", "medium", "priority")


def build_incidents(rows: pd.DataFrame, own: np.ndarray, members: pd.DataFrame,
                    columns: dict[str, pd.Series], *, names: pd.Series, x: np.ndarray,
                    y: np.ndarray, crs: str) -> gpd.GeoDataFrame:
    """Return the ``incidents`` table, in the order of report and name.

    Parameters
    ----------
    rows
        Tidied rows.
    own
        Positions of the rows that are an incident's own.
    members
        On those positions: ``reported_at``, ``n_reports`` and ``source_rows``.
    columns
        Further columns of the contract, on all rows.
    names
        ``incident_id`` on `own`.
    x, y
        Points of all rows in `crs`.
    crs
        Projected CRS.
    """
    made = pd.DataFrame({name: values.iloc[own] for name, values in columns.items()})
    made["incident_id"] = names
    for name in members.columns:
        made[name] = members[name]
    for name, source in (("asset_id_given", "asset_id"), ("asset_type_given", "asset_type")):
        made[name] = rows[source].iloc[own]
    geometry = gpd.GeoSeries.from_xy(x[own], y[own], index=made.index, crs=crs)
    geometry[np.isnan(x[own])] = None
    frame = gpd.GeoDataFrame(made, geometry=geometry, crs=crs)
    keys = pa.table({"at": pa.array(frame["reported_at"]), "id": pa.array(frame["incident_id"])})
    order = pc.sort_indices(keys, sort_keys=[("at", "ascending"), ("id", "ascending")])
    return frame[table("incidents").names].take(order.to_numpy()).reset_index(drop=True)


def gather_members(rows: pd.DataFrame, root: np.ndarray, active: np.ndarray,
                   reported_at: pd.Series) -> pd.DataFrame:
    """Return for each incident's own row its first report, number of reports and source rows."""
    at = np.flatnonzero(active)
    label = rows["source_file"].iloc[at] + "#" + rows["source_row"].iloc[at].astype("str")
    part = pd.DataFrame({"root": root[at], "joined": (root[at] != at), "label": label.array,
                         "reported_at": reported_at.iloc[at].array,
                         "file": rows["source_file"].iloc[at].array,
                         "row": rows["source_row"].iloc[at].to_numpy()})
    many = part["root"].duplicated(keep=False)
    single = part[~many].set_index("root")
    made = pd.DataFrame({"reported_at": single["reported_at"], "n_reports": 1,
                         "source_rows": single["label"]})
    if many.any():
        ordered = part[many].sort_values(["root", "joined", "file", "row"])
        grouped = ordered.groupby("root")
        size = grouped.size()
        ends = size.cumsum().to_numpy()
        labels = ordered["label"].tolist()
        joined = [";".join(labels[end - count:end]) for end, count in zip(
            ends.tolist(), size.tolist(), strict=True)]
        made = pd.concat([made, pd.DataFrame({
            "reported_at": grouped["reported_at"].min(), "n_reports": size,
            "source_rows": pd.Series(joined, index=size.index, dtype="str")})])
    made["reported_at"] = pd.to_datetime(made["reported_at"], utc=True).astype(
        "datetime64[us, UTC]")
    made["source_rows"] = made["source_rows"].astype("str")
    made["n_reports"] = made["n_reports"].astype("int64")
    return made.sort_index()


def build_set_aside(rows: pd.DataFrame, reason: pd.Series) -> pd.DataFrame:
    """Return the ``set_aside`` table; personal data is out of the original values already."""
    out = rows[reason.notna().to_numpy()]
    cells = out.drop(columns=[*WHERE, "content"])
    original = [json.dumps({k: v for k, v in record.items() if isinstance(v, str)},
                           ensure_ascii=False) for record in cells.to_dict("records")]
    codes = reason[reason.notna()]
    made = pd.DataFrame({
        "source_file": out["source_file"].to_numpy(), "source_row": out["source_row"].to_numpy(),
        "reason": codes.to_numpy(), "reason_words": codes.map(REASONS).to_numpy(),
        "original": original})
    for name in ("source_file", "reason", "reason_words", "original"):
        made[name] = made[name].astype("str")
    made["source_row"] = made["source_row"].astype("int64")
    return made.sort_values(list(WHERE), kind="stable").reset_index(drop=True)


def count_rows(rows: pd.DataFrame, root: np.ndarray, reason: pd.Series) -> pd.DataFrame:
    """Return rows in, kept, joined and set aside for each file."""
    aside = reason.notna().to_numpy()
    own = ~aside & (root == np.arange(len(rows)))
    part = pd.DataFrame({"source_file": rows["source_file"], "rows_in": 1,
                         "rows_kept": own.astype(int), "rows_joined": (~own & ~aside).astype(int),
                         "rows_set_aside": aside.astype(int)})
    return part.groupby("source_file", sort=True).sum().reset_index()
