"""The only place where the rooms are joined: each result worked out once, when first asked for."""

from __future__ import annotations

import json
import warnings
from collections.abc import Callable, Iterator
from collections.abc import Mapping as MappingOf
from contextlib import contextmanager
from dataclasses import replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any, Generic, TypeVar, overload

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.assets.match import place_incidents
from rehit.assets.register import FOR_CREWS, read_register
from rehit.costs.doubt import Doubt, draw_doubt
from rehit.costs.expected import expected_counts, expected_work, scaled_to_expected
from rehit.costs.lifecycle import compare_strategies
from rehit.costs.programme import Programme, budget_sweep, choose_programme
from rehit.costs.strategies import Strategy, load_strategies
from rehit.errors import ManyErrors, SettingError
from rehit.files.reader import read_tables, stack_tables, unless_empty
from rehit.files.rows import RawTable
from rehit.hotspots.clusters import find_clusters
from rehit.hotspots.evaluate import read_measures
from rehit.hotspots.forecast import forecast_places, place_history
from rehit.hotspots.limits import find_limits
from rehit.hotspots.rates import rank_repeats
from rehit.hotspots.recurrence import rehit_spells
from rehit.hotspots.scoring import past_record
from rehit.hotspots.significance import hot_cells
from rehit.hotspots.spacetime import knox_rings
from rehit.incidents.clean import clean_incidents
from rehit.incidents.mapping import Mapping, apply_mapping, load_mapping
from rehit.incidents.propose import propose_mapping
from rehit.incidents.rows import Cleaned, CleanSettings
from rehit.kept import Kept
from rehit.messages import Message, message
from rehit.naming import most_frequent, name_places
from rehit.observed import DAYS_PER_YEAR, MANY_SURFACES, POOR, Window
from rehit.parameters import Parameters, crossed_bounds
from rehit.patrol.fleet import read_crews
from rehit.patrol.travel import Network, build_network, read_streets
from rehit.project import FILE_NAME, Project
from rehit.report.say import Say
from rehit.tables import check
from rehit.treatment.calibrate import Calibration, calibrate_methods, observed_costs, read_works
from rehit.treatment.choose import choose_methods
from rehit.treatment.methods import load_methods

Progress = Callable[[str], None]
Made = TypeVar("Made")
# These stand beside the names of numbers and results where what was read is recorded.
EFFECTS = "effects of strategies"
FILES = "files."
WARNED = "a warning"  # given while a result was made; a kept result could not give it again


class _Result(Generic[Made]):
    """One result of a chain: made when first asked for, then kept with what it was made from."""

    lasts = False

    def __init__(self, make: Callable[[Chain], Made]) -> None:
        self.make = make
        self.name = make.__name__
        self.__doc__ = make.__doc__

    @overload
    def __get__(self, chain: None, owner: type[Chain]) -> _Result[Made]: ...

    @overload
    def __get__(self, chain: Chain, owner: type[Chain]) -> Made: ...

    def __get__(self, chain: Chain | None, owner: type[Chain]) -> _Result[Made] | Made:
        return self if chain is None else chain._finished(self)


class _Lasting(_Result[Made]):
    """A result dear enough to stand in the project's folder for later runs."""

    lasts = True


class _Heard(MappingOf[str, tuple[Path, ...]]):
    """The files of a project; tells of each role that is read."""

    def __init__(self, files: MappingOf[str, tuple[Path, ...]], heard: Progress) -> None:
        self._files, self._tell = files, heard

    def __getitem__(self, role: str) -> tuple[Path, ...]:
        self._tell(FILES + role)
        return self._files[role]

    def __iter__(self) -> Iterator[str]:
        return iter(self._files)

    def __len__(self) -> int:
        return len(self._files)


