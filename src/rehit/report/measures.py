"""The counts and shares of a period, each entered in the trace book."""

from __future__ import annotations

import calendar
import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import combinations
from zoneinfo import ZoneInfo

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy import stats
from statsmodels.duration.survfunc import SurvfuncRight
from statsmodels.stats.multitest import multipletests

from rehit.errors import SettingError
from rehit.messages import Message, message
from rehit.naming import name_places
from rehit.observed import KINDS, Window, incident_kinds, known_places
from rehit.parameters import Parameters
from rehit.report.inputs import ReportInput, Standards, in_language
from rehit.report.say import Say
from rehit.report.trace import TraceBook, Traced, rows_of

# Is it more than chance: intervals for counts and shares, and the comparison of two counts.

@dataclass(frozen=True)
class Comparison:
    """Two counts compared per observed day: ratio of the rates, its interval, the p-value.

    `ratio` is the later rate over the earlier one and is NaN where the earlier count is 0.
    `bunching` is the factor by which weekly counts vary more than chance (1 = not at all);
    `low`, `high` and `p_value` allow for it, `exact_low`, `exact_high` and `exact_p` do not.
    """

    count: int
    days: float
    count_before: int
    days_before: float
    ratio: float
    low: float
    high: float
    p_value: float
    exact_low: float
    exact_high: float
    exact_p: float
    bunching: float


def count_interval(count: int, *, level: float) -> tuple[float, float]:
    """Return the exact interval for the mean of a Poisson count.

    References
    ----------
    Garwood (1936), Fiducial limits for the Poisson distribution, Biometrika 28, 437–442.

    Examples
    --------
    >>> low, high = count_interval(10, level=0.95)
    >>> round(low, 2), round(high, 2)
    (4.8, 18.39)
    """
    tail = (1 - level) / 2
    low = float(stats.gamma.ppf(tail, count)) if count else 0.0
    return low, float(stats.gamma.ppf(1 - tail, count + 1))


def share_interval(part: int, whole: int, *, level: float) -> tuple[float, float]:
    """Return Wilson's score interval for a share.

    References
    ----------
    Wilson (1927), Probable inference, JASA 22, 209–212.

    Examples
    --------
    >>> low, high = share_interval(81, 263, level=0.95)
    >>> round(low, 4), round(high, 4)
    (0.2553, 0.3662)
    """
    if not whole:
        return 0.0, 1.0
    z = float(stats.norm.ppf((1 + level) / 2))
    p = part / whole
    centre = (p + z * z / (2 * whole)) / (1 + z * z / whole)
    half = z / (1 + z * z / whole) * math.sqrt(p * (1 - p) / whole + z * z / (4 * whole * whole))
    return max(centre - half, 0.0), min(centre + half, 1.0)


def compare_counts(*, count: int, days: float, count_before: int, days_before: float,
                   level: float, bunching: float = 1.0) -> Comparison:
    """Compare two Poisson counts with unequal observed time, exactly, given their sum.

    Given the sum of both counts, the later one is binomial; its exact interval (Clopper and
    Pearson) and exact two-sided test carry over to the ratio of the rates. Where markings come in
    bunches, chance moves the counts more than Poisson: with `bunching` above 1 both counts are
    divided by it first, which widens the interval as a quasi-Poisson model would.

    Parameters
    ----------
    count, count_before
        Incidents in the later and the earlier period.
    days, days_before
        Observed time of each, above zero [days].
    level
        Level of the interval, such as 0.95.
    bunching
        Variance of the counts over their mean, at least 1.

    References
    ----------
    Przyborowski and Wilenski (1940), Homogeneity of results in testing samples from Poisson
    series, Biometrika 31, 313–323. McCullagh and Nelder (1989), Generalized Linear Models,
    section 6.2 (overdispersion).

    Examples
    --------
    >>> c = compare_counts(count=11, days=800, count_before=21, days_before=3011, level=0.95)
    >>> round(c.ratio, 3), round(c.p_value, 4)
    (1.971, 0.0797)
    """
    exact = _exact(count, days, count_before, days_before, level)
    factor = max(bunching, 1.0)
    wide = exact if factor == 1 else _exact(round(count / factor), days,
                                            round(count_before / factor), days_before, level)
    ratio = (count / days) / (count_before / days_before) if count_before else math.nan
    return Comparison(count, days, count_before, days_before, ratio, *_holding(wide, ratio),
                      *exact, bunching=factor)


