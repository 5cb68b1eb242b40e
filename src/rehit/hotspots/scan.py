"""Where incidents are in excess over an area, and what is emerging now."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.spatial import cKDTree
from scipy.special import xlogy

from rehit.errors import SettingError
from rehit.hotspots.grid import (
    Grid,
    coordinates,
    days_since,
    exposure_of,
    lay_grid,
    metres_per_unit,
    study_cells,
    well_placed,
)
from rehit.messages import Message, message
from rehit.observed import Window
from rehit.parameters import Parameters, load_parameters
from rehit.tables import check, empty, require_projected

#: Two whole weeks: one to look at, one to compare it with [days].
LEAST_DAYS = 14.0

# Kulldorff's Poisson scan statistic on any locations: circles, and cylinders that end today.
#
# Every location is the centre of circles that grow from neighbour to neighbour. The statistic is
# the largest log likelihood ratio of "more inside than outside"; its chance comes from simulated
# maps scanned in the same way, so that looking at thousands of circles is paid for.

@dataclass(frozen=True)
class Circles:
    """Circles around each location: members in order of distance, and how many are allowed.

    Parameters
    ----------
    members
        Location numbers by distance from each centre, shape (n, k).
    distance
        Their distances, same shape.
    allowed
        Whether the circle that ends with this member may be scanned, same shape.
    """

    members: np.ndarray
    distance: np.ndarray
    allowed: np.ndarray


def draw_circles(xy: np.ndarray, exposure: np.ndarray, *, max_share: float,
                 max_radius: float = np.inf) -> Circles:
    """List the circles around every location up to a share of the exposure and a radius.

    Parameters
    ----------
    xy
        Coordinates, shape (n, 2), planar.
    exposure
        What could have been hit at each location, shape (n,).
    max_share
        Largest share of the exposure in a circle, at most 0.5 by custom.
    max_radius
        Largest radius, unit of `xy`.

    Raises
    ------
    SettingError
        If the share is not in (0, 1] or no location has exposure.
    """
    if not 0 < max_share <= 1 or not exposure.sum() > 0:
        raise SettingError("scan", "errors.not_a_scan", share=max_share, exposure=exposure.sum())
    tree = cKDTree(xy)
    k = len(xy)
    if np.isfinite(max_radius):
        k = int(tree.query_ball_point(xy, max_radius, return_length=True).max())
    distance, members = tree.query(xy, k=np.arange(1, k + 1))
    inside = np.cumsum(exposure[members], axis=1) / exposure.sum()
    allowed = (inside <= max_share * (1 + 1e-12)) & (distance <= max_radius)
    return Circles(members, distance, allowed)


def log_likelihood_ratio(observed: np.ndarray, expected: np.ndarray, total: float) -> np.ndarray:
    """Return Kulldorff's log likelihood ratio of an excess inside (0 where there is none).

    Examples
    --------
    >>> round(float(log_likelihood_ratio(np.array([139.0]), np.array([72.67]), 1503.0)[0]), 1)
    25.4

    References
    ----------
    Kulldorff 1997, Communications in Statistics: Theory and Methods 26:1481-1496.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        inside = xlogy(observed, observed / expected)
        outside = xlogy(total - observed, (total - observed) / (total - expected))
        ratio = np.where((observed > expected) & (expected > 0), inside + outside, 0.0)
    return np.asarray(np.nan_to_num(ratio, nan=0.0, posinf=0.0))


