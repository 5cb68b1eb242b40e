"""A small made-up street for matching tests."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.tables import table

CRS = "EPSG:32625"
X0, Y0 = 500_000.0, 5_000_000.0


def register(rows: list[dict[str, object]]) -> gpd.GeoDataFrame:
    """Build a register from short rows: id, x, y (or geometry), and anything else."""
    return _build(rows, "register", {
        "asset_type": "wall", "substrate": "brick", "finish": "painted", "wall_area_m2": 20.0,
        "heritage": False, "coating_allowed": True, "access": "ground", "traffic_control": False})


def incidents(rows: list[dict[str, object]]) -> gpd.GeoDataFrame:
    """Build incidents from short rows: x, y (or none) and anything else."""
    start = pd.Timestamp("2024-01-01", tz="UTC")
    full = [{"incident_id": f"I{i}", "reported_at": start + pd.Timedelta(days=i),
             "source_rows": f"log.csv#{i + 1}"} | row for i, row in enumerate(rows)]
    return _build(full, "incidents", {
        "reported_precision": "minute", "status": "open", "outcome": "pending",
        "priority": "ordinary", "substrate": "unknown", "finish": "unknown", "medium": "spray",
        "area_basis": "unknown", "n_reports": 1, "service": "graffiti",
        "place_quality": "surveyed"})


def _build(rows: list[dict[str, object]], name: str,
           defaults: dict[str, object]) -> gpd.GeoDataFrame:
    frame = pd.DataFrame(rows)
    given = [row.get("geometry") for row in rows]
    x, y = (np.array([row.get(c, np.nan) for row in rows], float) for c in ("x", "y"))
    points = gpd.points_from_xy(X0 + x, Y0 + y)
    shapes = [g if g is not None else (p if np.isfinite(a) else None)
              for g, p, a in zip(given, points, x, strict=True)]
    columns: dict[str, pd.Series] = {}
    for column in table(name).columns:
        if column.name == "geometry":
            continue
        values = frame[column.name] if column.name in frame else pd.Series(
            [None] * len(frame), dtype="object")
        if column.name in defaults:
            values = values.astype("object").where(values.notna(), defaults[column.name])
        kind = {"number": "float64", "whole": "int64", "flag": "bool",
                "time": "datetime64[us, UTC]"}.get(column.kind, "str")
        columns[column.name] = values.astype(kind) if kind != "datetime64[us, UTC]" else (
            pd.to_datetime(values, utc=True).astype(kind))
    return gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries(shapes, crs=CRS))
