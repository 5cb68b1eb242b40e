"""The crew's own log, the depots and the vehicles."""

from __future__ import annotations

import numpy as np
import pandas as pd

from town.model import ORIGIN_XY, TIME_ZONE, Settings
from town.simulate import to_instants

# method: minutes per visit, minutes for the first m2, paint, remover, water in litres per m2
EFFORT: dict[str, tuple[float, float, float, float, float]] = {
    "paint_out": (14.0, 7.0, 0.22, 0.0, 0.0), "solvent_wipe": (10.0, 22.0, 0.0, 0.25, 0.5),
    "hot_wash": (32.0, 18.0, 0.0, 0.45, 28.0), "scrape": (9.0, 25.0, 0.0, 0.05, 0.2),
    "polish_or_replace": (60.0, 30.0, 0.0, 0.1, 1.0), "refer": (5.0, 0.0, 0.0, 0.0, 0.0),
}
# Each further square metre painted out takes less: minutes grow with this power of the area.
AREA_POWER = {"paint_out": 0.7}
LABOUR_PER_HOUR, PAINT_PER_L, REMOVER_PER_L, WASTE_PER_L = 34.0, 9.5, 14.0, 0.35


def true_method(incidents: pd.DataFrame) -> np.ndarray:
    """Return what a good crew did: by medium first, then surface, then size."""
    painted = incidents["finish"].eq("painted").to_numpy()
    hard = incidents["substrate"].isin(["brick", "stone", "concrete", "render"]).to_numpy()
    tiny = (incidents["area_m2"] < 0.08).to_numpy()
    medium = incidents["medium"]
    return np.select(
        [medium.eq("etched"), medium.eq("sticker"), medium.eq("house_paint") & ~painted,
         painted & tiny, painted, hard],
        ["polish_or_replace", "scrape", "refer", "solvent_wipe", "paint_out", "hot_wash"],
        "solvent_wipe")


def make_works(rows: pd.DataFrame, incidents: pd.DataFrame, settings: Settings,
               rng: np.random.Generator) -> pd.DataFrame:
    """Return the works log: one line per cleared incident that the crew wrote down."""
    first = rows[rows["role"] == "first"].drop_duplicates("true_id").set_index("true_id")
    done = incidents[(incidents["outcome"] == "cleared")
                     & (incidents["cleared_day"] < settings.log_days)]
    done = done[rng.random(len(done)) < 0.93].sort_values("cleared_day", kind="stable")
    method = true_method(done)
    done, method = done[method != "refer"], method[method != "refer"]  # nothing done on site
    visit, per_m2, paint, remover, water = (
        pd.Series(method).map({k: v[i] for k, v in EFFORT.items()}).to_numpy() for i in range(5))
    area, n = done["area_m2"].to_numpy(), len(done)
    power = pd.Series(method).map(AREA_POWER).fillna(1.0).to_numpy()
    minutes = (visit + per_m2 * area**power) * rng.lognormal(-0.04, 0.28, n)
    crew = np.where(method == "hot_wash", 2, 1)
    litres = [np.round(k * area * rng.lognormal(-0.03, 0.25, n), 2) for k in (paint, remover,
                                                                             water)]
    materials = litres[0] * PAINT_PER_L + litres[1] * REMOVER_PER_L + litres[2] * WASTE_PER_L
    table = pd.DataFrame({
        "case_ref": first["case_ref"].reindex(done["true_id"]).to_numpy(),
        "asset_id": done["asset_id"].to_numpy(),
        "done_at": to_instants(done["cleared_day"], settings).dt.tz_convert(
            TIME_ZONE).dt.strftime("%Y-%m-%d %H:%M").to_numpy(),
        "crew": np.where(method == "hot_wash", "Crew C", np.where(rng.random(n) < 0.5, "Crew A",
                                                                  "Crew B")),
        "method": method, "area_m2": area, "minutes": np.round(minutes).astype(int),
        "crew_size": crew, "crew_hours": np.round(minutes / 60 * crew, 2),
        "paint_l": litres[0], "remover_l": litres[1], "wash_water_l": litres[2],
        "materials_cost": np.round(materials, 2),
        "cost": np.round(minutes / 60 * crew * LABOUR_PER_HOUR + materials, 2)})
    table.insert(0, "work_id", "J" + pd.Series(range(1, n + 1)).astype(str).str.zfill(6))
    return table


def make_depots() -> pd.DataFrame:
    """Return the two depots, in the town's CRS and in degrees (filled on writing)."""
    x, y = ORIGIN_XY
    return pd.DataFrame({
        "depot_id": ["D1", "D2"], "name": ["Ballast Road depot", "Meadow Road yard"],
        "address": ["2 Ballast Road", "40 Meadow Road"], "x": [x + 1240.0, x - 800.0],
        "y": [y + 880.0, y + 1300.0], "water_l": [20000, 4000], "opens": ["06:30", "07:00"],
        "closes": ["18:00", "16:30"]})


def make_vehicles() -> pd.DataFrame:
    """Return the vehicles: two vans that paint and wipe, one hot-wash trailer with water."""
    return pd.DataFrame({
        "vehicle_id": ["V1", "V2", "V3"],
        "name": ["Van A", "Van B", "Hot-wash trailer C"],
        "kind": ["paint_only", "paint_only", "hot_wash"], "depot_id": ["D1", "D2", "D1"],
        "methods": ["paint_out;solvent_wipe;scrape", "paint_out;solvent_wipe;scrape",
                    "paint_out;solvent_wipe;scrape;hot_wash"],
        "crew_size": [1, 1, 2], "water_l": [20, 20, 600], "shift_start": ["07:00"] * 3,
        "shift_end": ["15:00"] * 3, "break_minutes": [30] * 3})
