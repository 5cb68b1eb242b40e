"""Every default number, with its unit, range, meaning and source; the user may override each.

The defaults are rows of ``defaults/<room>.csv`` with the columns
``name, unit, low, default, high, meaning, source``. A project file overrides them by room::

    [costs]
    discount_rate = 0.035
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from difflib import get_close_matches
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import NoReturn

from rehit.errors import ManyErrors, RehitError, SettingError
from rehit.messages import message
from rehit.packaged import packaged_rows

COLUMNS = ("name", "unit", "low", "default", "high", "meaning", "source")


@dataclass(frozen=True)
class Parameter:
    """One number: value, unit, the range it may plausibly take, what it means, who says so."""

    name: str
    unit: str
    low: float
    default: float
    high: float
    meaning: str
    source: str
    value: float
    overridden: bool = False  # given by somebody, even if it is the default over again

    @property
    def room(self) -> str:
        """The room this number belongs to, the part of its name before the dot."""
        return self.name.partition(".")[0]


class Parameters(Mapping[str, float]):
    """All numbers in force, read by full name: ``parameters["costs.discount_rate"]``.

    They never change: :meth:`override` returns others.

    Parameters
    ----------
    rows
        The :class:`Parameter` rows, keyed by full name.
    heard
        Told the name of each number that is read; :class:`rehit.chain.Chain` listens, so as to
        know which of its results depend on which number.

    Examples
    --------
    >>> load_parameters()["costs.discount_rate"] > 0
    True
    """

    __slots__ = ("_heard", "_rows")
    _rows: Mapping[str, Parameter]
    _heard: Callable[[str], None] | None

    def __init__(self, rows: Mapping[str, Parameter], *,
                 heard: Callable[[str], None] | None = None) -> None:
        object.__setattr__(self, "_rows", MappingProxyType(dict(rows)))
        object.__setattr__(self, "_heard", heard)

    def __setattr__(self, name: str, value: object) -> NoReturn:
        raise AttributeError(f"parameters never change; override() returns others ({name})")

    def __getitem__(self, name: str) -> float:
        return self.row(name).value

    def __contains__(self, name: object) -> bool:
        return name in self._rows

    def __iter__(self) -> Iterator[str]:
        return iter(self._rows)

    def __len__(self) -> int:
        return len(self._rows)

    def __reduce__(self) -> tuple[type[Parameters], tuple[dict[str, Parameter]]]:
        # Another process may read any of them, where nobody hears.
        return Parameters, ({row.name: row for row in self.rows()},)

    def heard_by(self, heard: Callable[[str], None]) -> Parameters:
        """Return the same numbers, `heard` being told the name of each that is read."""
        return Parameters(self._rows, heard=heard)

    def row(self, name: str) -> Parameter:
        """Return the whole row of one parameter, raising ``SettingError`` for an unknown name."""
        if name not in self._rows:
            raise SettingError("parameters", "errors.unknown_parameter", name=name)
        if self._heard is not None:
            self._heard(name)
        return self._rows[name]

    def rows(self, room: str | None = None) -> tuple[Parameter, ...]:
        """Return every row, or those of one room, in file order."""
        return tuple(self.row(name) for name, row in self._rows.items()
                     if room is None or row.room == room)

    def override(self, values: Mapping[str, float], *, where: str = "overrides") -> Parameters:
        """Return a copy with some values replaced, refusing all bad ones in a single error.

        Parameters
        ----------
        values
            Full name to new value, in the parameter's own unit.
        where
            The file the values came from, for the message.

        Raises
        ------
        ManyErrors
            Listing every unknown name, every value that is not a number and every value outside
            its ``low``–``high`` range.
        """
        faults: list[RehitError] = []
        rows = dict(self._rows)
        for name, value in values.items():
            fault = self._fault(name, value, where=where)
            if fault is None:
                rows[name] = replace(rows[name], value=float(value), overridden=True)
            else:
                faults.append(fault)
        if faults:
            raise ManyErrors(where, faults)
        return Parameters(rows, heard=self._heard)

    def _fault(self, name: str, value: object, *, where: str) -> SettingError | None:
        row = self._rows.get(name)
        if row is None:
            room = name.partition(".")[0]
            names = [p.name for p in self._rows.values() if p.room == room]
            near = get_close_matches(name, names, n=3)
            code = "errors.misspelt_parameter" if near else "errors.unknown_parameter_of_room"
            return SettingError(f"{where} [{name}]", code, near=tuple(near), n=len(names),
                                room=room, known=tuple(names))
        usable = isinstance(value, int | float) and not isinstance(value, bool)
        if not usable or not math.isfinite(float(value)) or not row.low <= float(value) <= row.high:  # type: ignore[arg-type]
            return SettingError(f"{where} [{name}]", "errors.parameter_outside", value=value,
                                low=row.low, high=row.high, unit=row.unit, meaning=row.meaning)
        return None


# Numbers that bound something from below and from above: each may be in range and yet cross.
_BOUNDS = (("patrol.min_interval_days", "patrol.max_interval_days"),
           ("patrol.break_from_h", "patrol.break_to_h"),
           ("hotspots.radius_low_m", "hotspots.radius_high_m"),
           ("incidents.date_year_low", "incidents.date_year_high"))


def crossed_bounds(parameters: Parameters, *, where: str) -> list[SettingError]:
    """Return a fault for each pair of numbers of which the smaller one is above the larger.

    Parameters
    ----------
    parameters
        The numbers in force.
    where
        The file they were changed in, for the message.

    Examples
    --------
    >>> crossed_bounds(load_parameters(), where="rehit.toml")
    []
    """
    faults = []
    for pair in _BOUNDS:
        low, high = (parameters.row(name) for name in pair)
        if low.value <= high.value:
            continue
        room, names = low.room, [row.name.partition(".")[2] for row in (low, high)]
        said = [message("errors.set_to" if row.overridden else "errors.by_default", name=name,
                        value=row.value) for name, row in zip(names, (low, high), strict=True)]
        faults.append(SettingError(
            message("where.two_keys", where=f"{where} [{room}]", first=names[0], second=names[1]),
            "errors.crossed_bounds", low=said[0], high=said[1], first=names[0], second=names[1],
            unit=low.unit, meaning_low=low.meaning, meaning_high=high.meaning))
    return faults


@cache
def load_parameters() -> Parameters:
    """Read the defaults of every room, each checked to lie inside its own range."""
    rows: dict[str, Parameter] = {}
    folder = files("rehit") / "defaults"
    for path in sorted(folder.iterdir(), key=lambda p: p.name):
        if path.name.endswith(".csv"):
            room = path.name.removesuffix(".csv")
            for record in packaged_rows("defaults", path.name):
                row = _parameter(room, record)
                rows[row.name] = row
    return Parameters(rows)


def _parameter(room: str, record: Mapping[str, str]) -> Parameter:
    default = float(record["default"])
    row = Parameter(
        name=f"{room}.{record['name']}", unit=record["unit"], low=float(record["low"]),
        default=default, high=float(record["high"]), meaning=record["meaning"],
        source=record["source"], value=default,
    )
    if not row.low <= row.default <= row.high or not row.meaning or not row.source:
        raise SettingError(f"defaults/{room}.csv [{record['name']}]", "errors.bad_default")
    return row
