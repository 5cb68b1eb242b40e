"""Every plan checked again from its tables alone: nothing here knows how the plan was made."""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import pairwise

import geopandas as gpd
import numpy as np
import pandas as pd

TOLERANCE_MIN = 0.05
MIN_PER_H = 60.0
S_PER_MIN = 60.0


def check_plan(visits: gpd.GeoDataFrame, stops: gpd.GeoDataFrame, crews: gpd.GeoDataFrame,
               left_out: pd.DataFrame, *, seconds: np.ndarray, break_after_h: float,
               break_from_h: float, break_to_h: float, break_late_h: float = 0.0,
               since_min: float | None = None,
               done: Mapping[str, int] | None = None) -> list[str]:
    """Return in plain words every rule the plan breaks; none for a good plan.

    Parameters
    ----------
    visits, stops, crews, left_out
        Tables of those contracts.
    seconds
        Driving times: rows are the crews' depots in the order of `crews`, then the stops in the
        order of `stops`.
    break_after_h, break_from_h, break_to_h
        A day longer than the first needs a break begun between the others, from shift start.
    since_min, done, break_late_h
        For a plan changed during the day: when, how many rows of each crew's day were over (their
        clock is not checked again), and how long after that a break still to come may begin.
    """
    faults = _accounts(visits, stops, left_out)
    row_of = {stop: len(crews) + i for i, stop in enumerate(stops["stop_id"])}
    table = pd.DataFrame(stops).set_index("stop_id")
    for at, row in enumerate(crews.to_dict("records")):
        crew = {str(key): value for key, value in row.items()}
        own = pd.DataFrame(visits[visits["crew_id"] == crew["crew_id"]]).sort_values("position")
        if own.empty:
            continue
        who = f"{crew['name']}: "
        rows = [{str(k): v for k, v in row.items()} for row in own.to_dict("records")]
        over = (done or {}).get(str(crew["crew_id"]), 0)
        last = _number(crew["shift_start_min"]) + break_to_h * MIN_PER_H
        if since_min is not None:
            last = max(last, since_min + break_late_h * MIN_PER_H)
        faults += [who + fault for fault in _clock(rows, crew, at, row_of, seconds, over)]
        faults += [who + fault for fault in _stops(rows, crew, table, over)]
        faults += [who + fault for fault in _rest(
            rows, crew, break_after_h, break_from_h, last, over)]
        faults += [f"{who}is at {row['name']} before the plan was changed" for row in rows[over:]
                   if since_min is not None and _number(row["leave_min"]) < since_min - 1.0]
    return faults


def _accounts(visits: pd.DataFrame, stops: pd.DataFrame, left_out: pd.DataFrame) -> list[str]:
    seen = list(visits.loc[visits["kind"].isin(["reported", "hotspot"]), "stop_id"])
    faults = [f"{stop} is visited twice" for stop in sorted({s for s in seen if seen.count(s) > 1})]
    both = set(seen) & set(left_out["stop_id"])
    faults += [f"{stop} is both visited and left out" for stop in sorted(both)]
    lost = set(stops["stop_id"]) - set(seen) - set(left_out["stop_id"])
    faults += [f"{stop} is neither visited nor left out" for stop in sorted(lost)]
    strange = set(seen) - set(stops["stop_id"])
    return faults + [f"{stop} is visited but not in the list" for stop in sorted(strange)]


def _clock(rows: list[dict[str, object]], crew: dict[str, object], home: int,
           row_of: dict[str, int], seconds: np.ndarray, over: int) -> list[str]:
    faults = []
    if rows[0]["kind"] != "depart" or rows[-1]["kind"] != "return":
        faults.append("does not start and end at the depot")
    if _number(rows[0]["leave_min"]) < _number(crew["shift_start_min"]) - TOLERANCE_MIN:
        faults.append("leaves before the shift starts")
    if _number(rows[-1]["arrive_min"]) > _number(crew["shift_end_min"]) + TOLERANCE_MIN:
        faults.append("is back after the shift ends")
    here = home
    for at, (before, row) in enumerate(pairwise(rows), start=1):
        there = _where(row, home, row_of)
        if at < over:
            here = there
            continue
        drive = float(seconds[here, there]) / S_PER_MIN
        if not math.isfinite(drive):
            faults.append(f"no way to {row['name']}")
        elif _number(row["arrive_min"]) < _number(before["leave_min"]) + drive - TOLERANCE_MIN:
            faults.append(f"is at {row['name']} sooner than the drive allows")
        if _number(row["start_min"]) < _number(row["arrive_min"]) - TOLERANCE_MIN:
            faults.append(f"starts at {row['name']} before arriving")
        here = there
    return faults


def _where(row: dict[str, object], home: int, row_of: dict[str, int]) -> int:
    if row["kind"] in ("reported", "hotspot"):
        return row_of[str(row["stop_id"])]
    return int(str(row["location"])) if row["kind"] == "break" else home


def _stops(rows: list[dict[str, object]], crew: dict[str, object],
           table: pd.DataFrame, over: int) -> list[str]:
    faults, water = [], 0.0
    methods = {part.strip() for part in str(crew["methods"]).split(";")} | {"inspect"}
    for at, row in enumerate(rows):
        if row["kind"] not in ("reported", "hotspot"):
            continue
        stop = table.loc[str(row["stop_id"])]
        if pd.notna(stop["wash_water_l"]):
            water += _number(stop["wash_water_l"])
        if at < over:
            continue
        begun, left = _number(row["start_min"]), _number(row["leave_min"])
        if pd.notna(stop["earliest_min"]) and begun < stop["earliest_min"] - TOLERANCE_MIN:
            faults.append(f"works at {row['name']} before its window opens")
        if pd.notna(stop["latest_min"]) and begun > stop["latest_min"] + TOLERANCE_MIN:
            faults.append(f"works at {row['name']} after its window closes")
        if left - begun < stop["service_min"] - TOLERANCE_MIN:
            faults.append(f"has too little time at {row['name']}")
        if stop["method"] not in methods:
            faults.append(f"cannot do {stop['method']} at {row['name']}")
    if water > _number(crew["water_l"]) + 1e-6:
        faults.append(f"needs {water:.0f} L of water and carries {crew['water_l']:.0f} L")
    return faults


def _rest(rows: list[dict[str, object]], crew: dict[str, object], after_h: float, from_h: float,
          last_min: float, over: int) -> list[str]:
    start, length = _number(crew["shift_start_min"]), _number(crew["break_min"])
    worked = _number(rows[-1]["arrive_min"]) - start
    rests = [at for at, row in enumerate(rows) if row["kind"] == "break"]
    if length <= 0 or (not rests and worked <= after_h * MIN_PER_H + TOLERANCE_MIN):
        return []
    if len(rests) != 1:
        return [f"has {len(rests)} breaks in a day of {worked / MIN_PER_H:.1f} h"]
    if rests[0] < over:
        return []
    begun, left = (_number(rows[rests[0]][column]) for column in ("start_min", "leave_min"))
    faults = []
    if left - begun < length - TOLERANCE_MIN:
        faults.append("has too short a break")
    if not start + from_h * MIN_PER_H - TOLERANCE_MIN <= begun <= last_min + TOLERANCE_MIN:
        faults.append("has its break outside the hours for it")
    return faults


def _number(value: object) -> float:
    return float(str(value))
