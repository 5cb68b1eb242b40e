"""Making a town: every part in order, each from its own stream of the one seed."""

from __future__ import annotations

import dataclasses
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from town import faults, messy, rates, reports, works
from town.assets import make_register
from town.layout import tiled_plan
from town.model import CRS, PLACE_NAME, TIME_ZONE, Settings, Town
from town.simulate import simulate, to_instants

ROWS_PER_TILE = 7_000  # a little under the mean of many towns


def make_town(**options: Any) -> Town:
    """Make a town in memory.

    Parameters
    ----------
    **options
        Any field of :class:`town.model.Settings`: `seed`, `n_assets`, `years`, `near_repeat`,
        `coating_effect`, ...

    Returns
    -------
    Town
        Same options, same town.

    Examples
    --------
    >>> from make_demo import make_town
    >>> town = make_town(seed=7, near_repeat=False)
    >>> len(town.register)
    1600
    """
    settings = Settings(**options)
    streams = np.random.default_rng(settings.seed).spawn(7)
    streets = tiled_plan(settings.tiles)
    register = make_register(streets, settings, streams[0])
    base = rates.base_rates(register, settings, streams[1])
    measures = rates.place_measures(register, base, settings, streams[2])
    emerging = rates.emerging_assets(register, base, settings)
    raw, asset_rates = simulate(register, base, measures, emerging, settings, streams[3])
    everything = reports.add_details(raw, register, streams[4])
    known = everything[everything["reported_day"] < settings.log_days].reset_index(drop=True)
    filed = reports.make_reports(known, settings, streams[4])
    log, rows, personal, hostile = _log(filed, settings, streams[5])
    crew = works.make_works(rows, known, settings, streams[6])
    register = _with_measures(register, measures)
    return Town(
        settings=settings, streets=streets, register=register, log=log, works=crew,
        depots=works.make_depots(), vehicles=works.make_vehicles(), measures=measures,
        incidents=_truth_incidents(known, settings), rows=rows,
        rates=_truth_rates(asset_rates, everything, register, measures, emerging, settings),
        personal=personal, hostile=hostile, facts=_facts(settings, log))


