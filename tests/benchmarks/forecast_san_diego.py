"""Rolling-origin forecasts of the San Diego log: each score beside the plain counts.

Run by hand: python tests/benchmarks/forecast_san_diego.py [--honest]

Protocol: 28-day periods from 2017-09-01, cells of 100 m (UTM zone 11N), top 1 % of them. "Cells
that ever had an incident" uses the whole log, future included, for the list of cells, as the
published baselines did; --honest lists at each origin only the cells hit before it. The last three
periods played no part in choosing features or settings and are reported apart.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
from pyproj import Transformer

from rehit.hotspots.forecast import History, make_history
from rehit.hotspots.grid import lay_grid
from rehit.parameters import load_parameters

sys.path.insert(0, str(Path(__file__).parents[1] / "reference"))
from forecast_scores import score_rolling, summarise

LOG = Path(__file__).parents[3] / "shared" / "data" / "san_diego" / "SDGraffiti3.csv"
HORIZON = 28.0
HELD_BACK = 3


def cells_of_log(*, always_known: bool) -> tuple[History, list[float]]:
    """Read the log as 100 m cells and list the origins."""
    log = pd.read_csv(LOG, usecols=["requested_datetime", "lat", "long"])
    times = pd.to_datetime(log["requested_datetime"])
    x, y = Transformer.from_crs(4326, 32611, always_xy=True).transform(
        log["long"].to_numpy(), log["lat"].to_numpy())
    grid = lay_grid(x, y, side=100.0)
    used, cell = np.unique(grid.index(x, y), return_inverse=True)
    opened = times.min().normalize()
    day = ((times - opened) / pd.Timedelta(days=1)).to_numpy()
    history = make_history(cell, day, grid.centres(used), always_known=always_known)
    first = (pd.Timestamp("2017-09-01") - opened) / pd.Timedelta(days=1)
    origins = np.arange(first, day.max() - HORIZON + 1e-9, HORIZON)
    return history, origins.tolist()


def main() -> None:
    """Print the tables."""
    honest = "--honest" in sys.argv
    history, origins = cells_of_log(always_known=not honest)
    scores = score_rolling(history, origins, horizon=HORIZON, numbers=load_parameters())
    listed = "cells hit before each origin" if honest else "cells that ever had an incident"
    print(f"{history.n} cells, {len(origins)} periods of 28 days; {listed}")
    cut = origins[-HELD_BACK]
    pd.set_option("display.width", 200)
    for title, part in (("all periods", scores), ("tuning periods", scores[scores.origin < cut]),
                        ("last three periods", scores[scores.origin >= cut])):
        print(f"\n{title}")
        print(summarise(part).round(4).to_string())
    print("\nhit rate at 1 % by period")
    print(scores.pivot_table("hit_rate_1", "origin", "method").round(3).to_string())


if __name__ == "__main__":
    main()
