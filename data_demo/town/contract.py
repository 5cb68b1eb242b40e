"""A town's true incidents in the shape the hotspot, cost and patrol rooms take."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.words.addresses import address_table
from town.model import Town


def clean_placed_incidents(town: Town) -> gpd.GeoDataFrame:
    """Return the true incidents as `incidents` with the `placed` columns merged in.

    What a perfect cleaning chain would hand on: cases open at the extract's end have no clearing
    time; referred and private ones count as cleared at their closing. The true rate is in the
    extra column `true_rate_per_year`.
    """
    true = town.incidents
    rows = town.rows[town.rows["role"].isin(["first", "repeat"])]
    first = rows[rows["role"] == "first"].set_index("true_id")["case_ref"]
    counts = rows["true_id"].value_counts()
    listed = rows.index.to_series().astype(str).groupby(rows["true_id"]).agg(
        ";".join) if len(true) < 50_000 else rows.groupby("true_id")["case_ref"].first()
    still = true["open_at_end"].to_numpy()
    street = true["address"].str.replace(r"^\d+\w? ", "", regex=True)
    table = pd.DataFrame({
        "incident_id": true["true_id"], "report_id": true["true_id"].map(first),
        "reported_at": true["reported_at"],
        "reported_precision": "minute", "cleared_at": true["cleared_at"].where(~still),
        "status": np.where(still, "open", "cleared"),
        "outcome": np.where(still, "pending", true["outcome"]),
        "priority": np.where(true["offensive"], "offensive", "ordinary"),
        "substrate": true["substrate"], "finish": true["finish"], "medium": true["medium"],
        "area_m2": true["area_m2"], "area_basis": "measured",
        "service": "graffiti", "n_reports": true["true_id"].map(counts).fillna(1).astype("int64"),
        "place_quality": "surveyed", "address": true["address"],
        "locality": pd.Series(None, index=true.index, dtype="str"),
        "object": true["asset_type"],
        "address_key": address_table(true["address"])["address_key"],
        "street_key": address_table(street)["street_key"],
        "asset_id_given": true["asset_id"], "asset_type_given": true["asset_type"],
        "description": "", "source_rows": "incidents.csv#" + true["true_id"].map(listed).fillna(
            "").astype(str),
        "asset_id": true["asset_id"], "site_id": pd.Series(None, index=true.index, dtype="str"),
        "place_id": true["asset_id"], "place_kind": "asset", "match_confidence": 1.0,
        "match_evidence": "true asset", "asset_type": true["asset_type"],
        "true_rate_per_year": true["asset_id"].map(
            town.rates.set_index("asset_id")["rate_per_year"])})
    return gpd.GeoDataFrame(table, geometry=true.geometry, crs=true.crs)


def clean_register(town: Town) -> gpd.GeoDataFrame:
    """Return the register with the key columns of the `register` contract filled in."""
    table = town.register.copy()
    table["address_key"] = address_table(table["address"])["address_key"]
    table["street_key"] = address_table(table["street"])["street_key"]
    table["coated_at"] = pd.to_datetime(table["coated_at"], errors="coerce", utc=True)
    return table

