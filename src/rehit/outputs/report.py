"""The quarter's report from the chain's results, and the demo."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio

from rehit.chain import Chain
from rehit.errors import InputFileError, SettingError
from rehit.files.writing import staged_folder
from rehit.hotspots.clusters import find_clusters
from rehit.hotspots.survival import clearance_speed, kaplan_meier
from rehit.incidents.mapping import apply_mapping
from rehit.observed import Window
from rehit.outputs.clean import row_totals
from rehit.outputs.costs import (
    cost_sentences,
    cost_years,
    done_table,
    rate_costs,
    shares_table,
    write_comparison,
)
from rehit.outputs.hotspots import (
    begun_outside,
    evaluation_table,
    evaluations,
    left_out_measures,
    ranking_found,
    write_hotspots,
)
from rehit.outputs.patrol import write_patrol
from rehit.parameters import Parameters, load_parameters
from rehit.report.document import SECTIONS
from rehit.report.front import build_document
from rehit.report.geodata import GEOPACKAGE, write_geopackage, write_parquet
from rehit.report.inputs import ReportInput, check_input
from rehit.report.maps import render_map
from rehit.report.measures import gather_facts
from rehit.report.pages import (
    DETAILS,
    FRONT,
    MAP,
    TRACE,
    render_page,
    render_paper,
    render_trace,
)
from rehit.report.say import Say
from rehit.report.trace import FILE as TRACE_FILE
from rehit.report.trace import explain
from rehit.report.workbook import write_workbook
from rehit.tables import table as table_contract

# The routes of a patrol planned before, read back for the report's map.

ROUTES_FILE, PLAN_FILE = "routes.geojson", "day_plan.json"
COLUMNS = ("route_id", "n_stops", "length_km", "minutes")
_TRIED = (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, UnicodeDecodeError,
          OSError, ValueError)


def read_routes(path: Path, *, crs: str) -> gpd.GeoDataFrame:
    """Read the routes that ``rehit patrol`` wrote, named by crew and day where the plan says so.

    Parameters
    ----------
    path
        A ``routes.geojson`` of a patrol, or the folder that holds one.
    crs
        The project's CRS.

    Returns
    -------
    geopandas.GeoDataFrame
        The contract ``report_ways``: one row per crew and one per stop.

    Raises
    ------
    InputFileError
        If there is no such file, or it holds no routes.
    """
    file = path / ROUTES_FILE if path.is_dir() else path
    try:
        found = gpd.read_file(file, engine="pyogrio")
    except _TRIED as error:
        raise _refused(file, "errors.routes_unreadable") from error
    missing = [name for name in COLUMNS if name not in found.columns]
    if missing:
        raise _refused(file, "errors.routes_without_column", names=tuple(missing))
    lines = found.geometry.geom_type.isin(["LineString", "MultiLineString"])
    ways = found[lines & found["route_id"].notna() & found["n_stops"].notna()]
    if ways.empty:
        raise _refused(file, "errors.no_route")
    ways = ways.assign(what="route", number=0, name=None)
    names = _crew_names(file.parent / PLAN_FILE)
    shown = pd.concat([ways, _stops(found)], ignore_index=True)
    shown["route_id"] = shown["route_id"].map(lambda crew: names.get(crew, crew))
    types = {"route_id": "str", "what": "str", "number": "Int64", "name": "str",
             "n_stops": "Int64", "length_km": "float64", "minutes": "float64"}
    return gpd.GeoDataFrame(shown[[*types, "geometry"]].astype(types), crs=found.crs).to_crs(crs)


def _stops(found: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the numbered stops of the routes; depots are none."""
    if not {"crew_id", "number", "name"} <= set(found.columns):
        return found.iloc[:0]
    stops = found[found["crew_id"].notna() & (found["number"] > 0)
                  & found.geometry.geom_type.eq("Point") & found["name"].notna()]
    stops = stops.drop_duplicates(["crew_id", "number"])
    return stops.assign(route_id=stops["crew_id"], what="stop")


