"""One project: a folder with ``rehit.toml`` and the files it names.

The project file says where the log, the register and the streets are, which projection, time
zone and currency hold, and which defaults the user overrides. It is read whole and every fault in
it is reported at once.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pyproj import CRS
from pyproj.exceptions import CRSError

from rehit.errors import InputFileError, ManyErrors, RehitError, SettingError
from rehit.parameters import Parameters, crossed_bounds, load_parameters

FILE_NAME = "rehit.toml"
FILE_KEYS = ("log", "mapping", "register", "streets", "works", "depots", "vehicles", "vocabulary",
             "methods", "strategies", "measures")
PROJECT_KEYS = ("name", "crs", "time_zone", "currency", "price_year", "language", "study_area",
                "extract_end", "seed", "holidays", "register_effects")
REQUIRED_KEYS = ("name", "crs", "time_zone")
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
    files
        Role (``log``, ``register`` …) to the paths given for it.
    parameters
        All default numbers with the user's overrides applied.
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
    files: Mapping[str, tuple[Path, ...]] = field(default_factory=dict)
    parameters: Parameters = field(default_factory=load_parameters)

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
            raise SettingError(f"{self.folder / FILE_NAME} [files]", got=f"no {role!r} file",
                               allowed=f'a line such as {role} = "{role}.csv"',
                               remedy="add the line and the file")
        return path


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
    return project_from_settings(read_toml(file), folder=file.parent, where=str(file), also=also)


def read_toml(file: Path) -> dict[str, Any]:
    """Read a TOML file, turning every way it can fail into one message.

    Raises
    ------
    InputFileError
        If there is no such file, or it is not TOML.
    """
    if not file.exists():
        raise InputFileError(str(file), got="no such file", allowed="a project file in TOML",
                             remedy="make one with: rehit new FOLDER --log YOUR_LOG")
    try:
        return tomllib.loads(file.read_bytes().decode("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, OSError) as error:
        raise InputFileError(str(file), got=f"unreadable TOML ({error})",
                             allowed="TOML text in UTF-8", remedy="mend that line") from error


def project_from_settings(settings: Mapping[str, Any], *, folder: Path, where: str,
                          also: FileCheck | None = None) -> Project:
    """Check the settings of a project file and return the project they describe.

    Raises
    ------
    ManyErrors
        Listing every fault of the file.
    """
    faults: list[RehitError] = []
    facts = _section(settings, "project", where, faults)
    faults += _key_faults(facts, PROJECT_KEYS, f"{where} [project]")
    faults += [
        SettingError(f"{where} [project]", got=f"no {key!r}", allowed="a text value",
                     remedy=f'add {key} = "..."') for key in REQUIRED_KEYS if key not in facts]
    faults += _fact_faults(facts, f"{where} [project]")
    files = _files(_section(settings, "files", where, faults), folder, f"{where} [files]", faults)
    parameters = _parameters(settings, where, faults)
    if also is not None:
        faults += also(files, parameters)
    if faults:
        raise ManyErrors(where, faults)
    known = {key: facts[key] for key in PROJECT_KEYS if key in facts}
    if "study_area" in known:
        known["study_area"] = tuple(float(v) for v in known["study_area"])
    known["register_effects"] = tuple(known.get("register_effects", ()))
    if "extract_end" in known:
        known["extract_end"] = str(known["extract_end"])
    return Project(folder=folder, files=files, parameters=parameters, **known)


def _section(settings: Mapping[str, Any], name: str, where: str,
             faults: list[RehitError]) -> Mapping[str, Any]:
    section = settings.get(name, {})
    if isinstance(section, Mapping):
        return section
    faults.append(SettingError(f"{where} [{name}]", got=repr(section), allowed="a table",
                               remedy=f"write [{name}] and its keys below"))
    return {}


def _key_faults(section: Mapping[str, Any], allowed: tuple[str, ...],
                where: str) -> list[RehitError]:
    return [SettingError(where, got=f"the key {key!r}", allowed=", ".join(allowed),
                         remedy=_perhaps(key, allowed) + "correct the key or delete the line")
            for key in section if key not in allowed]


def _perhaps(word: str, allowed: Sequence[str]) -> str:
    """Return the allowed word that was probably meant, as the beginning of a remedy."""
    near = get_close_matches(word.casefold(), allowed, n=1)
    return f"perhaps {near[0]} is meant; " if near else ""


def _fact_faults(facts: Mapping[str, Any], where: str) -> list[RehitError]:
    checks = {"crs": (is_projected_crs, "a projected CRS in metres, such as EPSG:32630"),
              "time_zone": (_is_time_zone, "an IANA time zone such as Europe/Lisbon"),
              "study_area": (_is_area, "[west, south, east, north] in degrees"),
              "price_year": (lambda v: isinstance(v, int) and 1900 < v < 2200, "a year"),
              "seed": (lambda v: isinstance(v, int) and v >= 0, "a whole number from 0"),
              "name": (lambda v: isinstance(v, str) and bool(v.strip()), "a text value"),
              "language": (lambda v: isinstance(v, str), "a language code such as en"),
              "currency": (lambda v: isinstance(v, str) and 0 < len(v) <= 5, "a short sign"),
              "holidays": (lambda v: isinstance(v, str), "a country code such as PT"),
              "register_effects": (lambda v: isinstance(v, list) and all(
                  isinstance(name, str) for name in v), 'column names such as ["lit"]')}
    return [SettingError(f"{where}, key {key!r}", got=repr(facts[key]), allowed=allowed,
                         remedy="change the value")
            for key, (usable, allowed) in checks.items()
            if key in facts and not usable(facts[key])]


def is_projected_crs(value: object) -> bool:
    """Return whether `value` names a projected coordinate reference system in metres.

    Distances in rehit are metres throughout, so a grid in feet would be misread.
    """
    try:
        crs = CRS.from_user_input(value)
    except CRSError:
        return False
    return bool(crs.is_projected) and all(axis.unit_name == "metre" for axis in crs.axis_info)


def _is_time_zone(value: object) -> bool:
    try:
        return bool(ZoneInfo(str(value)))
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False


def _is_area(value: object) -> bool:
    if not isinstance(value, list) or len(value) != 4:
        return False
    if not all(isinstance(v, int | float) and not isinstance(v, bool) for v in value):
        return False
    west, south, east, north = value
    return bool(-180 <= west < east <= 180 and -90 <= south < north <= 90)


def _files(section: Mapping[str, Any], folder: Path, where: str,
           faults: list[RehitError]) -> dict[str, tuple[Path, ...]]:
    faults += _key_faults(section, FILE_KEYS, where)
    files: dict[str, tuple[Path, ...]] = {}
    for role, given in section.items():
        names = given if isinstance(given, list) else [given]
        if not names or not all(isinstance(name, str) and name for name in names):
            faults.append(SettingError(f"{where}, key {role!r}", got=repr(given),
                                       allowed="a file name or a list of file names",
                                       remedy="write the name in quotes"))
            continue
        files[role] = tuple(folder / name for name in names)
        faults += [InputFileError(f"{where}, key {role!r}", got=f"{path}, which does not exist",
                                  allowed="a file that exists",
                                  remedy="correct the name or put the file there")
                   for path in files[role] if not path.exists()]
    return files


def _parameters(settings: Mapping[str, Any], where: str, faults: list[RehitError]) -> Parameters:
    defaults = load_parameters()
    rooms = {row.room for row in defaults.rows()}
    overrides: dict[str, float] = {}
    for name, section in settings.items():
        if name in ("project", "files"):
            continue
        if name not in rooms or not isinstance(section, Mapping):
            known = ["project", "files", *sorted(rooms)]
            faults.append(SettingError(
                f"{where} [{name}]", got="an unknown section", allowed=", ".join(known),
                remedy=_perhaps(name, known) + "correct the section name or delete it"))
            continue
        overrides |= {f"{name}.{key}": value for key, value in section.items()}
    try:
        numbers = defaults.override(overrides, where=where)
    except ManyErrors as error:
        faults += error.errors
        return defaults
    faults += crossed_bounds(numbers, where=where)
    return numbers