def _exact(count: int, days: float, before: int, days_before: float,
           level: float) -> tuple[float, float, float]:
    total = count + before
    if not total:
        return 0.0, math.inf, 1.0
    test = stats.binomtest(count, total, days / (days + days_before))
    ends = test.proportion_ci(confidence_level=level, method="exact")
    scale = days_before / days
    low = ends.low / (1 - ends.low) * scale if ends.low < 1 else math.inf
    high = ends.high / (1 - ends.high) * scale if ends.high < 1 else math.inf
    return float(low), float(high), float(test.pvalue)


def _holding(ends: tuple[float, float, float], ratio: float) -> tuple[float, float, float]:
    """Keep the ratio inside the interval where dividing and rounding moved it out."""
    low, high, p_value = ends
    if math.isnan(ratio):
        return ends
    return min(low, ratio), max(high, ratio), p_value


def bunching_of(times: pd.Series, *, window: Window,
                least_weeks: int) -> float:
    """Return how many times more than chance the weekly counts vary (variance over mean).

    Each week is compared with its neighbour only (successive differences), so that seasons and
    slow trends do not count as bunching. 1 where there are fewer than `least_weeks` weeks.

    Parameters
    ----------
    times
        Times of the incidents [UTC].
    window
        Observed time [UTC].
    least_weeks
        Fewest whole weeks needed [weeks].

    References
    ----------
    Von Neumann et al. (1941), The mean square successive difference, Ann. Math. Stat. 12,
    153–162: half the mean squared successive difference estimates the variance free of trend.
    """
    counts = weekly_counts(times, window=window)
    if len(counts) < max(least_weeks, 2) or not counts.any():
        return 1.0
    return max(float(np.mean(np.diff(counts) ** 2.0)) / 2 / float(counts.mean()), 1.0)