def routes_if_any(folder: Path, *, crs: str) -> gpd.GeoDataFrame | None:
    """Return the routes saved in a folder, or None where there are none to be read."""
    with suppress(InputFileError):
        return read_routes(folder / ROUTES_FILE, crs=crs)
    return None


def _crew_names(plan: Path) -> dict[str, str]:
    """Return the crews' names with the day that the plan beside the routes is for."""
    with suppress(OSError, ValueError, KeyError, TypeError):
        told = json.loads(plan.read_text(encoding="utf-8"))
        crews = {str(c["crew_id"]): str(c.get("name") or c["crew_id"]) for c in told["crews"]}
        return {crew: f"{name}, {told['day']}" for crew, name in crews.items()}
    return {}


def _refused(file: Path, code: str, **facts: object) -> InputFileError:
    return InputFileError(str(file), code, file=ROUTES_FILE, **facts)


# Handing the chain's finished tables to the report.

def report_input(chain: Chain, *, first: date, last: date,
                 routes: gpd.GeoDataFrame | None = None,
                 left_out: Sequence[str] = ()) -> ReportInput:
    """Gather everything the report of one period is made from."""
    project, cleaned = chain.project, chain.cleaned
    return ReportInput(
        name=project.name, period_start=first, period_end=last,
        window=cleaned.window, crs=project.crs,
        currency=project.currency,
        price_year=project.price_year or cleaned.window.end.year, time_zone=project.time_zone,
        language=project.language, units=project.units, map_tiles=project.map_tiles,
        threshold_per_year=chain.parameters["hotspots.threshold_per_year"],
        horizon_years=chain.parameters["costs.horizon_years"],
        incidents=shared_incidents(chain), counts=cleaned.counts, set_aside=cleaned.set_aside,
        findings=cleaned.findings, method_shares=shares_table(chain),
        advised_done=done_table(chain), forecast_checks=chain.forecast_record[0],
        forecast_scores=chain.forecast_record[1], repeats=chain.repeats, clusters=chain.clusters,
        clusters_before=clusters_before(chain, first), cells=chain.cells, forecast=chain.forecast,
        advice=chain.advice, **_costs(chain),
        rings=ring_table(chain), survival=survival_curves(chain),
        evaluations=evaluation_rows(chain), spend=spend_by_month(chain),
        works=works_rows(chain), log_rows=log_rows(chain), streets=chain.streets,
        routes=routes, limits=(*chain.limits, *left_out_measures(chain)),
        left_out=tuple(left_out),
    )


def shared_incidents(chain: Chain) -> gpd.GeoDataFrame:
    """Return the incidents as others get them: without the log's notes, unless the project says so.

    What people wrote is free of personal data as far as its forms are known, which is not all.
    """
    incidents = chain.incidents
    return incidents if chain.project.share_notes else incidents.assign(
        description=pd.Series(pd.NA, incidents.index, dtype="str"))


def _costs(chain: Chain) -> dict[str, Any]:
    """Return the report's tables on costs; none where no place can be costed."""
    if chain.costing.empty:
        return {}
    top = int(chain.parameters["reporting.top_places"])
    programme = chain.programme()
    return {"costing": chain.costing, "expected_work": chain.expected_work,
            "strategy_costs": chain.strategy_costs,
            "cost_years": cost_years(chain, n_places=top), "rate_costs": rate_costs(chain),
            "programme": programme.table, "budget_sweep": chain.budget_sweep(programme)}