def _log(filed: pd.DataFrame, settings: Settings, rng: np.random.Generator) -> tuple[
        pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    text = messy.write_rows(filed, settings, rng)
    planter = faults.Planter(text, filed, settings, rng)
    refs = text["case_ref"].copy()
    personal = pd.DataFrame(columns=["row", "kind", "secret", "note"])
    hostile = pd.DataFrame(columns=["row", "kind", "note"])
    junk, junk_truth = text.iloc[:0], pd.DataFrame({"junk_reason": [], "copy_of": []})
    if settings.faults:
        faults.plant_place_faults(planter)
        faults.plant_date_faults(planter)
        faults.plant_id_faults(planter)
        personal, hostile = faults.plant_notes(planter)
        junk, junk_truth = faults.junk_rows(planter.text, rng)
    rows = pd.DataFrame({
        "case_ref": refs, "role": filed["role"], "true_id": filed["true_id"],
        "asset_id": filed["asset_id"], "x": filed["x"], "y": filed["y"],
        "faults": planter.faults, "junk_reason": "", "position": np.arange(len(filed)) * 1.0})
    extra = _junk_truth(rows, junk, junk_truth, rng)
    both = pd.concat([planter.text.assign(position=rows["position"]),
                      junk.assign(position=extra["position"])], ignore_index=True)
    rows = pd.concat([rows, extra], ignore_index=True)
    order = np.argsort(both["position"].to_numpy(), kind="stable")
    place = np.empty(len(order), dtype=int)
    place[order] = np.arange(1, len(order) + 1)
    log = both.iloc[order].drop(columns="position").rename(columns=messy.HEADER).astype("str")
    rows = rows.iloc[order].drop(columns="position")
    for frame in (log, rows):
        frame.index = pd.RangeIndex(1, len(frame) + 1, name="source_row")
    return log, rows, _renumbered(personal, place), _renumbered(hostile, place)


def _renumbered(planted: pd.DataFrame, place: np.ndarray) -> pd.DataFrame:
    """Name planted rows by their place in the finished log."""
    result = planted.drop(columns="row")
    result.insert(0, "source_row", place[planted["row"].to_numpy(dtype=int)])
    return result


def _junk_truth(rows: pd.DataFrame, junk: pd.DataFrame, truth: pd.DataFrame,
                rng: np.random.Generator) -> pd.DataFrame:
    """Return the truth of the junk rows; an exact copy stands right after its original."""
    copy = truth["copy_of"].to_numpy(dtype=int)
    source = np.where(copy >= 0, copy, 0)
    extra = rows.iloc[source].reset_index(drop=True)
    extra["role"], extra["faults"] = "junk", ""
    extra["junk_reason"] = truth["junk_reason"].to_numpy()
    extra["case_ref"] = junk["case_ref"].to_numpy()
    lonely = copy < 0
    extra.loc[lonely, ["true_id", "asset_id"]] = ""
    extra.loc[lonely, ["x", "y"]] = np.nan
    spot = rng.integers(0, max(len(rows), 1), len(extra)) + 0.5
    spot[(extra["junk_reason"] == "blank_row").to_numpy()] = len(rows) + 1.0
    extra["position"] = np.where(lonely, spot, source + 0.25)
    return extra


def _with_measures(register: gpd.GeoDataFrame, measures: pd.DataFrame) -> gpd.GeoDataFrame:
    result = register.copy()
    treated = measures[measures["role"] == "treated"].set_index("asset_id")
    coated = treated[treated["measure"] == "coating"]
    days = coated["started_at"].dt.tz_convert(TIME_ZONE).dt.strftime("%Y-%m-%d")
    result["coated_at"] = result["asset_id"].map(days).astype("str")
    lit = result["asset_id"].isin(treated.index[treated["measure"] == "lighting"])
    result["lit"] = result["lit"] | lit
    return result


def _truth_incidents(known: pd.DataFrame, settings: Settings) -> gpd.GeoDataFrame:
    table = known.drop(columns=["asset", "street"]).copy()
    for name in ("marked", "reported", "cleared"):
        table[f"{name}_at"] = to_instants(table[f"{name}_day"], settings)
    # What had not happened when the extract was taken is not in the log: the case is open.
    table["open_at_end"] = table["cleared_day"] >= settings.log_days
    table["method"] = works.true_method(table)
    table = table.drop(columns=["marked_day", "reported_day", "cleared_day"])
    return gpd.GeoDataFrame(table, geometry=gpd.points_from_xy(table["x"], table["y"]), crs=CRS)


def _truth_rates(asset_rates: pd.DataFrame, everything: pd.DataFrame, register: gpd.GeoDataFrame,
                 measures: pd.DataFrame, emerging: np.ndarray, settings: Settings) -> pd.DataFrame:
    table = asset_rates.copy()
    inside = everything["reported_day"] < settings.log_days
    for name, part in (("n_incidents", everything[inside]), ("n_next_quarter",
                                                              everything[~inside])):
        count = part["asset_id"].value_counts()
        table[name] = table["asset_id"].map(count).fillna(0).astype(int)
    table.insert(1, "asset_type", register["asset_type"].to_numpy())
    role = measures.assign(word=measures["measure"] + "_" + measures["role"])
    table["measure"] = table["asset_id"].map(role.set_index("asset_id")["word"]).fillna("")
    table["emerging"] = False
    table.loc[emerging, "emerging"] = True
    return table


def _facts(settings: Settings, log: pd.DataFrame) -> dict[str, Any]:
    facts: dict[str, Any] = {"place": PLACE_NAME, "crs": CRS, "time_zone": TIME_ZONE,
                             "rows": len(log), "observed_from": settings.start.isoformat(),
                             "observed_to": settings.end.isoformat(),
                             "coated_at": settings.coated_at.isoformat(),
                             "lit_at": settings.lit_at.isoformat(),
                             "emerging_from": settings.emerging_from.isoformat(),
                             "effort_minutes_visit_m2_paint_remover_water_l_per_m2": works.EFFORT,
                             "minutes_grow_with_this_power_of_m2": works.AREA_POWER,
                             "labour_per_hour": works.LABOUR_PER_HOUR}
    return facts | {"settings": dataclasses.asdict(settings)}
