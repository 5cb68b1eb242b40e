"""Handing the chain's finished tables to the report."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import geopandas as gpd
import pandas as pd

from rehit.hotspots.clusters import find_clusters
from rehit.hotspots.recurrence_words import clearance_speed
from rehit.hotspots.survival import kaplan_meier
from rehit.pipeline.chain import Chain
from rehit.pipeline.costing import cost_years, rate_costs
from rehit.pipeline.finding import evaluation_table, evaluations
from rehit.pipeline.method_check import done_table, shares_table
from rehit.reporting.inputs import ReportInput


def report_input(chain: Chain, *, first: date, last: date,
                 routes: gpd.GeoDataFrame | None = None) -> ReportInput:
    """Gather everything the report of one period is made from."""
    project, cleaned = chain.project, chain.cleaned
    incidents = chain.incidents
    return ReportInput(
        name=project.name, period_start=first, period_end=last,
        observed_from=cleaned.observed_from, observed_to=cleaned.observed_to, crs=project.crs,
        currency=project.currency,
        price_year=project.price_year or cleaned.observed_to.year, time_zone=project.time_zone,
        language=project.language,
        threshold_per_year=chain.parameters["hotspots.threshold_per_year"],
        horizon_years=chain.parameters["costs.horizon_years"],
        incidents=incidents, counts=cleaned.counts, set_aside=cleaned.set_aside,
        findings=cleaned.findings, method_shares=shares_table(chain),
        advised_done=done_table(chain), forecast_checks=chain.forecast_record[0],
        forecast_scores=chain.forecast_record[1], repeats=chain.repeats, clusters=chain.clusters,
        clusters_before=clusters_before(chain, first), cells=chain.cells, forecast=chain.forecast,
        advice=chain.advice, costing=chain.costing, strategy_costs=chain.strategy_costs,
        cost_years=cost_years(chain, n_places=int(chain.parameters["reporting.top_places"])),
        programme=chain.programme().table,
        budget_sweep=chain.budget_sweep(), rate_costs=rate_costs(chain),
        rings=ring_table(chain), survival=survival_curves(chain),
        evaluations=evaluation_rows(chain), spend=spend_by_month(chain),
        streets=chain.streets, routes=routes, limits=chain.limits,
    )


def clusters_before(chain: Chain, first: date) -> pd.DataFrame | None:
    """Find the clusters as they stood when the period began."""
    start = pd.Timestamp(first, tz=chain.project.time_zone).tz_convert("UTC")
    observed_from = chain.cleaned.observed_from
    if start <= observed_from:
        return None
    earlier = chain.incidents[chain.incidents["reported_at"] < start]
    return find_clusters(earlier, observed_from=observed_from, observed_to=start,
                         parameters=chain.parameters, rng=chain.rng("clusters"))


def ring_table(chain: Chain) -> pd.DataFrame:
    """Return the near-repeat rings under the report's column names."""
    names = {"from_m": "metres_from", "to_m": "metres_to", "from_days": "days_from",
             "to_days": "days_to", "pairs": "observed"}
    rings = chain.rings.rename(columns=names)
    if rings["ratio"].isna().all():
        # A log known to the street only has no pair at a known distance: nothing to show.
        return rings.iloc[:0]
    return rings.astype(dict.fromkeys(names.values(), float))


def survival_curves(chain: Chain) -> pd.DataFrame:
    """Return Kaplan-Meier curves of cleared places, by substrate and by speed of clearance."""
    spells = chain.spells
    if spells.empty:
        return pd.DataFrame()
    fewest = chain.parameters["pipeline.fewest_spells"]
    fast = spells["days_to_clearance"].median()
    groupings: dict[str, Callable[[], pd.Series]] = {
        "substrate": lambda: spells["substrate"],
        "clearance_speed": lambda: clearance_speed(spells, fast_days=fast)}
    curves = [
        _curve(rows).assign(grouping=grouping, group=str(group), n=len(rows))
        for grouping, words in groupings.items()
        for group, rows in spells.groupby(words(), observed=True)
        if rows["event"].sum() >= fewest]
    return pd.concat(curves, ignore_index=True) if curves else pd.DataFrame()


def _curve(spells: pd.DataFrame) -> pd.DataFrame:
    curve = kaplan_meier(spells["days"].to_numpy(), spells["event"].to_numpy(),
                         place=spells["place_id"].to_numpy())
    return curve.rename(columns={"survival": "unmarked"})[["days", "unmarked", "low", "high"]]


def evaluation_rows(chain: Chain) -> pd.DataFrame | None:
    """Evaluate the project's measures, if it has a measures file."""
    if chain.project.path("measures") is None:
        return None
    return evaluation_table(list(evaluations(chain)))


def spend_by_month(chain: Chain) -> pd.DataFrame | None:
    """Add up what the works log says was spent, by month of the job."""
    works = chain.works
    if works is None or works["cost"].isna().all():
        return None
    done = pd.to_datetime(works["done_at"], errors="coerce", format="mixed")
    month = done.dt.to_period("M").dt.start_time.dt.tz_localize("UTC")
    spent = works.groupby(month)["cost"].sum()
    table = pd.DataFrame({"month": spent.index.astype("datetime64[us, UTC]"),
                          "spent": spent.to_numpy(float)})
    checks = chain.forecast_record[0]
    # Incidents forecast before the month began, at the mean cost of a job in the log.
    local = pd.DatetimeIndex(checks["period_start"]).tz_convert(chain.project.time_zone)
    begun = local.tz_localize(None).normalize().tz_localize("UTC")
    money = checks[["expected", "low", "high"]].to_numpy(float) * float(works["cost"].mean())
    expected = pd.DataFrame(money, columns=["expected", "expected_low", "expected_high"],
                            index=begun.astype("datetime64[us, UTC]"))
    return table.join(expected, on="month")
