"""The asset register: what stands along the streets and could be marked."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from town.model import CRS, Settings

SLOT_M = 12.0
SET_BACK_M = 8.0
NEAR_CROSSING_M = 70.0
STRUCTURES = ("bridge abutment", "underpass", "subway")  # only where something is crossed

# type, share, wall area low, high, mean rate per year, gamma shape, owners
KINDS = pd.DataFrame(
    [("wall", 0.31, 8, 60, 1.50, 0.32), ("cabinet", 0.13, 1.2, 3, 1.00, 0.38),
     ("shutter", 0.09, 5, 14, 1.50, 0.38), ("fence", 0.10, 6, 45, 0.80, 0.32),
     ("sign", 0.08, 0.3, 2, 0.60, 0.35), ("bus shelter", 0.05, 4, 9, 1.30, 0.45),
     ("bench", 0.05, 0.8, 2, 0.40, 0.40), ("lamp column", 0.05, 0.8, 1.5, 0.30, 0.40),
     ("litter bin", 0.045, 0.5, 1.5, 0.50, 0.40), ("substation", 0.035, 10, 40, 1.70, 0.45),
     ("toilet block", 0.015, 25, 70, 2.60, 0.55), ("bridge abutment", 0.025, 20, 90, 3.00, 0.50),
     ("underpass", 0.018, 60, 180, 5.00, 0.70), ("subway", 0.012, 50, 140, 3.80, 0.70)],
    columns=["asset_type", "share", "area_low", "area_high", "rate_mean", "gamma_shape"],
).set_index("asset_type")

# type -> (substrate, finish, weight)
SURFACES: dict[str, tuple[tuple[str, str, float], ...]] = {
    "wall": (("brick", "painted", 29), ("brick", "bare", 24), ("render", "painted", 29),
             ("render", "bare", 3), ("concrete", "painted", 10), ("concrete", "bare", 4),
             ("stone", "bare", 7)),
    "cabinet": (("metal", "painted", 45), ("powder_coated", "bare", 50), ("plastic", "bare", 5)),
    "shutter": (("metal", "painted", 75), ("powder_coated", "bare", 25)),
    "fence": (("timber", "painted", 50), ("metal", "painted", 25), ("timber", "bare", 10),
              ("powder_coated", "bare", 15)),
    "sign": (("sign_face", "bare", 100),),
    "bus shelter": (("glass", "bare", 45), ("powder_coated", "bare", 40), ("plastic", "bare", 15)),
    "bench": (("timber", "painted", 50), ("metal", "painted", 25), ("stone", "bare", 25)),
    "lamp column": (("metal", "painted", 100),),
    "litter bin": (("plastic", "bare", 60), ("metal", "painted", 40)),
    "substation": (("brick", "painted", 45), ("render", "painted", 30), ("brick", "bare", 25)),
    "toilet block": (("render", "painted", 60), ("brick", "painted", 30), ("brick", "bare", 10)),
    "bridge abutment": (("brick", "bare", 40), ("stone", "bare", 35), ("concrete", "bare", 25)),
    "underpass": (("concrete", "painted", 65), ("concrete", "bare", 25), ("tile", "bare", 10)),
    "subway": (("concrete", "painted", 60), ("tile", "bare", 40)),
}
OWNERS: dict[str, tuple[str, ...]] = {
    "wall": ("council", "council", "housing association", "private"),
    "shutter": ("private", "private", "council"), "fence": ("council", "housing association"),
    "cabinet": ("telecoms company", "council", "council"), "substation": ("power company",),
    "bridge abutment": ("railway", "council"), "underpass": ("council", "railway"),
}
PREFIX = dict(zip(
    KINDS.index, ("WL", "CB", "SH", "FN", "SG", "BS", "BN", "LC", "LB", "SU", "TB", "BA", "UP",
                  "SW"), strict=True))
CLASS_PULL = {"main": 1.6, "street": 1.3, "lane": 1.4, "promenade": 1.3, "estate": 0.6,
              "dock": 0.7, "bridge": 2.0}


def make_register(streets: gpd.GeoDataFrame, settings: Settings,
                  rng: np.random.Generator) -> gpd.GeoDataFrame:
    """Return the register: one row per asset, projected points, no rates."""
    slots = _slots(streets)
    wanted = settings.n_assets * settings.tiles
    pull = slots["class"].map(CLASS_PULL).to_numpy() * rng.gamma(2.0, 0.5, len(slots))
    # Weighted draw without replacement (Efraimidis-Spirakis keys).
    keys = rng.exponential(1.0, len(slots)) / pull
    chosen = slots.iloc[np.sort(np.argsort(keys, kind="stable")[:wanted])].reset_index(drop=True)
    kinds = _kinds(chosen, rng)
    table = pd.DataFrame({"asset_id": "", "asset_type": kinds})
    table[["substrate", "finish"]] = _surfaces(kinds, rng)
    low, high = (KINDS[c].loc[kinds].to_numpy(float) for c in ("area_low", "area_high"))
    table["wall_area_m2"] = np.round(low * (high / low) ** rng.random(wanted), 1)
    table["owner"] = _owners(kinds, rng)
    table["street"] = chosen["name"]
    table["address"] = chosen["number"].astype(str) + " " + chosen["name"]
    _add_conditions(table, chosen, rng)
    table["asset_id"] = _numbers(kinds)
    table["tile"] = chosen["tile"].to_numpy()
    return gpd.GeoDataFrame(table, geometry=gpd.points_from_xy(chosen["x"], chosen["y"]), crs=CRS)


def _slots(streets: gpd.GeoDataFrame) -> pd.DataFrame:
    """Return places every few metres along both sides of every street."""
    lines = streets.geometry.to_numpy()
    counts = np.maximum((streets["length_m"].to_numpy() // SLOT_M).astype(int) - 1, 0)
    edge = np.repeat(np.arange(len(lines)), counts)
    step = np.concatenate([np.arange(1, n + 1) for n in counts])
    at = shapely.line_interpolate_point(lines[edge], step * SLOT_M)
    ahead = shapely.line_interpolate_point(lines[edge], step * SLOT_M + 1.0)
    x, y = shapely.get_x(at), shapely.get_y(at)
    dx, dy = shapely.get_x(ahead) - x, shapely.get_y(ahead) - y
    length = np.hypot(dx, dy)
    facts = streets.iloc[edge][["name", "class", "tile"]].reset_index(drop=True)
    facts["number"] = _house_numbers(facts, x, y)
    sides = []
    for side in (1.0, -1.0):
        frame = facts.copy()
        frame["x"] = np.round(x - side * SET_BACK_M * dy / length, 2)
        frame["y"] = np.round(y + side * SET_BACK_M * dx / length, 2)
        frame["number"] += int(side < 0)  # odd on one side, even on the other
        sides.append(frame)
    slots = pd.concat(sides, ignore_index=True)
    slots["crossing"] = _near_crossing(slots)
    slots = slots.sort_values(["tile", "name", "number"], kind="stable")
    return slots.reset_index(drop=True)


def _house_numbers(facts: pd.DataFrame, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Count 1, 3, 5 ... along each street, from its west end, or from its south end if steep."""
    table = facts[["tile", "name"]].assign(x=x, y=y)
    groups = table.groupby(["tile", "name"])
    steep = (groups["y"].transform(np.ptp) > groups["x"].transform(np.ptp)).to_numpy()
    table["along"] = np.where(steep, y, x)
    rank = table.groupby(["tile", "name"])["along"].rank(method="first").astype(int)
    return 2 * rank.to_numpy() - 1


