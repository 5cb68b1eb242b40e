"""Starting a project folder around somebody's log."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from collections.abc import Mapping as MappingOf
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import tomlkit
from pyproj import CRS
from pyproj.exceptions import CRSError
from shapely.geometry import box
from tomlkit.items import Table

from rehit.assets.register import inspect_register
from rehit.errors import InputFileError, ManyErrors, RehitError, SettingError
from rehit.files.reader import read_tables, stack_tables
from rehit.files.rows import RawTable
from rehit.files.writing import staged_folder
from rehit.incidents.mapping import Mapping, save_mapping
from rehit.incidents.projection import ProjectPlace
from rehit.incidents.propose import propose_mapping, suggest_project
from rehit.messages import Message
from rehit.outputs.clean import reading_notes
from rehit.parameters import Parameters
from rehit.patrol.fleet import EXAMPLES
from rehit.project import FILE_NAME, is_projected_crs
from rehit.report.catalogue import DEFAULT
from rehit.report.say import Say

# What a register says when a project is started around it.

Area = tuple[float, float, float, float]


def register_lines(path: Path, *, crs: str, area: Area | None, say: Say) -> list[str]:
    """Read a register and say how it was understood.

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
    list of str
        The number of assets, then a line for each thing noticed. Assets that all lie outside the
        area of the log are in another projection than the one they were taken to be in.

    Raises
    ------
    ManyErrors, InputFileError, TableError
        If it cannot be used.
    """
    reading = inspect_register(path, crs=crs)
    register = reading.register
    lines = [say("start.assets", file=path.name, n=len(register))]
    lines += [f"  {say(note) if isinstance(note, Message) else note}" for note in reading.notes]
    if area is not None and not register.to_crs(4326).intersects(box(*area)).any():
        lines.append("  " + say("start.register_elsewhere", crs=crs))
    return lines


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


def start_project(
    folder: Path, *, logs: Sequence[Path], register: Path | None, streets: Path | None,
    name: str | None, crs: str | None, time_zone: str, currency: str, language: str = "en",
) -> tuple[dict[str, Any], list[str]]:
    """Write ``rehit.toml`` and ``mapping.toml`` for a log into a folder.

    Raises
    ------
    InputFileError
        If a log cannot be read, or the folder already holds a project.
    SettingError
        If the time zone or the CRS is not a known one, or no projection can be told.
    """
    for taken in (folder / FILE_NAME, folder / "mapping.toml"):
        if taken.exists():
            raise InputFileError(str(taken), "errors.project_there")
    say = Say(language, currency)
    _check_settings(time_zone, crs)
    raw = read_tables(logs)
    whole = stack_tables(raw)
    for extra in (register, streets):
        if extra is not None and not extra.exists():
            raise InputFileError(str(extra), "errors.no_such_file")
    mapping = propose_mapping(whole, crs=crs, time_zone=time_zone)
    place = suggest_project(whole, mapping)
    project_crs = _project_crs(crs, mapping, place)
    files: dict[str, Any] = {"log": [_reference(path, folder) for path in logs],
                             "mapping": "mapping.toml"}
    files |= {role: _reference(path, folder)
              for role, path in (("register", register), ("streets", streets)) if path is not None}
    # Read before anything is written: a register that cannot be used is known at once.
    assets = [] if register is None else register_lines(
        register, crs=project_crs, area=None if place is None else place.study_area, say=say)
    text = _project_text(
        say, name=name or folder.resolve().name, crs=project_crs, time_zone=time_zone,
        currency=currency, area=None if place is None else place.study_area, files=files)
    with staged_folder(folder) as stage:
        save_mapping(mapping, stage / "mapping.toml", tell=say)
        (stage / FILE_NAME).write_text(text, encoding="utf-8")
    return _summary(folder, raw, mapping, project_crs, assets, say)


def _check_settings(time_zone: str, crs: str | None) -> None:
    try:
        ZoneInfo(time_zone)
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


def _project_crs(crs: str | None, mapping: Mapping, place: ProjectPlace | None) -> str:
    """Return the projection of the project: as told, the log's own grid, or the UTM zone.

    A grid in feet is one the log may be in, but distances are worked out in metres.
    """
    places = mapping.places
    for code in (crs, places.crs, places.location_crs):
        if code and is_projected_crs(code):
            return code
    if crs and crs not in (places.crs, places.location_crs) and place is not None:
        raise SettingError("--crs", "errors.grid_in_feet", crs=crs)
    if place is not None:
        return place.crs
    grid = [column for name in ("easting", "northing", "location") if name in mapping.fields
            for column in mapping.fields[name].columns]
    if not grid:
        raise SettingError("--crs", "errors.no_coordinates")
    raise SettingError("--crs", "errors.not_in_grid" if crs else "errors.unknown_grid", crs=crs,
                       columns=tuple(grid))


def _reference(path: Path, folder: Path) -> str:
    return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()


def _project_text(say: Say, *, name: str, crs: str, time_zone: str, currency: str,
                  area: tuple[float, float, float, float] | None,
                  files: dict[str, Any]) -> str:
    document = tomlkit.document()
    document.add(tomlkit.comment(say("start.file_head")))
    facts = tomlkit.table()
    facts.update({"name": name, "crs": crs, "time_zone": time_zone, "currency": currency})
    if say.language != DEFAULT:
        facts["language"] = say.language
    if area is not None:
        facts["study_area"] = [round(v, 4) for v in area]
        facts["study_area"].comment(say("start.area_comment"))
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


def _summary(folder: Path, raw: Sequence[RawTable], mapping: Mapping, crs: str,
             assets: Sequence[str], say: Say) -> tuple[dict[str, Any], list[str]]:
    questions = [say("start.question", ask=asked.ask, assumed=asked.assumed)
                 for asked in mapping.open_questions]
    columns = {name: " + ".join(source.columns) for name, source in mapping.fields.items()}
    rows = {log.name: len(log.table) for log in raw}
    notes = [say(note) for log in raw for note in reading_notes(log)]
    paths = {"project": str(folder / FILE_NAME), "mapping": str(folder / "mapping.toml")}
    summary: dict[str, Any] = {
        "folder": str(folder), "rows": rows, "crs": crs, "questions": questions,
        "columns": columns, "notes": notes, "register": list(assets),
        "files": list(paths.values())}
    lines = [say("start.rows", file=name, n=count) for name, count in rows.items()]
    lines += ["  " + say("start.field", field=field, columns=source)
              for field, source in columns.items()]
    lines += [f"  {note}" for note in notes]
    lines += [*assets, "", say("start.projection", crs=crs), ""]
    if questions:
        lines += [say("start.please_answer"), *(f"  ? {question}" for question in questions)]
    lines += ["", say("start.check_and_run", **paths), f"  rehit report {folder}", "",
              say("start.patrol_needs", **paths)]
    return summary, lines
