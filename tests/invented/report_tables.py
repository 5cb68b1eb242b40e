"""Finished tables for the report, built from the contracts: a small invented town."""

from __future__ import annotations

from datetime import date
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely import LineString, Point, box

from rehit.messages import as_lines, as_text, message
from rehit.observed import Window
from rehit.report.inputs import CONTRACTS, ReportInput
from rehit.tables import table

CRS = "EPSG:25831"
FROM = pd.Timestamp("2023-01-01", tz="UTC")
TO = pd.Timestamp("2025-11-30 18:00", tz="UTC")
HOSTILE = "<script>alert('x')</script>"
SUBSTRATES = ("brick", "concrete", "render", "metal", "glass", "stone")
METHODS = ("paint_out", "solvent_wipe", "hot_wash", "inspect")


def fill(frame: Any, *contracts: str) -> Any:
    """Add the contract columns a fixture does not care about, so that contracts may grow."""
    for name in contracts:
        for column in table(name).columns:
            if column.name not in frame.columns:
                plain = {"number": 0.0, "whole": 0, "flag": False}.get(
                    column.kind, column.allowed[0] if column.allowed else "x")
                frame[column.name] = plain
    return frame


def make_incidents(n: int, *, seed: int = 7, n_places: int = 120) -> gpd.GeoDataFrame:
    """Draw placed incidents whose places follow a heavy-tailed rate."""
    rng = np.random.default_rng(seed)
    weight = rng.gamma(0.5, 1.0, n_places)
    where = rng.choice(n_places, n, p=weight / weight.sum())
    xy = rng.uniform(0, 3000, (n_places, 2)) + np.array([430_000, 4_590_000])
    days = np.sort(rng.uniform(0, (TO - FROM).days, n))
    reported = FROM + pd.to_timedelta(np.round(days * 1440), "min")
    wait = pd.to_timedelta(np.round(rng.gamma(1.2, 40, n) * 60), "min")
    cleared = pd.Series(reported + wait)
    is_open = (cleared > TO) | (rng.random(n) < 0.03)
    undated = ~is_open & (rng.random(n) < 0.04)
    kind = np.where(rng.random(n) < 0.1, "street", "asset")
    ids = pd.Series([f"W-{i:04d}" for i in where])
    shaky = pd.Series(kind == "street")
    frame = pd.DataFrame({
        "incident_id": [f"i{i:06d}" for i in range(n)],
        "reported_at": pd.Series(reported).dt.as_unit("us"),
        "reported_precision": np.where(rng.random(n) < 0.8, "minute", "day"),
        "cleared_at": cleared.where(~(is_open | undated)).dt.as_unit("us"),
        "status": np.where(is_open, "open", np.where(undated, "closed_undated", "cleared")),
        "outcome": np.where(is_open, "pending", "cleared"),
        "priority": np.where(rng.random(n) < 0.2, "offensive", "ordinary"),
        "substrate": rng.choice(SUBSTRATES, n), "finish": rng.choice(["painted", "bare"], n),
        "medium": rng.choice(["spray", "marker"], n), "area_m2": rng.gamma(2, 0.6, n).round(2),
        "area_basis": "measured", "service": "graffiti",
        "n_reports": rng.poisson(0.3, n) + 1,
        "place_quality": np.where(shaky, "street", "address"),
        "address": [f"{i % 90 + 1} Plover Lane" for i in where],
        "address_key": [f"{i % 90 + 1} plover lane" for i in where], "street_key": "plover lane",
        "locality": None, "object": None,
        "asset_id_given": None, "asset_type_given": None, "description": "two tags, blue",
        "source_rows": [f"log.csv#{i + 1}" for i in range(n)],
        "asset_id": ids.where(~shaky), "site_id": None, "place_id": ids.where(~shaky),
        "place_kind": kind, "match_confidence": 0.97, "match_evidence": "match.same_address",
    })
    for column in ("asset_id_given", "asset_type_given", "site_id"):
        frame[column] = frame[column].astype("str").where(frame[column].notna())
    if n:
        frame.loc[0, "address"] = HOSTILE
        frame.loc[0, "description"] = '=HYPERLINK("x","y") ' + HOSTILE
    points = gpd.points_from_xy(xy[where, 0], xy[where, 1])
    return fill(gpd.GeoDataFrame(frame, geometry=points, crs=CRS), "incidents", "placed")