def _near_crossing(slots: pd.DataFrame) -> np.ndarray:
    """Tell which slots stand where the railway or the canal is crossed."""
    xy = slots[["x", "y"]].to_numpy()
    bridge = slots["class"].eq("bridge").to_numpy()
    distance, _ = cKDTree(xy[bridge]).query(xy, distance_upper_bound=NEAR_CROSSING_M)
    return np.isfinite(distance)


def _kinds(chosen: pd.DataFrame, rng: np.random.Generator) -> np.ndarray:
    usual = KINDS.drop(index=list(STRUCTURES))
    kinds = rng.choice(usual.index.to_numpy(dtype=object), size=len(chosen),
                       p=usual["share"] / usual["share"].sum())
    special = rng.choice(np.array(STRUCTURES, dtype=object), size=len(chosen), p=[0.46, 0.33, 0.21])
    here = chosen["crossing"].to_numpy() & (rng.random(len(chosen)) < 0.42)
    return np.where(here, special, kinds)


def _surfaces(kinds: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    result = np.empty((len(kinds), 2), dtype=object)
    for kind, options in SURFACES.items():
        here = np.flatnonzero(kinds == kind)
        weights = np.array([w for _, _, w in options], dtype=float)
        pick = rng.choice(len(options), size=len(here), p=weights / weights.sum())
        result[here] = np.array([o[:2] for o in options], dtype=object)[pick]
    return result


def _owners(kinds: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    owners = np.full(len(kinds), "council", dtype=object)
    for kind, options in OWNERS.items():
        here = np.flatnonzero(kinds == kind)
        owners[here] = rng.choice(np.array(options, dtype=object), size=len(here))
    return owners


def _add_conditions(table: pd.DataFrame, chosen: pd.DataFrame, rng: np.random.Generator) -> None:
    size = len(table)
    old = chosen["class"].isin(["street", "lane", "main"]).to_numpy()
    stony = table["substrate"].isin(["stone", "brick"]).to_numpy() & (table["finish"] == "bare")
    table["heritage"] = (stony & old & (rng.random(size) < 0.25)).astype(bool)
    leased = table["owner"].isin(["telecoms company", "power company", "private"]).to_numpy()
    table["coating_allowed"] = ~table["heritage"] & ~(leased & (rng.random(size) < 0.5))
    high = table["asset_type"].isin(["bridge abutment", "wall", "underpass"]).to_numpy()
    draw = rng.random(size)
    table["access"] = np.where(high & (draw < 0.06), "platform",
                               np.where(high & (draw < 0.2), "ladder", "ground"))
    main = chosen["class"].isin(["main", "bridge"]).to_numpy()
    table["traffic_control"] = main & (rng.random(size) < 0.3)
    table["lit"] = rng.random(size) < np.where(chosen["class"].isin(["lane", "dock"]), 0.35, 0.8)
    table["coated_at"] = pd.Series([None] * size, dtype="str")


def _numbers(kinds: np.ndarray) -> np.ndarray:
    prefix = pd.Series(kinds).map(PREFIX)
    count = prefix.groupby(prefix).cumcount() + 1
    return (prefix + "-" + count.astype(str).str.zfill(4)).to_numpy(dtype=object)
