"""One project: a folder with ``rehit.toml`` and the files it names.

The project file says where the log, the register and the streets are, which projection, time
zone and currency hold, and which defaults the user overrides. It is read whole and every fault in
it is reported at once.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, Literal
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, BeforeValidator, Field, create_model
from pyproj import CRS
from pyproj.exceptions import CRSError

from rehit.errors import InputFileError, ManyErrors, RehitError, SettingError
from rehit.parameters import Parameters, crossed_bounds, load_parameters
from rehit.settings_file import Section, checked, misspelt, one_of, parse_toml, table_named

FILE_NAME = "rehit.toml"
UNITS = ("metric", "imperial")
FILE_KEYS = ("log", "mapping", "register", "streets", "works", "depots", "vehicles", "vocabulary",
             "methods", "strategies", "measures")
FileCheck = Callable[[Mapping[str, tuple[Path, ...]], Parameters], list[RehitError]]


@dataclass(frozen=True)
class Project:
    """Everything a project file says, checked.

    Attributes
    ----------
    folder
        The folder that relative paths start from.
    name, crs, time_zone, currency, price_year, language
        Project facts. `crs` is projected.
    study_area
        West, south, east, north in degrees (WGS 84), or None.
    register_effects
        Further columns of the register, such as ``lit``, whose part in re-hits is asked for.
    map_tiles
        Address of a background for the map, with ``{z}``, ``{x}`` and ``{y}``, or None. The map
        then offers it; nothing is fetched before a reader switches it on.
    files
        Role (``log``, ``register`` …) to the paths given for it.
    parameters
        All default numbers with the user's overrides applied.
    register_crs
        CRS of the register's coordinates where its file names none, or None.
    units
        What people are told distances and areas in: one of `UNITS`. Tables keep metres.
    share_notes
        Whether the notes of the log, without personal data, go into what is handed to others: the
        map, the workbook, the GeoPackage and the data files of a report.
    """

    folder: Path
    name: str
    crs: str
    time_zone: str
    currency: str = "€"
    price_year: int | None = None
    language: str = "en"
    study_area: tuple[float, float, float, float] | None = None
    extract_end: str | None = None
    seed: int = 1
    holidays: str | None = None
    register_effects: tuple[str, ...] = ()
    map_tiles: str | None = None
    files: Mapping[str, tuple[Path, ...]] = field(default_factory=dict)
    parameters: Parameters = field(default_factory=load_parameters)
    register_crs: str | None = None
    units: str = "metric"
    share_notes: bool = False

    def path(self, role: str) -> Path | None:
        """Return the one file given for `role`, or None."""
        paths = self.files.get(role, ())
        return paths[0] if paths else None

    def require(self, role: str) -> Path:
        """Return the file given for `role`, or say what is missing.

        Raises
        ------
        SettingError
            If the project names no such file.
        """
        path = self.path(role)
        if path is None:
            raise SettingError(f"{self.folder / FILE_NAME} [files]", "errors.no_file_for_role",
                               role=role)
        return path


def language_in(folder: object) -> str | None:
    """Return the language that a project names, whatever else is wrong with its file.

    Examples
    --------
    >>> language_in("no_such_folder")
    """
    if not isinstance(folder, str | Path):
        return None
    file = Path(folder) / FILE_NAME if Path(folder).is_dir() else Path(folder)
    with suppress(OSError, ValueError):
        facts = tomllib.loads(file.read_bytes().decode("utf-8-sig")).get("project")
        return str(facts["language"]) if isinstance(facts, dict) and "language" in facts else None
    return None


def load_project(path: Path | str, *, also: FileCheck | None = None) -> Project:
    """Read a project folder or its ``rehit.toml``.

    Parameters
    ----------
    path
        The folder, or the file itself.
    also
        Looks into the files named (roles to paths, numbers in force) and returns their faults, to
        be reported together with those of the project file.

    Raises
    ------
    InputFileError
        If the file is missing or is not TOML.
    ManyErrors
        Listing every unknown key, missing key, unusable value and missing file.
    """
    file = Path(path)
    if file.is_dir():
        file = file / FILE_NAME
    settings = parse_toml(file, missing="errors.no_project").unwrap()
    return project_from_settings(settings, folder=file.parent, where=str(file), also=also)


def is_projected_crs(value: object) -> bool:
    """Return whether `value` names a projected coordinate reference system in metres.

    Distances in rehit are metres throughout, so a grid in feet would be misread.
    """
    try:
        crs = CRS.from_user_input(value)
    except CRSError:
        return False
    return bool(crs.is_projected) and all(axis.unit_name == "metre" for axis in crs.axis_info)


def _in_metres(value: str) -> str:
    if not is_projected_crs(value):
        raise ValueError
    return value


def _zone(value: str) -> str:
    try:
        ZoneInfo(value)
    except (ZoneInfoNotFoundError, OSError) as error:
        raise ValueError from error
    return value


def _area(value: list[float]) -> list[float]:
    west, south, east, north = value
    if not (-180 <= west < east <= 180 and -90 <= south < north <= 90):
        raise ValueError
    return value


def _known_crs(value: str) -> str:
    try:
        CRS.from_user_input(value)
    except CRSError as error:
        raise ValueError from error
    return value


def _tiles(value: str) -> str:
    parts = urlsplit(value)
    if parts.scheme != "https" or not re.fullmatch(r"[A-Za-z0-9.:-]+", parts.netloc) or not all(
            name in value for name in ("{z}", "{x}", "{y}")):
        raise ValueError
    return value


def _day_text(value: object) -> object:
    """TOML has days and times of its own; they are kept as the text they are written as."""
    return str(value) if isinstance(value, date | datetime) else value


def _as_list(value: object) -> object:
    return [value] if isinstance(value, str) else value


class _Facts(Section):
    name: str = Field(min_length=1, pattern=r"\S", description="allowed.text")
    crs: Annotated[str, AfterValidator(_in_metres)] = Field(
        description="allowed.projected")
    time_zone: Annotated[str, AfterValidator(_zone)] = Field(
        description="allowed.zone")
    currency: str = Field(default="€", min_length=1, max_length=5, description="allowed.sign")
    price_year: int | None = Field(default=None, gt=1900, lt=2200, description="allowed.year")
    language: str = Field(default="en", description="allowed.language")
    study_area: Annotated[list[float], AfterValidator(_area)] | None = Field(
        default=None, min_length=4, max_length=4,
        description="allowed.area")
    extract_end: Annotated[str, BeforeValidator(_day_text)] | None = Field(
        default=None, description="allowed.date")
    seed: int = Field(default=1, ge=0, description="allowed.whole")
    holidays: str | None = Field(default=None, description="allowed.country")
    register_effects: list[str] = Field(default=[], description="allowed.register_columns")
    map_tiles: Annotated[str, AfterValidator(_tiles)] | None = Field(
        default=None, description="allowed.map_tiles")
    register_crs: Annotated[str, AfterValidator(_known_crs)] | None = Field(
        default=None, description="allowed.any_crs")
    units: Literal[UNITS] = Field(  # type: ignore[valid-type]
        default="metric", description=one_of(UNITS))
    share_notes: bool = Field(default=False, description="allowed.flag")


_Name = Annotated[str, Field(min_length=1)]
_Files = create_model("_Files", __base__=Section, **{  # type: ignore[call-overload]
    f"{role}_files": (Annotated[list[_Name], BeforeValidator(_as_list)] | None,
                      Field(default=None, min_length=1, alias=role,
                            description="allowed.files"))
    for role in FILE_KEYS})


class _ProjectFile(Section):
    project: _Facts = Field(description=table_named("project"))
    files: _Files = Field(  # type: ignore[valid-type]
        default=_Files(), description=table_named("files"))


def project_from_settings(settings: Mapping[str, Any], *, folder: Path, where: str,
                          also: FileCheck | None = None) -> Project:
    """Check the settings of a project file and return the project they describe.

    Raises
    ------
    ManyErrors
        Listing every fault of the file.
    """
    tables = {"project": {}, **{k: v for k, v in settings.items() if k in ("project", "files")}}
    read, faults = checked(_ProjectFile, tables, where=where)
    files = _paths(settings.get("files"), folder)
    faults += [InputFileError(f"{where} [files] {role}", "errors.missing_file", file=str(path))
               for role, paths in files.items() for path in paths if not path.exists()]
    parameters = _parameters(settings, where, faults)
    if also is not None:
        faults += also(files, parameters)
    if faults or read is None:
        raise ManyErrors(where, faults)
    facts = read.project
    west, south, east, north = facts.study_area or (0.0, 0.0, 0.0, 0.0)
    return Project(
        folder, facts.name, facts.crs, facts.time_zone, facts.currency, facts.price_year,
        facts.language, (west, south, east, north) if facts.study_area else None,
        facts.extract_end, facts.seed, facts.holidays, tuple(facts.register_effects),
        facts.map_tiles, files, parameters, facts.register_crs, facts.units, facts.share_notes)


def _paths(section: object, folder: Path) -> dict[str, tuple[Path, ...]]:
    """Return the paths of the roles that name files, whatever else is wrong in the section."""
    if not isinstance(section, Mapping):
        return {}
    named = {role: _as_list(given) for role, given in section.items() if role in FILE_KEYS}
    return {role: tuple(folder / name for name in names) for role, names in named.items()
            if isinstance(names, list) and all(isinstance(n, str) and n for n in names)}


def _parameters(settings: Mapping[str, Any], where: str, faults: list[RehitError]) -> Parameters:
    """Return the numbers in force, adding to `faults` what is wrong in their sections."""
    defaults = load_parameters()
    rooms = {row.room for row in defaults.rows()}
    overrides: dict[str, float] = {}
    for name, section in settings.items():
        if name in ("project", "files"):
            continue
        if name not in rooms or not isinstance(section, Mapping):
            known = ["project", "files", *sorted(rooms)]
            faults.append(misspelt("errors.unknown_section", name, known,
                                   where=f"{where} [{name}]"))
            continue
        overrides |= {f"{name}.{key}": value for key, value in section.items()}
    try:
        parameters = defaults.override(overrides, where=where)
    except ManyErrors as error:
        faults += error.errors
        return defaults
    faults += crossed_bounds(parameters, where=where)
    return parameters
