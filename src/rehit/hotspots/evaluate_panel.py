"""Counts and time at risk before and after a measure, place by place and step by step."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.stats import chi2

from rehit.errors import SettingError
from rehit.hotspots.exposure import (
    known_places,
    timeline,
    waiting_between,
    waits,
    window_days,
)
from rehit.parameters import Parameters

GROUPS = ("treated", "comparison", "displaced", "displaced_comparison")


@dataclass(frozen=True)
class Panel:
    """Who was counted, and how often they were hit before and after.

    Parameters
    ----------
    places
        One row per place: ``place_id, group, n_before, n_after`` (all incidents), ``clean_before,
        clean_after`` (incidents on a clean surface), ``years_before, years_after`` (at risk).
    steps
        One row per group and step of time: ``group, from_day, to_day, after, n, years``.
    days_before, days_after
        Lengths of the two periods [days].
    """

    places: pd.DataFrame
    steps: pd.DataFrame
    days_before: float
    days_after: float

    def counts(self, group: str) -> tuple[int, int]:
        """All incidents of a group (before, after)."""
        part = self.places[self.places["group"] == group]
        return int(part["n_before"].sum()), int(part["n_after"].sum())

    def clean_counts(self, group: str) -> tuple[int, int]:
        """Incidents on clean surfaces of a group (before, after)."""
        part = self.places[self.places["group"] == group]
        return int(part["clean_before"].sum()), int(part["clean_after"].sum())

    def years(self, group: str) -> tuple[float, float]:
        """Time at risk of a group (before, after) [years]."""
        part = self.places[self.places["group"] == group]
        return float(part["years_before"].sum()), float(part["years_after"].sum())


def build_panel(placed_incidents: gpd.GeoDataFrame, *, treated_ids: Iterable[str],
                comparison_ids: Iterable[str], displaced_ids: Iterable[str] = (),
                displaced_comparison_ids: Iterable[str] = (), started_at: pd.Timestamp,
                observed_from: pd.Timestamp, observed_to: pd.Timestamp, settle_days: float,
                parameters: Parameters) -> Panel:
    """Count every named place before and after, whether it was ever hit or not.

    Parameters
    ----------
    placed_incidents
        Incidents with the placed columns.
    treated_ids, comparison_ids, displaced_ids, displaced_comparison_ids
        ``place_id`` of each group; no place in two groups.
    started_at
        When the measure began, inside the window.
    observed_from, observed_to
        Period the log covers, UTC.
    settle_days
        Days from `started_at` that are left out, while the measure is put in place [days].
    parameters
        Numbers in force.

    Raises
    ------
    SettingError
        For a place in two groups, no treated place, or a start outside the window.
    """
    length = window_days(observed_from, observed_to)
    start, resume = _limits(started_at, observed_from, length, settle_days)
    groups = _groups(treated_ids, comparison_ids, displaced_ids, displaced_comparison_ids)
    known = known_places(placed_incidents)
    known = known[known["place_id"].isin(groups.index)]
    laid = timeline(known, observed_from=observed_from, observed_to=observed_to,
                    parameters=parameters)
    place = known["place_id"].loc[laid.index]
    names = place[laid["first"]].to_numpy()
    places = pd.DataFrame({"place_id": groups.index, "group": groups.to_numpy()})
    least = parameters["hotspots.min_exposure_days"]
    for when, low, high in (("before", 0.0, start), ("after", resume, length)):
        inside = laid[(laid["reported"] >= low) & (laid["reported"] < high + (when == "after"))]
        for column, rows in (("n", inside), ("clean", inside[inside["at_risk"]])):
            counted = place.loc[rows.index].value_counts()
            places[f"{column}_{when}"] = places["place_id"].map(counted).fillna(0).astype("int64")
        waited = waiting_between(laid, from_day=low, to_day=high)
        waited.index = names
        days = high - low - places["place_id"].map(waited).fillna(0.0)
        places[f"years_{when}"] = days.clip(lower=least) / 365.25
    steps = _steps(laid, groups.loc[place].to_numpy(), groups, start, resume, length,
                   parameters["hotspots.evaluate_bin_days"])
    return Panel(places, steps, start, length - resume)


def around(placed_incidents: gpd.GeoDataFrame, ids: Iterable[str], *, within_m: float,
           apart_from: Iterable[str]) -> list[str]:
    """Return the places within a distance of the named ones: where markings may have moved to.

    Parameters
    ----------
    placed_incidents
        Incidents with the placed columns; projected CRS.
    ids
        Places in the middle.
    within_m
        Distance [m], in a CRS in metres.
    apart_from
        Places that may not be returned.
    """
    known = known_places(placed_incidents)
    points = gpd.GeoSeries(known.geometry.to_numpy(), index=known["place_id"].to_numpy(),
                           crs=placed_incidents.crs)
    points = points[~points.index.duplicated()].dropna()
    middle = points[points.index.isin(set(ids))]
    if middle.empty:
        return []
    near = points.index[points.distance(middle.union_all()) <= within_m]
    return sorted(set(near) - set(ids) - set(apart_from))


def with_rates(steps: pd.DataFrame, *, started_at: pd.Timestamp, observed_from: pd.Timestamp,
               level: float) -> pd.DataFrame:
    """Return the steps with dates, rates and exact Poisson intervals, ready to plot.

    References
    ----------
    Garwood 1936, Biometrika 28:437-442 (interval of a Poisson count).
    """
    tail = (1 - level) / 2
    n, years = steps["n"].to_numpy(), steps["years"].to_numpy()
    low = np.where(n > 0, chi2.ppf(tail, 2 * np.maximum(n, 1)) / 2, 0.0)
    return steps.assign(
        step_from=observed_from + pd.to_timedelta(steps["from_day"], unit="D"),
        step_to=observed_from + pd.to_timedelta(steps["to_day"], unit="D"),
        rate_per_year=n / years, rate_low=low / years,
        rate_high=chi2.ppf(1 - tail, 2 * n + 2) / 2 / years, started_at=started_at)


def _limits(started_at: pd.Timestamp, observed_from: pd.Timestamp, length: float,
            settle_days: float) -> tuple[float, float]:
    good = isinstance(started_at, pd.Timestamp) and not pd.isna(started_at) and started_at.tzinfo
    start = (started_at - observed_from).total_seconds() / 86_400 if good else np.nan
    if not 0 < start < length or not 0 <= settle_days < length - start:
        raise SettingError("evaluate: started_at", got=f"{started_at} and {settle_days} days",
                           allowed="a time with a zone inside the observed period, and fewer days "
                           "of settling than remain after it",
                           remedy="check the date of the measure and the period of the log")
    return start, start + settle_days


def _groups(*ids: Iterable[str]) -> pd.Series:
    lists = [pd.Index(pd.unique(pd.Series(list(i), dtype="object").astype("str"))) for i in ids]
    groups = pd.Series([g for g, i in zip(GROUPS, lists, strict=True) for _ in i],
                       index=[p for i in lists for p in i], dtype="object")
    twice = groups.index[groups.index.duplicated()]
    if len(twice) or len(lists[0]) == 0:
        got = f"{twice[0]!r} in two groups" if len(twice) else "no treated place"
        raise SettingError("evaluate: places", got=got, allowed="at least one treated place and "
                           "every place in one group only", remedy="correct the lists of places")
    return groups


def _steps(laid: pd.DataFrame, group: np.ndarray, groups: pd.Series, start: float, resume: float,
           length: float, width: float) -> pd.DataFrame:
    """Whole steps counted away from the measure on both sides; a scrap at the rim is left out."""
    before = [(start - k * width, start - (k - 1) * width, False)
              for k in range(int(start // width), 0, -1)]
    after = [(resume + k * width, resume + (k + 1) * width, True)
             for k in range(int((length - resume) // width))]
    sizes = groups.value_counts()
    code = pd.Index(sizes.index).get_indexer(group)
    begin, end = waits(laid)
    clean, reported = laid["at_risk"].to_numpy(), laid["reported"].to_numpy()
    rows = []
    for low, high, is_after in before + after:
        days = np.maximum(np.minimum(end, high) - np.maximum(begin, low), 0.0)
        waited = np.bincount(code, weights=days, minlength=len(sizes))
        inside = clean & (reported >= low) & (reported < high)
        n = np.bincount(code[inside], minlength=len(sizes))
        years = np.maximum(sizes.to_numpy() * (high - low) - waited, 1.0) / 365.25
        rows += [(g, low, high, is_after, int(n[k]), years[k]) for k, g in enumerate(sizes.index)]
    return pd.DataFrame(rows, columns=["group", "from_day", "to_day", "after", "n", "years"])