class Chain:
    """The results of one project, from the log to the costs.

    A chain never changes. Other numbers mean another chain (:meth:`with_parameters`), which takes
    over the results that were made without reading any of them: while a result is made, each
    number and each file it reads is recorded, and those of the results it builds on are counted
    with them.

    Parameters
    ----------
    project
        The project whose files and settings are used.
    progress
        Called with the code of each step as it starts.
    kept
        Where results of earlier runs stand, and those of this one are put; None keeps nothing.
    """

    def __init__(self, project: Project, *, progress: Progress | None = None,
                 kept: Kept | None = None) -> None:
        self._project = project
        self._kept = kept
        self._effects: MappingOf[str, float] = {}
        self._progress = progress or _say_nothing
        self._done: dict[str, tuple[Any, frozenset[str]]] = {}
        self._handed: frozenset[str] = frozenset()  # results that came from outside
        self._reading: list[set[str]] = []  # what each result being made has read so far
        self._seen = replace(project, files=_Heard(project.files, self._hear),
                             parameters=project.parameters.heard_by(self._hear))

    @property
    def project(self) -> Project:
        """The project whose files and settings are used."""
        return self._seen

    @property
    def parameters(self) -> Parameters:
        """All numbers in force."""
        return self._seen.parameters

    @property
    def taken(self) -> tuple[str, ...]:
        """Names of the results that an earlier run had made, and this one took."""
        return () if self._kept is None else tuple(self._kept.taken)

    @property
    def effects(self) -> MappingOf[str, float]:
        """Strategy to the share of markings it was measured to prevent."""
        self._hear(EFFECTS)
        return dict(self._effects)

    def with_parameters(self, values: MappingOf[str, float], *,
                        where: str = "with_parameters") -> Chain:
        """Return the chain of the same project with other numbers.

        Parameters
        ----------
        values
            Full name to new value, in the parameter's own unit.
        where
            Where the values came from, for the message.

        Raises
        ------
        ManyErrors
            Listing every unknown name, every value out of its range, and bounds that cross.
        """
        now = self._project.parameters
        numbers = now.override(values, where=where)
        crossed = crossed_bounds(numbers, where=where)
        if crossed:
            raise ManyErrors(where, crossed)
        changed = frozenset(name for name in values if numbers.row(name) != now.row(name))
        return self._other(replace(self._project, parameters=numbers), self._effects, changed)

    def with_effects(self, effects: MappingOf[str, float]) -> Chain:
        """Return the chain with strategies that prevent the given shares of markings."""
        return self._other(self._project, dict(effects), frozenset({EFFECTS}))

    def in_language(self, language: str) -> Chain:
        """Return the chain whose results are told in another language."""
        return self._other(replace(self._project, language=language), self._effects, frozenset())

    def given(self, **results: object) -> Chain:
        """Return the chain with some of its results handed in, such as a part of the incidents.

        Parameters
        ----------
        **results
            Name of a result to what stands for it; what builds on it is made anew.

        Raises
        ------
        SettingError
            For a name that is no result.

        Examples
        --------
        >>> from rehit.api import example_log, open_project
        >>> town = open_project(log=example_log(), crs="EPSG:32625")
        >>> len(town.given(incidents=town.incidents.head(9)).repeats) <= 9
        True
        """
        known = [name for name, value in vars(Chain).items() if isinstance(value, _Result)]
        strange = sorted(set(results) - set(known))
        if strange:
            raise SettingError("given", "errors.unknown_name", name=strange[0], known=tuple(known))
        other = self._other(self._project, self._effects, frozenset(results))
        other._done |= {name: (made, frozenset()) for name, made in results.items()}
        other._handed = self._handed | frozenset(results)
        return other

    def _other(self, project: Project, effects: MappingOf[str, float],
               changed: frozenset[str]) -> Chain:
        other = Chain(project, progress=self._progress, kept=self._kept)
        other._effects, other._handed = effects, self._handed
        other._done = {name: (made, read) for name, (made, read) in self._done.items()
                       if not read & changed}
        return other

    def _finished(self, result: _Result[Made]) -> Made:
        """Return a result, made now if it was not yet, and record what it rests on."""
        if result.name not in self._done:
            self._done[result.name] = self._from_before(result) or self._made(result)
        found, read_before = self._done[result.name]
        if self._reading:
            self._reading[-1].update(read_before, {result.name})
        worked_out: Made = found
        return worked_out

    def _from_before(self, result: _Result[Made]) -> tuple[Any, frozenset[str]] | None:
        """Return a result as an earlier run made it, and what it read, if all of that holds."""
        if self._kept is None or not result.lasts:
            return None
        found = self._kept.find(result.name, self._stands_for)
        if found is not None and len(self.taken) == 1:
            self.step("step.taken")
        return found

    def _made(self, result: _Result[Made]) -> tuple[Any, frozenset[str]]:
        """Return a result made now, and what it read; it is put by for later runs."""
        if self._kept is None:
            with self._listening() as read:
                return result.make(self), frozenset(read)
        with self._listening() as read, self._hearing_warnings():
            made = result.make(self)
        if result.lasts:
            self._kept.keep(result.name, made, {name: self._stands_for(name) for name in read})
        return made, frozenset(read)

    def _stands_for(self, name: str) -> str | None:
        """Return what a name that was read stands for, None if a later run could not tell."""
        if name.startswith(FILES) and self._kept is not None:
            return self._kept.content(self._project.files.get(name.removeprefix(FILES), ()))
        if name == EFFECTS:
            return json.dumps(sorted(self._effects.items()))
        if name in self._project.parameters:
            row = self._project.parameters.row(name)
            return repr((row.value, row.overridden))
        return None if name == WARNED or name in self._handed else ""

    @contextmanager
    def _hearing_warnings(self) -> Iterator[None]:
        given: list[warnings.WarningMessage] = []
        try:
            with warnings.catch_warnings(record=True) as given:
                yield
        finally:
            for each in given:
                self._hear(WARNED)
                warnings.warn(each.message, stacklevel=2)

    @contextmanager
    def _listening(self) -> Iterator[set[str]]:
        self._reading.append(set())
        try:
            yield self._reading[-1]
        finally:
            self._reading.pop()

    def _hear(self, name: str) -> None:
        if self._reading:
            self._reading[-1].add(name)
            if self._kept is not None and name.startswith(FILES):
                self._stands_for(name)  # now: the file may be another once it was read

    def rng(self, step: str) -> np.random.Generator:
        """Return a generator of its own for one step, so that steps do not disturb each other."""
        return np.random.default_rng([self.project.seed, *step.encode()])

    @property
    def say(self) -> Say:
        """The words of the project's language, with its currency."""
        return Say(self.project.language, self.project.currency, self.project.units)

    def step(self, code: str) -> None:
        """Tell the user what is being worked on, by its code in the catalogues."""
        self._progress(code)

    @_Result
    def raw_logs(self) -> tuple[RawTable, ...]:
        """The log files as they came."""
        self.step("step.reading_log")
        self.project.require("log")
        return read_tables(self.project.files["log"])

    @_Lasting
    def n_rows(self) -> int:
        """Rows of the log files."""
        return sum(len(raw.table) for raw in self.raw_logs)

    @_Lasting
    def mapping(self) -> Mapping:
        """The reading of the log's columns: the user's own, or else the proposal."""
        path = self.project.path("mapping")
        if path is not None:
            return load_mapping(path)
        return propose_mapping(stack_tables(self.raw_logs), study_area=self.project.study_area,
                               crs=self.project.crs, parameters=self.parameters)

    @_Lasting
    def cleaned(self) -> Cleaned:
        """Incidents, rows set aside, ledger, counts and findings."""
        return clean_incidents(self._fields(), mapping=self.mapping,
                               settings=self._clean_settings(self.parameters))

    def _clean_settings(self, numbers: Parameters) -> CleanSettings:
        return CleanSettings(
            time_zone=self.project.time_zone, crs=self.project.crs,
            study_area=self.project.study_area, extract_end=self.project.extract_end,
            vocabulary=self.project.path("vocabulary"), parameters=numbers)

    @_Result
    def mapped_logs(self) -> tuple[pd.DataFrame, ...]:
        """The rows of each file under rehit's names."""
        return tuple(apply_mapping(raw, self.mapping) for raw in self.raw_logs)

    def _fields(self) -> pd.DataFrame:
        """Return the rows of all files in one table, and let go of the text they came in.

        A large log would otherwise stand in memory twice; it is read again if asked for.
        """
        parts = self.mapped_logs
        for name in {"raw_logs", "mapped_logs"} - self._handed:
            self._done.pop(name, None)
        self.step("step.cleaning")
        return parts[0] if len(parts) == 1 else pd.concat(parts, ignore_index=True)

    @_Lasting
    def register(self) -> gpd.GeoDataFrame | None:
        """The asset register, if the project has one."""
        return unless_empty(self.project.path("register"), lambda path: read_register(
            path, crs=self.project.crs, vocabulary=self.project.path("vocabulary"),
            extra=self.project.register_effects, file_crs=self.project.register_crs))

    @_Result
    def streets(self) -> gpd.GeoDataFrame | None:
        """The street lines used as base map and for travel, if the project has them."""
        return unless_empty(self.project.path("streets"),
                            lambda path: read_streets(path, crs=self.project.crs))

    @_Result
    def network(self) -> Network | None:
        """The streets as a graph for travel, if the project has them."""
        return None if self.streets is None else build_network(
            self.streets, parameters=self.parameters)

    @_Result
    def crews(self) -> tuple[gpd.GeoDataFrame, tuple[Message, ...]]:
        """The crews that can go out, and notes on vehicles that cannot or are misread."""
        return read_crews(self.project.path("depots"), self.project.path("vehicles"),
                          crs=self.project.crs, where=str(self.project.folder / FILE_NAME),
                          refill_minutes=self.parameters["patrol.refill_minutes"])

    @_Result
    def measures(self) -> pd.DataFrame | None:
        """The measures taken at places and since when, if the project names any."""
        return unless_empty(self.project.path("measures"), lambda path: read_measures(
            path, time_zone=self.project.time_zone))

    @property
    def dated(self) -> bool:
        """Whether the log has a column of report dates at all."""
        return "reported" in self.mapping.fields

    def undated_reports(self) -> gpd.GeoDataFrame:
        """Return the rows of a log without report dates, each with its place.

        Each row is taken for a marking of its own, since nothing tells a repeat from a re-hit.
        """
        fields = self._fields()
        apart = pd.Timestamp("2000-01-01") + pd.to_timedelta(range(len(fields)), unit="s")
        alone = self.parameters.override({"incidents.undated_window_days": 0})
        cleaned = clean_incidents(
            fields.assign(reported=apart.strftime("%Y-%m-%d %H:%M:%S")),
            mapping=self.mapping, settings=self._clean_settings(alone))
        placed = place_incidents(cleaned.incidents, self.register, parameters=self.parameters)
        return cleaned.incidents.assign(place_id=placed["place_id"],
                                        place_kind=placed["place_kind"])

    def reports_per_place(self, reports: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        """Return how many of these undated reports lie at each place, the most first."""
        known = reports[reports["place_id"].notna()]
        by_place = known.groupby("place_id")
        counted = gpd.GeoDataFrame(
            {"place_kind": by_place["place_kind"].first(), "n_reports": by_place.size()},
            geometry=by_place.geometry.first(), crs=self.project.crs).reset_index()
        names = name_places(known, counted, streets=self.streets, parameters=self.parameters)
        counted["place_name"] = self.say.all(names[place] for place in counted["place_id"])
        return counted.sort_values(["n_reports", "place_id"], ascending=[False, True])

    def undated_clusters(self, reports: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        """Return where undated reports lie close together: density, no time."""
        self.step("step.grouping")
        # The order of rows stands for time, as it must for a rate; no rate is handed on.
        whole = Window(reports["reported_at"].min() - pd.Timedelta(1, "s"),
                       reports["reported_at"].max() + pd.Timedelta(1, "s"))
        found = find_clusters(reports, window=whole, parameters=self.parameters,
                              rng=self.rng("clusters"))
        return found.drop(columns=["n_rehits", "incidents_per_year"]).rename(
            columns={"n_incidents": "n_reports"})

    @_Lasting
    def incidents(self) -> gpd.GeoDataFrame:
        """Incidents with the place each belongs to and the register's columns.

        Raises
        ------
        SettingError
            For a log without a date of report.
        """
        if not self.dated:
            raise SettingError("mapping.toml", "errors.no_report_dates")
        cleaned = self.cleaned
        self.step("step.matching")
        placed = place_incidents(cleaned.incidents, self.register, parameters=self.parameters)
        columns = [c for c in placed.columns
                   if c == "incident_id" or c not in cleaned.incidents.columns]
        joined = cleaned.incidents.merge(placed[columns], on="incident_id", validate="1:1")
        return with_register(joined, self.register)

    @_Lasting
    def repeats(self) -> gpd.GeoDataFrame:
        """One row per place: what recurs, how fast, how sure that is."""
        incidents = self.incidents
        self.step("step.ranking")
        return rank_repeats(
            incidents, register=self.register, window=self.cleaned.window,
            threshold_per_year=self.parameters["hotspots.threshold_per_year"],
            parameters=self.parameters, rng=self.rng("repeats"))

    @_Lasting
    def place_names(self) -> dict[str, Message]:
        """What to call each place, so that a crew finds it."""
        return name_places(self.incidents, self.repeats, streets=self.streets,
                           parameters=self.parameters)

    def named(self, place: object) -> Message:
        """Return what to call a place; its code where nothing names it."""
        return self.place_names.get(str(place), message("place.code", code=str(place)))

    @_Lasting
    def clusters(self) -> gpd.GeoDataFrame:
        """Groups of places close together."""
        incidents = self.incidents
        self.step("step.grouping")
        return find_clusters(
            incidents, window=self.cleaned.window, parameters=self.parameters,
            rng=self.rng("clusters"))

    @_Lasting
    def cells(self) -> gpd.GeoDataFrame:
        """Grid cells tested against chance."""
        incidents = self.incidents
        self.step("step.testing_chance")
        return hot_cells(incidents, register=self.register, parameters=self.parameters)

    @_Lasting
    def spells(self) -> pd.DataFrame:
        """Time from each clearance to the next marking of the place, or to the log's end."""
        area = self.project.study_area
        return rehit_spells(
            self.incidents, register=self.register, window=self.cleaned.window,
            southern=area is not None and area[3] < 0,
            parameters=self.parameters)

    @_Lasting
    def rings(self) -> pd.DataFrame:
        """How far from a marking, and for how long after it, the risk is raised."""
        incidents = self.incidents
        self.step("step.near_repeats")
        return knox_rings(incidents, parameters=self.parameters, rng=self.rng("rings"))

    @_Lasting
    def limits(self) -> tuple[Message, ...]:
        """What this log does not allow to conclude."""
        found = find_limits(self.incidents, has_register=self.register is not None,
                            window=self.cleaned.window, parameters=self.parameters)
        shared = self.incidents_per_stop
        return found if shared <= 1 else (*found, message("limits.tags", shared=shared))

    @_Lasting
    def forecast(self) -> pd.DataFrame:
        """Expected incidents per place in the next weeks."""
        places = self.repeats
        self.step("step.forecasting")
        return forecast_places(
            self.incidents, places=places, window=self.cleaned.window, parameters=self.parameters)

    @_Lasting
    def forecast_record(self) -> tuple[pd.DataFrame, pd.DataFrame]:
        """How the last months would have been forecast, and how plain counts would have done."""
        places, zone = self.repeats, self.project.time_zone
        self.step("step.scoring_forecasts")
        window = self.cleaned.window
        months = int(self.parameters["pipeline.record_months"])
        edges = window.month_edges(zone)[-months - 1:]
        history = place_history(self.incidents, places=places, window=window)
        return past_record(history, starts=edges[:-1], ends=edges[1:], window=window,
                           numbers=self.parameters)

    @_Lasting
    def works(self) -> pd.DataFrame | None:
        """The works log: what was done, with time, litres and cost; a job in two files once."""
        read = [unless_empty(path, read_works) for path in self.project.files.get("works", ())]
        parts = [part for part in read if part is not None]
        if not parts:
            return None
        return pd.concat(parts).drop_duplicates("work_id", ignore_index=True)

    @_Lasting
    def calibration(self) -> Calibration | None:
        """Minutes, litres and cost per method corrected by the works log, if there is one."""
        if self.works is None:
            return None
        methods = load_methods(self.project.path("methods"))
        first = choose_methods(self.incidents, methods=methods, parameters=self.parameters)
        return calibrate_methods(self.works, methods=methods, advice=first,
                                 parameters=self.parameters)

    @_Lasting
    def advice(self) -> pd.DataFrame:
        """The method for each incident."""
        incidents, methods = self.incidents, self.methods
        self.step("step.choosing_methods")
        return choose_methods(incidents, methods=methods, parameters=self.parameters)

    @property
    def methods(self) -> pd.DataFrame | Path | None:
        """The decision table in force: corrected by the works log, the user's own, or none."""
        return self.project.path("methods") if self.calibration is None else (
            self.calibration.methods)

    @property
    def cost_parameters(self) -> Parameters:
        """Cost numbers in force: defaults, the works log's corrections, the user's own on top."""
        # No result: numbers that were kept would hide which of them are read later.
        numbers = self.parameters
        if self.calibration is not None and self.works is not None:
            timed = with_calibration(numbers, self.calibration.estimates)
            numbers = with_calibration(timed, observed_costs(self.works, parameters=timed))
        return with_shared_stops(numbers, incidents_per_stop=self.incidents_per_stop)

    @property
    def incidents_per_stop(self) -> float:
        """How many incidents one stop deals with: more than one only where rows are single tags.

        Tags of one place that were joined are one incident and share its stop already.
        """
        if self.mapping.one_row != "tag" or self.incidents.empty:
            return 1.0
        joined = float(self.incidents["n_reports"].mean())
        return max(1.0, self.parameters["costs.tags_per_stop"] / joined)

    @_Lasting
    def costing(self) -> pd.DataFrame:
        """What the cost comparison needs to know of each place; rates add up to the log's count."""
        table = costing_table(self.repeats, self.incidents, self.advice, self.register,
                              works=self.works, methods=self.methods, parameters=self.parameters)
        table = with_coatings(table, self.incidents, self.register, end=self.cleaned.window.end)
        return scaled_to_expected(table, self.expected_counts)

    @_Result
    def expected_counts(self) -> pd.DataFrame:
        """Markings to expect in a year by class of place."""
        return expected_counts(self.incidents, observed_years=self.cleaned.window.years)

    @_Lasting
    def expected_work(self) -> pd.DataFrame:
        """The one total that comparison, programme and bid start from, and what it costs."""
        return expected_work(self.costing, pd.DataFrame(self.incidents), self.advice,
                             counts=self.expected_counts, strategies=self.strategies,
                             parameters=self.cost_parameters)

    @property
    def strategies(self) -> tuple[Strategy, ...]:
        """The ways to look after a place: rehit's, the user's, and effects set for this run."""
        return load_strategies(self.project.path("strategies"), parameters=self.cost_parameters,
                               effects=self.effects)

    @_Result
    def doubt(self) -> Doubt:
        """Possible worlds of the cost numbers, the same for comparison, programme and bid."""
        return draw_doubt(self.cost_parameters, rng=self.rng("doubt"))

    @_Lasting
    def strategy_costs(self) -> pd.DataFrame:
        """What each way to look after each place costs over the horizon."""
        costing = self.costing
        self.step("step.comparing_costs")
        return compare_strategies(costing, strategies=self.strategies, doubt=self.doubt,
                                  parameters=self.cost_parameters, rng=self.rng("costs"), n_jobs=2)

    @property
    def programme_years(self) -> int:
        """Years of a programme: as set, but no longer than costs are looked ahead."""
        return int(min(self.parameters["costs.programme_years"],
                       self.parameters["costs.horizon_years"]))

    def programme(self, *, years: int | None = None, robust: bool = False) -> Programme:
        """Choose which places to coat under the yearly budget in force."""
        costing = self.costing
        self.step("step.choosing_programme")
        return choose_programme(costing, strategies=self.strategies, robust=robust,
                                years=years or self.programme_years, doubt=self.doubt,
                                parameters=self.cost_parameters, rng=self.rng("programme"))

    def budget_sweep(self, programme: Programme | None = None) -> pd.DataFrame:
        """Work out what more or less budget than a programme's would save."""
        return budget_sweep(programme or self.programme(), parameters=self.cost_parameters)


# What the cost rooms need to know of each place, gathered from the rooms before them.

NEVER_COATED = ("glass", "sign_face", "tile")
REGISTER_COLUMNS = ["asset_type", "heritage", "access", "traffic_control", "wall_area_m2", "owner"]
COST_NAMES = {"wash_water_l_per_m2": "water_l_per_m2"}
NO_REGISTER = {"heritage": False, "access": "ground", "traffic_control": False}


def with_register(incidents: gpd.GeoDataFrame,
                  register: gpd.GeoDataFrame | None) -> gpd.GeoDataFrame:
    """Return the incidents with the register's columns joined and its surface facts preferred.

    The register's owner has seen the surface; whoever filed the report may have guessed. So a
    known substrate, finish or address of the register replaces the log's. An incident that the log
    ties to its asset by number but gives no point of its own stands at the asset's, or clusters
    and cells would miss what the ranking of places counts.
    """
    joined = incidents.copy()
    if register is None:
        for column in REGISTER_COLUMNS:
            joined[column] = NO_REGISTER.get(column)
    else:
        facts = register.set_index("asset_id").reindex(joined["asset_id"])
        for column in REGISTER_COLUMNS:
            values = facts[column].to_numpy()
            joined[column] = pd.Series(values, index=joined.index, dtype=facts[column].dtype)
            if column in NO_REGISTER:
                joined[column] = joined[column].fillna(NO_REGISTER[column])
        for column in FOR_CREWS:
            if column in facts:
                joined[column] = facts[column].to_numpy()
        for column in ("substrate", "finish"):
            known = pd.Series(facts[column].to_numpy(), index=joined.index)
            joined[column] = known.where(known.notna() & (known != "unknown"), joined[column])
        # Whoever drives there wants the one address of the register, not each caller's spelling.
        address = pd.Series(facts["address"].to_numpy(), index=joined.index)
        joined["address"] = address.where(address.notna(), joined["address"]).astype("str")
        joined = _at_their_assets(joined, register)
    for column in ("heritage", "traffic_control"):
        joined[column] = joined[column].astype(bool)
    for column in ("asset_type", "access", "owner"):
        joined[column] = joined[column].astype("str")
    joined["wall_area_m2"] = joined["wall_area_m2"].astype(float)
    return joined


def _at_their_assets(joined: gpd.GeoDataFrame, register: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Give incidents of a numbered asset that lack a point of their own the asset's."""
    numbered = joined["asset_id"].notna() & joined["asset_id_given"].notna()
    lacking = numbered & joined["place_quality"].isin(POOR)
    points = register.set_index("asset_id").geometry.representative_point()
    there = points.reindex(joined["asset_id"])
    there.index = joined.index
    geometry = joined.geometry.where(~lacking, there)
    quality = joined["place_quality"].where(~lacking, "surveyed")
    return joined.assign(place_quality=quality).set_geometry(geometry)


def costing_table(repeats: pd.DataFrame, incidents: pd.DataFrame, advice: pd.DataFrame,
                  register: pd.DataFrame | None, *, works: pd.DataFrame | None = None,
                  methods: pd.DataFrame | Path | None = None,
                  parameters: Parameters) -> pd.DataFrame:
    """Return the `costing` table: one row per repeat place.

    A place's mean marked area is blended with the town's mean, weighted by how many of its
    incidents have an area. The method advised is the most frequent one there, and at an asset
    never marked in the log the one that `methods` gives for spray paint on its surface. The method
    of today is the one the works log holds most often for the place, else the one advised.
    """
    per_place = incidents[["incident_id", "place_id", "area_m2"]].merge(
        advice[["incident_id", "method"]], on="incident_id", how="left")
    table = repeats[["place_id", "gamma_shape", "gamma_rate_years"]].copy()
    table["mark_area_m2"] = _blended_area(per_place, table["place_id"], parameters)
    spare = None if register is None else _method_for_spray(register, methods, parameters)
    table["advised"] = _usual_method(per_place, table["place_id"], spare)
    done = None if works is None else _method_done(works, incidents).reindex(table["place_id"])
    table["method"] = table["advised"] if done is None else np.where(
        done.notna(), done, table["advised"])
    facts = _surface_facts(table["place_id"], register)
    table = table.join(facts)
    table["coatable"] = _coatable(table["place_id"], incidents, register)
    # Nobody coats a crossing, block or street: removal is the sole strategy there.
    many = repeats["place_kind"].isin(MANY_SURFACES).to_numpy()
    table.loc[many, "coating_allowed"] = False
    default = parameters["pipeline.site_wall_area_m2"]
    table["wall_area_m2"] = np.maximum(table["wall_area_m2"].fillna(default), table["mark_area_m2"])
    result = pd.DataFrame(table).reset_index(drop=True)
    check(result, "costing", where="pipeline.costing_table")
    return result


def with_coatings(costing: pd.DataFrame, incidents: pd.DataFrame, register: pd.DataFrame | None,
                  *, end: pd.Timestamp) -> pd.DataFrame:
    """Return the costing table with the age of each coating that is there, and its cleanings.

    ``coated_years`` (empty where there is none) and ``coated_cleanings``: markings of the place
    since it was coated, each cleaned once.
    """
    if register is None or "coated_at" not in register:
        return costing
    coated = register.set_index("asset_id")["coated_at"].reindex(costing["place_id"])
    coated = coated.where(coated <= end)
    if coated.isna().all():
        return costing
    since = pd.to_datetime(incidents["place_id"].map(coated.dropna().to_dict()), utc=True)
    cleaned = incidents.loc[incidents["reported_at"] > since, "place_id"].value_counts()
    years = (end - coated).dt.total_seconds() / (86_400 * DAYS_PER_YEAR)
    return costing.assign(
        coated_years=years.to_numpy(float),
        coated_cleanings=cleaned.reindex(costing["place_id"]).fillna(0).to_numpy(float))


def _blended_area(per_place: pd.DataFrame, places: pd.Series, parameters: Parameters) -> np.ndarray:
    areas = per_place.dropna(subset=["area_m2"])
    town = areas["area_m2"].mean() if len(areas) else parameters["pipeline.mark_area_m2"]
    sums = areas.groupby("place_id")["area_m2"].agg(["sum", "count"]).reindex(places).fillna(0.0)
    weight = parameters["pipeline.mark_area_weight"]
    blended = (sums["sum"] + weight * town) / (sums["count"] + weight).replace(0, np.nan)
    return blended.fillna(town).to_numpy(float)


def _method_for_spray(register: pd.DataFrame, methods: pd.DataFrame | Path | None,
                      parameters: Parameters) -> pd.Series:
    """Return the method by asset for a marking of spray paint whose size is not known."""
    surfaces = pd.DataFrame(register)[["asset_id", "asset_type", "substrate", "finish",
                                       "heritage"]].rename(columns={"asset_id": "incident_id"})
    advice = choose_methods(surfaces.assign(medium="spray", area_m2=np.nan), methods=methods,
                            parameters=parameters)
    return advice.set_index("incident_id")["method"]


def _usual_method(per_place: pd.DataFrame, places: pd.Series,
                  spare: pd.Series | None) -> np.ndarray:
    found = most_frequent(per_place, "method").reindex(places)
    if spare is not None:
        found = found.fillna(spare)
    return found.fillna("inspect").to_numpy()


def _coatable(places: pd.Series, incidents: pd.DataFrame,
              register: pd.DataFrame | None) -> np.ndarray:
    """Return where a coating can lie: not on glass, sign faces or tiles."""
    marked = incidents.dropna(subset=["place_id"]).drop_duplicates("place_id", keep="last")
    found = marked.set_index("place_id")["substrate"].reindex(places)
    if register is not None:
        own = pd.DataFrame(register).set_index("asset_id")["substrate"].reindex(places)
        found = own.where(own.notna() & own.ne("unknown"), found)
    return ~found.isin(NEVER_COATED).to_numpy(bool)


def _method_done(works: pd.DataFrame, incidents: pd.DataFrame) -> pd.Series:
    """Return the method the crews used most often, by place."""
    reports = incidents.dropna(subset=["report_id", "place_id"]).drop_duplicates("report_id")
    # Where no report has a place the numbers found are none, of whatever kind.
    place = works["report_id"].map(reports.set_index("report_id")["place_id"]).astype("str")
    jobs = pd.DataFrame({"place_id": place.fillna(works["asset_id"]), "method": works["method"]})
    return most_frequent(jobs, "method")


def _surface_facts(places: pd.Series, register: pd.DataFrame | None) -> pd.DataFrame:
    columns = ["wall_area_m2", "coating_allowed", "access", "traffic_control", "owner"]
    if register is None:
        facts = pd.DataFrame(index=places.index, columns=columns)
    else:
        facts = pd.DataFrame(register).set_index("asset_id")[columns].reindex(places)
        facts.index = places.index
    facts["wall_area_m2"] = facts["wall_area_m2"].astype(float)
    facts["access"] = facts["access"].astype("str").fillna("ground")
    facts["coating_allowed"] = facts["coating_allowed"].astype("boolean")
    facts["owner"] = facts["owner"].astype("str")
    facts["traffic_control"] = facts["traffic_control"].astype("boolean").fillna(False).astype(bool)
    return facts


def with_calibration(parameters: Parameters, estimates: pd.DataFrame) -> Parameters:
    """Return the cost numbers with minutes and water per method taken from the works log.

    A number the user set in the project file stays: they know something the log does not. An
    estimate outside a number's allowed range is held at its limit.

    Parameters
    ----------
    parameters
        Numbers in force.
    estimates
        ``method, quantity, calibrated`` as the calibration gives them.
    """
    values: dict[str, float] = {}
    columns = (estimates[name].tolist() for name in ("method", "quantity", "calibrated"))
    for method, quantity, calibrated in zip(*columns, strict=True):
        name = f"costs.{COST_NAMES.get(quantity, quantity)}_{method}"
        if name in parameters and not parameters.row(name).overridden:
            limits = parameters.row(name)
            values[name] = min(max(float(calibrated), limits.low), limits.high)
    return parameters.override(values, where="works log")


#: What a stop takes however many incidents are dealt with at it.
PER_STOP = ("costs.minutes_per_visit_*", "costs.access_*", "costs.traffic_control",
            "contract.vehicle_per_job", "contract.travel_minutes")


def with_shared_stops(parameters: Parameters, *, incidents_per_stop: float) -> Parameters:
    """Return the numbers for one incident where several share a stop and its call-out.

    Parameters
    ----------
    parameters
        Numbers in force; those the user set or a works log measured are of an incident and stay.
    incidents_per_stop
        Incidents dealt with at one stop; nothing changes where it is 1.

    Examples
    --------
    >>> from rehit.parameters import load_parameters
    >>> shared = with_shared_stops(load_parameters(), incidents_per_stop=4.0)
    >>> shared["costs.incidents_per_visit"], shared["costs.minutes_per_visit_paint_out"]
    (4.0, 3.75)
    """
    if incidents_per_stop <= 1:
        return parameters
    values = {name: parameters[name] / incidents_per_stop for name in parameters
              if any(fnmatchcase(name, each) for each in PER_STOP)}
    calls = "costs.incidents_per_visit"
    values[calls] = min(max(parameters[calls], incidents_per_stop), parameters.row(calls).high)
    return parameters.override({name: value for name, value in values.items()
                                if not parameters.row(name).overridden}, where="tags a stop")


def _say_nothing(_code: str) -> None:
    """Stand in where nobody wants to be told."""
