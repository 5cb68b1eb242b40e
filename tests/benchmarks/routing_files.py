"""Published routing instances as rehit's problems, with what is needed to re-check an answer.

Each reader returns an :class:`Instance` whose `length` matrix holds the distances as its source
defines them; the problem's whole-number travel is that, scaled.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path

import numpy as np

from rehit.patrol.search import Crew, Problem

SCALE = 10_000


@dataclass(frozen=True)
class Instance:
    """A problem, its exact distances, its limits in the source's unit and the published best."""

    name: str
    family: str
    problem: Problem
    length: np.ndarray
    limit: float
    published: float
    minimise: bool = False


def euclid(xy: np.ndarray) -> np.ndarray:
    return np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))


def _problem(whole: np.ndarray, *, start: int, end: int, stops: np.ndarray, score: np.ndarray,
             teams: int, limit: int, service: np.ndarray | None = None,
             windows: np.ndarray | None = None, must: bool = False,
             loads: np.ndarray | None = None, capacity: tuple[int, ...] = ()) -> Problem:
    n = len(stops)
    windows = np.array([[0, limit]] * n) if windows is None else windows
    crew = Crew(start=start, end=end, earliest=0, latest=limit, capacity=capacity)
    return Problem(
        travel=whole, location=stops, score=score.astype(float), must=np.full(n, must),
        service=np.zeros(n, dtype=np.int64) if service is None else service,
        earliest=windows[:, 0], latest=windows[:, 1], crews=(crew,) * teams,
        loads=np.zeros((0, 0), dtype=np.int64) if loads is None else loads)


def read_top(path: Path, published: float) -> Instance:
    """Chao, Golden and Wasil (1996): first point is the start, last the end, plain Euclid."""
    head = [line.split() for line in path.read_text().splitlines()[:3]]
    rows = np.array([line.split() for line in path.read_text().splitlines()[3:] if line.strip()],
                    dtype=float)
    teams, limit = int(head[1][1]), float(head[2][1])
    length = euclid(rows[:, :2])
    n = len(rows)
    problem = _problem(np.ceil(length * SCALE).astype(np.int64), start=0, end=n - 1,
                       stops=np.arange(1, n - 1), score=rows[1:-1, 2], teams=teams,
                       limit=int(limit * SCALE))
    return Instance(path.stem, "TOP", problem, length, limit, published)


def read_toptw(path: Path, teams: int, published: float) -> Instance:
    """Vansteenwegen et al. (2009): distances cut to one decimal (Solomon) or two (Cordeau)."""
    lines = [line.split() for line in path.read_text().splitlines() if line.strip()]
    rows = [line for line in lines[1:] if len(line) > 4]
    xy = np.array([r[1:3] for r in rows], dtype=float)
    decimals = 2 if path.stem.startswith("pr") else 1
    length = np.floor(euclid(xy) * 10**decimals + 1e-9) / 10**decimals
    closes = float(rows[0][-1])
    windows = np.array([[float(r[-2]), float(r[-1])] for r in rows[1:]])
    whole = np.rint(length * 100).astype(np.int64)
    problem = _problem(
        whole, start=0, end=0, stops=np.arange(1, len(rows)),
        score=np.array([float(r[4]) for r in rows[1:]]), teams=teams, limit=int(closes * 100),
        service=np.rint(np.array([float(r[3]) for r in rows[1:]]) * 100).astype(np.int64),
        windows=np.rint(windows * 100).astype(np.int64))
    return Instance(f"{path.stem} m={teams}", "TOPTW", problem, length, closes, published)


def read_oplib(path: Path) -> Instance:
    """Kobeaga et al. (2018): TSPLIB distances, the tour returns to its start."""
    text = path.read_text()
    limit = float(re.search(r"COST_LIMIT\s*:\s*([\d.]+)", text)[1])
    kind = re.search(r"EDGE_WEIGHT_TYPE\s*:\s*(\w+)", text)[1]
    xy = np.array([r.split()[1:3] for r in section(text, "NODE_COORD_SECTION")], dtype=float)
    score = np.array([r.split()[1] for r in section(text, "NODE_SCORE_SECTION")], dtype=float)
    start = int(section(text, "DEPOT_SECTION")[0].split()[0]) - 1
    length = tsplib(xy, kind)
    stops = np.array([i for i in range(len(xy)) if i != start])
    problem = _problem(length.astype(np.int64), start=start, end=start, stops=stops,
                       score=score[stops], teams=1, limit=int(limit))
    best = float(re.search(r"ROUTE_SCORE\s*:\s*(\d+)", path.with_suffix(".sol").read_text())[1])
    return Instance(path.stem, "OPLib", problem, length, limit, best - score[start])