def clusters_before(chain: Chain, first: date) -> pd.DataFrame | None:
    """Find the clusters as they stood when the period began."""
    start = pd.Timestamp(first, tz=chain.project.time_zone).tz_convert("UTC")
    first = chain.cleaned.window.start
    if start <= first:
        return None
    earlier = chain.incidents[chain.incidents["reported_at"] < start]
    found: pd.DataFrame | None = (
        find_clusters(earlier, window=Window(first, start),
                         parameters=chain.parameters, rng=chain.rng("clusters")))
    return found


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
    """Return a curve as it stands at the end of each day on which it moved.

    Times are told to the second, so that a large log has a step for every re-hit: thousands that
    no picture shows and no sentence names.
    """
    curve = kaplan_meier(spells["days"].to_numpy(), spells["event"].to_numpy(),
                         place=spells["place_id"].to_numpy())
    daily = curve.groupby(np.ceil(curve["days"])).tail(1)
    return daily.rename(columns={"survival": "unmarked"})[["days", "unmarked", "low", "high"]]


def evaluation_rows(chain: Chain) -> pd.DataFrame | None:
    """Evaluate the project's measures, if it has a measures file."""
    measures = chain.measures
    if measures is None:
        return None
    if len(begun_outside(measures, chain.cleaned.window)) == len(measures):
        return None
    treated = measures[measures["role"] == "treated"].groupby(["measure", "started_at"])["asset_id"]
    places = {name: "; ".join(dict.fromkeys(ids)) for name, ids in treated}
    found = list(evaluations(chain))
    return evaluation_table(found).assign(places=pd.Series(
        [places.get((name, started)) for name, started, _ in found], dtype="str"))


def spend_by_month(chain: Chain) -> pd.DataFrame | None:
    """Add up what the works log says was spent, by month of the job."""
    works = chain.works
    if works is None or works["cost"].isna().all():
        return None
    spent = works.groupby(_months(works["done_at"]))["cost"].sum()
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


def _months(days: pd.Series) -> pd.Series:
    """Return the first day of the month of days as written."""
    done = pd.to_datetime(days, errors="coerce", format="mixed")
    return done.dt.to_period("M").dt.start_time.dt.tz_localize("UTC").astype("datetime64[us, UTC]")


def works_rows(chain: Chain) -> pd.DataFrame | None:
    """Return the jobs of the works log, each with its month and the row it stands in."""
    if chain.works is None:
        return None
    works = chain.works.assign(month=_months(chain.works["done_at"]))
    return works[list(table_contract("report_works").names)]


def log_rows(chain: Chain) -> pd.DataFrame:
    """Return every row of the log and the works log with its line in the file and its own number.

    The log is read again: cleaning lets go of the rows that it joined.
    """
    parts = []
    for raw in chain.raw_logs:
        fields = apply_mapping(raw, chain.mapping)
        parts.append(pd.DataFrame({
            "source_file": fields["source_file"], "source_row": fields["source_row"],
            "line": fields["source_row"] + raw.rows_above, "log": "incidents",
            "case_number": fields["report_id"], "reported": fields["reported"]}))
    works = chain.works
    if works is not None:
        file, row = (works["source_rows"].str.rpartition("#")[n] for n in (0, 2))
        parts.append(pd.DataFrame({
            "source_file": file, "source_row": row.astype("int64"),
            "line": row.astype("int64") + 1, "log": "works", "case_number": works["work_id"],
            "reported": works["done_at"]}))
    told = pd.concat(parts, ignore_index=True)
    return told.astype(dict.fromkeys(("source_file", "log", "case_number", "reported"), "str"))


PAPER, WORKBOOK = "report.pdf", "workbook.xlsx"
DATA = "data"


