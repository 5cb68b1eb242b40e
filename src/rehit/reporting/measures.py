"""The counts and shares of a period, each entered in the trace book."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from rehit.addresses import address_table
from rehit.parameters import Parameters
from rehit.reporting.compare import Comparison, bunching_of, compare_counts, weekly_counts
from rehit.reporting.inputs import ReportInput, Standards
from rehit.reporting.periods import Period, observed_days, period_before, window, year_before
from rehit.reporting.phrases import in_language
from rehit.reporting.trace import TraceBook, Traced, rows_of
from rehit.reporting.words import Words

#: A working day of a standard counts as this many calendar days: five of seven are worked.
DAYS_PER_WORKING_DAY = 7 / 5
#: Qualities of a place that cannot show a wall recurring, unless the log gives its number.
POOR_PLACES = ("street", "default", "none")
KINDS = ("first", "rehit", "uncertain", "no_place")
STATES = ("cleared", "open", "closed_undated", "unknown")
#: Ways to split the period's incidents: column to its codes and the number of the first figure.
GROUPS = {"kind": (KINDS, 2), "priority": (("offensive", "ordinary"), 6), "status": (STATES, 8)}


@dataclass(frozen=True)
class Slice:
    """The incidents reported in one period, and how many days of it the log covers."""

    period: Period
    days: float
    incidents: pd.DataFrame

    @property
    def count(self) -> int:
        """Number of incidents."""
        return len(self.incidents)

    @property
    def partial(self) -> bool:
        """Whether the log covers only part of the period."""
        return self.days < self.period.days - 0.5


@dataclass(frozen=True)
class Facts:
    """What every section needs: inputs, words, numbers in force, the three periods, the book."""

    inputs: ReportInput
    words: Words
    parameters: Parameters
    standards: Standards
    now: Slice
    before: Slice
    year: Slice
    bunching: float
    weeks: np.ndarray
    book: TraceBook = field(default_factory=TraceBook)

    @property
    def empty_weeks(self) -> int:
        """Number of observed weeks without any incident."""
        return int((self.weeks == 0).sum())

    @property
    def holes(self) -> bool:
        """Whether so many weeks are empty that the log is no steady record."""
        if not len(self.weeks) or self.weeks.mean() < self.number("weekly_mean_for_holes"):
            return False
        return self.empty_weeks > self.number("most_empty_weeks") * len(self.weeks)

    def number(self, name: str) -> float:
        """Return one parameter of the room."""
        return self.parameters[f"reporting.{name}"]

    def day(self, moment: pd.Timestamp) -> str:
        """Write the day of a moment on the project's calendar."""
        return self.words.day(moment.tz_convert(self.inputs.time_zone).date())

    def at(self, places: pd.Series) -> pd.DataFrame:
        """Return all incidents of the log at some places."""
        rows = self.inputs.incidents
        known = has_firm_place(rows) | rows["place_kind"].eq("street")
        return rows[known & rows["place_id"].isin(set(places))]

    def named(self, place: str) -> str:
        """Write a place with the address it is mostly reported under, where the log has one."""
        there = self.inputs.incidents["place_id"] == place
        address = real_addresses(self.inputs.incidents.loc[there, "address"]).dropna().mode()
        return place if address.empty else f"{place} ({address.iloc[0]})"

    def money(self, value: float) -> str:
        """Write money in the project's currency, rounded to what it can bear."""
        return self.words.money(value, self.inputs.currency)

    def trace(self, figure_id: str, value: float, shown: str, *, key: str = "", unit: str = "",
              incidents: pd.DataFrame | None = None, parts: tuple[str, ...] = (),
              table: str = "", log_rows: tuple[str, ...] = (), **values: object) -> str:
        """Enter a figure whose label, formula and filter are catalogue texts of `key`.

        The log rows behind it are those of `incidents`, or `log_rows`.
        """
        key = key or figure_id
        texts = {part: self.words(f"trace.{key}_{part}", **values)
                 for part in ("label", "formula", "filter")}
        rows = log_rows if incidents is None else rows_of(incidents)
        return self.book.add(Traced(figure_id, texts["label"], value, shown, unit,
                                    texts["formula"], texts["filter"], rows, parts, table))


def gather_facts(inputs: ReportInput, parameters: Parameters) -> Facts:
    """Sort the incidents into the report's period and the two it is compared with."""
    standards = inputs.standards or Standards(
        offensive_h=parameters["service.offensive_hours"],
        ordinary_h=parameters["service.ordinary_working_days"] * 24 * DAYS_PER_WORKING_DAY)
    words = Words(inputs.language)
    inputs = in_language(inputs, words)
    incidents = inputs.incidents.assign(kind=kind_of(inputs.incidents))
    period = Period(inputs.period_start, inputs.period_end)
    now, before, year = (_slice(inputs, incidents, p)
                         for p in (period, period_before(period), year_before(period)))
    bunching = bunching_of(inputs.incidents["reported_at"], observed_from=inputs.observed_from,
                           observed_to=inputs.observed_to,
                           least_weeks=int(parameters["reporting.weeks_for_bunching"]))
    weeks = weekly_counts(inputs.incidents["reported_at"], observed_from=inputs.observed_from,
                          observed_to=inputs.observed_to)
    return Facts(inputs, words, parameters, standards, now, before, year,
                 bunching, weeks)


