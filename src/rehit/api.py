"""What an analyst types: open a project, ask it one question after the other.

Each function takes the project opened and returns plain tables, or an :class:`Answer` that holds
tables with the sentences that say them. What one question has worked out the next one uses.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.chain import Chain
from rehit.errors import SettingError
from rehit.files.reader import read_tables, stack_tables
from rehit.files.rows import RawTable
from rehit.incidents.mapping import apply_mapping, load_mapping
from rehit.incidents.proposal import Options, Proposal, propose_reading
from rehit.incidents.propose import propose_mapping
from rehit.messages import Message, message
from rehit.outputs.start import register_area
from rehit.project import load_project, project_from_settings
from rehit.report.notebook import as_list

if TYPE_CHECKING:
    from rehit.incidents.rows import Cleaned


@dataclass(frozen=True)
class Answer:
    """What a question came to: sentences, tables by name, and single figures by name.

    In a notebook it shows its sentences as a list. ``answer["places"]`` is a table.

    Attributes
    ----------
    sentences
        The answer in the project's language.
    tables
        Name to table; the functions say which.
    figures
        Name to a single number, as in ``summary.json`` of the command.
    """

    sentences: tuple[str, ...]
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    figures: Mapping[str, Any] = field(default_factory=dict)

    def __getitem__(self, name: str) -> pd.DataFrame:
        return self.tables[name]

    def _repr_html_(self) -> str:
        return as_list(self.sentences)


def open_project(folder: Path | str | None = None, *, log: pd.DataFrame | None = None,
                 register: gpd.GeoDataFrame | None = None, crs: str | None = None,
                 time_zone: str = "UTC", numbers: Mapping[str, float] | None = None,
                 language: str | None = None) -> Chain:
    """Open a project folder, or tables that are at hand.

    Parameters
    ----------
    folder
        Folder that holds ``rehit.toml``; ``rehit new`` makes one.
    log
        Instead of a folder: the incident log, one row a report, under its own column names.
    register
        With `log`: the asset register (the contract ``register``).
    crs
        With `log`: the projected CRS to work in, metres, such as ``EPSG:32630``.
    time_zone
        With `log`: IANA name of the zone of the log's clock.
    numbers
        Numbers to use instead of the project's: full name to value, in the unit and range that
        ``defaults/*.csv`` states.
    language
        What sentences are said in; default the project's.

    Returns
    -------
    Chain
        Never changes; its results (``incidents``, ``clusters``, ``forecast`` ...) are tables made
        when first asked for. ``with_parameters`` gives another with other numbers.

    Raises
    ------
    RehitError
        For a folder, table or number that cannot be used, saying what would be.

    Examples
    --------
    >>> town = open_project(log=example_log(), crs="EPSG:32625")
    >>> len(town.incidents), town.parameters["hotspots.threshold_per_year"]
    (90, 4.0)
    """
    if (folder is None) == (log is None):
        raise SettingError("open_project", "errors.folder_or_log")
    if folder is not None:
        town = Chain(load_project(folder))
    else:
        settings = {"project": {"name": "log", "crs": crs, "time_zone": time_zone}}
        town = Chain(project_from_settings(settings, folder=Path(), where="open_project")).given(
            raw_logs=(_raw(log),), register=register)
    if language is not None:
        town = town.in_language(language)
    return town if numbers is None else town.with_parameters(numbers, where="open_project")


def _raw(log: pd.DataFrame | None) -> RawTable:
    """Return a table as a log file would have been read: every cell as text."""
    table = pd.DataFrame(log).astype("str").fillna("").replace("nan", "")
    return RawTable(table.set_axis(pd.RangeIndex(1, len(table) + 1, name="source_row")),
                    name="log", rows_above=0)


def example_log() -> pd.DataFrame:
    """Return a small invented log: twelve walls of a town in the ocean, one year of reports.

    Returns
    -------
    pandas.DataFrame
        ``Ref, Address, Latitude, Longitude, Reported, Closed, Status, Surface, Description``.

    Examples
    --------
    >>> len(example_log())
    90
    """
    rng = np.random.default_rng(4)
    rows: list[dict[str, object]] = []
    for place in range(12):
        visits = 2 + place
        for visit in range(visits):
            opened = pd.Timestamp("2025-01-03 09:00") + pd.Timedelta(
                days=int(350 * (visit + rng.uniform()) / visits))
            waits = visit == visits - 1 and place % 2 == 0
            rows.append({
                "Ref": f"R{len(rows)}", "Address": f"{place + 1} Hill Street",
                "Latitude": round(46.0 + 0.0014 * (place // 4), 6),
                "Longitude": round(-33.0 + 0.0013 * (place % 4), 6),
                "Reported": f"{opened:%Y-%m-%d %H:%M}",
                "Closed": "" if waits else f"{opened + pd.Timedelta(days=3):%Y-%m-%d %H:%M}",
                "Status": "Open" if waits else "Closed", "Surface": "painted brick",
                "Description": "graffiti tag in spray paint"})
    return pd.DataFrame(rows)


def read_log(files: Path | str | Iterable[Path | str] | pd.DataFrame, *,
             mapping: Path | str | None = None) -> pd.DataFrame:
    """Read a log and bring its columns under rehit's names, before any row is interpreted.

    Parameters
    ----------
    files
        One file or several of one log (CSV, XLSX, GeoJSON, GeoPackage, Parquet, Open311), or a
        table that is at hand.
    mapping
        A ``mapping.toml`` that says which column holds what; a reading is proposed without it.

    Returns
    -------
    pandas.DataFrame
        The contract ``fields``: one row per row of the log, all text.

    Raises
    ------
    InputFileError
        If a file cannot be read.

    Examples
    --------
    >>> read_log(example_log()).loc[0, ["report_id", "reported", "address"]].tolist()
    ['R0', '2025-06-17 09:00', '1 Hill Street']
    """
    if isinstance(files, pd.DataFrame):
        raw: Sequence[RawTable] = (_raw(files),)
    else:
        raw = read_tables([files] if isinstance(files, str | Path) else list(files))
    reading = propose_mapping(stack_tables(raw)) if mapping is None else load_mapping(mapping)
    return pd.concat([apply_mapping(log, reading) for log in raw], ignore_index=True)


def propose(log: Path | str | Iterable[Path | str] | pd.DataFrame, *,
            register: Path | str | None = None, crs: str | None = None,
            time_zone: str | None = None, answers: Mapping[str, str] | None = None) -> Proposal:
    """Say how a log would be read and what is to be asked first, before a project is begun.

    Parameters
    ----------
    log
        One file or several of one log, or a table that is at hand.
    register
        The owner's register, whose place tells the grid of a log that does not name it.
    crs, time_zone
        The log's grid and clock, if known.
    answers
        Answers to questions, by their key.

    Returns
    -------
    Proposal
        Frozen: fields with samples, kinds of request and outcomes with counts, where the points
        land, unused columns, questions in the order of what they change, and what stays unknown.
        ``with_answers`` gives the proposal that follows from further answers.

    Raises
    ------
    RehitError
        For a file that cannot be read, or an answer to nothing that is asked.

    Examples
    --------
    >>> found = propose(example_log())
    >>> [reading.field for reading in found.fields][:3], found.must_answer
    (['report_id', 'reported', 'cleared'], ())
    """
    if isinstance(log, pd.DataFrame):
        raw = _raw(log)
    else:
        raw = stack_tables(read_tables([log] if isinstance(log, str | Path) else list(log)))
    area = None if register is None else register_area(Path(register))
    return propose_reading(raw, answers=answers, options=Options(
        crs=crs, time_zone=time_zone, register_area=area))


def clean(town: Chain) -> Cleaned:
    """Account for every row of the log: an incident, joined into one, or set aside with a reason.

    Parameters
    ----------
    town
        The project opened.

    Returns
    -------
    Cleaned
        ``incidents`` (projected points, UTC times), ``set_aside``, ``ledger``, ``counts`` per file,
        ``findings`` for the log's owner, and the observation ``window``.

    Raises
    ------
    RehitError
        If the log cannot be used at all.

    Examples
    --------
    >>> counts = clean(open_project(log=example_log(), crs="EPSG:32625")).counts.iloc[0]
    >>> int(counts["rows_in"] - counts["rows_kept"] - counts["rows_joined"]
    ...     - counts["rows_set_aside"])
    0
    """
    return town.cleaned


def match_assets(town: Chain) -> gpd.GeoDataFrame:
    """Give each incident its place: an asset of the register, or a site derived from the log.

    Parameters
    ----------
    town
        The project opened.

    Returns
    -------
    geopandas.GeoDataFrame
        The contracts ``incidents`` and ``placed`` joined, one row per incident: ``place_id,
        place_kind, asset_id, match_confidence`` (0 to 1) and what the match rests on.

    Raises
    ------
    RehitError
        If log or register cannot be used.

    Examples
    --------
    >>> match_assets(open_project(log=example_log(), crs="EPSG:32625"))["place_id"].nunique()
    12
    """
    return town.incidents


def rank_places(town: Chain, *, threshold_per_year: float | None = None,
                incidents: gpd.GeoDataFrame | None = None) -> Answer:
    """Rank the places that are marked again after they were cleared.

    Rates are gamma-Poisson estimates per year at risk, pulled towards the usual rate of the kind
    of place where incidents are few.

    Parameters
    ----------
    town
        The project opened.
    threshold_per_year
        Incidents a year above which a place counts as recurring; default the project's.
    incidents
        A part of :func:`match_assets`' table to rank instead of the whole.

    Returns
    -------
    Answer
        Tables ``places`` (the contract ``repeats``, worst first), ``clusters`` and ``cells``.

    Raises
    ------
    RehitError
        If the log or the threshold cannot be used.

    Examples
    --------
    >>> town = open_project(log=example_log(), crs="EPSG:32625")
    >>> rank_places(town)["places"].loc[0, ["n_incidents", "n_rehits"]].tolist()
    [13, 12]
    >>> part = match_assets(town).query("cleared_at.notna()")
    >>> int(rank_places(town, incidents=part)["places"]["n_incidents"].sum()) == len(part)
    True
    """
    from rehit.outputs.hotspots import ranking_found

    if threshold_per_year is not None:
        town = town.with_parameters({"hotspots.threshold_per_year": threshold_per_year},
                                    where="rank_places")
    if incidents is not None:
        town = town.given(incidents=incidents)
    return Answer(_said(town, ranking_found(town)), {
        "places": town.repeats, "clusters": town.clusters, "cells": town.cells})


def choose_methods(town: Chain) -> Answer:
    """Choose the method, time, materials and cautions for each incident.

    Advice from common practice: it never replaces the safety data sheet, a test patch, local codes
    or a licensed specialist.

    Parameters
    ----------
    town
        The project opened.

    Returns
    -------
    Answer
        Tables ``advice`` (one row per incident: minutes, litres, cautions), ``shares`` of methods
        beside the band of ordinary towns, ``learned`` from the works log and ``done`` against
        advised, the last two only where there is a works log. The sentences explain one incident
        of each method.

    Raises
    ------
    RehitError
        If the user's own decision table cannot be used.

    Examples
    --------
    >>> town = open_project(log=example_log(), crs="EPSG:32625")
    >>> choose_methods(town)["advice"]["method"].unique().tolist()
    ['paint_out']
    """
    from rehit.outputs.costs import done_table, shares_table
    from rehit.treatment.choose import explained

    tables = {"advice": town.advice, "shares": shares_table(town), "done": done_table(town),
              "learned": None if town.calibration is None else town.calibration.estimates}
    each = [part for _, row in town.advice.drop_duplicates("method").iterrows()
            for part in explained(row)]
    return Answer(_said(town, each), {k: v for k, v in tables.items() if v is not None})


def compare_strategies(town: Chain, *, horizon_years: float | None = None,
                       places: pd.DataFrame | None = None) -> Answer:
    """Compare removing, repainting and coating each place over the years.

    Parameters
    ----------
    town
        The project opened; its currency and price year hold.
    horizon_years
        Years looked ahead [years]; default the project's.
    places
        A part of ``town.costing``, one row per place, to compare instead of the whole.

    Returns
    -------
    Answer
        Tables ``costs`` (the contract ``strategy_costs``: present value with interval, chance of
        being cheapest, break-even rate), ``costing`` (what they rest on), ``rates`` (cost at each
        re-hit rate) and ``years`` (year by year, of the 20 places hit most).

    Raises
    ------
    RehitError
        For a horizon or a strategies file that cannot be used.

    References
    ----------
    Annuity and present value: ``costs/discounting.py`` names the sources.

    Examples
    --------
    >>> town = open_project(log=example_log(), crs="EPSG:32625")
    >>> costs = compare_strategies(town, horizon_years=5)["costs"]
    >>> costs.groupby("place_id")["cheapest"].sum().unique().tolist()
    [1]
    """
    from rehit.outputs.costs import cost_messages, cost_years, rate_costs

    if horizon_years is not None:
        town = town.with_parameters({"costs.horizon_years": horizon_years},
                                    where="compare_strategies")
    if places is not None:
        town = town.given(costing=places.reset_index(drop=True))
    tables = {"costs": town.strategy_costs, "costing": town.costing}
    if len(town.costing):
        tables |= {"rates": rate_costs(town), "years": cost_years(town, n_places=20)}
    return Answer(_said(town, cost_messages(town)), tables)


def choose_programme(town: Chain, *, budget_per_year: float | None = None,
                     years: int | None = None, robust: bool = False) -> Answer:
    """Choose which places to coat, and in which year, so that a yearly budget saves most.

    Parameters
    ----------
    town
        The project opened.
    budget_per_year
        Money for coatings each year [currency]; default the project's.
    years
        Years the budget is given for [years]; default the project's.
    robust
        Save most in the worse of the cases that all rates are lower or higher than thought.

    Returns
    -------
    Answer
        Tables ``programme`` (one row per place chosen), ``greedy`` (the plain best-first ranking)
        and ``sweep`` (what other budgets would save); figure ``saving`` [currency].

    Raises
    ------
    RehitError
        For a budget or a number of years out of range.

    Examples
    --------
    >>> town = open_project(log=example_log(), crs="EPSG:32625")
    >>> choose_programme(town, budget_per_year=0)["programme"].empty
    True
    """
    from rehit.outputs.costs import programme_message

    given = {"costs.programme_budget": budget_per_year, "costs.programme_years": years}
    town = town.with_parameters({name: float(value) for name, value in given.items()
                                 if value is not None}, where="choose_programme")
    length = years or town.programme_years
    found = town.programme(years=length, robust=robust)
    return Answer(_said(town, [programme_message(town, found, years=length)]),
                  {"programme": found.table, "greedy": found.greedy,
                   "sweep": town.budget_sweep(found)}, {"saving": found.saving})


def try_policies(town: Chain, *, policies: Path | str | None = None, years: int | None = None,
                 draws: int | None = None, worth_of_day: float | None = None) -> Answer:
    """Live the patch through under today's practice and under other policies.

    Parameters
    ----------
    town
        The project opened.
    policies
        TOML file, each section a policy; default those that come with rehit.
    years, draws
        Whole years ahead, possible worlds; default the project's.
    worth_of_day
        What a day without a marking that would stand is worth [currency]; default the project's.

    Returns
    -------
    Answer
        Tables ``policies`` (each measure by policy and year), ``against_today``,
        ``cost_and_days``, ``best``, ``to_measure`` and ``quick_clearance``.

    Raises
    ------
    RehitError
        For policies that cannot be read, or a number out of range.

    Examples
    --------
    >>> town = open_project(log=example_log(), crs="EPSG:32625")
    >>> tried = try_policies(town, years=1, draws=50)["cost_and_days"].set_index("policy")
    >>> bool(tried.loc["two_days", "visible_days"] < tried.loc["today", "visible_days"])
    True
    """
    from rehit.outputs.whatif import check_numbers, try_policies
    from rehit.policy.policies import read_policies
    from rehit.report.policies import policy_messages

    check_numbers(town.parameters, years=years, draws=draws, worth_of_day=worth_of_day)
    found = try_policies(town, read_policies(None if policies is None else Path(policies)),
                         years=years, draws=draws, worth_of_day=worth_of_day)
    return Answer(_said(town, [*policy_messages(found), *found.doubts]), {
        "policies": found.by_year, "against_today": found.against,
        "cost_and_days": found.frontier, "best": found.best, "to_measure": found.unknowns,
        "quick_clearance": found.flips})


def price_contract(town: Chain, *, margin: float | None = None, years: int = 1,
                   received: Path | str | None = None) -> Answer:
    """Price a contract to look after the patch.

    Parameters
    ----------
    town
        The project opened.
    margin
        Wanted profit as a share of the price, 0 to below 1; default ``contract.margin``.
    years
        Length of the contract [years].
    received
        CSV of prices received (``tenderer, form, item, value``) to hold against the same
        simulated years.

    Returns
    -------
    Answer
        Tables ``prices`` (one row per form of contract), ``volume``, ``crews``, ``rates``,
        ``first_year`` (cost line by line), ``simulated`` (cost of each simulated first year, with
        what goes off the price), ``moved`` (what moves the price), ``check`` (simulation against
        the exact distribution) and, where asked, ``received``. Money in the project's currency.

    Raises
    ------
    RehitError
        For a margin, length or file that cannot be used.

    Examples
    --------
    >>> town = open_project(log=example_log(), crs="EPSG:32625",
    ...                     numbers={"contract.draws": 500})
    >>> priced = price_contract(town, margin=0.1)
    >>> asked = priced["prices"].set_index(["form", "level"]).loc[("lump_sum", 0.8)]
    >>> bool(abs(priced["simulated"]["cost"].mean() / asked["cost_per_year"] - 1) < 1e-9)
    True
    """
    from rehit.contract import compare, price
    from rehit.outputs.price import price_chain
    from rehit.report.bid import bid_findings

    contract = price_chain(town, margin=margin, years=years)
    moved = price.sensitivity(contract, rng=town.rng("price sensitivity"))
    exact, simulated = price.exact_work_cost(contract, rng=town.rng("price check"))
    levels = (0.5, 0.8, 0.9)
    tables = {
        "prices": contract.prices.assign(
            who_carries=town.say.cells(contract.prices["form"], "carries")),
        "volume": contract.volume_table(), "crews": contract.crews,
        "rates": price.schedule_of_rates(contract),
        "first_year": pd.Series(price.expected_year(contract), name="cost").rename_axis(
            "line").reset_index(),
        "simulated": pd.DataFrame({"cost": contract.first_year_cost}), "moved": moved.assign(
            words=town.say.cells(moved["assumption"], "assumption")),
        "check": pd.DataFrame({"level": levels, "exact": [exact.quantile(p) for p in levels],
                               "simulated": np.quantile(simulated, levels)})}
    said: list[object] = list(bid_findings(contract, moved))
    if received is not None:
        tables["received"] = compare.compare_received(
            contract, compare.read_received(received), rng=town.rng("prices received"))
        said += compare.comparison_findings(tables["received"])
    return Answer(_said(town, said), tables)


def plan_patrol(town: Chain, *, day: date | str | None = None, crews: int | None = None,
                hours_per_week: float | None = None, bring_in: Sequence[str] = (),
                leave_out: Sequence[str] = ()) -> Answer:
    """Plan the crews' day and how often to visit each place.

    Parameters
    ----------
    town
        The project opened; it names the files of depots and vehicles.
    day
        The day to plan; default the first working day after the log ends.
    crews
        How many of the vehicles go out; default all.
    hours_per_week
        For a project that names no depots or vehicles, crew hours a week for planned visits
        [hours]: no route can be planned, but how often to visit can be told.
    bring_in, leave_out
        Places wanted in the day and places or jobs that are not, by id or address.

    Returns
    -------
    Answer
        Tables ``stops`` (in order, by crew, minutes of the day), ``routes`` (lines, km),
        ``left_out`` and ``for_others`` with reasons, ``intervals`` (days between visits) and
        ``hours`` (what more or fewer crew hours a week would do).

    Raises
    ------
    SettingError
        For a project without crews where no hours are given.

    Examples
    --------
    >>> town = open_project(log=example_log(), crs="EPSG:32625")
    >>> plan_patrol(town, hours_per_week=5)["intervals"]["interval_days"].min() > 0
    np.True_
    >>> plan_patrol(town)
    Traceback (most recent call last):
    rehit.errors.SettingError: ...
    """
    from rehit.outputs import patrol
    from rehit.report.route_files import routes_table

    missing = [role for role in ("depots", "vehicles") if town.project.path(role) is None]
    if missing and hours_per_week is not None:
        return _visits_alone(town, missing, hours_per_week)
    found = patrol.plan_day(town, crews=crews, wishes=patrol.Wishes(bring_in, leave_out),
                            day=date.fromisoformat(day) if isinstance(day, str) else day)
    lines = gpd.GeoDataFrame(routes_table(found.sheets), geometry="geometry",
                             crs=town.project.crs)
    return Answer(_said(town, found.told), {
        "stops": found.plan.visits, "routes": lines,
        "left_out": found.plan.left_out.assign(
            reason=town.say.cells(found.plan.left_out["reason"])),
        "for_others": found.handed.assign(reason=town.say.cells(found.handed["reason"])),
        "crews": found.plan.crews,
        "intervals": found.frequency.table, "hours": _by_hours(town, found.frequency)},
        patrol.day_figures(town, found))


def _visits_alone(town: Chain, missing: list[str], hours_per_week: float) -> Answer:
    """Tell how often to visit the places hit most, from assumed times of a visit."""
    from rehit.patrol.looks import visit_intervals

    numbers = town.parameters
    places = town.repeats.nlargest(500, "now_per_year")
    minutes = numbers["patrol.look_minutes"] + 2 * numbers["patrol.setup_minutes"]
    frequency = visit_intervals(pd.DataFrame({
        "place_id": places["place_id"], "visit_h": minutes / 60,
        "rate_per_year": places["now_per_year"].astype(float)}),
        hours_per_week=hours_per_week, parameters=numbers)
    said = [message("api.no_crews", files=tuple(missing)),
            message("api.visits_alone", n=len(places), hours=hours_per_week, minutes=minutes)]
    return Answer(_said(town, said), {"intervals": frequency.table,
                                      "hours": _by_hours(town, frequency)})


def _by_hours(town: Chain, frequency: Any) -> pd.DataFrame:
    """Return what other crew hours a week would do to the days that markings stand."""
    from rehit.patrol.looks import visit_intervals

    base = frequency.table[[name for name in ("place_id", "rate_per_year", "visit_h",
                                              "longest_days") if name in frequency.table]]
    now = max(float(frequency.hours_per_week), 1.0)
    found = [visit_intervals(base, hours_per_week=now * share, parameters=town.parameters)
             for share in (0.25, 0.5, 1.0, 1.5, 2.0)]
    return pd.DataFrame({
        "hours_per_week": [f.hours_per_week for f in found],
        "marking_days_per_week": [f.marking_days_per_week for f in found],
        "short_by_h": [f.short_by_h for f in found]})


def evaluate_measure(town: Chain, *, treated: Iterable[str] | None = None,
                     comparison: Iterable[str] | None = None,
                     started_at: str | pd.Timestamp | None = None) -> Answer:
    """Compare places that got a measure with places that did not, before and after it began.

    Parameters
    ----------
    town
        The project opened.
    treated, comparison
        ``place_id`` of the places; without them the measures of the project's file are evaluated.
    started_at
        The day the measure began, by the clock of the place.

    Returns
    -------
    Answer
        For one measure: tables ``effects``, ``counts`` and ``steps``. For those of the file: the
        table ``measures``, one row each.

    Raises
    ------
    RehitError
        For a day outside the log, a place on both sides, or a project without a measures file.

    References
    ----------
    The ways of estimating and their sources stand in ``hotspots/evaluate.py``.

    Examples
    --------
    >>> town = open_project(log=example_log(), crs="EPSG:32625")
    >>> places = rank_places(town)["places"]["place_id"].tolist()
    >>> found = evaluate_measure(town, treated=places[:3], comparison=places[3:9],
    ...                          started_at="2025-07-01")
    >>> sorted(found.tables)
    ['counts', 'effects', 'steps']
    """
    from rehit.hotspots import evaluate
    from rehit.outputs.hotspots import evaluation_table, evaluations

    if treated is None or comparison is None or started_at is None:
        results = list(evaluations(town))
        said = [each for _, _, found in results for each in (*found.reasons, *found.reading)]
        return Answer(_said(town, said), {"measures": evaluation_table(results)})
    began = pd.Timestamp(started_at)
    at = began if began.tzinfo else began.tz_localize(town.project.time_zone)
    found = evaluate.evaluate_measure(
        town.incidents, treated_ids=pd.Series(list(treated)),
        comparison_ids=pd.Series(list(comparison)), started_at=at.tz_convert("UTC"),
        window=town.cleaned.window, parameters=town.parameters)
    return Answer(_said(town, (*found.reasons, *found.reading)), {
        "effects": found.effects, "counts": found.counts, "steps": found.steps})


def compare_areas(town: Chain, *, areas: pd.Series | None = None) -> Answer:
    """Compare areas of one project, and say which differences chance alone may explain.

    For areas with projects of their own there is ``rehit region``.

    Parameters
    ----------
    town
        The project opened.
    areas
        Name of the area of each incident, by the index of ``town.incidents``; default the four
        quarters around the middle of the incidents. Incidents without one are left out.

    Returns
    -------
    Answer
        Tables ``areas`` (counts of each), ``in_time`` and ``rehits`` (shares with 90 % interval
        and standing in the funnel) and ``rates`` (incidents per asset and year, with the interval
        of the rank).

    References
    ----------
    Spiegelhalter 2005, Funnel plots for comparing institutional performance, Statistics in
    Medicine 24: 1185-1202.

    Examples
    --------
    >>> town = open_project(log=example_log(), crs="EPSG:32625")
    >>> compared = compare_areas(town)
    >>> bool(compared["areas"]["n_incidents"].sum() <= len(town.incidents))
    True
    """
    from rehit.outputs.region import compare_outcomes
    from rehit.region.run import Outcome, State, area_figures

    incidents, repeats, register = town.incidents, town.repeats, town.register
    where = _quarters(town, incidents) if areas is None else areas
    # A place lies in one area, the one that most of its incidents have, and so do they all.
    usual = where.groupby(incidents["place_id"]).agg(lambda own: own.mode().get(0, ""))
    known = incidents["place_id"].map(usual).replace("", None).fillna(where).dropna()
    outcomes = []
    for name, rows in incidents.loc[known.index].groupby(known):
        its_places = set(usual.index[usual == name])
        part = {"cleaned": town.cleaned, "incidents": rows, "works": None,
                "repeats": repeats[repeats["place_id"].isin(its_places)],
                "register": None if register is None else (
                    register[_quarters(town, register) == name] if areas is None
                    else register[register["asset_id"].isin(its_places)])}
        outcomes.append(Outcome(str(name), State.DONE, "", area_figures(town.given(**part))))
    tables, said = compare_outcomes(tuple(outcomes))
    return Answer(_said(town, said[1:]), tables)  # the first tells of runs that were kept


def _quarters(town: Chain, places: gpd.GeoDataFrame) -> pd.Series:
    """Return the quarter around the middle of the incidents that each place lies in."""
    known = town.incidents.geometry[town.incidents.geometry.notna() & ~town.incidents.is_empty]
    middle_x, middle_y = known.x.median(), known.y.median()
    points = places.geometry.representative_point()
    codes = (points.y >= middle_y).map({True: "n", False: "s"}) + (
        points.x >= middle_x).map({True: "e", False: "w"})
    return town.say.cells(codes.where(points.notna() & ~points.is_empty), "quarter")


def write_report(town: Chain, folder: Path | str, *, period: str | None = None) -> Answer:
    """Write the report (HTML and PDF), the map, the workbook and the data files of a period.

    Parameters
    ----------
    town
        The project opened.
    folder
        Where the files go, whole or not at all.
    period
        ``2025Q1``, ``2025-03``, ``2025`` or ``2025-01-15:2025-03-02``; default the last whole
        quarter of the log.

    Returns
    -------
    Answer
        The report in short; table ``files`` with ``file`` and ``kilobytes``.

    Raises
    ------
    RehitError
        For a period that the log does not cover, or a folder that cannot be written.

    Examples
    --------
    >>> write_report(open_project(log=example_log(), crs="EPSG:32625"), "out", period="spring")
    Traceback (most recent call last):
    rehit.errors.SettingError: ...
    """
    from rehit.outputs.frame import write_results
    from rehit.outputs.report import write_quarter

    summary = write_results(town, Path(folder), work=lambda chain, stage: write_quarter(
        chain, stage, quarter=period))
    files = pd.DataFrame([(str(Path(name).relative_to(folder)), Path(name).stat().st_size / 1000)
                          for name in summary["files"]], columns=["file", "kilobytes"])
    return Answer(tuple(summary["sentences"]), {"files": files}, {
        name: value for name, value in summary.items() if name not in ("sentences", "files")})


def explain_figure(folder: Path | str, figure_id: str) -> str:
    """Return how one figure of a written report was worked out, and from which rows of the log.

    Parameters
    ----------
    folder
        Where the report was written.
    figure_id
        The code beside the figure, such as ``V1``.

    Raises
    ------
    RehitError
        For a folder without a report, or a code that it does not know.

    Examples
    --------
    >>> explain_figure("nowhere", "V1")
    Traceback (most recent call last):
    rehit.errors.InputFileError: ...
    """
    from rehit.report.trace import explain

    return explain(figure_id, Path(folder))


def limits_of(town: Chain) -> Answer:
    """Say what this log does not allow to conclude, whatever is done with it.

    Parameters
    ----------
    town
        The project opened.

    Examples
    --------
    >>> len(limits_of(open_project(log=example_log(), crs="EPSG:32625")).sentences) > 2
    True
    """
    return Answer(_said(town, town.limits or (message("api.no_limits"),)))


def _said(town: Chain, said: Iterable[object]) -> tuple[str, ...]:
    """Return messages in words, and texts as they are."""
    return tuple(town.say(each) if isinstance(each, Message) else str(each)
                 for each in said if each)


def draw(town: Chain, name: str, **how: Any) -> Any:
    """Draw one of the report's figures.

    Parameters
    ----------
    town
        The project opened.
    name
        A name of :data:`FIGURES`.
    **how
        Further arguments of the figure's function in ``report/figures.py``; ``priced``, the
        answer of :func:`price_contract`, for ``year_costs`` and ``price_swings``; ``planned``,
        that of :func:`plan_patrol`, for ``day_routes``; ``compared``, that of
        :func:`compare_areas`, and ``share``, in_time or rehits, for ``funnel``; ``tried``, that of
        :func:`try_policies`, for ``cost_and_days``.

    Returns
    -------
    Shown
        Shows itself in a notebook, with its finding as title and an alternative text.

    Raises
    ------
    SettingError
        For an unknown name.

    Examples
    --------
    >>> town = open_project(log=example_log(), crs="EPSG:32625")
    >>> draw(town, "share_curve").alt != ""
    True
    """
    from rehit.report.notebook import shown_figure

    if name not in FIGURES:
        raise SettingError("draw", "errors.unknown_name", name=name, known=tuple(FIGURES))
    return shown_figure(FIGURES[name](town, how))


Drawing = Callable[[Any], Any]


def _drawing(name: str, data: Callable[[Chain], Any], *more: str) -> Callable[
        [Chain, dict[str, Any]], Drawing]:
    """Return what draws a figure of the report from a chain's results."""
    def prepared(town: Chain, how: dict[str, Any]) -> Drawing:
        from rehit.report import figures

        given = {"say": town.say, **{key: getattr(town.project, key) for key in more}, **how}
        table = data(town)
        return lambda ax: getattr(figures, name)(table, ax=ax, **given)

    return prepared


def _sweep(town: Chain) -> pd.DataFrame:
    return town.budget_sweep()


def _from_costs(name: str, **how: Any) -> Callable[[Chain], pd.DataFrame]:
    def table(town: Chain) -> pd.DataFrame:
        from rehit.outputs import costs

        found: pd.DataFrame = getattr(costs, name)(town, **how)
        return found

    return table


def _rings(town: Chain) -> pd.DataFrame:
    from rehit.outputs.report import ring_table

    return ring_table(town)


def _year_costs(town: Chain, how: dict[str, Any]) -> Drawing:
    """Return what draws the simulated years of ``priced``, an answer of price_contract."""
    from rehit.report.figures import year_costs

    priced = how["priced"]
    asked = priced["prices"].set_index("form").loc["lump_sum", "price_per_year"].max()
    return lambda ax: year_costs(priced["simulated"], ax=ax, say=town.say, asked=float(asked),
                                 currency=town.project.currency)


def _cost_and_days(town: Chain, how: dict[str, Any]) -> Drawing:
    """Return what draws the policies of ``tried``, an answer of try_policies."""
    from rehit.report.figures import cost_and_days

    tried = how["tried"]
    return lambda ax: cost_and_days(
        tried["cost_and_days"], years=int(tried["policies"]["year"].max()) or 1, ax=ax,
        say=town.say, currency=town.project.currency)


def _price_swings(town: Chain, how: dict[str, Any]) -> Drawing:
    """Return what draws the moved assumptions of ``priced``, an answer of price_contract."""
    from rehit.report.figures import price_swings

    return lambda ax: price_swings(how["priced"]["moved"], ax=ax, say=town.say,
                                   currency=town.project.currency)


def _day_routes(town: Chain, how: dict[str, Any]) -> Drawing:
    """Return what draws the routes of ``planned``, an answer of plan_patrol."""
    from rehit.report.static_map import day_routes

    planned = how["planned"]
    return lambda ax: day_routes(planned["routes"], planned["stops"], ax=ax, say=town.say,
                                 streets=town.streets)


def _funnel(town: Chain, how: dict[str, Any]) -> Drawing:
    """Return what draws the areas of ``compared``, an answer of compare_areas."""
    from rehit.region.areas import fit_funnel
    from rehit.report.figures import funnel

    found = how["compared"][name := how.get("share", "in_time")]
    fitted = fit_funnel(found["part"].to_numpy(), found["whole"].to_numpy())
    return lambda ax: funnel(found, fitted.limits, ax=ax, say=town.say, name=name)


def _map(town: Chain, how: dict[str, Any]) -> Drawing:
    """Return what draws the report's overview map, for the whole time observed."""
    from rehit.report.inputs import ReportInput
    from rehit.report.measures import gather_facts
    from rehit.report.static_map import draw_map

    project, window = town.project, town.cleaned.window
    first, last = (at.tz_convert(project.time_zone).date() for at in (window.start, window.end))
    facts = gather_facts(ReportInput(
        name=project.name, period_start=first, period_end=last, window=window, crs=project.crs,
        currency=project.currency, price_year=last.year, time_zone=project.time_zone,
        incidents=town.incidents, repeats=town.repeats, clusters=town.clusters,
        streets=town.streets, language=project.language, **how), town.parameters)
    return lambda ax: draw_map(facts, ax=ax)


#: Figures that :func:`draw` knows.
FIGURES: dict[str, Callable[[Chain, dict[str, Any]], Drawing]] = {
    "method_mix": _drawing("method_mix", lambda town: town.advice["method"]),
    "rate_caterpillar": _drawing("rate_caterpillar", lambda town: town.repeats),
    "share_curve": _drawing("share_curve", lambda town: town.repeats),
    "near_repeats": _drawing("ring_table", _rings),
    "cost_over_years": _drawing("cost_over_years", _from_costs("cost_years", n_places=20),
                                "currency"),
    "breakeven_curve": _drawing("breakeven_curve", _from_costs("rate_costs"), "currency"),
    "budget_sweep": _drawing("budget_sweep", _sweep, "currency"),
    "year_costs": _year_costs, "price_swings": _price_swings, "day_routes": _day_routes,
    "funnel": _funnel, "map": _map, "cost_and_days": _cost_and_days,
}
