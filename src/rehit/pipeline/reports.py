"""The quarter's report from the chain's results, and the demo."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from datetime import date, timedelta
from importlib.resources import files
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from rehit.errors import InputFileError, SettingError
from rehit.pipeline.chain import Chain
from rehit.pipeline.cleaning import row_totals
from rehit.pipeline.costing import cost_sentences, write_comparison
from rehit.pipeline.finding import hotspot_sentences, write_hotspots
from rehit.pipeline.patrolling import write_patrol
from rehit.pipeline.report_input import report_input
from rehit.pipeline.saved_routes import read_routes
from rehit.project import FILE_NAME
from rehit.reporting.phrases import Phrases
from rehit.reporting.quarterly import write_report
from rehit.reporting.trace import explain
from rehit.reporting.words import Words

QUARTER = re.compile(r"(\d{4})-?Q([1-4])", re.IGNORECASE)
MONTH = re.compile(r"\d{4}(-\d{2})?")


def write_quarter(chain: Chain, stage: Path, *, quarter: str | None,
                  language: str | None = None,
                  routes: gpd.GeoDataFrame | None = None) -> dict[str, Any]:
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
        Patrol routes to draw on the map (the contract ``report_routes``).
    """
    if language is not None:
        chain.project = replace(chain.project, language=language)
    first, last = quarter_days(chain, quarter)
    inputs = report_input(chain, first=first, last=last, routes=routes)
    chain.step("Writing the report")
    write_report(inputs, stage, parameters=chain.parameters)
    return {
        "project": chain.project.name, "period": [first.isoformat(), last.isoformat()],
        "rows": row_totals(chain),
        "limits": list(chain.limits),
        "sentences": [
            f"{chain.project.name}, {Words(chain.project.language).days(first, last)}.",
            *in_report_language([*hotspot_sentences(chain), *cost_sentences(chain),
                                 *chain.limits], language=chain.project.language)],
    }


def in_report_language(said: Iterable[str], *, language: str) -> list[str]:
    """Say sentences of the chain in the report's language, so that screen and page agree."""
    words = Words(language)
    phrases = Phrases(words)
    return [phrases(text).replace(" near ", words("hotspots.near")) for text in said if text]


def quarter_days(chain: Chain, quarter: str | None) -> tuple[date, date]:
    """Return the first and last day of the period asked for, or of the last whole quarter.

    Raises
    ------
    SettingError
        If the log does not reach into the period.
    """
    zone = chain.project.time_zone
    start = chain.cleaned.observed_from.tz_convert(zone)
    end = chain.cleaned.observed_to.tz_convert(zone)
    if quarter is None:
        period = _last_quarter(chain.cleaned.incidents["reported_at"].dt.tz_convert(zone), end)
        return period.start_time.date(), period.end_time.date()
    first, last = period_days(quarter)
    if pd.Timestamp(last) < start.tz_localize(None).normalize() or (
            pd.Timestamp(first) > end.tz_localize(None)):
        raise SettingError("--period", got=quarter.upper(),
                           allowed=f"days between {start.date()} and {end.date()}",
                           remedy="choose a period that the log covers")
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
        raise SettingError(
            "--period", got=repr(text),
            allowed="a quarter such as 2025Q1, a month 2025-03, a year 2025, or a first and last "
                    "day such as 2025-01-15:2025-03-02",
            remedy="write it in one of these ways, the earlier day first") from error
    return period.start_time.date(), period.end_time.date()


def _last_quarter(reported: pd.Series, end: pd.Timestamp) -> pd.Period:
    """Return the last whole quarter that has an incident, or the one the log ends in."""
    running = (end + timedelta(days=1)).tz_localize(None).to_period("Q")
    quarters = reported.dt.tz_localize(None).dt.to_period("Q")
    whole = quarters[quarters < running]
    return whole.max() if len(whole) else end.tz_localize(None).to_period("Q")


def explain_figure(folder: Path, *, figure_id: str) -> tuple[dict[str, Any], list[str]]:
    """Return the working behind one figure of a report already written into `folder`."""
    text = explain(figure_id, folder)
    return {"figure": figure_id, "explanation": text}, text.splitlines()


def demo_folder() -> Path:
    """Return the folder of the invented town, which stands beside the source.

    Raises
    ------
    InputFileError
        If the town is not there: only a checkout holds it.
    """
    folder = Path(str(files("rehit"))).parents[1] / "data_demo"
    if not (folder / FILE_NAME).exists():
        raise InputFileError(
            str(folder), got="no demo town", allowed="an installation from the repository",
            remedy='install with "python -m pip install -e ." from a clone of the repository')
    return folder


def write_demo(chain: Chain, stage: Path) -> dict[str, Any]:
    """Run everything on the demo town and return the five findings that matter."""
    # A first look should not wait for the last stop that a longer search would fit in.
    write_patrol(chain, stage / "patrol", day=None, crews=None,
                 search_iterations=chain.parameters["pipeline.demo_search_iterations"])
    routes = read_routes(stage / "patrol", crs=chain.project.crs)
    summary = write_quarter(chain, stage, quarter=None, routes=routes)
    (stage / "tables").mkdir()
    hotspots = write_hotspots(chain, stage / "tables")
    comparison = write_comparison(chain, stage / "tables", horizon_years=None)
    summary["findings"] = five_findings(chain)
    summary["hotspots"] = {key: hotspots[key] for key in ("n_incidents", "n_rehits",
                                                          "n_above_threshold")}
    summary["costs"] = {key: value for key, value in comparison.items() if key != "sentences"}
    return summary


def five_findings(chain: Chain) -> list[str]:
    """Return the five sentences an officer should read first: log, places, where, cost, doubt."""
    rows = row_totals(chain)
    said = hotspot_sentences(chain)
    return [
        f"Of {rows['rows_in']:,} reports, {rows['rows_joined']:,} repeat one already waiting and "
        f"{rows['rows_set_aside']:,} cannot be used: {rows['rows_kept']:,} real incidents.",
        said[1] + " " + said[0],
        " ".join(said[3:]),
        *cost_sentences(chain)[:2],
    ]
