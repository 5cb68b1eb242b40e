"""What the maps of clusters, cells, near repeats and emerging zones mean in plain words."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rehit.parameters import Parameters, load_parameters

LEAST_DAYS = 14.0  # two whole weeks: one to look at, one to compare it with

def read_cells(cells: pd.DataFrame, *, cell_m: float, by_assets: bool) -> str:
    """Say how many grid cells are hotter than chance, and what none of them would mean.

    Parameters
    ----------
    cells
        From :func:`rehit.hotspots.significance.hot_cells`.
    cell_m
        Side of a cell [m].
    by_assets
        Whether a register was given, so that cells are held against their assets.

    Examples
    --------
    >>> read_cells(pd.DataFrame({"hot": [True, False]}), cell_m=100, by_assets=False)
    '1 of 2 cells of 100 m is hotter than chance: more incidents lie in it and the cells ...
    """
    if not len(cells):
        return "No incident lies in a known cell, so no part of town can be tested against chance."
    if "p_upper" in cells and cells["p_upper"].isna().all():
        return (f"All incidents lie within so few cells of {cell_m:g} m that no part of town can "
                "be held against the others.")
    hot, of_all = int(cells["hot"].sum()), f"{len(cells):,} cells of {cell_m:g} m"
    if hot:
        verb, pronoun = ("is", "it") if hot == 1 else ("are", "them")
        why = (f"the assets in {pronoun} and the cells around {pronoun} are marked more often than "
               "as many assets picked anywhere in the register" if by_assets else
               f"more incidents lie in {pronoun} and the cells around {pronoun} than in as many "
               "cells picked anywhere in the area")
        return f"{hot:,} of {of_all} {verb} hotter than chance: {why}."
    asks = ("whether the assets there are marked more than other assets" if by_assets else
            "whether more lies there than chance would pile up")
    return (f"None of {of_all} is hotter than chance. Clusters say where markings lie close "
            f"together, as they also do where much can be marked; this test asks {asks}. Both can "
            "be true: look at single places rather than at areas.")


def read_rings(rings: pd.DataFrame) -> str:
    """Say how far from a marking, and for how long after it, others are more frequent.

    Parameters
    ----------
    rings
        From :func:`rehit.hotspots.spacetime.knox_rings`.

    Examples
    --------
    >>> rings = pd.DataFrame({"from_m": [0.0, 1], "to_m": [1.0, 50], "from_days": [0.0, 0],
    ...                       "to_days": [7.0, 7], "ratio": [0.5, 1.3], "raised": [False, True]})
    >>> read_rings(rings)
    'After a marking, markings elsewhere are more frequent than chance 1 to 50 m away after 0 to ...
    """
    if rings["ratio"].isna().all():
        return ("No two incidents of this log lie a known distance apart, so near repeats cannot "
                "be told.")
    elsewhere = rings[rings["from_m"] > 0]
    farthest = rings["to_m"].max()
    if elsewhere["ratio"].isna().all():
        return (f"No two incidents at different places lie within {farthest:g} m of each other, so "
                "near repeats cannot be told.")
    raised = elsewhere[elsewhere["raised"]]
    possible = elsewhere[elsewhere["ratio"].notna()]
    if not len(raised) and possible["from_days"].nunique() < 2:
        return ("All incidents lie so close together in time that near repeats cannot be told.")
    if not len(raised):
        farthest, longest = possible["to_m"].max(), possible["to_days"].max()
        return (f"This log shows no sign that a marking brings further ones near it, within "
                f"{farthest:g} m and {longest:g} days, beyond what chance brings.")
    most = raised.iloc[int(raised["ratio"].argmax())]
    where = [f"{near:g} to {far:g} m away after {_bands(ring)} days"
             for (near, far), ring in raised.groupby(["from_m", "to_m"])]
    return (f"After a marking, markings elsewhere are more frequent than chance {_listed(where)}; "
            f"most so {most['from_m']:g} to {most['to_m']:g} m away after "
            f"{most['from_days']:g} to {most['to_days']:g} days, {most['ratio']:.2f} times what "
            "chance gives.")


def _bands(ring: pd.DataFrame) -> str:
    """Times of one ring in words, bands that touch run together."""
    spans: list[list[float]] = []
    for low, high in ring.sort_values("from_days")[["from_days", "to_days"]].to_numpy():
        if spans and spans[-1][1] == low:
            spans[-1][1] = high
        else:
            spans.append([low, high])
    return _listed([f"{low:g} to {high:g}" for low, high in spans])


def _listed(parts: list[str]) -> str:
    return ", ".join(parts[:-1]) + " and " + parts[-1] if len(parts) > 1 else parts[0]


def read_emerging(zones: pd.DataFrame, *, known: bool = True, observed_days: float = np.inf,
                  parameters: Parameters | None = None) -> str:
    """Say what is emerging now, or that nothing stands out.

    Parameters
    ----------
    zones
        From :func:`rehit.hotspots.scan.scan_statistic`, emerging.
    known
        Whether any incident lies at a known point, so that there was something to scan.
    observed_days
        Length of the log [days]: under two weeks there is no earlier week to compare with.
    parameters
        Uses ``hotspots.emerging_chance``.

    Examples
    --------
    >>> zones = pd.DataFrame({"zone_id": [], "p_value": []})
    >>> read_emerging(zones)
    'Nothing new stands out in the last weeks.'
    """
    numbers = load_parameters() if parameters is None else parameters
    if not known:
        return ("No incident lies at a known point, so what is emerging cannot be told from a map; "
                "watch the streets.")
    if observed_days < LEAST_DAYS:
        return "The log is too short to hold its last week against those before it."
    sure = zones[zones["p_value"] <= numbers["hotspots.emerging_chance"]]
    if not len(sure):
        return "Nothing new stands out in the last weeks."
    first = sure.iloc[0]
    weeks = round((first["to_time"] - first["from_time"]) / pd.Timedelta(days=7))
    more = f" {len(sure) - 1} more in emerging.csv." if len(sure) > 1 else ""
    return (f"Emerging now: {first['zone_id']}, within {first['radius_m']:.0f} m, has had "
            f"{first['n_incidents']:,} incidents in the last {weeks} weeks where "
            f"{first['expected']:.1f} would be usual (chance {first['p_value']:.2f}).{more}")
