"""The marking process, day by day for all assets at once."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.sparse import csr_array
from scipy.spatial import cKDTree

from town.model import TIME_ZONE, Settings

YEAR_DAYS = 365.25
OFFENSIVE_SHARE = 0.11
NEVER = 1e9


def simulate(register: gpd.GeoDataFrame, base: np.ndarray, measures: pd.DataFrame,
             emerging: np.ndarray, settings: Settings,
             rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the true incidents and, per asset, the rate and time at risk they came from.

    A marked asset is not at risk until it is cleared. Each marking spreads `offspring` further
    markings in the mean over the other assets within `ring_m`, in proportion to their base rates
    and evenly over `ring_days`. Season and measures act on both. Times are days since the start.
    """
    n = len(register)
    last = settings.log_days
    days = last + settings.holdout_days
    ring = _ring(register, base, settings)
    factors = _Factors(register, measures, emerging, settings, n)
    heritage = register["heritage"].to_numpy()
    excited, recent = np.zeros(n), np.zeros((settings.ring_days, n), dtype=np.float32)
    free_from = np.zeros(n)
    hazard, at_risk, expected = np.zeros(n), np.zeros(n), np.zeros(n)
    found: list[tuple[np.ndarray, ...]] = []
    for day in range(days):
        ratio = factors.on(day)
        rate = ratio * (base + np.maximum(excited, 0.0))
        open_share = np.clip(day + 1.0 - free_from, 0.0, 1.0)
        chance = -np.expm1(-rate * open_share / YEAR_DAYS)
        draw = rng.random(n)
        hit = np.flatnonzero(draw < chance)
        lost = np.zeros(n)
        added = np.zeros(n)
        if len(hit):
            # Given a hit, the instant follows the exponential cut at the end of the day.
            gone = -np.log1p(-draw[hit]) * YEAR_DAYS / rate[hit]
            marked = day + 1.0 - open_share[hit] + gone
            event = _handle(marked, heritage[hit], rng)
            free_from[hit] = event[2]
            triggered = rng.random(len(hit)) * rate[hit] > (ratio * base)[hit]
            found.append((hit, *event, triggered))
            lost[hit] = open_share[hit] - gone
            if ring is not None:
                added = np.asarray(ring[hit].sum(axis=0)).reshape(-1)
        if day < last:
            hazard += rate * (open_share - lost) / YEAR_DAYS
            at_risk += (open_share - lost) / YEAR_DAYS
        else:
            expected += rate * (open_share - lost) / YEAR_DAYS
        slot = day % settings.ring_days
        excited += added - recent[slot]
        recent[slot] = added
    rates = pd.DataFrame({
        "asset_id": register["asset_id"].to_numpy(), "base_rate_per_year": base,
        "rate_per_year": hazard / np.maximum(at_risk, 1e-9), "at_risk_years": at_risk,
        "ratio_at_end": factors.plain, "expected_next_quarter": expected})
    return _table(found, register), rates


class _Factors:
    """Season, trend and measures: the ratio by which each asset's base rate changes on a day."""

    def __init__(self, register: gpd.GeoDataFrame, measures: pd.DataFrame, emerging: np.ndarray,
                 settings: Settings, n: int) -> None:
        self.settings, self.plain, self.steps = settings, np.ones(n), []
        self.middle = settings.log_days / 2
        position = pd.Series(np.arange(n), index=register["asset_id"])
        treated = measures[measures["role"] == "treated"]
        for _, group in treated.groupby(["started_at", "true_ratio"]):
            start = (group["started_at"].iloc[0] - settings.start).days
            self.steps.append((int(start), float(group["true_ratio"].iloc[0]),
                               position[group["asset_id"]].to_numpy()))
        self.steps.append(((settings.emerging_from - settings.start).days,
                           settings.emerging_ratio, emerging))

    def on(self, day: int) -> np.ndarray:
        """Return the ratios of one day."""
        for start, ratio, assets in self.steps:
            if day == start:
                self.plain[assets] *= ratio
        season = 1.0 + self.settings.season * np.cos(2 * np.pi * (day - 200.0) / YEAR_DAYS)
        drift = self.settings.trend_per_year ** ((day - self.middle) / YEAR_DAYS)
        return self.plain * (season * drift)


