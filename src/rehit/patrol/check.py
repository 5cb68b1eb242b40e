"""Every plan checked again from its tables alone: nothing here knows how the plan was made."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from itertools import pairwise
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.messages import Message, message

TOLERANCE_MIN = 0.05
MIN_PER_H = 60.0
S_PER_MIN = 60.0
DAY_MIN = 24 * 60


def check_plan(visits: gpd.GeoDataFrame, stops: gpd.GeoDataFrame, crews: gpd.GeoDataFrame,
               left_out: pd.DataFrame, *, seconds: np.ndarray, break_after_h: float,
               break_from_h: float, break_to_h: float, break_late_h: float = 0.0,
               since_min: float | None = None,
               done: Mapping[str, int] | None = None) -> list[Message]:
    """Return every rule the plan breaks, as messages; none for a good plan.

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
        rows = [{str(k): v for k, v in row.items()} for row in own.to_dict("records")]
        over = (done or {}).get(str(crew["crew_id"]), 0)
        last = _number(crew["shift_start_min"]) + break_to_h * MIN_PER_H
        if since_min is not None:
            last = max(last, since_min + break_late_h * MIN_PER_H)
        faults += _clock(rows, crew, at, row_of, seconds, over)
        faults += _stops(rows, crew, table, over)
        faults += _rest(rows, crew, break_after_h, break_from_h, last, over)
        faults += [_fault("before_change", crew, place=row["name"]) for row in rows[over:]
                   if since_min is not None and _number(row["leave_min"]) < since_min - 1.0]
    return faults


def _accounts(visits: pd.DataFrame, stops: pd.DataFrame, left_out: pd.DataFrame) -> list[Message]:
    seen = list(visits.loc[visits["kind"].isin(["reported", "hotspot"]), "stop_id"])
    out = set(left_out["stop_id"])
    found = {"twice": {s for s in seen if seen.count(s) > 1}, "both": set(seen) & out,
             "neither": set(stops["stop_id"]) - set(seen) - out,
             "strange": set(seen) - set(stops["stop_id"])}
    return [message(f"fault.{code}", stop=stop) for code, names in found.items()
            for stop in sorted(names)]


def _fault(code: str, crew: Mapping[str, object], **facts: object) -> Message:
    return message(f"fault.{code}", crew=str(crew["name"]), **facts)


def _clock(rows: list[dict[str, object]], crew: dict[str, object], home: int,
           row_of: dict[str, int], seconds: np.ndarray, over: int) -> list[Message]:
    faults = []
    if rows[0]["kind"] != "depart" or rows[-1]["kind"] != "return":
        faults.append(_fault("not_home", crew))
    if _number(rows[0]["leave_min"]) < _number(crew["shift_start_min"]) - TOLERANCE_MIN:
        faults.append(_fault("leaves_early", crew))
    limit = np.inf if crew["driving_min"] is None else _number(crew["driving_min"])
    if sum(_number(row["travel_min"]) for row in rows) > limit + 1.0:
        faults.append(_fault("driving", crew, minutes=limit))
    if _number(rows[-1]["arrive_min"]) > _number(crew["shift_end_min"]) + TOLERANCE_MIN:
        faults.append(_fault("back_late", crew))
    here = home
    for at, (before, row) in enumerate(pairwise(rows), start=1):
        there = _where(row, home, row_of)
        if at < over:
            here = there
            continue
        drive = float(seconds[here, there]) / S_PER_MIN
        if not math.isfinite(drive):
            faults.append(_fault("no_way", crew, place=row["name"]))
        elif _number(row["arrive_min"]) < _number(before["leave_min"]) + drive - TOLERANCE_MIN:
            faults.append(_fault("too_soon", crew, place=row["name"]))
        if _number(row["start_min"]) < _number(row["arrive_min"]) - TOLERANCE_MIN:
            faults.append(_fault("starts_first", crew, place=row["name"]))
        here = there
    return faults