def make_repeats(incidents: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Make a repeat table from incidents with a plain gamma prior."""
    placed = incidents[incidents["place_id"].notna()]
    group = placed.groupby("place_id")
    n = group.size()
    years = (TO - FROM).days / 365.25
    rng = np.random.default_rng(1)
    draws = rng.gamma(n.to_numpy()[:, None] + 0.7, 1 / (years + 0.3), (len(n), 400))
    ranks = (-draws).argsort(axis=0).argsort(axis=0) + 1
    types = np.array(["wall", "cabinet", "underpass"])[np.arange(len(n)) % 3]
    return fill(gpd.GeoDataFrame({
        "place_id": n.index.astype("str"), "place_kind": "asset", "asset_type": types,
        "n_incidents": n.to_numpy(), "n_rehits": (n - 1).to_numpy(),
        "n_offensive": group["priority"].agg(lambda v: int((v == "offensive").sum())).to_numpy(),
        "exposure_years": years, "rate_per_year": draws.mean(axis=1),
        "rate_low": np.quantile(draws, 0.05, axis=1), "rate_high": np.quantile(draws, 0.95, axis=1),
        "gamma_shape": n.to_numpy() + 0.7, "gamma_rate_years": years + 0.3,
        "now_per_year": draws.mean(axis=1), "now_low": np.quantile(draws, 0.05, axis=1),
        "now_high": np.quantile(draws, 0.95, axis=1), "now_half_life_years": 2.0,
        "chance_above": (draws > 6).mean(axis=1), "rank_mean": ranks.mean(axis=1),
        "chance_top20": (ranks <= 20).mean(axis=1), "median_days_to_rehit": 365 / n.to_numpy(),
        "median_days_low": 200 / n.to_numpy(), "median_days_high": 600 / n.to_numpy(),
        "trend_ratio_per_year": 1.0, "share": n.to_numpy() / len(incidents),
        "last_reported_at": group["reported_at"].max().to_numpy(),
    }, geometry=group.geometry.first().to_numpy(), crs=CRS).assign(
        last_reported_at=lambda f: pd.to_datetime(f["last_reported_at"], utc=True)), "repeats")


def make_clusters(centres: list[tuple[float, float]], *, first: int = 1) -> gpd.GeoDataFrame:
    """Make hulls around points of the town."""
    rows = len(centres)
    shapes = [Point(430_000 + x, 4_590_000 + y).buffer(260) for x, y in centres]
    return gpd.GeoDataFrame({
        "cluster_id": [f"c{first + i}" for i in range(rows)],
        "name": [f"Heron Street {first + i}" for i in range(rows)],
        "n_incidents": 120, "n_places": 9, "n_rehits": 80, "incidents_per_year": 41.3,
        "area_m2": 9000.0, "stability": 0.8}, geometry=shapes, crs=CRS)


def make_extras(incidents: gpd.GeoDataFrame, repeats: gpd.GeoDataFrame) -> dict[str, Any]:
    """Make every optional table."""
    rng = np.random.default_rng(3)
    n = len(incidents)
    strategies = ("remove_each_time", "sacrificial_coating", "permanent_coating")
    places = repeats["place_id"].head(60)
    grid = [(x, y) for x in range(0, 3000, 250) for y in range(0, 3000, 250)]
    days = np.arange(10, 400, 10)
    years = np.arange(0, 11)
    months = pd.date_range("2025-01-01", periods=12, freq="MS", tz="UTC").as_unit("us")
    spent = [*rng.normal(5200, 400, 11), None]
    extras = {
        "clusters": make_clusters([(700, 700), (2100, 900), (1500, 2300)]),
        "clusters_before": make_clusters([(720, 690), (400, 2500)], first=1),
        "cells": gpd.GeoDataFrame({
            "cell_id": [f"{x}-{y}" for x, y in grid], "n_incidents": rng.poisson(8, len(grid)),
            "exposure": 1.0, "z": rng.normal(0, 1.5, len(grid)), "p_upper": 0.2,
            "hot": rng.random(len(grid)) < 0.06},
            geometry=[box(430_000 + x, 4_590_000 + y, 430_250 + x, 4_590_250 + y)
                      for x, y in grid], crs=CRS),
        "forecast": pd.DataFrame({"place_id": places, "horizon_days": 91, "expected": 1.2,
                                  "low": 0.0, "high": 4.0, "chance_any": 0.7}),
        "forecast_scores": pd.DataFrame({
            "method": ["ours", "counts of the last 365 days"], "horizon_days": 28,
            "hit_rate": [0.31, 0.24], "log_score": [-1.31, -1.44], "pai": [5.2, 4.1]}),
        "forecast_checks": pd.DataFrame({
            "period_start": pd.date_range("2025-01-01", periods=10, freq="28D",
                                          tz="UTC").as_unit("us"),
            "days": 28.0, "expected": 60.0, "low": 45.0, "high": 77.0,
            "observed": rng.poisson(60, 10).astype(float)}),
        "advice": pd.DataFrame({
            "incident_id": incidents["incident_id"], "method": rng.choice(METHODS, n),
            "reason": "advice.render_finish_unknown", "second_choice": None, "minutes": 25.0,
            "materials": "brush",
            "paint_l": 0.4, "remover_l": 0.1, "wash_water_l": 5.0, "waste": None,
            "cautions": "sds; ppe", "rule": "r1"}).astype(
            {"second_choice": "str", "waste": "str"}),
        "strategy_costs": pd.DataFrame([
            {"place_id": p, "strategy": s, "pv_mean": 900.0 + 100 * k, "pv_low": 600.0,
             "pv_high": 1400.0, "annual_cost": 110.0, "chance_cheapest": 0.33,
             "breakeven_rate_per_year": None if k == 0 else 3.4 + k, "first_cost": 200.0 * k,
             "allowed": True, "cheapest": k == 0,
             "payback_year": None if k == 0 else 4.0, "wash_water_l": 300.0}
            for p in places for k, s in enumerate(strategies)]),
        "cost_years": pd.DataFrame([
            {"strategy": s, "year": float(y), "cost_mean": 400.0 * k + y * (300 - 90 * k),
             "cost_low": 380.0 * k + y * (230 - 80 * k),
             "cost_high": 420.0 * k + y * (370 - 90 * k), "n_places": 20}
            for k, s in enumerate(strategies) for y in years]),
        "rate_costs": pd.DataFrame([
            {"strategy": s, "rate_per_year": float(r), "annual_cost": 70.0 * k + r * (60 - 22 * k),
             "surface_m2": 2.4}
            for k, s in enumerate(strategies) for r in np.arange(0, 12, 0.5)]),
        "programme": pd.DataFrame({
            "place_id": places.head(24), "strategy": "permanent_coating", "first_cost": 400.0,
            "saving_per_year": np.linspace(310, 40, 24), "saving_low": np.linspace(180, -30, 24),
            "saving_high": np.linspace(420, 120, 24), "payback_year": 3.0}),
        "budget_sweep": pd.DataFrame({
            "budget": np.arange(0, 22_000, 2_000.0),
            "saving_per_year": 4200 * (1 - np.exp(-np.arange(11) / 4)),
            "saving_low": 3000 * (1 - np.exp(-np.arange(11) / 4)),
            "saving_high": 5600 * (1 - np.exp(-np.arange(11) / 4)),
            "n_places": np.arange(11) * 5, "chosen": np.arange(11) == 5}),
        "spend": pd.DataFrame({
            "month": months, "spent": spent, "expected": 5000.0,
            "expected_low": 4200.0, "expected_high": 5900.0}),
        "works": pd.DataFrame({
            "work_id": [f"J{k}" for k in range(12)], "report_id": None, "asset_id": places.iloc[0],
            "done_at": [f"2025-{k + 1:02d}-03" for k in range(12)], "month": months,
            "method": "paint_out", "minutes": 30.0, "cost": spent,
            "source_rows": [f"works.csv#{k + 1}" for k in range(12)]}).astype(
            {"report_id": "str"}),
        "log_rows": pd.DataFrame([
            ("log.csv", k, k + 1, "incidents", f"GR-{k:05d}", "2025-01-01")
            for k in range(1, n + 151)] + [
            ("works.csv", k, k + 1, "works", f"J{k - 1}", f"2025-{k:02d}-03")
            for k in range(1, 13)], columns=[
            "source_file", "source_row", "line", "log", "case_number", "reported"]),
        "evaluations": pd.DataFrame({
            "measure": ["Coating of 14 walls", "Lighting " + HOSTILE],
            "started_at": pd.to_datetime(["2024-06-01", "2025-02-01"], utc=True).as_unit("us"),
            "n_treated": [14, 6], "n_comparison": [40, 22], "ratio": [0.55, 0.9],
            "low": [0.38, 0.55], "high": [0.79, 1.46], "p_value": [0.001, 0.66],
            "verdict": ["fewer", "cannot_tell"],
            "reasons": [as_lines([message("evaluate.below", level=0.99, low=0.38, high=0.79)]),
                        as_lines([message("evaluate.few_treated", n=7, least=10)])],
            "reading": [as_lines([message("evaluate.holds_if")]), ""],
            "places": ["; ".join(places.head(3)), None]}).astype({"places": "str"}),
        "rings": pd.DataFrame([
            {"metres_from": float(m), "metres_to": m + 100.0, "days_from": float(d),
             "days_to": d + 14.0, "observed": 300.0, "expected": 240.0,
             "ratio": round(1.9 - m / 400 - d / 90, 2), "p_upper": 0.001 if m + d < 60 else 0.3}
            for m in (0, 100, 200, 300) for d in (0, 14, 28, 42)]),
        "survival": pd.DataFrame([
            {"grouping": grouping, "group": g, "days": float(d), "unmarked": np.exp(-d / scale),
             "low": np.exp(-d / scale * 1.2), "high": np.exp(-d / scale * 0.85), "n": 240}
            for grouping, groups in (("substrate", {"brick": 120, "metal": 260, "glass": 400}),
                                     ("clearance_speed", {"fast": 240, "slow": 180}))
            for g, scale in groups.items() for d in days]),
        "routes": gpd.GeoDataFrame({
            "route_id": ["crew 1", "crew 2", "crew 1"], "what": ["route", "route", "stop"],
            "number": [0, 0, 1], "name": [None, None, "1 Mole Lane " + HOSTILE],
            "n_stops": pd.array([14, 11, None], dtype="Int64"), "length_km": [12.3, 9.9, np.nan],
            "minutes": [340.0, 310.0, np.nan]}, geometry=[
            *(LineString(rng.uniform(200, 2800, (14, 2)) + np.array([430_000, 4_590_000]))
              for _ in range(2)), Point(431_000, 4_591_000)], crs=CRS),
        "counts": pd.DataFrame({"source_file": ["log.csv"], "rows_in": [n + 150],
                                "rows_kept": [n], "rows_joined": [110], "rows_set_aside": [40]}),
        "set_aside": pd.DataFrame({
            "source_file": "log.csv", "source_row": np.arange(n + 111, n + 151),
            "reason": ["reported_date_unreadable"] * 31 + ["void_status"] * 9,
            "original": '{"phone": "555 0100"}'}),
        "findings": pd.DataFrame({
            "code": ["default_point", "undated"], "severity": ["high", "medium"],
            "count": [22, 80],
            "effect": [as_text(message("finding.place_default", share=0.022)),
                       as_text(message("finding.unknown_words", examples=(HOSTILE,)))],
            "advice": [as_text(message("mend.asset_or_point")),
                       as_text(message("mend.vocabulary"))]}),
    }
    return {name: fill(frame, CONTRACTS[name]) for name, frame in extras.items()}


def make_streets() -> gpd.GeoDataFrame:
    """Make a crooked grid of streets."""
    rng = np.random.default_rng(5)
    lines = []
    for v in range(0, 3001, 150):
        wobble = rng.normal(0, 12, 31)
        along = np.linspace(0, 3000, 31)
        lines.append(LineString(np.column_stack([430_000 + along, 4_590_000 + v + wobble])))
        lines.append(LineString(np.column_stack([430_000 + v + wobble, 4_590_000 + along])))
    return gpd.GeoDataFrame({"name": [f"Street {i}" for i in range(len(lines))]},
                            geometry=lines, crs=CRS)


def make_input(*, n: int = 2400, full: bool = True, **changes: Any) -> ReportInput:
    """Make a report input; `full` adds every optional table."""
    incidents = changes.pop("incidents", None)
    incidents = make_incidents(n) if incidents is None else incidents
    extras: dict[str, Any] = {}
    if full:
        repeats = make_repeats(incidents)
        repeats.loc[0, "asset_type"] = "wall " + HOSTILE
        extras = {"repeats": repeats, "streets": make_streets(), "threshold_per_year": 6.0,
                  "horizon_years": 10.0, **make_extras(incidents, repeats)}
    facts = {"name": "Harlow Point", "period_start": date(2025, 7, 1),
             "period_end": date(2025, 9, 30), "window": Window(FROM, TO),
             "crs": CRS, "currency": "EUR", "price_year": 2025, "time_zone": "Europe/Madrid"}
    return ReportInput(**(facts | {"incidents": incidents} | extras | changes))
