"""Why a stop is in no route, in plain words."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rehit.patrol.problem import Problem, Routes
from rehit.patrol.setting import NO_WAY_S, Setting, can_do
from rehit.patrol.timing import time_route
from rehit.patrol.travel import Travel
from rehit.tables import check

WORDS = {
    "no_place": "its place is not known; find the address and add it",
    "unreachable": "no street leads there from any depot; check the place and the street layer",
    "no_crew": "no crew out today can do {method}",
    "water": "it needs {water:.0f} L of water, more than any crew that can do it carries",
    "does_not_fit": "it fits in no shift, even alone: {service:.0f} minutes of work{window}",
    "day_full": "the day is full: {instead}",
}
INSTEAD = {True: "other reported jobs fill the shifts", False: "reported jobs and likelier places "
           "nearer the routes fill the shifts"}


def left_out(setting: Setting, problem: Problem, routes: Routes, travel: Travel) -> pd.DataFrame:
    """Return the `patrol_left_out` table: each stop in no route, with the reason."""
    planned = {stop for route in routes for stop in route}
    rows = []
    for stop in range(problem.n_stops):
        if stop not in planned:
            row = setting.stops.iloc[stop]
            code = reason_code(setting, problem, stop, travel)
            rows.append((str(row["stop_id"]), str(row["name"]), str(row["kind"]), code,
                         _words(code, row)))
    columns = ["stop_id", "name", "kind", "code", "reason"]
    table = pd.DataFrame(rows, columns=columns).astype("str")
    check(table, "patrol_left_out", where="patrol.left_out")
    return table


def reason_code(setting: Setting, problem: Problem, stop: int, travel: Travel) -> str:
    """Return the first reason that holds, from the place to the day."""
    row = setting.stops.iloc[stop]
    at = int(problem.location[stop])
    if not np.isfinite(travel.xy[at]).all():
        return "no_place"
    homes = [crew.end for crew in problem.crews]
    there, back = problem.travel[homes, at], problem.travel[at, homes]
    if ((there >= NO_WAY_S) | (back >= NO_WAY_S)).all():
        return "unreachable"
    able = [i for i, methods in enumerate(setting.crews["methods"])
            if can_do(methods, str(row["method"]))]
    if not able:
        return "no_crew"
    if all(problem.loads[stop, 0] > problem.crews[i].capacity[0] for i in able):
        return "water"
    if _upside_down(row) or not any(
            problem.loads[stop, 0] <= problem.crews[i].capacity[0]
            and time_route(problem, problem.crews[i], [stop])
            for i in able):
        return "does_not_fit"
    return "day_full"


def _upside_down(row: pd.Series) -> bool:
    return bool(row["latest_min"] < row["earliest_min"])


def _words(code: str, row: pd.Series) -> str:
    window = ""
    if pd.notna(row["earliest_min"]) or pd.notna(row["latest_min"]):
        window = f", begun {_clock(row['earliest_min'], 'any time')} to " + _clock(
            row["latest_min"], "any time")
    return WORDS[code].format(
        method=str(row["method"]).replace("_", " "), water=row["wash_water_l"] or 0.0,
        service=row["service_min"], window=window, instead=INSTEAD[row["kind"] == "reported"])


def _clock(minutes: float, otherwise: str) -> str:
    return otherwise if pd.isna(minutes) else f"{int(minutes) // 60:02d}:{int(minutes) % 60:02d}"
