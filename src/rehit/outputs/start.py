"""Starting a project folder around somebody's log: what is understood, what is asked."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from collections.abc import Mapping as MappingOf
from dataclasses import replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import geopandas as gpd
import numpy as np
import tomlkit
from pyproj import CRS
from pyproj.exceptions import CRSError
from shapely.geometry import box
from tomlkit.items import Table

from rehit.assets.register import RegisterReading, inspect_register
from rehit.errors import InputFileError, ManyErrors, RehitError, SettingError
from rehit.files.reader import read_table, read_tables, stack_tables
from rehit.files.rows import RawTable
from rehit.files.writing import staged_folder
from rehit.incidents.mapping import (
    LOG_AND_WORKS,
    NONE,
    OWN_CODE,
    ROW_KEY,
    WORKS_KEY,
    WORKS_ONLY,
    Question,
    apply_mapping,
    grown_text,
    in_force,
    load_answers,
    load_mapping,
    question_tables,
    save_mapping,
)
from rehit.incidents.projection import Area, match_area
from rehit.incidents.proposal import (
    COUNTRY,
    Options,
    Proposal,
    Sample,
    ValueCount,
    new_questions,
    plain_kinds,
    propose_reading,
    refuse_strange,
)
from rehit.incidents.propose import field_words
from rehit.messages import Message, message
from rehit.outputs.clean import MOST_FILES, all_reading_notes
from rehit.parameters import Parameters
from rehit.patrol.fleet import EXAMPLES
from rehit.project import FILE_NAME, is_projected_crs, load_project
from rehit.report.catalogue import DEFAULT
from rehit.report.say import Say

_SHOWN = 12  # kinds of request and outcomes that a terminal lists

# What a register says when a project is started around it.

def register_lines(path: Path, *, crs: str, area: Area | None,
                   say: Say) -> tuple[list[str], str]:
    """Read a register and say how it was understood, and in which grid it is.

    Parameters
    ----------
    path
        The file.
    crs
        The project's projection.
    area
        West, south, east, north of the log in degrees, if it has coordinates.
    say
        The language.

    Returns
    -------
    tuple
        The number of assets, then a line for each thing noticed; the grid of coordinates that the
        file names none for, where they lie in the area of the log by another than the project's.

    Raises
    ------
    ManyErrors, InputFileError, TableError
        If it cannot be used.
    """
    reading = inspect_register(path, crs=crs)
    grid = _register_grid(reading, area)
    if grid:
        reading = inspect_register(path, crs=crs, file_crs=grid)
    register = reading.register
    lines = [say("start.assets", file=path.name, n=len(register))]
    lines += [f"  {say(note) if isinstance(note, Message) else note}" for note in reading.notes]
    if grid:
        lines.append("  " + say("start.register_grid", crs=grid))
    elif _elsewhere(register, area):
        lines.append("  " + say("start.register_elsewhere", crs=crs))
    return lines, grid


def _elsewhere(register: gpd.GeoDataFrame, area: Area | None) -> bool:
    """Whether no asset lies in the area of the log."""
    return area is not None and not register.to_crs(4326).intersects(box(*area)).any()


def _register_grid(reading: RegisterReading, area: Area | None) -> str:
    """Return the grid by which a register of unnamed grid lies where the log does, "" if none."""
    unnamed = any(isinstance(note, Message) and note.code == "register.no_projection"
                  for note in reading.notes)
    if not unnamed or not _elsewhere(reading.register, area):
        return ""
    points = reading.register.geometry.representative_point()
    found = match_area(points.x.to_numpy(), points.y.to_numpy(), area, None)
    return "" if found is None else found.crs


# Faults of the user's own strategies and decision table, found before any work is done.

def file_faults(files: MappingOf[str, tuple[Path, ...]],
                parameters: Parameters) -> list[RehitError]:
    """Return what is wrong in the project's strategies and methods files.

    Handed to :func:`rehit.project.load_project`, so that a user reads the faults of all rates at
    once, and not the next file's after mending the first.
    """
    def strategies(path: Path) -> None:
        from rehit.costs.strategies import load_strategies

        load_strategies(path, parameters=parameters)

    def methods(path: Path) -> None:
        from rehit.treatment.methods import load_methods

        load_methods(path)

    checks: dict[str, Callable[[Path], None]] = {"strategies": strategies, "methods": methods}
    faults: list[RehitError] = []
    for role, check in checks.items():
        for path in files.get(role, ()):
            try:
                if path.exists():  # a missing file is a fault of the project file
                    check(path)
            except ManyErrors as error:
                faults += error.errors
            except RehitError as error:
                faults.append(error)
    return faults


# The conversation: proposals are shown, what is open is asked, answers become the project.

ANSWERS = "answers.toml"
# Shows some lines, asks questions, returns the answers by the questions' keys.
Ask = Callable[[Sequence[str], Sequence[Question], Say], MappingOf[str, str]]


def start_project(
    folder: Path, *, logs: Sequence[Path], register: Path | None = None,
    streets: Path | None = None, name: str | None = None, options: Options | None = None,
    language: str = "en", answers: Path | None = None, ask: Ask | None = None,
) -> tuple[dict[str, Any], list[str]]:
    """Write ``rehit.toml`` and ``mapping.toml`` for a log into a folder.

    Parameters
    ----------
    folder
        The folder, without a project.
    logs, register, streets
        The files a council has.
    name
        Of the project; that of the folder if not given.
    options
        What is known beforehand, such as the projection.
    language
        The language of the answer and of the project.
    answers
        A file of answers.
    ask
        Asks a person what is still open; without it, what must be answered is written into a file
        to fill in.

    Raises
    ------
    InputFileError
        If a log cannot be read, or the folder already holds a project.
    SettingError
        If the time zone or the CRS is not a known one, or something must be answered first.
    """
    for taken in (folder / FILE_NAME, folder / "mapping.toml"):
        if taken.exists():
            raise InputFileError(str(taken), "errors.project_there")
    options = options or Options()
    _check_settings(options.time_zone, options.crs)
    for extra in (register, streets):
        if extra is not None and not extra.exists():
            raise InputFileError(str(extra), "errors.no_such_file")
    given = {} if answers is None else load_answers(answers)
    raw = read_tables(logs)
    area = None if register is None else register_area(register)
    proposal = propose_reading(stack_tables(raw), options=replace(options, register_area=area),
                               answers=given)
    say = Say(language, proposal.settings.currency, proposal.settings.units)
    if ask is not None:
        proposal = _asked(proposal, ask, say)
    _refuse_open(proposal, folder, say)
    named = _named_files(folder, logs, register, streets)
    is_what = in_force(proposal.questions, WORKS_KEY)
    if is_what == WORKS_ONLY:
        raise SettingError("rehit new", "errors.log_of_works", file=str(logs[0]))
    if is_what == LOG_AND_WORKS:
        named["works"] = named["log"][0]
    return _written(folder, proposal, raw=raw, files=named, register=register,
                    name=name or folder.resolve().name, say=say)


def _asked(proposal: Proposal, ask: Ask, say: Say) -> Proposal:
    """Ask until nothing new is open: an answer may bring a question of its own."""
    seen: set[str] = set()
    while {asked.key for asked in proposal.next_questions} - seen:
        shown = [] if seen else proposal_lines(proposal, say)
        seen |= {asked.key for asked in proposal.next_questions}
        given = ask(shown, proposal.next_questions, say)
        proposal = proposal.with_answers(given) if given else proposal
    return proposal


def _refuse_open(proposal: Proposal, folder: Path, say: Say) -> None:
    """Write what must be answered into a file, and say so, where a guess would change counts."""
    must = proposal.must_answer
    if must:
        file = folder / ANSWERS
        with staged_folder(folder) as stage:
            (stage / ANSWERS).write_text(answers_text(proposal.questions, say), encoding="utf-8")
        raise SettingError("rehit new", "errors.open_questions", n=len(must), file=str(file),
                           asked=" ".join(say(asked.ask) for asked in must))
    crs, places = proposal.options.crs, proposal.mapping.places
    unmet = crs and crs not in (proposal.settings.crs, places.crs, places.location_crs)
    if unmet or not proposal.settings.crs:
        _no_projection(proposal)


def answers_text(questions: Sequence[Question], say: Say) -> str:
    """Return questions as a file that a person fills in."""
    document = tomlkit.document()
    for line in say("start.answers_head").splitlines():
        document.add(tomlkit.comment(line))
    document.add("questions", question_tables(questions, tell=say))
    return tomlkit.dumps(document)


def ask_again(folder: Path, *, answers: Path | None = None, ask: Ask | None = None,
              language: str | None = None) -> tuple[dict[str, Any], list[str]]:
    """Ask about what has come into a project's log since its mapping was made.

    The answers go into the mapping file, whose comments stay. Without answers the new kinds and
    words stand there as open questions.

    Raises
    ------
    SettingError
        For an answer to nothing that is asked, or that is none of its choices.
    InputFileError
        If the project has no mapping file.
    """
    project = load_project(folder)
    say = Say(language or project.language, project.currency, project.units)
    file = project.require("mapping")
    mapping = load_mapping(file)
    raw = stack_tables(read_tables(project.files["log"]))
    fields = apply_mapping(raw, mapping)
    questions = new_questions(fields, mapping)
    given = load_answers(answers) if answers is not None else (
        ask([], questions, say) if ask is not None and questions else {})
    refuse_strange(given, questions)
    asked = [replace(each, answer=given.get(each.key, "")) for each in questions]
    before = file.read_text(encoding="utf-8")
    text = grown_text(before, asked, words=field_words(raw, mapping),
                      kinds=plain_kinds(fields, mapping), tell=say)
    if text != before:
        with staged_folder(file.parent) as stage:
            (stage / file.name).write_text(text, encoding="utf-8", newline="\n")
    waiting = [question_text(each, say) for each in asked if not each.answer]
    lines = [say("start.new_values", n=len(asked), file=str(file))]
    lines += [f"  ? {words}" for words in waiting]
    return {"folder": str(folder), "questions": waiting, "asked": len(asked),
            "files": [str(file)] if text != before else []}, lines


def _no_projection(proposal: Proposal) -> None:
    crs, fields = proposal.options.crs, proposal.mapping.fields
    if crs and not {"easting", "northing"} & set(fields):
        raise SettingError("--crs", "errors.grid_in_feet", crs=crs)
    columns = tuple(column for name in ("easting", "northing", "location") if name in fields
                    for column in fields[name].columns)
    raise SettingError("--crs", "errors.not_in_grid" if crs else "errors.unknown_grid", crs=crs,
                       columns=columns)


def register_area(path: Path) -> Area | None:
    """Return west, south, east, north of a register in degrees, None where it names no CRS."""
    shapes = read_table(path, has_header=True, places=False).shapes
    if shapes is None or shapes.crs is None or shapes.is_empty.all():
        return None
    bounds = shapes.to_crs(4326).total_bounds
    west, south, east, north = (float(v) for v in bounds)
    return (west, south, east, north) if np.isfinite(bounds).all() else None


def _named_files(folder: Path, logs: Sequence[Path], register: Path | None,
                 streets: Path | None) -> dict[str, Any]:
    files: dict[str, Any] = {"log": [_reference(path, folder) for path in logs],
                             "mapping": "mapping.toml"}
    return files | {role: _reference(path, folder) for role, path in (
        ("register", register), ("streets", streets)) if path is not None}


def _written(folder: Path, proposal: Proposal, *, raw: Sequence[RawTable], files: dict[str, Any],
             register: Path | None, name: str, say: Say) -> tuple[dict[str, Any], list[str]]:
    settings = proposal.settings
    # Read before anything is written: a register that cannot be used is known at once.
    assets, grid = ([], "") if register is None else register_lines(
        register, crs=settings.crs, area=settings.study_area, say=say)
    asked = tuple(each for each in proposal.questions if not each.key.startswith("project."))
    with staged_folder(folder) as stage:
        save_mapping(replace(proposal.mapping, questions=asked), stage / "mapping.toml", tell=say)
        (stage / FILE_NAME).write_text(
            _project_text(say, proposal, name=name, files=files, register_crs=grid),
            encoding="utf-8")
    return _summary(folder, raw, proposal, assets, say)


def _check_settings(time_zone: str | None, crs: str | None) -> None:
    try:
        ZoneInfo(time_zone or "UTC")
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise SettingError("--time-zone", "errors.not_a_zone", name=time_zone) from error
    if crs is not None and not (is_projected_crs(crs) or _in_feet(crs)):
        raise SettingError("--crs", "errors.not_a_projection", crs=crs)


def _in_feet(crs: str) -> bool:
    """Whether it is a projected CRS in another unit: the log's grid, though not the project's."""
    try:
        return bool(CRS.from_user_input(crs).is_projected) and not is_projected_crs(crs)
    except CRSError:
        return False


def _reference(path: Path, folder: Path) -> str:
    return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()


def _project_text(say: Say, proposal: Proposal, *, name: str, files: dict[str, Any],
                  register_crs: str) -> str:
    settings = proposal.settings
    document = tomlkit.document()
    document.add(tomlkit.comment(say("start.file_head")))
    facts = tomlkit.table()
    facts.update({"name": name, "crs": settings.crs, "time_zone": settings.time_zone,
                  "currency": settings.currency})
    facts["units"] = settings.units
    if settings.holidays:
        facts["holidays"] = settings.holidays
    if settings.country:
        said = say("start.country_confirmed" if settings.confirmed else "start.country_assumed",
                   country=settings.country)
        for key in ("time_zone", "currency", "holidays", "units"):
            if key in facts:
                facts[key].comment(said)
    if say.language != DEFAULT:
        facts["language"] = say.language
    if settings.study_area is not None:
        facts["study_area"] = [round(v, 4) for v in settings.study_area]
        facts["study_area"].comment(say("start.area_comment"))
    if register_crs:
        facts["register_crs"] = register_crs
        facts["register_crs"].comment(say("start.register_crs_comment"))
    document["project"] = facts
    document["files"] = _files_table(say, files)
    service = tomlkit.table()
    service.comment(say("start.service_comment"))
    service.update({"offensive_hours": 24, "ordinary_working_days": 5})
    document["service"] = service
    return tomlkit.dumps(document)


def _files_table(say: Say, files: dict[str, Any]) -> Table:
    """Return the files of the project, with those that a patrol needs as lines to be taken in."""
    named = tomlkit.table()
    named.update(files)
    named.add(tomlkit.comment(say("start.patrol_files")))
    for role, (columns, line) in EXAMPLES.items():
        named.add(tomlkit.comment(f'{role} = "{role}.csv"'))
        named.add(tomlkit.comment("  " + say("start.file_columns", columns=columns)))
        named.add(tomlkit.comment("  " + say("start.file_example", line=line)))
    return named


def _summary(folder: Path, raw: Sequence[RawTable], proposal: Proposal, assets: Sequence[str],
             say: Say) -> tuple[dict[str, Any], list[str]]:
    questions = [question_text(asked, say) for asked in proposal.open_questions]
    rows = {log.name: len(log.table) for log in raw}
    notes = [*say.all(all_reading_notes(raw)), *say.all(proposal.notes)]
    paths = {"project": str(folder / FILE_NAME), "mapping": str(folder / "mapping.toml")}
    settings = proposal.settings
    summary: dict[str, Any] = {
        "folder": str(folder), "rows": rows, "crs": settings.crs, "questions": questions,
        "columns": {each.field: " + ".join(each.columns) for each in proposal.fields},
        "notes": notes, "register": list(assets), "files": list(paths.values()),
        "country": settings.country, "time_zone": settings.time_zone,
        "currency": settings.currency, "holidays": settings.holidays, "units": settings.units}
    lines = [say("start.rows", file=name, n=count) for name, count in rows.items()] if (
        len(rows) <= MOST_FILES) else [say("start.rows_of_files", files=len(rows),
                                           n=sum(rows.values()))]
    lines += [*proposal_lines(proposal, say), *(f"  {note}" for note in notes), *assets, ""]
    if questions:
        lines += [say("start.please_answer", file=paths["mapping"]),
                  *(f"  ? {question}" for question in questions)]
    if "reported" not in proposal.mapping.fields:  # nothing over time: the one command that helps
        return summary, [*lines, "", say("start.check_and_run", **paths),
                         f"  rehit hotspots {folder}"]
    lines += ["", say("start.check_and_run", **paths), f"  rehit report {folder}", "",
              say("start.patrol_needs", **paths)]
    return summary, lines


def proposal_lines(proposal: Proposal, say: Say) -> list[str]:
    """Return what was understood of a log as lines for a terminal."""
    lines = []
    for each in proposal.fields:
        lines.append("  " + say("start.field", field=each.field, columns=" + ".join(each.columns),
                                sure=message(f"sureness.{each.sureness}")))
        lines += ["      " + " | ".join(_sample(one, say) for one in each.samples)] * bool(
            each.samples)
    for title, values in (("start.services", proposal.services),
                          ("start.outcomes", proposal.outcomes)):
        lines += ["", say(title)] * bool(values) + [_value(each, say) for each in values[:_SHOWN]]
        lines += ["  " + say("start.more_values", n=len(values) - _SHOWN)] * (
            len(values) > _SHOWN)
    lines += ["", say("start.unused")] * bool(proposal.unused)
    lines += [f"  {each.column}: {' | '.join(each.samples)}" for each in proposal.unused]
    lines += ["", say("start.unknown")] * bool(proposal.unknown)
    lines += [f"  {words}" for words in say.all(proposal.unknown)]
    return [*lines, "", *_place_lines(proposal, say)]


def _sample(sample: Sample, say: Say) -> str:
    """Return a value as written, and as understood where that is not the same."""
    understood = say.code(sample.group, sample.understood) if (
        sample.group and sample.understood) else sample.understood
    if understood == sample.raw:
        return sample.raw
    if not understood:
        return say("start.not_understood", raw=sample.raw)
    return say("start.understood", raw=sample.raw, understood=understood)


def _value(each: ValueCount, say: Say) -> str:
    group = "service" if each.field.startswith("service") else "ending"
    return "  " + say("start.value", value=each.value, rows=each.rows,
                      meaning=say.code(group, each.code))


def _place_lines(proposal: Proposal, say: Say) -> list[str]:
    """Say the log's and the project's system, where the points land, and what follows."""
    settings, places = proposal.settings, proposal.mapping.places
    grids = [grid for grid in proposal.grids if grid.chosen]
    lines = [say("start.lands", crs=grid.crs, latitude=grid.latitude, longitude=grid.longitude,
                 zone=grid.zone, country=grid.country) for grid in grids]
    lines += [say("start.log_crs", crs=places.crs)] if places.crs else []
    lines += [say("start.projection", crs=settings.crs)] if settings.crs else []
    if settings.country:
        lines.append(say("start.customs", country=settings.country, zone=settings.time_zone,
                         currency=settings.currency,
                         units=message(f"units.{settings.units}")))
    return [*lines, ""]


def question_text(asked: Question, say: Say) -> str:
    """Return a question with what is assumed meanwhile and how many rows it changes."""
    assumed = choice_text(asked, asked.assumed, say)
    if not asked.rows:
        return say("start.question", ask=asked.ask, assumed=assumed)
    return say("start.question_rows", ask=asked.ask, assumed=assumed, rows=asked.rows)


def choice_text(asked: Question, choice: str, say: Say) -> str:
    """Return an answer as it is shown: its word where it is a code, else as it is."""
    if choice in (OWN_CODE, NONE, ""):
        names = {OWN_CODE: "own_code", NONE: "none", "": "nothing"}
        return say(f"choice.{names[choice]}")
    if asked.key == COUNTRY:
        return say("choice.country", code=choice)
    group = asked.key.partition(".")[0]
    codes = {"services": "service", "outcomes": "ending", ROW_KEY: "one_row", WORKS_KEY: "file_is"}
    words = codes.get(asked.key, codes.get(group))
    said = say.code(words, choice) if words else choice
    plain = said == choice or said.replace(" ", "_") == choice
    return choice if plain else say("start.choice", choice=choice, word=said)
