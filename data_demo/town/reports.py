"""From true incidents to reports: who filed what, when, and how well they placed it."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from town.model import Settings

REPEATS_PER_WAITING_DAY = 0.075
MEDIA = (("spray", 0.71), ("marker", 0.22), ("sticker", 0.025), ("wax", 0.02), ("etched", 0.005),
         ("house_paint", 0.02))


def add_details(incidents: pd.DataFrame, register: gpd.GeoDataFrame,
                rng: np.random.Generator) -> pd.DataFrame:
    """Return the incidents with surface, medium, marked area, outcome and true place."""
    facts = register.iloc[incidents["asset"]].reset_index(drop=True)
    table = incidents.copy()
    for column in ("asset_type", "substrate", "finish", "address", "street", "owner"):
        table[column] = facts[column].to_numpy()
    n = len(table)
    names, chances = zip(*MEDIA, strict=True)
    medium = rng.choice(np.array(names, dtype=object), size=n, p=chances)
    glass = (table["substrate"] == "glass").to_numpy()
    etched = glass & (rng.random(n) < 0.25)
    medium = np.where(etched, "etched", np.where(~glass & (medium == "etched"), "marker", medium))
    table["medium"] = medium
    spread = np.where(np.isin(medium, ["marker", "sticker", "wax"]), -1.3, 0.35)
    area = rng.lognormal(spread, 0.75, n)
    table["area_m2"] = np.round(np.clip(area, 0.03, 0.7 * facts["wall_area_m2"].to_numpy()), 2)
    table["outcome"] = _outcomes(table, rng)
    table["x"], table["y"] = facts.geometry.x.to_numpy(), facts.geometry.y.to_numpy()
    return table


def _outcomes(table: pd.DataFrame, rng: np.random.Generator) -> np.ndarray:
    draw = rng.random(len(table))
    outcome = np.where(draw < 0.015, "not_found", "cleared").astype(object)
    private = table["owner"].eq("private").to_numpy() & (draw > 0.93)
    elsewhere = table["owner"].isin(["railway", "power company"]).to_numpy() & (draw > 0.95)
    outcome[private], outcome[elsewhere] = "private_owner", "referred"
    return outcome


def make_reports(incidents: pd.DataFrame, settings: Settings,
                 rng: np.random.Generator) -> pd.DataFrame:
    """Return one row per report: the first of each incident, and repeats while it waited.

    Repeats come at a steady rate per waiting day, up to the clearing or the extract's end.
    """
    until = np.minimum(incidents["cleared_day"].to_numpy(float), settings.log_days)
    wait = np.maximum(until - incidents["reported_day"].to_numpy(float), 0.0)
    pull = rng.gamma(1.5, 1 / 1.5, len(incidents))
    count = rng.poisson(np.minimum(REPEATS_PER_WAITING_DAY * wait * pull, 6.0))
    source = np.repeat(np.arange(len(incidents)), count)
    reported, waited = incidents["reported_day"].to_numpy()[source], wait[source]
    when = reported + rng.uniform(0.01, 0.97, len(source)) * waited
    # People report by day: the clock is drawn in to between seven and ten where that fits.
    by_day = np.floor(when) + 0.3 + 0.62 * (when % 1.0)
    when = np.where((by_day > reported) & (by_day < reported + waited), by_day, when)
    first = incidents.assign(incident=np.arange(len(incidents)), role="first",
                             report_day=incidents["reported_day"])
    repeat = incidents.iloc[source].assign(incident=source, role="repeat", report_day=when)
    reports = pd.concat([first, repeat], ignore_index=True)
    reports = reports.sort_values(["report_day", "role"], kind="stable").reset_index(drop=True)
    return _place(reports, rng)


def _place(reports: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Add the coordinates as filed: a telephone call is placed by address, a phone by satellite."""
    n = len(reports)
    later = reports["report_day"].to_numpy() / reports["report_day"].max()
    reports["channel"] = np.select(
        [rng.random(n) < 0.25 + 0.35 * later, rng.random(n) < 0.5], ["App", "Phone"],
        rng.choice(np.array(["Web form", "Crew", "Email"], dtype=object), size=n))
    spread = reports["channel"].map({"App": 3.5, "Crew": 2.0}).fillna(3.0).to_numpy()
    reports["filed_x"] = reports["x"] + rng.normal(0.0, 1.0, n) * spread
    reports["filed_y"] = reports["y"] + rng.normal(0.0, 1.0, n) * spread
    crew = (reports["channel"] == "Crew").to_numpy()
    reports["gives_id"] = rng.random(n) < np.where(crew, 0.9, 0.25 + 0.3 * later)
    return reports