def scan_maps(circles: Circles, counts: np.ndarray, expected: np.ndarray, *, total: float,
              largest: np.ndarray, most_zones: int = 10) -> pd.DataFrame:
    """Scan a map of counts and hold its zones to the largest ratios of simulated maps.

    Parameters
    ----------
    circles
        From :func:`draw_circles`.
    counts, expected
        Observed and expected events by location and duration, shape (n, d): column j holds the
        latest j + 1 periods (one column for a scan in space only).
    total
        All events, those outside the durations included.
    largest
        Largest ratio (:func:`largest_ratio`) of each map as it would be if nothing were going on.
    most_zones
        Most zones returned.

    Returns
    -------
    pandas.DataFrame
        One row per zone, the most likely first, then those that share no location with a likelier
        one: ``centre`` (location number), ``members`` (tuple of location numbers), ``duration``
        (periods), ``radius``, ``observed``, ``expected``, ``relative_risk``, ``llr``, ``p_value``
        (P(largest ratio of a simulated map at least as large), the data counted in).
    """
    mean = _cumulated(circles, expected)
    ratio = _ratios(circles, counts, mean, total)
    rows: list[dict[str, object]] = []
    taken = np.zeros(len(counts), dtype=bool)
    order = np.argsort(-ratio, axis=None, kind="stable")
    for flat in order[: np.count_nonzero(ratio > 0)]:
        centre, last, duration = np.unravel_index(flat, ratio.shape)
        inside = circles.members[centre, : last + 1]
        if taken[inside].any():
            continue
        taken[inside] = True
        observed = float(counts[inside, duration].sum())
        rows.append(_zone(circles, int(centre), int(last), int(duration), observed,
                          float(mean[centre, last, duration]), total, float(ratio.flat[flat]),
                          largest))
        if len(rows) == most_zones:
            break
    columns = ["centre", "members", "duration", "radius", "observed", "expected", "relative_risk",
               "llr", "p_value"]
    return pd.DataFrame(rows, columns=columns)


def poisson_scan(xy: np.ndarray, counts: np.ndarray, exposure: np.ndarray, *,
                 max_share: float = 0.5, max_radius: float = np.inf, permutations: int = 999,
                 rng: np.random.Generator, most_zones: int = 10) -> pd.DataFrame:
    """Scan counts in space against exposure.

    Parameters
    ----------
    xy, counts, exposure
        Coordinates, shape (n, 2); events and exposure per location, shape (n,).
    max_share, max_radius
        As in :func:`draw_circles`.
    permutations, most_zones
        As in :func:`scan_maps`.
    rng
        Source of randomness.

    Returns
    -------
    pandas.DataFrame
        As :func:`scan_maps`.

    References
    ----------
    Kulldorff 1997, Communications in Statistics: Theory and Methods 26:1481-1496.

    Examples
    --------
    >>> xy = np.column_stack([np.arange(10.0), np.zeros(10)])
    >>> counts = np.array([1, 0, 1, 9, 8, 1, 0, 1, 1, 0])
    >>> zones = poisson_scan(xy, counts, np.ones(10), permutations=99,
    ...                      rng=np.random.default_rng(1))
    >>> sorted(zones["members"][0]), zones["p_value"][0] <= 0.05
    ([3, 4], np.True_)
    """
    total = int(counts.sum())
    circles = draw_circles(xy, exposure, max_share=max_share, max_radius=max_radius)
    chances = exposure / exposure.sum()
    expected = (total * chances)[:, None]
    largest = np.array([largest_ratio(
        circles, rng.multinomial(total, chances)[:, None].astype("float64"), expected,
        total=total) for _ in range(permutations)])
    return scan_maps(circles, counts[:, None].astype("float64"), expected, total=total,
                     largest=largest, most_zones=most_zones)


def largest_ratio(circles: Circles, counts: np.ndarray, expected: np.ndarray, *,
                  total: float) -> float:
    """Return the largest log likelihood ratio of any circle and duration of a map.

    Parameters
    ----------
    circles, counts, expected, total
        As in :func:`scan_maps`.
    """
    return float(_ratios(circles, counts, _cumulated(circles, expected), total).max())


def _cumulated(circles: Circles, values: np.ndarray) -> np.ndarray:
    """Sum values over each circle, shape (n, k, d)."""
    return np.cumsum(values[circles.members], axis=1)


def _ratios(circles: Circles, counts: np.ndarray, mean: np.ndarray, total: float) -> np.ndarray:
    ratio = np.zeros(mean.shape)
    inside = _cumulated(circles, counts)
    # Only circles with an excess need the logarithms.
    more = (inside > mean) & circles.allowed[:, :, None]
    ratio[more] = log_likelihood_ratio(inside[more], mean[more], total)
    return ratio


