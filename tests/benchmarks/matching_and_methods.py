"""How long matching, site building and advice take for a large log; run by hand.

    python tests/benchmarks/matching_and_methods.py [incidents] [assets]

Prints seconds, and the ratio to one bare nearest-neighbour query of the same points, which any
matching must do at the least. The town is random: assets 30 m apart on average, hit counts
Pareto-distributed, 70 % surveyed points, 15 % incidents on surfaces outside the register.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

from rehit.assets.match import place_incidents
from rehit.parameters import load_parameters
from rehit.tables import table
from rehit.treatment.choose import choose_methods

CRS = "EPSG:32625"
TYPES = np.array(["wall", "cabinet", "underpass", "bridge", "shelter"])
SUBSTRATES = np.array(["brick", "metal", "concrete", "timber"])


def make_register(n: int, rng: np.random.Generator) -> gpd.GeoDataFrame:
    side = np.sqrt(n) * 30
    street = np.array([f"street{i} road" for i in range(max(20, n // 50))])[
        rng.integers(0, max(20, n // 50), n)]
    key = pd.Series(rng.integers(1, 200, n)).astype("str") + " " + street
    return gpd.GeoDataFrame({
        "asset_id": [f"A-{i:06d}" for i in range(n)], "asset_type": TYPES[rng.integers(0, 5, n)],
        "substrate": SUBSTRATES[rng.integers(0, 4, n)], "finish": "painted", "wall_area_m2": 20.0,
        "owner": "council", "address": key, "address_key": key, "street_key": street,
        "heritage": False, "coating_allowed": True, "access": "ground", "traffic_control": False},
        geometry=gpd.points_from_xy(*(5e5 + rng.uniform(0, side, (2, n)))), crs=CRS)


def make_incidents(n: int, register: gpd.GeoDataFrame,
                   rng: np.random.Generator) -> gpd.GeoDataFrame:
    weight = rng.pareto(1.2, len(register)) + 0.01
    true = register.iloc[rng.choice(len(register), n, p=weight / weight.sum())]
    outside = rng.random(n) < 0.15
    quality = rng.choice(["surveyed", "address", "street", "none"], n, p=[0.7, 0.15, 0.1, 0.05])
    sd = np.where(quality == "surveyed", 6, 15)
    x, y = (true.geometry.x.to_numpy() + rng.normal(0, 1, n) * sd,
            true.geometry.y.to_numpy() + rng.normal(0, 1, n) * sd)
    side = np.sqrt(len(register)) * 30
    x, y = (np.where(outside, 5e5 + rng.uniform(0, side, n), v) for v in (x, y))
    given = pd.Series(true["asset_id"].to_numpy()).where((rng.random(n) < 0.3) & ~outside)
    key = pd.Series(true["address_key"].to_numpy()).where((rng.random(n) < 0.6) & ~outside)
    data: dict[str, object] = {
        "incident_id": [f"I{i}" for i in range(n)],
        "reported_at": pd.Series(pd.Timestamp("2024-01-01", tz="UTC") + pd.to_timedelta(
            rng.integers(0, 10**6, n), unit="min")).astype("datetime64[us, UTC]"),
        "cleared_at": pd.Series(pd.NaT, index=range(n), dtype="datetime64[us, UTC]"),
        "reported_precision": "minute", "status": "open", "outcome": "pending",
        "priority": "ordinary", "finish": "unknown", "medium": "spray", "area_basis": "measured",
        "substrate": np.where(rng.random(n) < 0.8, true["substrate"], "unknown"),
        "area_m2": rng.gamma(1, 1, n), "n_reports": 1, "service": "graffiti",
        "place_quality": quality,
        "address_key": key, "street_key": key.str.replace(r"^\d+ ", "", regex=True),
        "asset_id_given": given, "asset_type_given": true["asset_type"].to_numpy(),
        "source_rows": "log.csv#1"}
    for column in table("incidents").names:
        if column not in data and column != "geometry":
            data[column] = pd.Series(None, index=range(n), dtype="str")
    frame = gpd.GeoDataFrame(data, geometry=gpd.points_from_xy(x, y), crs=CRS)
    frame.loc[quality == "none", "geometry"] = None
    return frame


def timed(name: str, work: Callable[[], object], least: float | None = None) -> float:
    start = time.perf_counter()
    work()
    took = time.perf_counter() - start
    ratio = f", {took / least:.0f} x the bare query" if least else ""
    print(f"{name}: {took:.1f} s{ratio}", flush=True)
    return took


def main() -> None:
    n, m = (int(v) for v in (sys.argv[1:] + ["1000000", "100000"][len(sys.argv) - 1:]))
    rng = np.random.default_rng(1)
    register = make_register(m, rng)
    incidents = make_incidents(n, register, rng)
    values = load_parameters()
    xy = np.column_stack([incidents.geometry.x, incidents.geometry.y])
    xy = xy[np.isfinite(xy).all(axis=1)]
    assets = np.column_stack([register.geometry.x, register.geometry.y])
    least = timed("bare nearest neighbour", lambda: cKDTree(assets).query(xy))
    timed(f"matching {n} incidents to {m} assets",
          lambda: place_incidents(incidents, register, parameters=values), least)
    timed(f"sites of {n} incidents without a register",
          lambda: place_incidents(incidents, None, parameters=values), least)
    timed(f"advice for {n} incidents", lambda: choose_methods(incidents, parameters=values), least)
    print(f"largest memory: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.1f} GB")


if __name__ == "__main__":
    main()
