"""The day's tables turned into a routing problem."""

from __future__ import annotations

from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.errors import SettingError
from rehit.parameters import Parameters
from rehit.patrol.problem import Break, Crew, Problem
from rehit.patrol.travel import Travel

S_PER_MIN = 60
S_PER_H = 3600
ANY_CREW = frozenset({"inspect"})
# Whole seconds that stand for "no way": far beyond a day, far below overflow.
NO_WAY_S = 10_000_000


@dataclass(frozen=True)
class Setting:
    """A day's problem, with and without the wish for offensive jobs early, and its tables."""

    problem: Problem
    relaxed: Problem
    stops: gpd.GeoDataFrame
    crews: gpd.GeoDataFrame
    offensive: np.ndarray


def day_problem(stops: gpd.GeoDataFrame, crews: gpd.GeoDataFrame, travel: Travel, *,
                parameters: Parameters, locations: np.ndarray | None = None) -> Setting:
    """Return the routing problem of the stops that have a place and a way to it.

    Water and methods become loads: a crew that lacks a method has room for none of its jobs.

    Parameters
    ----------
    stops, crews, travel
        The tables and the times between crews' depots (first) and stops.
    parameters
        Reads the ``patrol.*`` numbers on breaks and on offensive jobs.
    locations
        Row of each stop in the travel matrix; by default the rows after the crews'.

    Raises
    ------
    SettingError
        If the break would have to begin after it must have begun.
    """
    _refuse_breaks(parameters)
    rows = len(crews) + np.arange(len(stops)) if locations is None else np.asarray(locations)
    seconds = np.where(np.isfinite(travel.seconds), np.ceil(travel.seconds), NO_WAY_S)
    whole = seconds.astype(np.int64)
    skills = sorted({m for text in crews["methods"] for m in split(text)}
                    | set(stops["method"].astype("str")))
    team = tuple(_crew(row, skills, crews, rows, travel, parameters)
                 for _, row in crews.iterrows())
    must = (stops["kind"] == "reported").to_numpy(bool)
    offensive = stops["offensive"].astype(bool).to_numpy() & must
    expected = stops["expected"].to_numpy(float)
    score = np.where(must, np.where(offensive, parameters["patrol.offensive_score"], 1.0), expected)
    earliest, latest = _windows(stops, team)
    relaxed = Problem(
        travel=whole, location=rows.astype(np.int64), score=score, must=must,
        service=np.ceil(stops["service_min"].to_numpy(float) * S_PER_MIN).astype(np.int64),
        earliest=earliest, latest=latest, crews=team, loads=_loads(stops, skills))
    return Setting(early(relaxed, offensive, parameters), relaxed, stops, crews, offensive)


def _refuse_breaks(parameters: Parameters) -> None:
    first, last = parameters["patrol.break_from_h"], parameters["patrol.break_to_h"]
    if first > last:
        raise SettingError(
            "[patrol] break_from_h and break_to_h", got=f"{first:g} and {last:g} hours",
            allowed="a first hour for the break that is not after the last one",
            remedy="raise break_to_h or lower break_from_h")


def split(text: object) -> list[str]:
    """Return the codes of a text separated by semicolons."""
    return [part.strip() for part in str(text).split(";") if part.strip()]


def can_do(methods: object, method: str) -> bool:
    """Return whether a crew with these methods can do a job; anyone can look."""
    return method in ANY_CREW or method in split(methods)


def _windows(stops: pd.DataFrame, team: tuple[Crew, ...]) -> tuple[np.ndarray, np.ndarray]:
    opens = min(crew.earliest for crew in team)
    closes = max(crew.latest for crew in team)
    earliest = (stops["earliest_min"].astype(float) * S_PER_MIN).fillna(opens)
    latest = (stops["latest_min"].astype(float) * S_PER_MIN).fillna(closes)
    first = np.maximum(np.ceil(earliest.to_numpy(float)), 0)
    # A window that closes before it opens is kept as it is: such a stop is left out and named.
    last = np.floor(latest.to_numpy(float))
    return first.astype(np.int64), last.astype(np.int64)


def early(problem: Problem, offensive: np.ndarray, parameters: Parameters) -> Problem:
    """Return the problem with offensive jobs to be begun in the first hours from when crews go."""
    start = min(crew.earliest for crew in problem.crews)
    wish = start + int(parameters["patrol.offensive_first_h"] * S_PER_H)
    soon = offensive & (problem.latest >= problem.earliest)
    latest = np.where(soon, np.maximum(np.minimum(problem.latest, wish), problem.earliest),
                      problem.latest)
    return replace(problem, latest=latest)


def _loads(stops: pd.DataFrame, skills: list[str]) -> np.ndarray:
    water = np.ceil(stops["wash_water_l"].astype(float).fillna(0.0).to_numpy()).astype(np.int64)
    method = stops["method"].astype("str").to_numpy()
    needs = np.array([(method == skill) & (skill not in ANY_CREW) for skill in skills],
                     dtype=np.int64).reshape(len(skills), len(stops))
    return np.vstack([water[None], needs]).T.copy()


def _crew(row: pd.Series, skills: list[str], crews: pd.DataFrame, rows: np.ndarray,
          travel: Travel, parameters: Parameters) -> Crew:
    start = round(float(row["shift_start_min"]) * S_PER_MIN)
    end = round(float(row["shift_end_min"]) * S_PER_MIN)
    # Crews of one depot share its location, so that the search knows they cannot be told apart.
    home = int(np.flatnonzero(crews["depot_id"] == row["depot_id"])[0])
    room = [len(rows) if can_do(row["methods"], skill) else 0 for skill in skills]
    return Crew(start=home, end=home, earliest=start, latest=max(end, start),
                capacity=(int(row["water_l"]), *room),
                rest=_rest(row, home, start, rows, travel, parameters))


def _rest(row: pd.Series, home: int, start: int, rows: np.ndarray, travel: Travel,
          parameters: Parameters) -> Break | None:
    length = round(float(row["break_min"]) * S_PER_MIN)
    if length <= 0:
        return None
    reach = rows[np.isfinite(travel.seconds[home, rows]) & np.isfinite(travel.seconds[rows, home])]
    places = spread_out(travel.seconds, home, reach, count=int(parameters["patrol.break_places"]))
    return Break(length=length, locations=tuple(places),
                 free_until=start + int(parameters["patrol.break_after_h"] * S_PER_H),
                 earliest=start + int(parameters["patrol.break_from_h"] * S_PER_H),
                 latest=start + int(parameters["patrol.break_to_h"] * S_PER_H))


def spread_out(seconds: np.ndarray, first: int, rows: np.ndarray, *, count: int) -> list[int]:
    """Return `first` and up to `count` other rows, each as far as can be from those before.

    The farthest-point rule of Gonzalez (1985).
    """
    chosen = [first]
    far = seconds[first, rows].copy()
    while len(chosen) <= count and len(far) and far.max() > 0:
        at = int(far.argmax())
        chosen.append(int(rows[at]))
        far = np.minimum(far, seconds[rows[at], rows])
    return chosen