def _ring(register: gpd.GeoDataFrame, base: np.ndarray, settings: Settings) -> csr_array | None:
    """Return, per marked asset (row), the rate per year it adds to each asset around it."""
    if not settings.near_repeat:
        return None
    xy = np.column_stack([register.geometry.x, register.geometry.y])
    tree = cKDTree(xy)
    pairs = tree.query_pairs(settings.ring_m, output_type="ndarray")
    source = np.concatenate([pairs[:, 0], pairs[:, 1]])
    target = np.concatenate([pairs[:, 1], pairs[:, 0]])
    total = np.bincount(source, weights=base[target], minlength=len(base))
    per_year = settings.offspring * YEAR_DAYS / settings.ring_days
    weights = per_year * base[target] / total[source]
    return csr_array((weights, (source, target)), shape=(len(base), len(base)))


def _handle(marked: np.ndarray, heritage: np.ndarray,
            rng: np.random.Generator) -> tuple[np.ndarray, ...]:
    """Return marked, reported and cleared times and the offensive flag of new markings."""
    n = len(marked)
    offensive = rng.random(n) < OFFENSIVE_SHARE
    reported = marked + rng.exponential(0.15, n)
    clock = reported % 1.0
    night = (clock < 0.29) | (clock > 0.92)
    morning = np.floor(reported + 0.08) + 0.29 + rng.exponential(0.06, n)
    reported = np.where(night, np.maximum(morning, reported), reported)
    wait = np.where(offensive, rng.lognormal(-0.35, 0.5, n), rng.lognormal(1.05, 0.75, n))
    slow = rng.random(n) < 0.012
    wait = np.where(slow, wait + rng.gamma(2.0, 15.0, n), wait)
    wait = np.where(heritage, wait * 3.0 + 3.0, wait)
    cleared = np.floor(reported + wait) + rng.uniform(0.3, 0.68, n)
    cleared = np.where(cleared < reported + 0.03, cleared + 1.0, cleared)
    weekday = (np.floor(cleared).astype(int) + 6) % 7  # the log starts on a Sunday
    weekend = (weekday >= 5) & ~offensive
    cleared = cleared + np.where(weekend, 7 - weekday, 0)
    return marked, reported, cleared, offensive


def _table(found: list[tuple[np.ndarray, ...]], register: gpd.GeoDataFrame) -> pd.DataFrame:
    columns = ["asset", "marked_day", "reported_day", "cleared_day", "offensive", "triggered"]
    arrays = [np.concatenate(part) for part in zip(*found, strict=True)]
    table = pd.DataFrame(dict(zip(columns, arrays, strict=True)))
    table = table.sort_values(["reported_day", "asset"], kind="stable").reset_index(drop=True)
    table.insert(0, "true_id", "T" + (table.index + 1).astype(str).str.zfill(7))
    table.insert(1, "asset_id", register["asset_id"].to_numpy()[table["asset"]])
    return table


def to_instants(day: pd.Series, settings: Settings) -> pd.Series:
    """Turn local wall-clock days since the start into UTC instants, to the minute.

    A clock time that does not exist, or comes twice, on a change-over night is moved an hour.
    """
    local = settings.start.tz_convert(TIME_ZONE).tz_localize(None)
    minutes = pd.to_timedelta(np.floor(day.to_numpy(float) * 1440).astype("int64"), unit="min")
    stamps = pd.Series(local + minutes, index=day.index).astype("datetime64[us]")
    zoned = stamps.dt.tz_localize(TIME_ZONE, ambiguous=np.ones(len(stamps), dtype=bool),
                                  nonexistent=pd.Timedelta(hours=1))
    return zoned.dt.tz_convert("UTC")