def _zone(circles: Circles, centre: int, last: int, duration: int, observed: float,
          expected: float, total: float, ratio: float, largest: np.ndarray) -> dict[str, object]:
    outside = (total - observed) / (total - expected) if total > expected else np.nan
    risk = observed / expected / outside if outside > 0 else np.inf
    return {
        "centre": centre, "members": tuple(circles.members[centre, : last + 1].tolist()),
        "duration": duration + 1, "radius": float(circles.distance[centre, last]),
        "observed": observed, "expected": expected, "relative_risk": risk, "llr": ratio,
        "p_value": (1 + int((largest >= ratio - 1e-9).sum())) / (len(largest) + 1)}


def scan_statistic(placed_incidents: gpd.GeoDataFrame, *, window: Window, emerging: bool = True,
                   register: gpd.GeoDataFrame | None = None,
                   parameters: Parameters | None = None,
                   rng: np.random.Generator) -> gpd.GeoDataFrame:
    """Scan the town with circles for an excess of incidents, lately or over the whole window.

    Emerging: cylinders that end with the window and reach back one week or more. Days on which a
    place was reported are counted, however many reports it had, and what is expected of a circle
    is its share of all of them times the share of those weeks, so a place that has always been
    bad, and a season that is bad everywhere, are not called emerging. Chance is the larger of two:
    by permuting whole days, so that a round which files many reports on one day stays one; and by
    the largest zones of the log's own past dates, so that a log in which such zones come and go
    all the time has no news of them. Otherwise: circles against the exposure (register assets, or
    the area where there is no register); chance by maps drawn from the exposure.

    Parameters
    ----------
    placed_incidents
        Incidents with point geometry in a projected CRS and ``reported_at``; points that stand for
        a street are left out.
    window
        Observation window, UTC.
    emerging
        Space-time scan for what is emerging now, or a scan in space over the whole window.
    register
        Asset register in the same CRS, the exposure of the scan in space.
    parameters
        Uses ``hotspots.scan_cell_m``, ``scan_max_cells``, ``scan_max_radius_m``,
        ``scan_max_share``, ``scan_max_weeks``, ``scan_permutations``, ``scan_most_zones``,
        ``scan_past_dates`` and ``warm_up_days``.
    rng
        Source of randomness.

    Returns
    -------
    geopandas.GeoDataFrame
        Table ``scan``, the likeliest zone first; zones share no cell. Empty where there is no
        excess at all.

    References
    ----------
    Kulldorff 1997, Comm. Statist. Theory Meth. 26:1481-1496; prospective: Kulldorff 2001, JRSS A
    164:61-72; permuted times: Kulldorff, Heffernan, Hartman et al. 2005, PLoS Medicine 2:e59.
    """
    numbers = load_parameters() if parameters is None else parameters
    window.checked()
    rows = well_placed(placed_incidents, where="scan_statistic")
    rows = rows.loc[window.holds(rows["reported_at"])]
    if emerging:
        rows = _place_days(rows, window)
    if not len(rows):
        return _no_zones(placed_incidents)
    x, y = coordinates(rows)
    metre = metres_per_unit(rows)
    grid, used, exposure = _locations(x, y, metre, None if emerging else register, numbers)
    cell = np.searchsorted(used, grid.index(x, y))
    xy_m = grid.centres(used) * metre
    if emerging:
        zones = _emerging(xy_m, cell, _days_back(rows, window), len(used), int(window.days) + 1,
                          numbers, rng)
    else:
        zones = poisson_scan(
            xy_m, np.bincount(cell, minlength=len(used)), exposure,
            max_share=numbers["hotspots.scan_max_share"],
            max_radius=numbers["hotspots.scan_max_radius_m"],
            permutations=int(numbers["hotspots.scan_permutations"]), rng=rng,
            most_zones=int(numbers["hotspots.scan_most_zones"]))
    return _zone_table(zones, grid, used, window, emerging, rows)


