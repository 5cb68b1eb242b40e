"""Is a city's log joined in parts, cut where no two reports can meet, joined as if it were whole?

Run by hand::

    python tests/studies/split_city.py [--rows 200000] [--parts 8] [--project FOLDER]

Rows hang together that name one asset, one exact address, one request number or each other's, that
are equal in every cell, or whose points lie within the distance of joining. What hangs together
stays in one part; parts are filled from west to east. Each part is joined on its own, and every
row must come to the same incident, by the same rule, with the same clearing. Printed are also how
much hangs together at most, and what the steps of cleaning take of the processor: what could be
won by it. The way back is 0 only if all is the same.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / "data_demo"), str(ROOT / "src")]

from make_demo import main as make_demo  # noqa: E402

from rehit.chain import Chain  # noqa: E402
from rehit.incidents import clean  # noqa: E402
from rehit.incidents.joining import Joins, Reports, join_reports  # noqa: E402
from rehit.project import load_project  # noqa: E402

STEPS = ("_understand", "read_reports", "join_reports", "_finish")
COMPARED = ("root", "rule", "orphan", "cleared_at", "named_by")


def cleaned_whole(project: Path) -> tuple[dict[str, Any], dict[str, float]]:
    """Clean the log as it is; return what joining was given and gave, and each step's seconds."""
    held: dict[str, Any] = {}
    spent: dict[str, float] = {}

    def timed(name: str) -> Callable[..., Any]:
        step = getattr(clean, name)

        def run(*args: Any, **how: Any) -> Any:
            begin = time.process_time()
            if name == "join_reports":
                held["given"] = [each.copy() for each in args[2:]]
                held["rows"], held["reports"], held["settings"] = *args[:2], how["settings"]
            made = step(*args, **how)
            spent[name] = time.process_time() - begin
            held[name] = made
            return made
        return run

    kept = {name: getattr(clean, name) for name in STEPS}
    for name in STEPS:
        setattr(clean, name, timed(name))
    try:
        chain = Chain(load_project(project))
        chain.cleaned  # noqa: B018  made for its steps
        begin = time.process_time()
        chain.incidents  # noqa: B018
        spent["matching"] = time.process_time() - begin
    finally:
        for name, step in kept.items():
            setattr(clean, name, step)
    return held, spent


def hang_together(rows: pd.DataFrame, reports: Reports, *, reach_m: float) -> np.ndarray:
    """Return the number of the component of each row."""
    size = len(rows)
    numbers = pd.factorize(pd.concat([rows["report_id"], rows["duplicate_of"]]))[0]
    named = [each % size for each in _runs(numbers)]
    met = [_runs(reports.asset), _runs(reports.address), named,
           _runs(pd.factorize(rows["content"])[0])]
    there = np.flatnonzero(~np.isnan(reports.x))
    near = cKDTree(np.column_stack([reports.x[there], reports.y[there]])).query_pairs(
        reach_m * (1 + 1e-9), output_type="ndarray")
    met.append([there[near[:, 0]], there[near[:, 1]]])
    one, other = (np.concatenate([pair[side] for pair in met]) for side in (0, 1))
    graph = coo_array((np.ones(len(one), dtype=np.int8), (one, other)), shape=(size, size))
    return np.asarray(connected_components(graph, directed=False)[1])


def _runs(code: np.ndarray) -> list[np.ndarray]:
    """Return pairs of rows that follow each other among those of one code."""
    order = np.argsort(code, kind="stable")
    order = order[code[order] >= 0]
    same = code[order[1:]] == code[order[:-1]]
    return [order[:-1][same], order[1:][same]]


def into_parts(component: np.ndarray, x: np.ndarray, parts: int) -> np.ndarray:
    """Return the part of each row, filled from west to east with whole components."""
    size = np.bincount(component)
    west = np.bincount(component, weights=np.nan_to_num(x)) / size
    order = np.argsort(west)
    part = np.empty(len(size), dtype=int)
    part[order] = np.minimum(np.cumsum(size[order]) * parts // len(component), parts - 1)
    return part[component]


def joined_in_parts(held: dict[str, Any], part: np.ndarray) -> Joins:
    """Join each part on its own and put what each came to in its place."""
    whole: Joins = replace(held["join_reports"])
    for name in COMPARED:
        setattr(whole, name, getattr(whole, name).copy())
    for number in range(part.max() + 1):
        at = np.flatnonzero(part == number)
        reports = replace(held["reports"], **{
            each.name: getattr(held["reports"], each.name)[at] for each in fields(Reports)})
        found = join_reports(held["rows"].iloc[at].reset_index(drop=True), reports,
                             *(each[at] for each in held["given"]), settings=held["settings"])
        for name in COMPARED:
            got = getattr(found, name)
            getattr(whole, name)[at] = at[got] if name in ("root", "named_by") else got
    return whole


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--rows", type=int, default=200_000)
    parser.add_argument("--parts", type=int, default=8)
    parser.add_argument("--project", type=Path, help="another project (default: a grown demo town)")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        project = given.project or Path(scratch)
        if given.project is None:
            make_demo(["--rows", str(given.rows), "--out", scratch])
            shutil.copy(ROOT / "data_demo" / "mapping.toml", scratch)
        held, spent = cleaned_whole(project)
    reports, numbers = held["reports"], held["settings"].parameters
    reach = max(numbers["incidents.join_distance_m"], numbers["incidents.duplicate_search_metres"])
    component = hang_together(held["rows"], reports, reach_m=reach)
    part = into_parts(component, reports.x, given.parts)
    print(", ".join(f"{name} {seconds:.1f} s" for name, seconds in spent.items()))
    print(f"{len(part)} rows, at most {np.bincount(component).max()} hang together within "
          f"{reach:g} m; parts of {np.bincount(part).tolist()} rows")
    found = joined_in_parts(held, part)
    other = {name: int((getattr(found, name) != getattr(held["join_reports"], name)).sum())
             for name in COMPARED}
    print(f"rows that came to something else: {other}")
    return int(any(other.values()))


if __name__ == "__main__":
    raise SystemExit(main())
