"""What the report is made from: finished tables and the facts of the project, nothing else."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import geopandas as gpd
import pandas as pd

from rehit.errors import ManyErrors, RehitError, SettingError, TableError
from rehit.messages import Message, message
from rehit.observed import Window
from rehit.report.say import Say
from rehit.tables import check

#: Attribute of :class:`ReportInput` to the contract it is held against.
CONTRACTS = {
    "repeats": "repeats", "clusters": "clusters", "clusters_before": "clusters",
    "cells": "cells", "forecast": "forecast", "advice": "advice", "costing": "costing",
    "strategy_costs": "strategy_costs", "expected_work": "expected_work",
    "findings": "report_findings",
    "counts": "report_counts", "set_aside": "set_aside",
    "forecast_scores": "report_forecast_scores", "forecast_checks": "report_forecast_checks",
    "rings": "report_rings", "survival": "report_survival", "cost_years": "report_cost_years",
    "rate_costs": "report_rate_costs", "budget_sweep": "report_budget_sweep",
    "programme": "report_programme", "evaluations": "report_evaluations",
    "spend": "report_spend", "routes": "report_ways",
    "method_shares": "report_method_shares", "advised_done": "report_advised_done",
    "works": "report_works", "log_rows": "report_log_rows",
}
#: Columns that hold codes of a group, or messages where the group is empty.
CODED = {
    "advice": {"reason": "", "materials": "kit", "waste": "waste", "cautions": "caution"},
    "strategy_costs": {"why_not": "why_not"}, "incidents": {"match_evidence": ""},
    "findings": {"effect": "", "advice": ""},
}
#: Groups of words for the codes of a column.
WORDS = {name: name for name in (
    "status", "priority", "substrate", "finish", "medium", "method", "severity", "place_kind",
    "place_quality", "outcome", "reported_precision", "area_basis", "exposure_basis", "kind",
    "strategy", "access", "grouping", "jobs", "consent", "place_class", "service")} | {
    "log": "which_log", "reading": "verdict", "second_choice": "method", "instead_of": "strategy",
    "advised": "method", "done": "method", "what": "way"}
#: Columns that hold names of the package's own, such as ways to forecast.
NAMED = {"forecast": ("method",), "forecast_scores": ("method",)}


@dataclass(frozen=True)
class Standards:
    """Time allowed from first report to clearance, in hours."""

    offensive_h: float
    ordinary_h: float


@dataclass(frozen=True, kw_only=True)
class ReportInput:
    """Everything one report is made from.

    Only the project facts and `incidents` are needed. Each table left out (or without rows)
    leaves its section with one sentence saying so; the rest of the report is made all the same.

    Parameters
    ----------
    name
        Name of the project or place, as the title shall show it.
    period_start, period_end
        First and last day of the period, both counted in, on the calendar of `time_zone`.
    window
        What the log covers [UTC]. Comparisons are made per observed day, so that a quarter
        that is only partly covered is not read as a fall.
    crs
        Projected CRS of all geometries.
    currency, price_year
        Declared once; all money in the tables is in it.
    time_zone
        Name from the IANA time zone database.
    language
        A language that has a message catalogue: ``en`` or ``es``.
    units
        What distances and areas are told in: ``metric`` or ``imperial``.
    standards
        Time allowed to clear a marking [h]; that of the parameters ``service.*`` where None.
    threshold_per_year
        The rate the user asked about; ``repeats.chance_above`` refers to it [incidents/year].
    map_tiles
        Address of a background that the map offers, off until a reader switches it on.
    incidents
        Placed incidents: the contract ``incidents`` with the columns of ``placed`` merged in.
    counts, set_aside, findings
        Row counts per file, the rows set aside, findings about the quality of the log.
    works
        Jobs of the works log, each with the row it stands in.
    log_rows
        Every row of the log and the works log, with its line in the file and its own number.
    method_shares, advised_done
        Shares of methods beside the band of ordinary towns; advice beside the works log.
    clusters_before, forecast_checks, cost_years, rate_costs, budget_sweep, spend
        What comparisons and figures need; see the contracts ``report_*`` in ``schemas/``.
    streets
        Lines of the user's street network, drawn as base map.
    limits
        Messages about what cannot be concluded from these data.
    left_out
        Sections not wanted, of :data:`rehit.report.document.SECTIONS`.
    """

    name: str
    period_start: date
    period_end: date
    window: Window
    crs: str
    currency: str
    price_year: int
    time_zone: str
    incidents: gpd.GeoDataFrame
    language: str = "en"
    units: str = "metric"
    standards: Standards | None = None
    threshold_per_year: float | None = None
    horizon_years: float | None = None
    map_tiles: str | None = None
    counts: pd.DataFrame | None = None
    set_aside: pd.DataFrame | None = None
    findings: pd.DataFrame | None = None
    method_shares: pd.DataFrame | None = None
    advised_done: pd.DataFrame | None = None
    repeats: gpd.GeoDataFrame | None = None
    clusters: gpd.GeoDataFrame | None = None
    clusters_before: gpd.GeoDataFrame | None = None
    cells: gpd.GeoDataFrame | None = None
    forecast: pd.DataFrame | None = None
    forecast_scores: pd.DataFrame | None = None
    forecast_checks: pd.DataFrame | None = None
    advice: pd.DataFrame | None = None
    costing: pd.DataFrame | None = None
    expected_work: pd.DataFrame | None = None
    strategy_costs: pd.DataFrame | None = None
    cost_years: pd.DataFrame | None = None
    rate_costs: pd.DataFrame | None = None
    programme: pd.DataFrame | None = None
    budget_sweep: pd.DataFrame | None = None
    spend: pd.DataFrame | None = None
    works: pd.DataFrame | None = None
    evaluations: pd.DataFrame | None = None
    rings: pd.DataFrame | None = None
    survival: pd.DataFrame | None = None
    streets: gpd.GeoDataFrame | None = None
    routes: gpd.GeoDataFrame | None = None
    log_rows: pd.DataFrame | None = None
    limits: tuple[Message, ...] = ()
    left_out: tuple[str, ...] = ()

    def given(self, table: str) -> pd.DataFrame | None:
        """Return the table called `table`, or None where it is missing or has no rows."""
        value: pd.DataFrame | None = getattr(self, table)
        return None if value is None or value.empty else value

    def tables(self) -> Iterator[tuple[str, pd.DataFrame]]:
        """Go through the tables that have rows, by attribute name, in order."""
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, pd.DataFrame) and not value.empty:
                yield field.name, value


def check_input(inputs: ReportInput) -> None:
    """Hold every given table against its contract and the facts against each other.

    Raises
    ------
    ManyErrors
        Listing all faults found.
    """
    faults: list[RehitError] = list(_fact_faults(inputs))
    for contract in ("incidents", "placed"):
        faults += _table_faults(inputs.incidents, contract, "incidents")
    for attribute, contract in CONTRACTS.items():
        value = inputs.given(attribute)
        if value is not None:
            faults += _table_faults(value, contract, attribute)
    if inputs.given("streets") is not None and (
            inputs.streets is None or inputs.streets.crs is None
            or not inputs.streets.crs.is_projected):
        faults.append(TableError(message("where.report_streets"), "errors.streets_unprojected"))
    if faults:
        raise ManyErrors("report", faults)


def _table_faults(frame: pd.DataFrame, contract: str, attribute: str) -> list[RehitError]:
    try:
        check(frame, contract, where=f"report: {attribute}")
    except ManyErrors as error:
        return list(error.errors)
    return []


def _fact_faults(inputs: ReportInput) -> Iterator[RehitError]:
    if inputs.period_end < inputs.period_start:
        yield SettingError(message("where.report_period"), "errors.days_crossed",
                           first=inputs.period_start, last=inputs.period_end)
    if inputs.window.end <= inputs.window.start:
        yield SettingError(message("where.report_window"), "errors.ends_before_start",
                           start=str(inputs.window.start), end=str(inputs.window.end))
    try:
        ZoneInfo(inputs.time_zone)
    except (ZoneInfoNotFoundError, ValueError):
        yield SettingError("report: time_zone", "errors.not_a_zone", name=inputs.time_zone)


# Going through the rows of a finished table.

def each(frame: pd.DataFrame) -> Iterator[Any]:
    """Give each row as a named tuple, its columns as attributes.

    Examples
    --------
    >>> [row.n + 1 for row in each(pd.DataFrame({"n": [1, 2]}))]
    [2, 3]
    """
    yield from frame.itertuples(index=False)


def translated(frame: pd.DataFrame, attribute: str, say: Say) -> pd.DataFrame:
    """Return one of the report's tables with its codes and messages in words.

    Parameters
    ----------
    frame
        The table; other columns stay as they are.
    attribute
        Attribute of ``ReportInput`` it is.
    say
        The language.
    """
    if attribute in CODED:
        return say.columns(frame, CODED[attribute])
    return frame.assign(**{
        column: frame[column].map({name: say.own(name) for name in frame[column].dropna().unique()}
                                  ).astype("str").where(frame[column].notna())
        for column in NAMED.get(attribute, ()) if column in frame})


def in_language(inputs: ReportInput, say: Say) -> ReportInput:
    """Return the report's tables with their codes and messages in words."""
    changed: dict[str, Any] = {
        name: translated(frame, name, say) for name, frame in inputs.tables()}
    return replace(inputs, **changed)