def real_addresses(addresses: pd.Series) -> pd.Series:
    """Return addresses as written, without those that only say that there is none.

    Examples
    --------
    >>> real_addresses(pd.Series(["5 Elm Rd", "Not Recorded"])).tolist()
    ['5 Elm Rd', nan]
    """
    return addresses.where(address_table(addresses)["address_key"].notna())


def has_firm_place(incidents: pd.DataFrame) -> pd.Series:
    """Say which incidents are known to belong to an asset or site, as the ranking counts them.

    One that the log locates by a stand-in point, or to a street, does so only where the log
    itself gave the asset's number.
    """
    firm = incidents["place_kind"].isin(["asset", "site"]) & incidents["place_id"].notna()
    poor = incidents["place_quality"].isin(POOR_PLACES)
    return firm & ~(poor & incidents["asset_id_given"].isna())


def kind_of(incidents: pd.DataFrame) -> pd.Series:
    """Say of each incident whether it is the first on its place, a re-hit, or cannot be told.

    ``rehit``: the incident before it on the same asset or site had been cleared. ``uncertain``:
    the one before has no clearance time that early. ``no_place``: the place is known to the
    street at best, and so cannot recur.

    Returns
    -------
    pandas.Series
        Codes of :data:`KINDS` on the index of `incidents`.
    """
    firm = has_firm_place(incidents)
    placed = incidents.loc[firm, ["place_id", "reported_at", "cleared_at", "incident_id"]]
    placed = placed.sort_values(["place_id", "reported_at", "incident_id"])
    cleared_before = placed.groupby("place_id")["cleared_at"].shift()
    first = ~placed["place_id"].duplicated()
    kind = pd.Series("uncertain", index=placed.index, dtype="str")
    kind[first] = "first"
    kind[~first & (cleared_before <= placed["reported_at"])] = "rehit"
    return kind.reindex(incidents.index, fill_value="no_place")


def _slice(inputs: ReportInput, incidents: pd.DataFrame, period: Period) -> Slice:
    start, end = window(period, inputs.time_zone)
    end = min(end, inputs.observed_to + pd.Timedelta(1, "us"))
    start = max(start, inputs.observed_from)
    inside = (incidents["reported_at"] >= start) & (incidents["reported_at"] < end)
    days = observed_days(period, observed_from=inputs.observed_from,
                         observed_to=inputs.observed_to, time_zone=inputs.time_zone)
    return Slice(period, days, incidents[inside])


def compare_slices(facts: Facts, earlier: Slice) -> Comparison | None:
    """Compare the report's period with an earlier one; None where that would not be fair.

    That is where either was not observed, or the log has holes.
    """
    if facts.now.days <= 0 or earlier.days <= 0 or facts.holes:
        return None
    return compare_counts(count=facts.now.count, days=facts.now.days, count_before=earlier.count,
                          days_before=earlier.days, level=facts.number("interval_level"),
                          bunching=facts.bunching)


def verdict(comparison: Comparison | None, *, chance_limit: float) -> str:
    """Return ``up``, ``down``, ``no_clear_change`` or ``not_observed``."""
    if comparison is None:
        return "not_observed"
    if comparison.p_value >= chance_limit:
        return "no_clear_change"
    grew = comparison.count / comparison.days > comparison.count_before / comparison.days_before
    return "up" if grew else "down"


def starting_year(programme: pd.DataFrame) -> pd.Series:
    """Return the year of the programme [years] in which each place is coated; 1 where not given."""
    if "year" in programme:
        return programme["year"]
    return pd.Series(1, index=programme.index)


def trace_counts(facts: Facts) -> None:
    """Enter the period's counts: in all, by kind, priority and state; parts add up to the whole."""
    incidents = facts.now.incidents
    whole = facts.words.whole
    count = len(incidents)
    for (column, (codes, start)), whole_id in zip(GROUPS.items(), ("V1", "V1a", "V1b"),
                                                  strict=True):
        ids = tuple(f"V{start + n}" for n in range(len(codes)))
        facts.trace(whole_id, count, whole(count), parts=ids,
                    incidents=incidents)
        for figure_id, code in zip(ids, codes, strict=True):
            part = incidents[incidents[column] == code]
            facts.trace(figure_id, len(part), whole(len(part)), key=f"V_{column}",
                        incidents=part, word=facts.words.code(column, code), code=code)
    for figure_id, earlier in (("V12", facts.before), ("V13", facts.year)):
        facts.trace(figure_id, earlier.count, whole(earlier.count), incidents=earlier.incidents,
                    key="V_earlier", days=facts.words.days(earlier.period.first,
                                                           earlier.period.last))