def write_report(inputs: ReportInput, folder: Path, *,
                 parameters: Parameters | None = None) -> list[Path]:
    """Write report, map, workbook and data files for one period into `folder`.

    Files are written whole or not at all: ``report.html`` with ``details.html`` and
    ``trace.html``, ``map.html``, ``report.pdf``, ``workbook.xlsx``, ``rehit.gpkg``,
    ``trace.json``, and in ``data/`` a Parquet file per table with ``datapackage.json``. The same
    input gives the same bytes of pages and PDF.

    Parameters
    ----------
    inputs
        Project facts and finished tables, see :class:`~rehit.report.inputs.ReportInput`.
    folder
        Where the files shall stand; made if missing.
    parameters
        Numbers in force; the defaults where None.

    Returns
    -------
    list of pathlib.Path
        The files, the report first.

    Raises
    ------
    ManyErrors
        If tables break their contracts; all faults at once.
    InputFileError
        If `folder` cannot be written.
    """
    check_input(inputs)
    facts = gather_facts(inputs, parameters or load_parameters())
    document = build_document(facts)
    figures = list(facts.book.figures.values())
    pages = (FRONT, DETAILS, MAP, TRACE)
    names = [*pages, PAPER, WORKBOOK, TRACE_FILE, GEOPACKAGE]
    with staged_folder(Path(folder)) as stage:
        texts = {name: render_page(document, facts.say, name=name, links=pages)
                 for name in (FRONT, DETAILS)}
        texts[MAP] = render_map(facts, report_name=FRONT)
        texts[TRACE] = render_trace(facts, document)
        texts[TRACE_FILE] = facts.book.to_json()
        for name, text in texts.items():
            (stage / name).write_text(text, encoding="utf-8", newline="\n")
        (stage / PAPER).write_bytes(render_paper(document, facts.say, figures=figures))
        write_workbook(stage / WORKBOOK, facts)
        write_geopackage(stage / GEOPACKAGE, facts)
        names += [f"{DATA}/{name}" for name in write_parquet(stage / DATA, facts)]
    return [Path(folder) / name for name in names if (Path(folder) / name).exists()]


QUARTER = re.compile(r"(\d{4})-?Q([1-4])", re.IGNORECASE)
MONTH = re.compile(r"\d{4}(-\d{2})?")


def write_quarter(chain: Chain, stage: Path, *, quarter: str | None,
                  language: str | None = None,
                  routes: gpd.GeoDataFrame | None = None,
                  left_out: Sequence[str] = ()) -> dict[str, Any]:
    """Run the chain and write the report of one period into `stage`.

    Parameters
    ----------
    chain
        The project's results.
    stage
        Folder to write into.
    quarter
        As :func:`period_days` takes it, such as ``2025Q1``; the last whole quarter where None.
    language
        Of the report; the project's where None.
    routes
        Patrol routes to draw on the map (the contract ``report_ways``).
    left_out
        Sections of the page and the PDF that are not wanted.

    Raises
    ------
    SettingError
        If there is no such section, or no such period in the log.
    """
    unknown = [name for name in left_out if name not in SECTIONS]
    if unknown:
        raise SettingError("--leave-out", "errors.no_report_section", names=tuple(unknown),
                           known=SECTIONS)
    if language is not None:
        chain = chain.in_language(language)
    first, last = quarter_days(chain, quarter)
    inputs = report_input(chain, first=first, last=last, routes=routes, left_out=left_out)
    chain.step("step.writing_report")
    write_report(inputs, stage, parameters=chain.parameters)
    return {
        "project": chain.project.name, "period": [first.isoformat(), last.isoformat()],
        "rows": row_totals(chain),
        "limits": list(chain.limits),
        "sentences": [
            f"{chain.project.name}, {chain.say.days(first, last)}.",
            *ranking_found(chain), *cost_sentences(chain), *chain.limits,
            *left_out_measures(chain)],
    }


def quarter_days(chain: Chain, quarter: str | None) -> tuple[date, date]:
    """Return the first and last day of the period asked for, or of the last whole quarter.

    Raises
    ------
    SettingError
        If the log has no dates at all, or does not reach into the period.
    """
    zone = chain.project.time_zone
    reported = chain.incidents["reported_at"].dt.tz_convert(zone)  # refuses a log without dates
    start = chain.cleaned.window.start.tz_convert(zone)
    end = chain.cleaned.window.end.tz_convert(zone)
    if quarter is None:
        period = _last_quarter(reported, end)
        return period.start_time.date(), period.end_time.date()
    first, last = period_days(quarter)
    if pd.Timestamp(last) < start.tz_localize(None).normalize() or (
            pd.Timestamp(first) > end.tz_localize(None)):
        raise SettingError("--period", "errors.period_outside", period=quarter.upper(),
                           start=start.date(), end=end.date())
    return first, last


