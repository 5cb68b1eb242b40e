"""Ways to look after one place over the years, kept as data the user may edit.

A strategy is a row of ``strategies.csv`` or a section ``[strategies.NAME]`` of a TOML file. Each
number is written out or named as a parameter (``costs.permanent_life_years``), so that ranges and
overrides of the parameter table reach it. A user's own measure (lighting, planting, a mural) needs
only a first or yearly cost, a life and, where measured, an effect on the rate.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from pathlib import Path

from rehit.errors import InputFileError, ManyErrors, RehitError, SettingError, TableError
from rehit.files.reader import read_table
from rehit.files.rows import EXTRA_COLUMN
from rehit.messages import message
from rehit.packaged import packaged_rows
from rehit.parameters import Parameters
from rehit.tables import table

# Reading a user's strategies from a table or TOML.

Row = dict[str, object]


def read_strategy_rows(path: Path) -> dict[str, Row]:
    """Return strategy name to raw row, from a CSV table or from TOML sections.

    Raises
    ------
    InputFileError
        If the file cannot be read, or holds no strategies.
    TableError
        If a CSV file names a strategy twice.
    """
    rows = _from_toml(path) if path.suffix.lower() == ".toml" else _from_table(path)
    if not rows:
        raise InputFileError(str(path), "errors.no_strategies")
    return rows


def _from_toml(path: Path) -> dict[str, Row]:
    try:
        section = tomllib.loads(path.read_bytes().decode("utf-8-sig")).get("strategies", {})
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputFileError(str(path), "errors.unreadable_toml", said=str(error)) from error
    if not isinstance(section, dict):
        return {}
    return {str(name): row for name, row in section.items() if isinstance(row, dict)}


def _from_table(path: Path) -> dict[str, Row]:
    rows: dict[str, Row] = {}
    for _, row in read_table(path, has_header=True).records():
        name = row.get("strategy", "")
        if not name:
            continue
        if name in rows:
            raise TableError(message("where.strategy", file=str(path), strategy=name),
                             "errors.twice", name=name)
        rows[name] = {key: cell for key, cell in row.items() if key != EXTRA_COLUMN or cell}
    return rows


BASELINE = "remove_each_time"
LIMITS = {
    "cleaning_share": (0.0, 10.0), "first_cost": (0.0, math.inf),
    "cover_materials_per_m2": (0.0, math.inf), "cover_minutes_per_m2": (0.0, math.inf),
    "cover_visits": (1.0, 10.0),
    "yearly_cost": (0.0, math.inf), "life_years": (1.0, math.inf),
    "life_cleanings": (1.0, 100.0), "recoat_margin": (0.0, 10.0),
    "recoat_every": (1.0, math.inf), "effect_on_rate": (-5.0, 1.0),
}
DEFAULTS = {
    "cleaning_share": 1.0, "first_cost": 0.0, "cover_materials_per_m2": 0.0,
    "cover_minutes_per_m2": 0.0, "cover_visits": 1.0, "yearly_cost": 0.0, "life_years": math.inf,
    "life_cleanings": math.inf, "recoat_margin": 0.0, "recoat_every": 1.0, "effect_on_rate": 0.0,
}


def method_codes() -> tuple[str, ...]:
    """Return the methods of removal that have rates: those the `costing` table allows."""
    return table("costing").column("method").allowed


@dataclass(frozen=True, kw_only=True)
class Strategy:
    """One way to look after a place.

    Attributes
    ----------
    name, meaning
        Code and plain words.
    cleaning
        ``removal`` (today's method of the place; under a cover that is wiped, not painted over),
        or the code of one method for every place.
    cleaning_share
        Labour and materials of one cleaning against the same without the strategy [ratio].
    first_cost
        Cost at the start and at each renewal, per place [currency].
    cover_materials_per_m2, cover_minutes_per_m2
        Cost and crew time of covering the whole wall at the start and at each renewal.
    cover_visits
        Visits that covering the wall takes: more than one where a coat dries before the next.
    yearly_cost
        Upkeep [currency/year].
    life_years, life_cleanings
        The cover is renewed after whichever comes first; lives in years are whole years. For a
        cover on the wall, cleanings of one spot: a large wall has several (``costs.spot_share``).
        At most 100 cleanings, since the cover's state is followed at each; none = no limit.
    recoat_margin, recoat_every
        Area recoated per m2 cleaned [ratio], at every so many cleanings of a spot.
    effect_on_rate
        Share of markings prevented; 0 unless measured.
    needs_permission
        Whether the owner must allow a coating.
    only_methods
        Usual methods of the places it can be used on; empty = all.
    """

    name: str
    meaning: str
    cleaning: str = "removal"
    cleaning_share: float = 1.0
    first_cost: float = 0.0
    cover_materials_per_m2: float = 0.0
    cover_minutes_per_m2: float = 0.0
    cover_visits: float = 1.0
    yearly_cost: float = 0.0
    life_years: float = math.inf
    life_cleanings: float = math.inf
    recoat_margin: float = 0.0
    recoat_every: float = 1.0
    effect_on_rate: float = 0.0
    needs_permission: bool = False
    only_methods: tuple[str, ...] = ()

    @property
    def covers_wall(self) -> bool:
        """Whether the whole wall is covered at the start."""
        return self.cover_materials_per_m2 > 0 or self.cover_minutes_per_m2 > 0


KEYS = tuple(f.name for f in fields(Strategy) if f.name != "name")


def load_strategies(path: Path | str | None = None, *, parameters: Parameters,
                    effects: Mapping[str, float] | None = None) -> tuple[Strategy, ...]:
    """Return the shipped strategies, with those of a user's file added or put in their place.

    Parameters
    ----------
    path
        CSV with the columns of ``strategies.csv``, or TOML with ``[strategies.NAME]`` sections.
    parameters
        Where numbers named as parameters are looked up.
    effects
        Strategy to the share of markings it prevents, in place of what the file says.

    Raises
    ------
    ManyErrors
        One error that lists every unknown key, missing rate, unusable number and contradiction,
        each with its file and key.
    """
    rows: dict[str, tuple[Row, str]] = {
        row["strategy"]: (dict(row), "strategies.csv")
        for row in packaged_rows("costs", "strategies.csv")}
    if path is not None:
        rows |= {name: (row, str(path)) for name, row in read_strategy_rows(Path(path)).items()}
    for name, effect in (effects or {}).items():
        if name in rows:
            rows[name] = ({**rows[name][0], "effect_on_rate": effect}, rows[name][1])
    faults: list[RehitError] = []
    found = [_strategy(name, row, where, parameters, faults) for name, (row, where) in rows.items()]
    if faults:
        raise ManyErrors(str(path or "strategies.csv"), faults)
    return tuple(found)


def _strategy(name: str, row: Mapping[str, object], file: str, parameters: Parameters,
              faults: list[RehitError]) -> Strategy:
    where = f"{file} [strategies.{name}]"
    faults += [SettingError(message("where.key", where=where, key=key), "errors.unknown_key",
                            known=KEYS)
               for key in row if key not in (*KEYS, "strategy")]
    numbers = {key: _number(row.get(key), key, where, parameters, faults) for key in DEFAULTS}
    cleaning = str(row.get("cleaning") or "removal").strip()
    only = _codes(row.get("only_methods"))
    faults += [SettingError(message("where.key", where=where, key=key), "errors.unknown_name",
                            name=code, known=(*extra, *method_codes()))
               for key, codes, extra in (("cleaning", (cleaning,), ("removal",)),
                                         ("only_methods", only, ()))
               for code in codes if code not in (*extra, *method_codes())]
    strategy = Strategy(
        name=name, meaning=str(row.get("meaning") or name), cleaning=cleaning, only_methods=only,
        needs_permission=_flag(row.get("needs_permission"), where, faults), **numbers)
    faults += contradictions(strategy, where=where)
    return strategy


def contradictions(strategy: Strategy, *, where: str) -> list[RehitError]:
    """Return what does not fit together within one strategy."""
    has_first = strategy.covers_wall or strategy.first_cost > 0
    checks = [
        (strategy.covers_wall and strategy.first_cost > 0, "first_cost",
         "errors.two_costs"),
        (not has_first and math.isfinite(strategy.life_years), "life_years",
         "errors.life_of_nothing"),
        (not has_first and math.isfinite(strategy.life_cleanings), "life_cleanings",
         "errors.life_of_nothing"),
        (has_first and math.isinf(strategy.life_years) and math.isinf(strategy.life_cleanings),
         "life_years", "errors.no_life"),
        (strategy.recoat_margin > 0 and not strategy.covers_wall, "recoat_margin",
         "errors.recoat_without_cover"),
        (strategy.recoat_margin > 0 and math.isfinite(strategy.life_cleanings), "recoat_margin",
         "errors.recoat_beside_life"),
        (strategy.name == BASELINE and (has_first or strategy.effect_on_rate != 0), "strategy",
         "errors.baseline_with_cost"),
    ]
    return [SettingError(message("where.key", where=where, key=key), code)
            for wrong, key, code in checks if wrong]


def _number(value: object, key: str, where: str, parameters: Parameters,
            faults: list[RehitError]) -> float:
    if value is None or (isinstance(value, str) and not value.strip()):
        return DEFAULTS[key]
    low, high = LIMITS[key]
    try:
        if isinstance(value, bool):
            raise ValueError("a flag")
        named = isinstance(value, str) and value.strip() in parameters
        number = parameters[str(value).strip()] if named else float(str(value))
    except ValueError:
        number = math.nan
    if not low <= number <= high:
        code = "errors.not_a_number_between" if math.isfinite(high) else "errors.not_a_number_from"
        faults.append(SettingError(message("where.key", where=where, key=key), code, value=value,
                                   low=low, high=high))
        return DEFAULTS[key]
    return number


def _codes(value: object) -> tuple[str, ...]:
    parts: Iterable[object] = value if isinstance(value, list) else str(value or "").split("|")
    return tuple(str(part).strip() for part in parts if str(part).strip())


def _flag(value: object, where: str, faults: list[RehitError]) -> bool:
    text = str(value or "no").strip().lower()
    if text not in ("yes", "no", "true", "false"):
        faults.append(SettingError(message("where.key", where=where, key="needs_permission"),
                                   "errors.not_yes_or_no", value=value))
    return text in ("yes", "true")