def read_cvrp(path: Path) -> Instance:
    """Uchoa et al. (2017): every customer must be served, rounded Euclid, least length."""
    text = re.sub(r"\t", " ", path.read_text())
    capacity = int(re.search(r"CAPACITY\s*:\s*(\d+)", text)[1])
    xy = np.array([r.split()[1:3] for r in section(text, "NODE_COORD_SECTION")], dtype=float)
    demand = np.array([r.split()[1] for r in section(text, "DEMAND_SECTION")], dtype=np.int64)
    length = tsplib(xy, "EUC_2D")
    teams = int(path.stem.split("-k")[1]) + 3
    limit = int(length.max() * len(xy))
    problem = _problem(length.astype(np.int64), start=0, end=0, stops=np.arange(1, len(xy)),
                       score=np.ones(len(xy) - 1), teams=teams, limit=limit, must=True,
                       loads=demand[1:, None], capacity=(capacity,))
    cost = float(re.search(r"Cost\s+(\d+)", path.with_suffix(".sol").read_text())[1])
    return Instance(path.stem, "CVRP", problem, length, limit, cost, minimise=True)


def section(text: str, name: str) -> list[str]:
    body = text.split(name, 1)[1]
    return [line for line in re.split(r"\n[A-Z_]+_SECTION|\nEOF", body)[0].splitlines()
            if line.strip() and line.strip() not in ("-1", ":")]


def tsplib(xy: np.ndarray, kind: str) -> np.ndarray:
    """TSPLIB 95: EUC_2D to the nearest whole, CEIL_2D up, ATT pseudo-Euclid."""
    plain = euclid(xy)
    if kind == "EUC_2D":
        return np.floor(plain + 0.5)
    if kind == "CEIL_2D":
        return np.ceil(plain)
    if kind == "ATT":
        real = plain / np.sqrt(10.0)
        near = np.floor(real + 0.5)
        return np.where(near < real, near + 1, near)
    raise ValueError(f"distances of kind {kind}")


def sample(folder: Path, families: list[str]) -> list[Instance]:
    """The instances measured, evenly spaced in name order, one family after the other in turn.

    Of TOP and TOPTW none was looked at while the search was tuned; of OPLib all were.
    """
    readers = {"TOP": _top_sample, "TOPTW": _toptw_sample, "OPLib": _oplib_sample,
               "CVRP": lambda at: [read_cvrp(p) for p in sorted(at.glob("*.vrp"))]}
    found = [readers[family](folder / family.lower()) for family in families]
    return [case for turn in zip_longest(*found) for case in turn if case is not None]


def _top_sample(folder: Path) -> list[Instance]:
    """Seven of p4, none of those used for tuning (every fifth from the sixth); five of p1-3."""
    best = {name: float(score) for name, score in (
        line.split() for line in (folder / "published_values.txt").read_text().splitlines())}
    known = sorted(name for name, score in best.items() if score > 0)
    hard = [name for name in known if name.startswith("p4")]
    unused = [name for name in hard if name not in hard[5::5]]
    easy = [name for name in known if not name.startswith("p4")]
    return [read_top(folder / name, best[name]) for name in unused[3::6] + easy[15::29]]


def _toptw_sample(folder: Path) -> list[Instance]:
    """Every fifteenth row from the fourth; tuning used every fifteenth from the eighth."""
    rows = list(csv.DictReader((folder / "published_values.csv").open()))
    return [read_toptw(folder / f"{row['instance']}.txt", int(row["teams"]), float(row["best"]))
            for row in rows[3::15]]


def _oplib_sample(folder: Path) -> list[Instance]:
    """All but every third."""
    files = sorted(folder.glob("*.oplib"))
    return [read_oplib(path) for i, path in enumerate(files) if i % 3 != 0]