def _locations(x: np.ndarray, y: np.ndarray, metre: float, register: gpd.GeoDataFrame | None,
               numbers: Parameters) -> tuple[Grid, np.ndarray, np.ndarray]:
    """Cells to scan, made larger until there are few enough of them; with their exposure."""
    every_x, every_y = x, y
    if register is not None and len(register):
        require_projected(register, where="scan_statistic: register")
        more = coordinates(register)
        every_x, every_y = np.concatenate([x, more[0]]), np.concatenate([y, more[1]])
    side = numbers["hotspots.scan_cell_m"] / metre
    while True:
        grid = lay_grid(every_x, every_y, side=side, max_cells=numbers["hotspots.max_cells"])
        counts = grid.tally(x, y)
        exposure = None
        if register is not None and len(register):
            # An incident shows that there was something to mark.
            exposure = np.maximum(exposure_of(register, grid, basis="assets"), counts > 0)
        inside = study_cells(counts, exposure, reach=1)
        if inside.sum() <= numbers["hotspots.scan_max_cells"]:
            break
        side *= 1.5
    used = np.flatnonzero(inside.ravel())
    flat = np.ones(len(used)) if exposure is None else exposure.ravel()[used].astype("float64")
    return grid, used, flat


def _days_back(rows: pd.DataFrame, window: Window) -> np.ndarray:
    """Return whole days from each report to the window's end."""
    back = days_since(window.end - rows["reported_at"] + window.start, window.start)
    days: np.ndarray = np.floor(back).astype("int64")
    return days


def _place_days(rows: gpd.GeoDataFrame, window: Window) -> gpd.GeoDataFrame:
    """Keep one report of each place and day; without places, of each point and day."""
    place = (rows["place_id"].astype("str") if "place_id" in rows
             else rows.geometry.x.astype("str") + " " + rows.geometry.y.astype("str"))
    twice = pd.DataFrame({"place": place, "day": _days_back(rows, window)}).duplicated()
    return rows.loc[~twice.to_numpy()]


