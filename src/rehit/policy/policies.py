"""Policies to be tried, read from a file of the user's or from those that come with rehit."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from importlib.resources import files
from pathlib import Path

from rehit.errors import InputFileError, ManyErrors, RehitError, SettingError
from rehit.messages import message

TODAY = "today"
LOOK_AT = ("interval", "worst", "round")
ORDERS = ("due", "report")
#: The least and the most that each number of a policy may be.
LIMITS = {"ordinary_working_days": (0.5, 60.0), "offensive_hours": (1.0, 168.0),
          "crews_more": (-200.0, 200.0), "hours_share": (0.05, 10.0),
          "looks_per_week": (0.0, 10_000.0), "coat": (0.0, 100_000.0),
          "never_reported_share": (0.0, 1.0), "report_days_share": (0.0, 1.0),
          "cost_per_year": (0.0, 1e9)}
_CHOICES = {"look_at": LOOK_AT, "order": ORDERS}


@dataclass(frozen=True, kw_only=True)
class Policy:
    """One way to run the patch; what is not given is as today.

    Attributes
    ----------
    name
        Its code, a heading of the file.
    ordinary_working_days, offensive_hours
        Response standards; None for today's.
    crews_more
        Crews beyond today's; below 0 there are fewer.
    hours_share
        Hours of all crews as a share of what they would be.
    looks_per_week
        Looks at places in a week.
    look_at
        ``worst``: those most often marked, over and over; ``round``: each equally often;
        ``interval``: at the intervals that leave the fewest marking-days.
    coat
        Walls coated at the start, those where it saves most.
    order
        Jobs as they fall ``due``, or as they were reported (``report``).
    never_reported_share, report_days_share
        What is left, against today, of the markings that nobody reports, and of the days until a
        report.
    cost_per_year
        What the policy costs besides [currency/year].
    """

    name: str
    ordinary_working_days: float | None = None
    offensive_hours: float | None = None
    crews_more: float = 0.0
    hours_share: float = 1.0
    looks_per_week: float = 0.0
    look_at: str = "interval"
    coat: float = 0.0
    order: str = "due"
    never_reported_share: float = 1.0
    report_days_share: float = 1.0
    cost_per_year: float = 0.0

    @property
    def as_today(self) -> bool:
        """Whether it changes nothing but the name."""
        return self == Policy(name=self.name)


def read_policies(path: Path | None = None) -> tuple[Policy, ...]:
    """Return today's practice and the policies of a TOML file, each a section.

    Parameters
    ----------
    path
        The file; None for the policies that come with rehit.

    Raises
    ------
    InputFileError
        If the file cannot be read or holds no policy.
    ManyErrors
        Listing every name and value that cannot be.

    Examples
    --------
    >>> [policy.name for policy in read_policies()][:3]
    ['today', 'two_days', 'look_at_sixty']
    """
    where = "policies.toml" if path is None else str(path)
    source = files("rehit.policy") / "policies.toml" if path is None else path
    try:
        sections = tomllib.loads(source.read_bytes().decode("utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputFileError(where, "errors.unreadable_toml", said=str(error)) from error
    faults: list[RehitError] = []
    found = [_policy(name, row, where, faults) for name, row in sections.items()]
    if faults:
        raise ManyErrors(where, faults)
    if not found:
        raise InputFileError(where, "errors.no_policies")
    return (Policy(name=TODAY), *found)


def _policy(name: str, row: object, where: str, faults: list[RehitError]) -> Policy:
    here = f"{where} [{name}]"
    known = tuple(field.name for field in fields(Policy) if field.name != "name")
    if not isinstance(row, Mapping) or name == TODAY:
        faults.append(SettingError(here, "errors.not_a_policy", name=name, today=TODAY))
        return Policy(name=name)
    good: dict[str, object] = {}
    for key, value in row.items():
        fault = _fault(here, key, value, known)
        if fault is None:
            good[key] = value if key in _CHOICES else float(value)
        else:
            faults.append(fault)
    return Policy(name=name, **good)  # type: ignore[arg-type]  # each was held against its limits


def _fault(here: str, key: str, value: object, known: tuple[str, ...]) -> RehitError | None:
    if key not in known:
        return SettingError(here, "errors.unknown_name", name=key, known=known)
    where = message("where.key", where=here, key=key)
    if key in _CHOICES:
        return None if value in _CHOICES[key] else SettingError(
            where, "errors.policy_choice", value=str(value), allowed=_CHOICES[key])
    low, high = LIMITS[key]
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        return SettingError(where, "errors.policy_number", value=str(value), low=low, high=high)
    return None
