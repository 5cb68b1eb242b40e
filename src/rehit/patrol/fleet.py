"""The user's depots and vehicles as the `patrol_crews` table."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.errors import ManyErrors, RehitError, SettingError, TableError
from rehit.files.reader import read_table
from rehit.files.spatial import WGS84
from rehit.messages import Message, message
from rehit.tables import check
from rehit.tables import table as contract
from rehit.words.numbers import coordinate_numbers, plain_numbers

MIN_PER_H = 60
DAY_MIN = 24 * 60
#: A longer one is a slip of the pen: Directive 2003/88/EC article 3 wants eleven hours of rest.
LONGEST_SHIFT_MIN = 13 * 60
HEIGHTS = ("ground", "ladder", "platform")
EVERY_PERMIT = "*"
#: Kind of a crew without a vehicle, and words that people write for it.
ON_FOOT = "on_foot"
_ON_FOOT_WORDS = frozenset({"on_foot", "foot", "walking", "a_pie"})
NO = frozenset({"no", "n", "0", "false"})
_CLOCK = re.compile(r"\s*(\d{1,2})[:.h](\d{2})\s*")
DEPOT_COLUMNS = ("depot_id", "name")
VEHICLE_COLUMNS = ("vehicle_id", "name", "kind", "depot_id", "methods", "crew_size", "water_l",
                   "shift_start", "shift_end", "break_minutes")
# What each file looks like: its column names and one line, as a person would write them.
EXAMPLES = {
    "depots": (",".join((*DEPOT_COLUMNS, "lon", "lat")), "D1,Main depot,-9.1393,38.7223"),
    "vehicles": (",".join(VEHICLE_COLUMNS),
                 "V1,Van A,paint_only,D1,paint_out;solvent_wipe,2,20,07:00,15:00,30"),
}
# Columns of numbers: the name in the `patrol_crews` table, and what holds where there is none.
NUMBERS = {"crew_size": ("crew_size", 1.0), "water_l": ("water_l", 0.0),
           "break_minutes": ("break_min", 0.0)}


def read_crews(depots: Path | None, vehicles: Path | None, *, crs: str, where: str,
               refill_minutes: float) -> tuple[gpd.GeoDataFrame, tuple[Message, ...]]:
    """Read the user's depots and vehicles as :func:`crews_table` returns them.

    Parameters
    ----------
    depots, vehicles
        The files, as far as the project names them.
    crs
        Projected CRS of the project.
    where
        The project file, for the message.
    refill_minutes
        As for :func:`crews_table`.

    Raises
    ------
    SettingError
        If a file is not named; says in one go which and what stands in them.
    """
    if depots is None or vehicles is None:
        raise _without_files([role for role, path in (("depots", depots), ("vehicles", vehicles))
                              if path is None], where)
    points = depot_points(read_table(depots, has_header=True).filled().table, crs=crs,
                          where=str(depots))
    return crews_table(read_table(vehicles, has_header=True).filled().table, points,
                       where=str(vehicles), refill_minutes=refill_minutes)


def _without_files(missing: Sequence[str], where: str) -> SettingError:
    shown = "\n".join(f"  {role}.csv\n    " + "\n    ".join(EXAMPLES[role]) for role in missing)
    lines = tuple(f'{role} = "{role}.csv"' for role in missing)
    alone = "errors.no_depots" if "depots" in missing else "errors.no_vehicles"
    code = "errors.no_fleet" if len(missing) > 1 else alone
    return SettingError(f"{where} [files]", code, roles=tuple(missing), lines=lines, shown=shown)


def depot_points(depots: pd.DataFrame, *, crs: str, where: str) -> gpd.GeoDataFrame:
    """Return the depots with their points in `crs`; a depot without a place has none.

    Parameters
    ----------
    depots
        Texts: ``depot_id``, ``name``, and ``lon, lat`` (degrees, WGS 84) or ``x, y`` in `crs`.
    crs
        Projected CRS of the project.
    where
        The file, for messages.

    Raises
    ------
    TableError
        If a column is missing.
    SettingError
        If no depot has a place.
    """
    _columns(depots, DEPOT_COLUMNS, where)
    if {"lon", "lat"} <= set(depots.columns):
        points = gpd.GeoSeries(gpd.points_from_xy(_numbers(depots, "lon"), _numbers(depots, "lat")),
                               crs=WGS84, index=depots.index).to_crs(crs)
    else:
        _columns(depots, ("x", "y"), where)
        points = gpd.GeoSeries(gpd.points_from_xy(_numbers(depots, "x"), _numbers(depots, "y")),
                               crs=crs, index=depots.index)
    usable = np.isfinite(points.x) & np.isfinite(points.y)
    if not usable.any():
        raise SettingError(where, "errors.no_depot_place")
    table = depots.assign(geometry=points.where(usable))
    return gpd.GeoDataFrame(table, geometry="geometry", crs=crs)


def crews_table(vehicles: pd.DataFrame, depots: gpd.GeoDataFrame, *, where: str,
                refill_minutes: float = np.nan) -> tuple[gpd.GeoDataFrame, tuple[Message, ...]]:
    """Return the `patrol_crews` table, and notes on vehicles that stay at home or are misread.

    Vehicles of the same name get their id beside it, so that each keeps a run sheet of its own.

    Parameters
    ----------
    vehicles
        Texts: ``vehicle_id, name, kind, depot_id, methods, crew_size, water_l, shift_start,
        shift_end`` (hours and minutes) and ``break_minutes``; a crew whose ``kind`` is "on foot"
        walks; optional ``access`` (ground, ladder
        or platform: how high the crew can work), ``traffic_control`` (yes or no) and ``permits``
        (keys and permissions held, parted by semicolons), without which a crew can do all of it;
        ``driving_hours`` (most hours at the wheel [h]) and ``refill_minutes`` (time to fill the
        tank and empty the wash water at its depot [minutes]).
    depots
        From :func:`depot_points`; the times ``opens`` and ``closes``, if given, bound the shifts.
        Where it has ``water_l`` [L] above 0 and ``dump`` is not no, crews refill there.
    where
        The file, for messages.
    refill_minutes
        Time for a refill [minutes] where the table does not say; without it nobody refills.

    Raises
    ------
    TableError
        If a column is missing.
    ManyErrors
        If no vehicle can go out, with the reason for each.
    """
    _columns(vehicles, VEHICLE_COLUMNS, where)
    rows, notes = [], []
    for record in vehicles.to_dict("records"):
        vehicle = {str(k): v for k, v in record.items()}
        stays = _stays_home(vehicle, depots)
        if stays is None:
            rows.append(_crew(vehicle, depots) | _limits(vehicle, depots, refill_minutes))
            notes += _misread(vehicle)
        else:
            notes.append(stays)
    if not rows:
        raise ManyErrors(where, [_refusal(note, where) for note in notes])
    table = pd.DataFrame(rows)
    same = table["name"].str.casefold().duplicated(keep=False)
    table["name"] = table["name"].where(~same, table["name"] + " (" + table["crew_id"] + ")")
    crews = gpd.GeoDataFrame(table, geometry="geometry", crs=depots.crs)
    check(crews, "patrol_crews", where=where)
    return crews, tuple(message(note.code, **note.facts, file=where) for note in notes)


def _stays_home(vehicle: Mapping[str, object], depots: gpd.GeoDataFrame) -> Message | None:
    """Return why a vehicle cannot go out, or None."""
    who = str(vehicle["vehicle_id"])
    if _home(vehicle, depots).empty:
        return message("crews.no_depot", vehicle=who, depot=_text(vehicle["depot_id"]))
    if _shift(vehicle) is None:
        return message("crews.shift", vehicle=who, start=_text(vehicle["shift_start"]),
                       end=_text(vehicle["shift_end"]))
    return None


def _shift(vehicle: Mapping[str, object]) -> tuple[int, int] | None:
    """Return first and last minute of a shift; one that ends before it begins goes past midnight.
    """
    start, end = minute_of_day(vehicle["shift_start"]), minute_of_day(vehicle["shift_end"])
    if start is None or end is None:
        return None
    end += DAY_MIN if end <= start else 0
    return (start, end) if end - start <= LONGEST_SHIFT_MIN else None


def with_hours(crews: gpd.GeoDataFrame, hours: str, *, option: str) -> gpd.GeoDataFrame:
    """Return crews that are all out at the same hours, whatever hours they keep otherwise.

    Parameters
    ----------
    crews
        The `patrol_crews` table.
    hours
        Start and end, such as ``06:00-14:00``.
    option
        Where that was asked for, for the message.

    Raises
    ------
    SettingError
        If these are no two times, or further apart than a shift may be.
    """
    start, _, end = (part.strip() for part in hours.partition("-"))
    shift = _shift({"shift_start": start, "shift_end": end})
    if shift is None:
        raise SettingError(option, "errors.not_a_shift", start=start, end=end)
    return crews.assign(shift_start_min=float(shift[0]), shift_end_min=float(shift[1]))


def _refusal(note: Message, where: str) -> RehitError:
    """Return the reason why a vehicle stays at home as an error."""
    spot = message("where.vehicle", file=where, vehicle=note.facts["vehicle"])
    if note.code == "crews.no_depot":
        return SettingError(spot, "errors.depot_without_place", depot=note.facts["depot"])
    return SettingError(spot, "errors.not_a_shift", start=note.facts["start"],
                        end=note.facts["end"])


def _home(vehicle: Mapping[str, object], depots: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    return depots[(depots["depot_id"] == vehicle["depot_id"]) & depots.geometry.notna()]


def _crew(vehicle: Mapping[str, object], depots: gpd.GeoDataFrame) -> dict[str, object]:
    """Return a vehicle's row of the `patrol_crews` table."""
    depot = _home(vehicle, depots).iloc[0]
    start, end = _within(_shift(vehicle) or (0, 0), depot)
    return {
        "crew_id": str(vehicle["vehicle_id"]), "name": str(vehicle["name"]),
        "kind": _kind(vehicle["kind"]), "depot_id": str(vehicle["depot_id"]),
        "depot_name": str(depot["name"]), "methods": ";".join(_methods(vehicle["methods"])),
        "shift_start_min": float(start), "shift_end_min": float(end),
        "access": _access(vehicle.get("access")) or HEIGHTS[-1],
        "traffic_control": _text(vehicle.get("traffic_control", "yes")).lower() not in NO,
        "geometry": depot["geometry"],
        **{name: _number(vehicle[column], otherwise)
           for column, (name, otherwise) in NUMBERS.items()}}