def period_days(text: str) -> tuple[date, date]:
    """Read a quarter, month, year or pair of days.

    Raises
    ------
    SettingError
        If the text is no period.

    Examples
    --------
    >>> period_days("2025Q1")
    (datetime.date(2025, 1, 1), datetime.date(2025, 3, 31))
    >>> period_days("2024-02"), period_days("2025-01-15:2025-03-02")[1]
    ((datetime.date(2024, 2, 1), datetime.date(2024, 2, 29)), datetime.date(2025, 3, 2))
    """
    quarter = QUARTER.fullmatch(text)
    try:
        if quarter:
            period = pd.Period(f"{quarter[1]}Q{quarter[2]}", freq="Q")
        elif MONTH.fullmatch(text):
            period = pd.Period(text, freq="M" if "-" in text else "Y")
        else:
            first, last = (date.fromisoformat(day) for day in text.split(":"))
            if first <= last:
                return first, last
            raise ValueError(text)
    except ValueError as error:
        raise SettingError("--period", "errors.not_a_period", text=text) from error
    return period.start_time.date(), period.end_time.date()


def _last_quarter(reported: pd.Series, end: pd.Timestamp) -> pd.Period:
    """Return the last whole quarter that has an incident, or the one the log ends in."""
    running = (end + timedelta(days=1)).tz_localize(None).to_period("Q")
    quarters = reported.dt.tz_localize(None).dt.to_period("Q")
    whole = quarters[quarters < running]
    return whole.max() if len(whole) else end.tz_localize(None).to_period("Q")


def explain_figure(folder: Path, *, figure_id: str,
                   language: str) -> tuple[dict[str, Any], list[str]]:
    """Return the working behind one figure of a report already written into `folder`."""
    text = explain(figure_id, folder, say=Say(language))
    return {"figure": figure_id, "explanation": text}, text.splitlines()


def write_demo(chain: Chain, stage: Path) -> dict[str, Any]:
    """Run everything on the demo town and return the five findings that matter."""
    (stage / "tables").mkdir()
    hotspots = write_hotspots(chain, stage / "tables")
    comparison = write_comparison(chain, stage / "tables", horizon_years=None)
    # A first look should not wait for the last stop that a longer search would fit in. This chain
    # takes over what is made by now.
    brief = chain.with_parameters({
        "patrol.search_iterations": chain.parameters["pipeline.demo_search_iterations"]})
    write_patrol(brief, stage / "patrol", day=None, crews=None)
    routes = read_routes(stage / "patrol", crs=chain.project.crs)
    summary = write_quarter(chain, stage, quarter=None, routes=routes)
    summary["findings"] = five_findings(chain)
    summary["hotspots"] = {key: hotspots[key] for key in ("n_incidents", "n_rehits",
                                                          "n_above_threshold")}
    summary["costs"] = {key: value for key, value in comparison.items() if key != "sentences"}
    return summary


def five_findings(chain: Chain) -> list[str]:
    """Return the five sentences an officer should read first: log, places, where, cost, doubt."""
    rows = row_totals(chain)
    apart = ("ranking.same_surface", "ranking.many_surfaces")  # with the ranking itself
    said = chain.say.all(each for each in ranking_found(chain) if each.code not in apart)
    return [
        chain.say("cli.demo_rows", **rows),
        said[1] + " " + said[0],
        " ".join(said[2:]),
        *cost_sentences(chain)[:2],
    ]