def _where(row: dict[str, object], home: int, row_of: dict[str, int]) -> int:
    if row["kind"] in ("reported", "hotspot"):
        return row_of[str(row["stop_id"])]
    return int(str(row["location"])) if row["kind"] == "break" else home


def _stops(rows: list[dict[str, object]], crew: dict[str, object],
           table: pd.DataFrame, over: int) -> list[Message]:
    faults, water, most = [], 0.0, 0.0
    facts = table.to_dict("index")
    for at, row in enumerate(rows):
        water = 0.0 if row["kind"] == "refill" else water
        most = max(most, water)
        if row["kind"] not in ("reported", "hotspot"):
            continue
        stop = facts[str(row["stop_id"])]
        if pd.notna(stop["wash_water_l"]):
            water += _number(stop["wash_water_l"])
            most = max(most, water)
        if at >= over:
            faults += _stop(row, crew, stop)
    if most > _number(crew["water_l"]) + 1e-6:
        faults.append(_fault("water", crew, litres=most, tank=_number(crew["water_l"])))
    return faults


def _stop(row: dict[str, object], crew: dict[str, object],
          stop: Mapping[Hashable, Any]) -> list[Message]:
    """Hold one visit against what its stop asks for."""
    able = {part.strip() for part in str(crew["methods"]).split(";")} | {"inspect"}
    begun, left = _number(row["start_min"]), _number(row["leave_min"])
    # Hours over when the night shift begins are those of the next morning.
    next_day = DAY_MIN if pd.notna(stop["latest_min"]) and stop["latest_min"] < _number(
        crew["shift_start_min"]) and begun >= DAY_MIN else 0
    wrong = {
        "window_opens": pd.notna(stop["earliest_min"])
        and begun < stop["earliest_min"] - TOLERANCE_MIN,
        "window_closes": pd.notna(stop["latest_min"])
        and begun - next_day > stop["latest_min"] + TOLERANCE_MIN,
        "too_little_time": left - begun < stop["service_min"] - TOLERANCE_MIN,
    }
    held = {part.strip().casefold() for part in str(crew["permits"]).split(";")}
    needed = {part.strip().casefold() for part in str(stop["permit"]).split(";")}
    wrong["permit"] = pd.notna(stop["permit"]) and "*" not in held and not needed <= held
    if stop["method"] != "inspect":
        heights = ["ground", "ladder", "platform"]
        high = stop["access"] in heights and heights.index(stop["access"]) > heights.index(
            str(crew["access"]))
        wrong |= {"people": pd.notna(stop["people"])
                  and stop["people"] > _number(crew["crew_size"]), "access": high,
                  "traffic": bool(stop["traffic_control"]) and not crew["traffic_control"]}
    faults = [_fault(code, crew, place=row["name"]) for code, holds in wrong.items() if holds]
    if stop["method"] not in able:
        faults.append(_fault("cannot_do", crew, place=row["name"], method=str(stop["method"])))
    return faults


def _rest(rows: list[dict[str, object]], crew: dict[str, object], after_h: float, from_h: float,
          last_min: float, over: int) -> list[Message]:
    start, length = _number(crew["shift_start_min"]), _number(crew["break_min"])
    worked = _number(rows[-1]["arrive_min"]) - start
    rests = [at for at, row in enumerate(rows) if row["kind"] == "break"]
    if length <= 0 or (not rests and worked <= after_h * MIN_PER_H + TOLERANCE_MIN):
        return []
    if len(rests) != 1:
        return [_fault("breaks", crew, n=len(rests), hours=worked / MIN_PER_H)]
    if rests[0] < over:
        return []
    begun, left = (_number(rows[rests[0]][column]) for column in ("start_min", "leave_min"))
    faults = []
    if left - begun < length - TOLERANCE_MIN:
        faults.append(_fault("short_break", crew))
    if not start + from_h * MIN_PER_H - TOLERANCE_MIN <= begun <= last_min + TOLERANCE_MIN:
        faults.append(_fault("break_hours", crew))
    return faults


def _number(value: object) -> float:
    return float(str(value))