def _kind(value: object) -> str:
    """Return the kind of vehicle as it is written, and one code for crews without any."""
    words = re.sub(r"[\s-]+", "_", _text(value).lower())
    return ON_FOOT if words in _ON_FOOT_WORDS else str(value)


def on_foot(crews: pd.DataFrame) -> bool:
    """Return whether all crews walk."""
    return bool(len(crews)) and bool((crews["kind"] == ON_FOOT).all())


def without_walkers(crews: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, tuple[Message, ...]]:
    """Return the crews to plan together: without those on foot where others drive, with notes.

    All crews of a plan share its times from place to place, which are either driven or walked.
    """
    walks = crews["kind"] == ON_FOOT
    if walks.all():
        return crews, ()
    notes = tuple(message("crews.on_foot", crew=name) for name in crews.loc[walks, "name"])
    return crews[~walks].reset_index(drop=True), notes


def shift_hours(crews: pd.DataFrame) -> list[int]:
    """Return the clock hours in which any crew is out.

    Examples
    --------
    >>> shift_hours(pd.DataFrame({"shift_start_min": [1290.0], "shift_end_min": [1500.0]}))
    [21, 22, 23, 0]
    """
    if crews.empty:
        return []
    first, last = crews["shift_start_min"].min(), crews["shift_end_min"].max()
    return [hour % 24 for hour in range(int(first // MIN_PER_H), int(-(-last // MIN_PER_H)))]


def _limits(vehicle: Mapping[str, object], depots: gpd.GeoDataFrame,
            refill_minutes: float) -> dict[str, object]:
    """Return what bounds a crew's day besides its shift: keys, hours at the wheel, its tank."""
    depot = _home(vehicle, depots).iloc[0]
    hours = _number(vehicle.get("driving_hours"), np.nan)
    tap = _number(depot.get("water_l"), 0.0) > 0 and _text(depot.get("dump")).lower() not in NO
    tank = _number(vehicle["water_l"], 0.0) > 0
    return {
        "permits": ";".join(_parts(vehicle["permits"])) if "permits" in vehicle else EVERY_PERMIT,
        "driving_min": hours * MIN_PER_H if hours > 0 else np.nan,
        "refill_min": _number(vehicle.get("refill_minutes"), refill_minutes)
        if tap and tank else np.nan}


def _parts(text: object) -> list[str]:
    return [part.strip() for part in re.split(r"[;,]", _text(text)) if part.strip()]


def _within(shift: tuple[int, int], depot: pd.Series) -> tuple[int, int]:
    """Return the part of a shift in which its depot is open, where that is told."""
    opens, closes = (minute_of_day(depot.get(name)) for name in ("opens", "closes"))
    if opens is None or closes is None or closes <= opens or shift[1] > DAY_MIN:
        return shift
    first, last = max(shift[0], opens), min(shift[1], closes)
    return (first, last) if last > first else shift


def _access(value: object) -> str:
    word = _text(value).lower()
    return word if word in HEIGHTS else ""


def _methods(text: object) -> list[str]:
    """Return the codes in a cell such as ``paint_out;hot_wash`` or ``Paint out, hot wash``."""
    return [re.sub(r"[\s-]+", "_", part.lower())
            for part in _parts(text)]


def _text(value: Any) -> str:
    """Return a cell as text, an empty one as none."""
    return "" if pd.isna(value) else str(value).strip()


def _misread(vehicle: Mapping[str, object]) -> list[Message]:
    """Return what of a vehicle cannot be understood, and what is taken instead."""
    who = str(vehicle["vehicle_id"])
    known = contract("patrol_stops").column("method").allowed
    able = _methods(vehicle["methods"])
    strange = tuple(word for word in able if word not in known)
    left = tuple(message(f"method.{word}") for word in able if word in known)
    notes = []
    if not able:
        notes.append(message("crews.no_methods", vehicle=who, allowed=", ".join(known)))
    elif strange:
        notes.append(message("crews.methods" if left else "crews.methods_none", vehicle=who,
                             strange=strange, left=left, allowed=", ".join(known)))
    if _text(vehicle.get("access")) and not _access(vehicle["access"]):
        notes.append(message("crews.access", vehicle=who, got=_text(vehicle["access"]),
                             allowed=", ".join(HEIGHTS)))
    for column, (_, otherwise) in NUMBERS.items():
        text = _text(vehicle[column])
        if text and np.isnan(_number(text, np.nan)):
            notes.append(message("crews.number", vehicle=who, column=column, got=text,
                                 taken=otherwise))
    return notes


def minute_of_day(text: object) -> int | None:
    """Return the minute of the day of a clock time, or None.

    Examples
    --------
    >>> minute_of_day("07:30")
    450
    >>> minute_of_day("late") is None
    True
    """
    found = _CLOCK.fullmatch(str(text))
    if not found or int(found[1]) > 24 or int(found[2]) >= MIN_PER_H:
        return None
    return int(found[1]) * MIN_PER_H + int(found[2])


def _number(value: object, otherwise: float) -> float:
    number = plain_numbers(pd.Series([_text(value)], dtype="str"))[0]
    return float(number) if np.isfinite(number) and number >= 0 else otherwise


def _numbers(table: pd.DataFrame, column: str) -> np.ndarray:
    return coordinate_numbers(table[column].astype("str"))


def _columns(table: pd.DataFrame, names: tuple[str, ...], where: str) -> None:
    missing = [name for name in names if name not in table.columns]
    if missing:
        raise TableError(where, "errors.no_column", names=tuple(missing), known=names)
