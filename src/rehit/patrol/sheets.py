"""What one crew needs to know of its day, gathered for paper, phone and files."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import geopandas as gpd
import pandas as pd
from shapely.geometry import LineString

from rehit.patrol.routes import Plan
from rehit.patrol.travel import ways

DAY_MIN = 24 * 60


@dataclass(frozen=True)
class Sheet:
    """One crew's day: its rows with all the columns of the stops, sums and the way driven.

    Attributes
    ----------
    crew
        Row of the `patrol_crews` table.
    rows
        The crew's visits in order with ``number`` (1, 2, … for stops), method, materials and
        cautions of the stop.
    legs
        Line driven to each row after the first.
    tank_l
        Water aboard at the beginning.
    since_min, n_done
        For a plan changed during the day: when, and how many stops were done by then. The sheet
        then holds what is left, from the place where the crew is, and keeps the stops' numbers.
    """

    crew: pd.Series
    rows: gpd.GeoDataFrame
    legs: list[LineString]
    paint_l: float
    remover_l: float
    wash_water_l: float
    materials: tuple[str, ...]
    cautions: tuple[tuple[str, tuple[int, ...]], ...]
    tank_l: float
    since_min: float | None = None
    n_done: int = 0

    @property
    def stops(self) -> gpd.GeoDataFrame:
        """The rows that are stops."""
        return self.rows[self.rows["number"] > 0]


def clock(minutes: float) -> str:
    """Return a minute of the day as hours and minutes, to the nearest minute.

    Examples
    --------
    >>> clock(547.6)
    '09:08'
    """
    whole = round(minutes) % DAY_MIN
    return f"{whole // 60:02d}:{whole % 60:02d}"


def crew_sheets(plan: Plan) -> list[Sheet]:
    """Return a sheet for each crew that goes out, in the order of the crews table."""
    sheets = []
    for _, crew in plan.crews.iterrows():
        own = plan.visits[plan.visits["crew_id"] == crew["crew_id"]].sort_values("position")
        over = plan.done.get(str(crew["crew_id"]), 0)
        if len(own) > max(over, 1):
            sheets.append(_sheet(plan, crew, own, over))
    return sheets


def _sheet(plan: Plan, crew: pd.Series, own: gpd.GeoDataFrame, over: int) -> Sheet:
    facts = pd.DataFrame(plan.stops).drop(columns=["geometry", "name", "kind"])
    rows = own.merge(facts, on="stop_id", how="left")
    is_stop = rows["kind"].isin(["reported", "hotspot"])
    rows["number"] = is_stop.cumsum().where(is_stop, 0).astype(int)
    n_done, used = int(is_stop.head(over).sum()), _total(rows.head(over), "wash_water_l")
    if over:
        rows = _from_here(rows.iloc[over - 1:].reset_index(drop=True), plan.since_min)
    at = rows["location"].tolist()
    return Sheet(
        crew=crew, rows=rows, legs=ways(plan.travel, list(pairwise(at))),
        paint_l=_total(rows, "paint_l"), remover_l=_total(rows, "remover_l"),
        wash_water_l=_total(rows, "wash_water_l"), materials=_tools(rows),
        cautions=_cautions(rows), tank_l=max(float(crew["water_l"]) - used, 0.0),
        since_min=plan.since_min, n_done=n_done)


def _from_here(rows: gpd.GeoDataFrame, since_min: float | None) -> gpd.GeoDataFrame:
    """Make the last row that is over the place to go on from, with nothing left to do there."""
    rest = rows.copy()
    rest.loc[0, ["kind", "number"]] = ["depart", 0]
    rest.loc[0, ["stop_id", "method", "materials", "cautions"]] = None
    rest.loc[0, ["paint_l", "remover_l", "wash_water_l"]] = 0.0
    rest.loc[0, "leave_min"] = max(float(rest["leave_min"].iloc[0]), since_min or 0.0)
    return rest


def _total(rows: pd.DataFrame, column: str) -> float:
    return float(rows[column].fillna(0.0).sum())


def _tools(rows: pd.DataFrame) -> tuple[str, ...]:
    """Return what to load besides the liquids summed elsewhere, each thing once."""
    things: dict[str, None] = {}
    for text in rows["materials"].dropna():
        for part in str(text).split(","):
            # Quantities per job ("paint 0.3 L") are summed for the whole day instead.
            thing = part.strip()
            if thing and not any(mark in thing for mark in (" L", " l ")):
                things[thing] = None
    return tuple(things)


def _cautions(rows: pd.DataFrame) -> tuple[tuple[str, tuple[int, ...]], ...]:
    """Return each caution with the stops it belongs to, the most general first."""
    found: dict[str, list[int]] = {}
    for number, text in zip(rows["number"], rows["cautions"], strict=True):
        if number and pd.notna(text):
            for part in str(text).split(";"):
                if part.strip():
                    found.setdefault(part.strip(), []).append(int(number))
    ordered = sorted(found.items(), key=lambda item: (-len(item[1]), item[1][0]))
    return tuple((caution, tuple(numbers)) for caution, numbers in ordered)