@dataclass(frozen=True)
class _Latest:
    """Place-days by cell and days back from a date, to be counted over the latest weeks."""

    cell: np.ndarray
    back: np.ndarray
    n: int
    weeks: int

    def tables(self, back: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return counts of the latest 1, 2, ... weeks, and what each cell's share of them is."""
        inside = (back >= 0) & (back < 7 * self.weeks)
        flat = np.bincount(self.cell[inside] * self.weeks + back[inside] // 7,
                           minlength=self.n * self.weeks)
        counts = np.cumsum(flat.reshape(self.n, self.weeks), axis=1).astype("float64")
        per_cell = np.bincount(self.cell[back >= 0], minlength=self.n)
        return counts, np.outer(per_cell, counts.sum(axis=0)) / max((back >= 0).sum(), 1)

    def busiest(self, zone: pd.Series) -> float:
        """Return the share that the busiest single day has in a zone's place-days."""
        inside = np.isin(self.cell, zone["members"]) & (self.back < 7 * zone["duration"])
        return float(np.bincount(self.back[inside]).max() / inside.sum())


def _emerging(xy_m: np.ndarray, cell: np.ndarray, back: np.ndarray, n: int, days: int,
              numbers: Parameters, rng: np.random.Generator) -> pd.DataFrame:
    """Space-time scan over durations of 1, 2, ... weeks up to today, of a log of so many days."""
    longest = max(1, min(int(numbers["hotspots.scan_max_weeks"]), (days // 7 + 1) // 2))
    latest = _Latest(cell, back, n, longest)
    counts, expected = latest.tables(back)
    circles = draw_circles(xy_m, np.bincount(cell, minlength=n).astype("float64"),
                           max_share=numbers["hotspots.scan_max_share"],
                           max_radius=numbers["hotspots.scan_max_radius_m"])
    permuted = np.array([
        largest_ratio(circles, *latest.tables(rng.permutation(days)[back]), total=len(cell))
        for _ in range(int(numbers["hotspots.scan_permutations"]))])
    # A past date lies before what may be emerging now, and after enough of the log.
    past = np.array([
        largest_ratio(circles, *latest.tables(back - gone), total=int((back >= gone).sum()))
        for gone in range(7 * longest, days - int(numbers["hotspots.warm_up_days"]), 7)[
            : int(numbers["hotspots.scan_past_dates"])]])
    zones = scan_maps(circles, counts, expected, total=len(cell), largest=permuted,
                      most_zones=int(numbers["hotspots.scan_most_zones"]))
    p_past = np.array([(1 + (past >= ratio - 1e-9).sum()) / (len(past) + 1)
                       for ratio in zones["llr"]])
    return zones.assign(p_permuted=zones["p_value"], past_dates=len(past),
                        p_value=np.maximum(zones["p_value"], p_past),
                        busiest_day_share=[latest.busiest(zone) for _, zone in zones.iterrows()])


def _zone_table(zones: pd.DataFrame, grid: Grid, used: np.ndarray, window: Window, emerging: bool,
                rows: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    if not len(zones):
        return _no_zones(rows)
    centre = grid.centres(used[zones["centre"].to_numpy(dtype="int64")])
    metre = metres_per_unit(rows)
    half_cell = 0.5 * grid.side * metre
    radius_m = zones["radius"].to_numpy(dtype="float64") + half_cell
    circles = gpd.GeoSeries(gpd.points_from_xy(*centre.T), crs=rows.crs).buffer(radius_m / metre)
    back = pd.to_timedelta(zones["duration"].to_numpy(dtype="int64") * 7, unit="D")
    since = ((window.end - back).as_unit("us") if emerging
             else pd.DatetimeIndex([window.start] * len(zones)))
    result = gpd.GeoDataFrame({
        "zone_id": pd.Series([f"Z{i:02d}" for i in range(1, len(zones) + 1)], dtype="str"),
        "from_time": since, "to_time": pd.DatetimeIndex([window.end] * len(zones)),
        "radius_m": radius_m, "n_cells": [len(m) for m in zones["members"]],
        "n_incidents": zones["observed"].astype("int64"), "expected": zones["expected"],
        "relative_risk": zones["relative_risk"], "llr": zones["llr"],
        "p_value": zones["p_value"],
        "p_permuted": zones.get("p_permuted", zones["p_value"]),
        "past_dates": pd.Series(zones.get("past_dates", 0), index=zones.index, dtype="int64"),
        "busiest_day_share": pd.Series(zones.get("busiest_day_share", np.nan), index=zones.index,
                                       dtype="float64"),
    }, geometry=circles.to_numpy(), crs=rows.crs)
    check(result, "scan", where="scan_statistic")
    return result


def _no_zones(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    return empty("scan", crs=frame.crs)


def read_emerging(zones: pd.DataFrame, *, known: bool = True, observed_days: float = np.inf,
                  parameters: Parameters | None = None) -> tuple[Message, ...]:
    """Return what is emerging now (``emerging.*``), or that nothing stands out.

    Parameters
    ----------
    zones
        From :func:`scan_statistic`, emerging.
    known
        Whether any incident lies at a known point, so that there was something to scan.
    observed_days
        Length of the log [days]: under two weeks there is no earlier week to compare with.
    parameters
        Uses ``hotspots.emerging_chance``.

    Examples
    --------
    >>> read_emerging(pd.DataFrame({"zone_id": [], "p_value": []}))[0].code
    'emerging.none'
    """
    numbers = load_parameters() if parameters is None else parameters
    if not known:
        return (message("emerging.unplaced"),)
    if observed_days < LEAST_DAYS:
        return (message("emerging.short_log"),)
    level = numbers["hotspots.emerging_chance"]
    sure = zones[zones["p_value"] <= level]
    if not len(sure):
        unproven = zones[(zones["p_permuted"] <= level) & (
            1 / (zones["past_dates"] + 1) > level)] if len(zones) else zones
        return (message("emerging.unproven", n=len(unproven)) if len(unproven)
                else message("emerging.none"),)
    first = sure.iloc[0]
    weeks = round((first["to_time"] - first["from_time"]) / pd.Timedelta(days=7))
    said = message("emerging.zone", zone=first["zone_id"], metres=first["radius_m"],
                   incidents=first["n_incidents"], n=weeks, expected=first["expected"],
                   p=first["p_value"], busiest=first["busiest_day_share"])
    return (said,) if len(sure) == 1 else (said, message("emerging.more", n=len(sure) - 1))
