"""A day's plan kept as one JSON file, so that jobs that come in during the day can be added."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.geometry import Point

from rehit.errors import InputFileError, RehitError
from rehit.parameters import Parameters
from rehit.patrol.routes import Plan, day_travel
from rehit.patrol.travel import Network
from rehit.tables import GEOMETRY_KINDS, Column, check
from rehit.tables import table as contract

PLAN_FILE = "day_plan.json"
KIND, VERSION = "rehit day plan", 1
TABLES = {"stops": "patrol_stops", "crews": "patrol_crews", "visits": "patrol_visits",
          "left_out": "patrol_left_out"}
# Row of the travel matrix of each visit: a break may be taken at another stop's place.
PLACE_ROW = "location"


def write_plan(plan: Plan, path: Path, *, day: date) -> None:
    """Write a plan with all it takes to change it: stops, crews, visits and what was left out.

    Parameters
    ----------
    plan
        The day's plan.
    path
        File to write.
    day
        The day it is for.
    """
    tables = {name: _records(getattr(plan, name), table) for name, table in TABLES.items()}
    whole = {"what": KIND, "version": VERSION, "day": day.isoformat(),
             "crs": plan.crews.crs.to_string(), "changed_at_min": plan.since_min,
             "rows_done": dict(plan.done), **tables}
    path.write_text(json.dumps(whole, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")


def _records(frame: pd.DataFrame, table: str) -> list[dict[str, object]]:
    names = [*contract(table).names, *([PLACE_ROW] if table == "patrol_visits" else [])]
    return [{name: _plain(value) for name, value in zip(names, row, strict=True)}
            for row in pd.DataFrame(frame)[names].itertuples(index=False, name=None)]


def _plain(value: Any) -> object:
    """Return a cell as JSON knows it; a point as its two coordinates."""
    if isinstance(value, Point):
        return None if value.is_empty else [value.x, value.y]
    if value is None or value is pd.NA or (isinstance(value, float) and not np.isfinite(value)):
        return None
    return value.item() if isinstance(value, np.generic) else value


def read_plan(path: Path, *, crs: str, network: Network | None,
              parameters: Parameters) -> tuple[Plan, date]:
    """Read a plan written by :func:`write_plan`, and the day it is for.

    Parameters
    ----------
    path
        The file.
    crs
        Projected CRS of the project; the plan must be in it.
    network, parameters
        As for :func:`rehit.patrol.routes.plan_routes`; travel times are worked out again.

    Raises
    ------
    InputFileError
        If there is no such file, or it is no whole day plan in that CRS.
    """
    try:
        whole = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise _bad(path, "no file that can be read") from error
    except (ValueError, RecursionError) as error:
        raise _bad(path, "a file that is not JSON") from error
    if not isinstance(whole, dict) or (whole.get("what"), whole.get("version")) != (KIND, VERSION):
        raise _bad(path, "something other than a day plan of this version")
    if whole.get("crs") != gpd.GeoSeries([], crs=crs).crs.to_string():
        raise _bad(path, f"a plan in the projection {whole.get('crs')!r}")
    try:
        tables = {name: _table(whole[name], table, crs) for name, table in TABLES.items()}
        day = date.fromisoformat(whole["day"])
        since = None if whole["changed_at_min"] is None else float(whole["changed_at_min"])
        done = {str(crew): int(rows) for crew, rows in whole["rows_done"].items()}
    except (KeyError, TypeError, ValueError, AttributeError, RehitError) as error:
        raise _bad(path, f"a day plan with a part missing or changed ({error})") from error
    _joined(path, tables)
    travel = day_travel(tables["stops"], tables["crews"], network=network, parameters=parameters)
    return Plan(**tables, travel=travel, since_min=since, done=done), day


def _table(records: list[dict[str, object]], table: str, crs: str) -> Any:
    columns: dict[str, Any] = {column.name: _column([row[column.name] for row in records], column)
                               for column in contract(table).columns}
    if table == "patrol_visits":
        columns[PLACE_ROW] = np.array([row[PLACE_ROW] for row in records], dtype=np.int64)
    frame = pd.DataFrame(columns)
    if contract(table).spatial:
        frame = gpd.GeoDataFrame(frame, geometry="geometry", crs=crs)
    check(frame, table, where=f"table {table!r}")
    return frame


def _column(values: list[Any], column: Column) -> Any:
    if column.kind in GEOMETRY_KINDS:
        return gpd.GeoSeries([None if at is None else Point(*map(float, at)) for at in values])
    if column.kind == "flag":
        return np.array([{True: True, False: False}[value] for value in values], dtype=bool)
    if column.kind in ("number", "whole"):
        numbers = np.array([np.nan if value is None else float(value) for value in values])
        return numbers.astype(np.int64) if column.kind == "whole" else numbers
    return pd.array([None if value is None else str(value) for value in values], dtype="str")


def _joined(path: Path, tables: dict[str, Any]) -> None:
    """Refuse a plan whose tables do not belong together."""
    visits, stops, crews = tables["visits"], tables["stops"], tables["crews"]
    if crews.empty:
        raise _bad(path, "a plan without crews")
    strange = (set(visits["stop_id"].dropna()) - set(stops["stop_id"])) | (
        set(visits["crew_id"]) - set(crews["crew_id"]))
    if strange:
        raise _bad(path, "visits of unknown stops or crews: " + ", ".join(sorted(strange)[:5]))
    if not visits[PLACE_ROW].between(0, len(crews) + len(stops) - 1).all():
        raise _bad(path, "a visit of a place that is not in the plan")


def _bad(path: Path, got: str) -> InputFileError:
    return InputFileError(str(path), got=got,
                          allowed=f"a {PLAN_FILE} written by rehit patrol for this project",
                          remedy="plan the day first with rehit patrol, or name the folder of its "
                                 "results")