def weekly_counts(times: pd.Series, *, window: Window) -> np.ndarray:
    """Count incidents in each whole week of the observed time.

    Examples
    --------
    >>> start = pd.Timestamp("2024-01-01", tz="UTC")
    >>> weekly_counts(pd.Series([start, start + pd.Timedelta(days=9)]), window=Window(
    ...     start, start + pd.Timedelta(days=23))).tolist()
    [1, 1, 0]
    """
    weeks = int((window.end - window.start).total_seconds() // (7 * 86_400))
    index = ((times - window.start).dt.total_seconds() // (7 * 86_400)).to_numpy()
    inside = index[(index >= 0) & (index < weeks)].astype(int)
    return np.bincount(inside, minlength=weeks)


def keep_at_fdr(p_values: list[float], *, rate: float) -> list[bool]:
    """Say which tests stand when at most `rate` of those kept may be false alarms.

    References
    ----------
    Benjamini and Hochberg (1995), Controlling the false discovery rate, JRSS B 57, 289–300.

    Examples
    --------
    >>> keep_at_fdr([0.001, 0.2, 0.03], rate=0.1)
    [True, False, True]
    """
    if not p_values:
        return []
    adjusted = stats.false_discovery_control(p_values, method="bh")
    return [bool(p <= rate) for p in adjusted]


@dataclass(frozen=True)
class Standing:
    """Where curves of cleared surfaces stand at one day, and which pairs of them differ.

    `at` has a row per group, most left unmarked first: ``unmarked``, ``low``, ``high``. `pairs`
    are the groups that differ, the one with more left unmarked first, widest apart first.
    """

    day: float
    at: pd.DataFrame
    pairs: tuple[tuple[str, str], ...]
    tested: int


def compare_curves(curves: pd.DataFrame, *, day: float, level: float,
                   chance_limit: float) -> Standing:
    """Compare every pair of survival curves at one day, allowing for how many pairs there are.

    Parameters
    ----------
    curves
        ``group, days, unmarked, low, high``; the interval is made on the log-log scale.
    day
        The day [days]; where fewer than two curves reach it, the last day that all of them reach.
    level
        Coverage of the curves' intervals.
    chance_limit
        Chance accepted of calling any pair different that is not (Holm).

    References
    ----------
    Klein et al. (2007), Comparing survival curves at a fixed point in time, Statistics in
    Medicine 26, 4505–4519 (complementary log-log). Holm (1979), Scand. J. Statistics 6, 65–70.
    """
    ends = curves.groupby("group")["days"].max()
    if (ends >= day).sum() > 1:  # a curve that ends sooner says nothing about the day
        curves = curves[curves["group"].map(ends) >= day]
    reached = float(min(day, np.floor(curves.groupby("group")["days"].max().min())))
    rows = {str(group): _standing_at(curve, reached) for group, curve in curves.groupby("group")}
    at = pd.DataFrame.from_dict(rows, orient="index", columns=["unmarked", "low", "high"])
    at = at.sort_values("unmarked", ascending=False, kind="stable")
    inside = at.clip(1e-9, 1 - 1e-9)
    place, top, bottom = np.log(-np.log(inside[["unmarked", "low", "high"]].to_numpy().T))
    error = ((top - bottom) / (2 * stats.norm.ppf((1 + level) / 2))).clip(min=1e-9)
    pairs = list(combinations(at.index, 2))
    one, other = np.triu_indices(len(at), 1)
    p_values = 2 * stats.norm.sf(np.abs(place[one] - place[other])
                                 / np.hypot(error[one], error[other]))
    stands = multipletests(p_values, alpha=chance_limit, method="holm")[0] if pairs else []
    apart = sorted((pair for pair, stand in zip(pairs, stands, strict=True) if stand),
                   key=lambda pair: at.loc[pair[1], "unmarked"] - at.loc[pair[0], "unmarked"])
    return Standing(reached, at, tuple(apart), len(pairs))


def _standing_at(curve: pd.DataFrame, day: float) -> tuple[float, float, float]:
    """Return a curve's share at a day with its interval; all of them before the first step."""
    before = curve[curve["days"] <= day].sort_values("days")
    if before.empty:
        return 1.0, 1.0, 1.0
    last = before.iloc[-1]
    share = float(last["unmarked"])
    low, high = (share if pd.isna(last[c]) else float(last[c]) for c in ("low", "high"))
    return share, low, high


# The period of a report, the ones it is compared with, and how much of each was observed.

@dataclass(frozen=True)
class Period:
    """Days from `first` to `last`, both counted in.

    Examples
    --------
    >>> Period(date(2025, 1, 1), date(2025, 3, 31)).days
    90
    """

    first: date
    last: date

    def __post_init__(self) -> None:
        if self.last < self.first:
            raise SettingError(message("where.period"), "errors.days_crossed", first=self.first,
                               last=self.last)

    @property
    def days(self) -> int:
        """Number of days."""
        return (self.last - self.first).days + 1

    @property
    def whole_months(self) -> int:
        """Number of calendar months if the period is made of whole ones, otherwise 0."""
        after = self.last + timedelta(days=1)
        if self.first.day != 1 or after.day != 1:
            return 0
        return (after.year - self.first.year) * 12 + after.month - self.first.month


def shift_months(day: date, months: int) -> date:
    """Move a day by whole months; the 31st becomes the last day of a shorter month.

    Examples
    --------
    >>> shift_months(date(2024, 3, 31), -1)
    datetime.date(2024, 2, 29)
    """
    total = day.year * 12 + day.month - 1 + months
    year, month = divmod(total, 12)
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


def period_before(period: Period) -> Period:
    """Return the period of the same kind that ends the day before.

    A period of whole months is followed back by the same number of months (a quarter by a
    quarter), any other by the same number of days.

    Examples
    --------
    >>> period_before(Period(date(2025, 4, 1), date(2025, 6, 30)))
    Period(first=datetime.date(2025, 1, 1), last=datetime.date(2025, 3, 31))
    """
    last = period.first - timedelta(days=1)
    months = period.whole_months
    if months:
        return Period(shift_months(period.first, -months), last)
    return Period(period.first - timedelta(days=period.days), last)


def year_before(period: Period) -> Period:
    """Return the same days of the calendar one year earlier.

    Examples
    --------
    >>> year_before(Period(date(2024, 1, 1), date(2024, 2, 29))).last
    datetime.date(2023, 2, 28)
    """
    months = period.whole_months
    first = shift_months(period.first, -12)
    if months:
        return Period(first, shift_months(first, months) - timedelta(days=1))
    return Period(first, shift_months(period.last, -12))


def bounds(period: Period, time_zone: str) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Return start and end [UTC] of a period on the calendar of `time_zone`; the end is not in.

    Examples
    --------
    >>> bounds(Period(date(2025, 7, 1), date(2025, 7, 1)), "Europe/Lisbon")[0]
    Timestamp('2025-06-30 23:00:00+0000', tz='UTC')
    """
    zone = ZoneInfo(time_zone)
    start = pd.Timestamp(period.first).tz_localize(zone).tz_convert("UTC")
    end = pd.Timestamp(period.last + timedelta(days=1)).tz_localize(zone).tz_convert("UTC")
    return start, end


def observed_days(period: Period, *, window: Window,
                  time_zone: str) -> float:
    """Return how many days [days] of the period the log covers; 0 where none."""
    start, end = bounds(period, time_zone)
    covered = min(end, window.end) - max(start, window.start)
    return max(covered.total_seconds(), 0.0) / 86_400


# Which incidents belong to which cluster or cell.

def members(incidents: pd.DataFrame, areas: gpd.GeoDataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return positions of areas and of the incidents in them, pair by pair.

    An incident lies in an area by its point, edges counted in. A cluster that is a whole street
    has no area and stands in the middle of it, far from the points of its incidents: these belong
    to it by the place they are known by.

    Parameters
    ----------
    incidents
        Placed incidents with point geometry.
    areas
        Cells or clusters; ``places`` of the latter lists place ids with semicolons.
    """
    street = is_street(areas)
    shapes = areas.geometry.buffer(1).to_numpy()
    points = gpd.GeoDataFrame(incidents).geometry.reset_index(drop=True)
    there = np.flatnonzero(points.notna())
    found = points.iloc[there].sindex.query(shapes[~street], predicate="intersects")
    pairs = [(np.flatnonzero(~street)[found[0]], there[found[1]])]
    place = incidents["place_id"].to_numpy()
    for at in np.flatnonzero(street):
        own = np.flatnonzero(pd.Series(place).isin(_places(areas["places"].iloc[at])))
        pairs.append((np.full(len(own), at), own))
    return tuple(np.concatenate(side) for side in zip(*pairs, strict=True))  # type: ignore[return-value]


def is_street(areas: gpd.GeoDataFrame) -> np.ndarray:
    """Say which clusters are whole streets: no area, and places known by name."""
    if "places" not in areas or areas.empty:
        return np.zeros(len(areas), bool)
    named = areas["places"].notna() & areas["places"].astype(str).ne("")
    return np.asarray((areas.geometry.area == 0) & named)


def counts_inside(areas: gpd.GeoDataFrame, incidents: pd.DataFrame) -> np.ndarray:
    """Return how many of the incidents each area holds."""
    return np.bincount(members(incidents, areas)[0], minlength=len(areas))


def within(incidents: pd.DataFrame, areas: gpd.GeoDataFrame) -> pd.DataFrame:
    """Return the incidents that lie in any of some areas."""
    if areas.empty:
        return incidents.iloc[:0]
    return incidents.iloc[np.unique(members(incidents, areas)[1])]


def overlap_matrix(now: gpd.GeoDataFrame, before: gpd.GeoDataFrame) -> np.ndarray:
    """Return the share of area (Jaccard) that clusters have in common; 1 for the same street."""
    a, b = now.geometry.buffer(1).to_numpy(), before.geometry.buffer(1).to_numpy()
    shared = np.array([[x.intersection(y).area / x.union(y).area for y in b] for x in a])
    points = np.outer(now.geometry.area == 0, before.geometry.area == 0)
    if points.any():
        # A street's middle moves with its incidents; its name does not.
        same = now["name"].to_numpy()[:, None] == before["name"].to_numpy()[None, :]
        shared = np.where(points, same.astype(float), shared)
    return shared


def _places(listed: object) -> list[str]:
    return [place.strip() for place in str(listed).split(";")]


# Response against the service standards, fair to markings that still wait.

#: Outcomes that end without a clearance by the service; the standard does not apply to them.
NOT_OURS = ("not_found", "private_owner", "referred")


@dataclass(frozen=True)
class Response:
    """How one priority fared: those that can be judged, those within the standard, the median.

    `median_h` is NaN where fewer than half were cleared so far or none can be timed.
    """

    judged: pd.DataFrame
    within: pd.DataFrame
    share: float
    low: float
    high: float
    median_h: float
    undated: int
    waiting: int
    timed: int


def measure_response(incidents: pd.DataFrame, *, allowed_h: float, observed_to: pd.Timestamp,
                     time_zone: str, level: float) -> Response:
    """Measure one priority's incidents against the time allowed.

    An incident is judged once its time is up before the log ends. One reported yesterday counts
    neither way, not even if it is cleared already: of those reported so late only the fast ones
    could be seen, and the share would look better than it is. Left out: closed without a usable
    date, and ended with nothing to clear (not found, private owner, referred). Where the log gives
    days only, the standard is counted in whole days.

    Parameters
    ----------
    incidents
        Rows of ``incidents`` of one priority.
    allowed_h
        Time allowed [h].
    observed_to
        Where the log ends [UTC].
    time_zone
        The project's time zone.
    level
        Level of the interval around the share.

    References
    ----------
    Median by Kaplan and Meier (1958), JASA 53, 457–481, so that open ones count as not yet.
    """
    timed = incidents["status"].isin(["open", "cleared"]) & ~incidents["outcome"].isin(NOT_OURS)
    timed &= (incidents["status"] == "open") | incidents["cleared_at"].notna()
    rows = incidents[timed]
    due = due_times(rows, allowed_h=allowed_h, time_zone=time_zone)
    judged = rows[due <= observed_to]
    within = judged[judged["cleared_at"] <= due[due <= observed_to]]
    share = len(within) / len(judged) if len(judged) else math.nan
    low, high = share_interval(len(within), len(judged), level=level)
    return Response(judged, within, share, low, high, _median_h(rows, observed_to),
                    int((incidents["status"] == "closed_undated").sum()),
                    int((incidents["status"] == "open").sum()), len(rows))


def due_times(incidents: pd.DataFrame, *, allowed_h: float, time_zone: str) -> pd.Series:
    """Return when each marking has to be cleared [UTC]; whole days where the log knows only days.

    Parameters
    ----------
    incidents
        Needs ``reported_at`` and ``reported_precision``.
    allowed_h
        Time allowed [h].
    time_zone
        The calendar that days are counted on.
    """
    exact = incidents["reported_at"] + pd.Timedelta(allowed_h, "h")
    midnight = incidents["reported_at"].dt.tz_convert(time_zone).dt.tz_localize(None).dt.normalize()
    last = midnight + pd.Timedelta(days=math.ceil(allowed_h / 24) + 1) - pd.Timedelta(1, "s")
    by_day = last.dt.tz_localize(time_zone, ambiguous="NaT", nonexistent="shift_forward")
    by_day = by_day.dt.tz_convert("UTC").fillna(exact)
    return exact.where(incidents["reported_precision"] == "minute", by_day)


def _median_h(rows: pd.DataFrame, observed_to: pd.Timestamp) -> float:
    ends = rows["cleared_at"].where(rows["cleared_at"].notna(), observed_to)
    hours = ((ends - rows["reported_at"]).dt.total_seconds() / 3600).to_numpy(float)
    cleared = rows["cleared_at"].notna().to_numpy(int)
    use = np.isfinite(hours) & (hours >= 0)
    if not cleared[use].any():
        return math.nan
    return float(SurvfuncRight(hours[use], cleared[use]).quantile(0.5))


#: A working day of a standard counts as this many calendar days: five of seven are worked.
DAYS_PER_WORKING_DAY = 7 / 5
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
    say: Say
    parameters: Parameters
    standards: Standards
    now: Slice
    before: Slice
    year: Slice
    bunching: float
    weeks: np.ndarray
    names: dict[str, Message] = field(default_factory=dict)
    book: TraceBook = field(default_factory=TraceBook)
    columns: dict[str, dict[str, pd.Series]] = field(default_factory=dict)

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

    @property
    def comparable(self) -> bool:
        """Whether counts of this period and the one before may be set against each other."""
        return self.now.days > 0 and self.before.days > 0 and not self.holes

    @property
    def called(self) -> dict[str, str]:
        """What places are called."""
        return {place: self.say(told) for place, told in self.names.items()}

    def number(self, name: str) -> float:
        """Return one parameter of the room."""
        return self.parameters[f"reporting.{name}"]

    def day(self, moment: pd.Timestamp) -> str:
        """Write the day of a moment on the project's calendar."""
        return self.say.day(moment.tz_convert(self.inputs.time_zone).date())

    def at(self, places: pd.Series) -> pd.DataFrame:
        """Return all incidents of the log at some places."""
        rows = self.inputs.incidents
        known = known_places(rows)
        found: pd.DataFrame = rows.loc[known.index[known["place_id"].isin(set(places))]]
        return found

    def named(self, place: object) -> str:
        """Write a place so that a crew finds it."""
        told = self.names.get(str(place))
        return str(place) if told is None else self.say(told)

    def money(self, value: float) -> str:
        """Write money in the project's currency, rounded to what it can bear."""
        return self.say.money(value, self.inputs.currency)

    def trace(self, figure_id: str, value: float, shown: str, *, key: str = "", unit: str = "",
              incidents: pd.DataFrame | None = None, parts: tuple[str, ...] = (),
              table: str = "", log_rows: tuple[str, ...] = (), recipe: str = "",
              live: str = "", **values: object) -> str:
        """Enter a figure whose label, formula and filter are catalogue texts of `key`.

        The log rows behind it are those of `incidents`, and `log_rows`; `recipe` is one line of
        pandas that works it out again, `live` the same as a formula of the workbook.
        """
        key = key or figure_id
        texts = {part: self.say(f"trace.{key}_{part}", **values)
                 for part in ("label", "formula", "filter")}
        rows = (() if incidents is None else rows_of(incidents)) + log_rows
        return self.book.add(Traced(figure_id, texts["label"], value, shown, unit,
                                    texts["formula"], texts["filter"], rows, parts, table,
                                    recipe, live))

    def add_column(self, table: str, name: str, values: pd.Series) -> None:
        """Give a column that a figure rests on to the table that is written out."""
        self.columns.setdefault(table, {})[name] = values

    def written(self) -> Iterator[tuple[str, pd.DataFrame]]:
        """Go through the tables that are handed out, with the columns that figures rest on."""
        for name, frame in self.inputs.tables():
            yield name, frame.assign(**self.columns.get(name, {}))


def gather_facts(inputs: ReportInput, parameters: Parameters) -> Facts:
    """Sort the incidents into the report's period and the two it is compared with."""
    standards = inputs.standards or Standards(
        offensive_h=parameters["service.offensive_hours"],
        ordinary_h=parameters["service.ordinary_working_days"] * 24 * DAYS_PER_WORKING_DAY)
    say = Say(inputs.language, inputs.currency, inputs.units)
    inputs = in_language(inputs, say)
    incidents = inputs.incidents.assign(kind=incident_kinds(
        inputs.incidents, window=inputs.window, parameters=parameters))
    period = Period(inputs.period_start, inputs.period_end)
    now, before, year = (_slice(inputs, incidents, p)
                         for p in (period, period_before(period), year_before(period)))
    bunching = bunching_of(inputs.incidents["reported_at"], window=inputs.window,
                           least_weeks=int(parameters["reporting.weeks_for_bunching"]))
    weeks = weekly_counts(inputs.incidents["reported_at"], window=inputs.window)
    return Facts(inputs, say, parameters, standards, now, before, year,
                 bunching, weeks, name_places(
                     inputs.incidents, inputs.given("repeats"), streets=inputs.given("streets"),
                     parameters=parameters))


def _slice(inputs: ReportInput, incidents: pd.DataFrame, period: Period) -> Slice:
    start, end = bounds(period, inputs.time_zone)
    end = min(end, inputs.window.end + pd.Timedelta(1, "us"))
    start = max(start, inputs.window.start)
    inside = (incidents["reported_at"] >= start) & (incidents["reported_at"] < end)
    days = observed_days(period, window=inputs.window, time_zone=inputs.time_zone)
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
    whole = facts.say.whole
    count = len(incidents)
    facts.add_column("incidents", "kind", incident_kinds(
        facts.inputs.incidents, window=facts.inputs.window, parameters=facts.parameters))
    for name, slice_ in (("period", facts.now), ("period_before", facts.before),
                         ("year_before", facts.year)):
        facts.add_column("incidents", f"in_{name}", pd.Series(
            facts.inputs.incidents.index.isin(slice_.incidents.index),
            index=facts.inputs.incidents.index))
    for (column, (codes, start)), whole_id in zip(GROUPS.items(), ("V1", "V1a", "V1b"),
                                                  strict=True):
        ids = tuple(f"V{start + n}" for n in range(len(codes)))
        facts.trace(whole_id, count, whole(count), parts=ids, incidents=incidents,
                    recipe="incidents.in_period.sum()",
                    live="COUNTIF([incidents.in_period],TRUE)")
        for figure_id, code in zip(ids, codes, strict=True):
            part = incidents[incidents[column] == code]
            facts.trace(figure_id, len(part), whole(len(part)), key=f"V_{column}",
                        incidents=part, code=code,
                        recipe=f"(incidents.in_period & (incidents.{column} == '{code}')).sum()",
                        live=f"COUNTIFS([incidents.in_period],TRUE,[incidents.{column}],"
                              f"<{column}.{code}>)")
    for figure_id, earlier, name in (("V12", facts.before, "in_period_before"),
                                     ("V13", facts.year, "in_year_before")):
        facts.trace(figure_id, earlier.count, whole(earlier.count), incidents=earlier.incidents,
                    key="V_earlier", recipe=f"incidents.{name}.sum()",
                    live=f"COUNTIF([incidents.{name}],TRUE)",
                    first=earlier.period.first, last=earlier.period.last)
