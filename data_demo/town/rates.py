"""True rates, and the measures planted among the assets."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

from town.assets import KINDS
from town.model import Settings

STREET_WEIGHT = 0.62  # how much of an asset's standing is its street's


def base_rates(register: gpd.GeoDataFrame, settings: Settings,
               rng: np.random.Generator) -> np.ndarray:
    """Return the base rate per year of each asset, gamma within each type.

    The gamma draws of a type are dealt out in the order of a score that assets of one street
    share in part: the marginal stays gamma, and the worst assets stand in the same few streets.
    """
    street = register["street"] + register["tile"].astype(str)
    codes, names = pd.factorize(street)
    score = (np.sqrt(STREET_WEIGHT) * rng.standard_normal(len(names))[codes]
             + np.sqrt(1.0 - STREET_WEIGHT) * rng.standard_normal(len(register)))
    rates = np.zeros(len(register))
    for kind, row in KINDS.iterrows():
        here = np.flatnonzero(register["asset_type"] == kind)
        shape = float(row["gamma_shape"])
        draws = np.sort(rng.gamma(shape, float(row["rate_mean"]) / shape, len(here)))
        rates[here[np.argsort(score[here], kind="stable")]] = draws
    rates *= settings.rate_scale
    return rates * (1.0 - settings.offspring) if settings.near_repeat else rates


def place_measures(register: gpd.GeoDataFrame, base: np.ndarray, settings: Settings,
                   rng: np.random.Generator) -> pd.DataFrame:
    """Return measure, asset_id, role, started_at, true_ratio.

    The busiest assets are paired off and a coin says which of the two gets the measure, so that
    a comparison is fair.
    """
    allowed = register["coating_allowed"].to_numpy()
    order = np.argsort(-base, kind="stable")
    order = order[allowed[order]]
    coated = order[: 2 * settings.n_coated]
    lit = order[2 * settings.n_coated: 2 * (settings.n_coated + settings.n_lit)]
    plans = [("coating", coated, settings.coated_at, settings.coating_effect),
             ("lighting", lit, settings.lit_at, settings.lighting_effect)]
    parts = []
    for measure, assets, start, ratio in plans:
        pairs = len(assets) // 2
        first = rng.random(pairs) < 0.5
        role = np.where(np.column_stack([first, ~first]).reshape(-1), "treated", "comparison")
        parts.append(pd.DataFrame({
            "measure": measure, "asset_id": register["asset_id"].to_numpy()[assets[: 2 * pairs]],
            "role": role, "started_at": start,
            "true_ratio": np.where(role == "treated", ratio, 1.0)}))
    return pd.concat(parts, ignore_index=True)


def emerging_assets(register: gpd.GeoDataFrame, base: np.ndarray,
                    settings: Settings) -> np.ndarray:
    """Return positions of the assets of the emerging spot: a middling place, not a known one."""
    if settings.emerging_ratio == 1.0:
        return np.array([], dtype=int)
    xy = np.column_stack([register.geometry.x, register.geometry.y])
    near = cKDTree(xy).query_ball_point(xy, r=90.0)
    load = np.array([base[group].sum() for group in near])
    number = np.array([len(group) for group in near])
    fit = np.abs(load - np.quantile(load, 0.6)) + np.where(number < 8, 1e6, 0.0)
    return np.sort(np.array(near[int(np.argmin(fit))], dtype=int))
