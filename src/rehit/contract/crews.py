"""How many crews keep the response standards: looked for by letting the jobs come to them.

A crew is of a kind: so many people who can do these methods. Teams of crews are looked at in one
order, from a part of the smallest team that can do every job upwards, each with and without
overtime. An hour of overtime is worked and paid; a job is late only if it is late after that.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from rehit.contract.volume import Volume
from rehit.errors import SettingError
from rehit.messages import message
from rehit.parameters import Parameters
from rehit.workdays import public_holidays

KINDS = ("offensive", "ordinary")
MINUTES_PER_HOUR = 60
WEEKS = 52
#: Part of their time that is needed below which more crews do not bring more jobs in time.
_IDLE = 0.01
#: Part of the ordinary standard that waiting work may fill before crews stay on.
_STAY_ON = 0.6
_SMOOTH_WEEKS = 4  # each side
_SEARCH_SHARE = 0.1
_BESIDE_SHARE = 0.3
_NEVER = 1e-12
_DAY = np.timedelta64(1, "D")
_MINUTE = np.timedelta64(1, "m")


@dataclass(frozen=True)
class Standards:
    """What the tender asks: the response standards, and the share of jobs that must keep them."""

    offensive_hours: float
    ordinary_working_days: float
    share: float

    @classmethod
    def from_parameters(cls, parameters: Parameters) -> Standards:
        """Read them from the parameters."""
        return cls(parameters["service.offensive_hours"],
                   parameters["service.ordinary_working_days"],
                   parameters["contract.standard_share"])


@dataclass(frozen=True)
class CrewKind:
    """People who go out together: how many, and the methods they can do."""

    persons: float
    methods: frozenset[str]


@dataclass(frozen=True)
class Team:
    """Crews of one or more kinds.

    Attributes
    ----------
    kinds, counts
        Kinds of crews, the smallest first, and how many of each.
    part
        Share of each day that they are there; the rest of it they serve other contracts.
    overtime_hours
        Most hours a day that they stay on where work would be late.
    """

    kinds: tuple[CrewKind, ...]
    counts: tuple[int, ...]
    part: float = 1.0
    overtime_hours: float = 0.0

    @property
    def crews(self) -> float:
        """Crews in all, those there for part of the day in part."""
        return self.part * sum(self.counts)

    @property
    def persons(self) -> float:
        """People in all, likewise."""
        return self.part * sum(n * kind.persons
                               for n, kind in zip(self.counts, self.kinds, strict=True))

    @property
    def arrangement(self) -> str:
        """How they are employed: whole, part_time or overtime."""
        if self.overtime_hours:
            return "overtime"
        return "part_time" if self.part < 1 else "whole"


@dataclass(frozen=True)
class QueueRun:
    """Outcome of the simulated years of one team.

    Attributes
    ----------
    team
        Crews provided.
    years
        One row per simulated year: ``jobs, offensive, late_offensive, late_ordinary``, ``load``
        (jobs times what their minutes came to) and, in paid hours of one person,
        ``overtime_hours`` and ``backlog_hours`` (done after the year).
    in_time_offensive, in_time_ordinary
        Share of all jobs of the kind that kept its standard.
    utilisation
        Crew time needed over ordinary crew time there.
    callouts
        Share of jobs cleared by call-out on a day off.
    wait_hours
        Mean working hours until a crew starts.
    """

    team: Team
    years: pd.DataFrame
    in_time_offensive: float
    in_time_ordinary: float
    utilisation: float
    callouts: float
    wait_hours: float

    @property
    def crews(self) -> float:
        """Crews provided."""
        return self.team.crews

    def keeps(self, kind: str, share: float) -> bool:
        """Whether that share of the jobs of the kind, offensive or ordinary, is in time."""
        return bool(getattr(self, f"in_time_{kind}") >= share)

    def meets(self, share: float) -> bool:
        """Whether both standards are kept by that share of jobs."""
        return self.keeps("offensive", share) and self.keeps("ordinary", share)


@dataclass(frozen=True)
class Demand:
    """What comes to the crews of a contract, and by which rules.

    Attributes
    ----------
    jobs
        Jobs of the log with ``minutes``, ``priority``, ``method`` and ``persons``.
    pattern
        When jobs come.
    volume
        Simulated volumes; the first contract year is used.
    days
        Working days from the contract's start, with some to spare at the end.
    kinds
        Kinds of crews to choose from, the smallest first.
    factor
        On the volumes.
    minutes
        What crew time may come to against that of the jobs, in possible worlds.
    """

    jobs: pd.DataFrame
    pattern: Pattern
    volume: Volume
    days: np.ndarray
    kinds: tuple[CrewKind, ...]
    standards: Standards
    parameters: Parameters
    factor: float = 1.0
    minutes: np.ndarray = field(default_factory=lambda: np.ones(1))


def look_at_crews(demand: Demand, *, rng: np.random.Generator) -> list[QueueRun]:
    """Find the smallest teams that keep both standards, without overtime and with it.

    For each standard the search starts from the team that Erlang's formula asks for, widens from
    there until one team keeps the standard and one does not, and halves what lies between. Every
    team looked at faces the same simulated jobs. The teams found are confirmed over
    ``contract.queue_years``, together with their neighbours.

    Returns
    -------
    list of QueueRun
        Each team once: the one found without overtime first, then the one with overtime (if that
        is smaller), then the neighbours. Where ``contract.crews`` gives a number, that alone.

    Raises
    ------
    SettingError
        If no team keeps the standards, however large: how far it is from it.
    """
    parameters, seed = demand.parameters, int(rng.integers(2**31))
    path = TeamPath(demand)
    full = parameters["contract.queue_years"]

    def run(team: Team, years: float, share: float = 1.0, draw: int = 0) -> QueueRun:
        return simulate_queue(demand, team, years=affordable_years(demand, years, share=share),
                              rng=np.random.default_rng([seed, draw]))

    if parameters["contract.crews"]:
        return [run(path.given(parameters["contract.crews"]), full)]
    overtime = parameters["contract.overtime_hours"]

    def look(level: int, hours: float) -> QueueRun:
        return run(replace(path.team(level), overtime_hours=hours),
                   parameters["contract.queue_search_years"], _SEARCH_SHARE, 1)

    plain = smallest(lambda level: look(level, 0.0), path.start(), demand)
    chosen = run(path.team(plain), full)
    while not chosen.meets(demand.standards.share):
        plain += 1
        chosen = run(path.team(plain), full)
    runs = [chosen]
    if overtime and plain:
        less = smallest(lambda level: look(level, overtime), plain, demand, most=plain)
        runs.append(run(replace(path.team(min(less, plain - 1)), overtime_hours=overtime), full))
    neighbours = [level for level in (plain - 1, plain + 1) if level >= 0]
    return [*runs, *(run(path.team(level), full, _BESIDE_SHARE) for level in neighbours)]


def affordable_years(demand: Demand, years: float, *, share: float = 1.0) -> int:
    """Return how many years of the queue to simulate: fewer where a year has very many jobs."""
    mean = max(1.0, float(demand.volume.totals[:, 0].mean()) * demand.factor)
    return int(max(1, min(years, share * demand.parameters["contract.queue_jobs"] / mean)))


def searched_years(demand: Demand) -> int:
    """Return how many years of the queue stand for each team that a search looks at."""
    return affordable_years(demand, demand.parameters["contract.queue_search_years"],
                            share=_SEARCH_SHARE)


def resized(demand: Demand, team: Team, *, rng: np.random.Generator) -> QueueRun:
    """Return the run of the smallest team that keeps the standards, staying on if that helps.

    Where none does, that of the team itself. Looked for over ``contract.queue_search_years``.
    """
    path, seed = TeamPath(demand), int(rng.integers(2**31))
    near, overtime = path.level_of(team), demand.parameters["contract.overtime_hours"]

    def look(level: int, hours: float) -> QueueRun:
        return simulate_queue(demand, replace(path.team(level), overtime_hours=hours),
                              years=searched_years(demand), rng=np.random.default_rng(seed))

    try:
        plain = smallest(lambda level: look(level, 0.0), near, demand)
    except SettingError:
        return look(near, team.overtime_hours)
    if not overtime or not plain:
        return look(plain, 0.0)
    less = smallest(lambda level: look(level, overtime), plain - 1, demand, most=plain)
    return look(less, overtime if less < plain else 0.0)


def smallest(look: Callable[[int], QueueRun], start: int, demand: Demand, *,
             most: int | None = None) -> int:
    """Return the smallest level whose team keeps both standards.

    Parameters
    ----------
    look
        Gives the run of a level; who keeps a standard at one level keeps it at higher ones.
    start
        Level to look at first.
    most
        A level known to keep them: none above it is looked at.

    Raises
    ------
    SettingError
        If no team keeps them, however large.
    """
    looked: dict[int, QueueRun] = {}

    def known(level: int) -> QueueRun:
        if level not in looked:
            looked[level] = look(level)
        return looked[level]

    share = demand.standards.share

    def needed(kind: str, near: int) -> int:
        level = fewest(known, near, kind, share, most=most)
        if level is None:
            raise _unmet(looked[max(looked)], share)
        return level

    # The ordinary standard first, which asks for more: a team that keeps it keeps the other mostly.
    level = needed("ordinary", start)
    flagged = bool((demand.jobs["priority"] == "offensive").any())
    if not flagged or level == most or known(level).keeps("offensive", share):
        return level
    return needed("offensive", level)


def fewest(look: Callable[[int], QueueRun], start: int, kind: str, share: float, *,
           most: int | None = None) -> int | None:
    """Return the first level that keeps a standard; None where crews idle and still miss it.

    Parameters
    ----------
    look, start, most
        As in :func:`smallest`.
    kind, share
        Standard, and share of jobs that must keep it.
    """
    failing, keeping = _bracket(look, start, kind, share, most)
    if keeping is None:
        return None
    while keeping - failing > 1:
        middle = (failing + keeping) // 2
        if look(middle).keeps(kind, share):
            keeping = middle
        else:
            failing = middle
    return keeping


def _bracket(look: Callable[[int], QueueRun], start: int, kind: str, share: float,
             most: int | None) -> tuple[int, int | None]:
    """Return a level that misses the standard (-1: none does) and a later one that keeps it."""
    at, stride, failing, keeping = start, 1, -1, most
    while True:
        run = look(at)
        if run.keeps(kind, share):
            keeping = at
            if failing >= 0 or at == 0:
                return failing, keeping
            at = max(0, at - stride)
        else:
            failing = max(failing, at)
            if keeping is not None or run.utilisation < _IDLE:
                return failing, keeping
            at += stride
        stride *= 2


def _unmet(run: QueueRun, share: float) -> SettingError:
    """Say how far idle crews are from the standards, and what would help."""
    kept = tuple(
        message(code, share=value) for code, value in (
            ("errors.in_time_offensive", run.in_time_offensive),
            ("errors.in_time_ordinary", run.in_time_ordinary)) if value < share)
    return SettingError(message("where.response_standards"), "errors.standards_unmet", kept=kept,
                        crews=run.crews, used=run.utilisation, share=share)


# Which teams there are: kinds of crews, and the order in which teams grow.

def crew_kinds(jobs: pd.DataFrame, vehicles: pd.DataFrame | None = None) -> tuple[CrewKind, ...]:
    """Return the kinds of crews to choose from, those of fewest people first.

    Parameters
    ----------
    jobs
        ``method, persons``.
    vehicles
        ``crew_size`` and ``methods`` (joined by semicolons) of the vehicles there are. Without
        them there is a kind for each number of people that the methods ask for, which does all
        methods that need no more. A method that no vehicle is listed for goes to the crew of
        most people.
    """
    need = jobs.groupby("method")["persons"].first().round()
    if vehicles is None or vehicles.empty:
        return tuple(CrewKind(float(size), frozenset(map(str, need.index[need <= size])))
                     for size in sorted(need.unique()))
    found = {(float(row["crew_size"]), frozenset(str(row["methods"]).split(";")) & set(need.index))
             for row in vehicles.to_dict("records")}
    listed = sorted(found, key=lambda kind: (kind[0], len(kind[1]), sorted(kind[1])))
    left = frozenset(map(str, need.index)) - frozenset().union(*(m for _, m in listed))
    kinds = [CrewKind(size, methods) for size, methods in listed]
    kinds[-1] = replace(kinds[-1], methods=kinds[-1].methods | left)
    return tuple(kind for kind in kinds if kind.methods)


class TeamPath:
    """Teams in the order they are looked at: parts of the least team, that team, larger ones.

    Parameters
    ----------
    demand
        Kinds of crews and the work they share.
    """

    def __init__(self, demand: Demand) -> None:
        self.demand = demand
        minutes = demand.jobs["minutes"] + demand.parameters["contract.travel_minutes"]
        self.work = minutes.groupby(demand.jobs["method"]).sum()
        step = demand.parameters["contract.crew_step"]
        self.parts = [step * n for n in range(1, math.ceil(1 / step - 1e-9))]
        self.teams = [self._least()]

    def team(self, level: int) -> Team:
        """Return the team of a level, from 0 on."""
        if level < len(self.parts):
            return Team(self.demand.kinds, self.teams[0], self.parts[level])
        whole = level - len(self.parts)
        while len(self.teams) <= whole:
            self.teams.append(self._one_more(self.teams[-1]))
        return Team(self.demand.kinds, self.teams[whole])

    def level_of(self, team: Team) -> int:
        """Return the first level of no fewer crews than a team has."""
        level = 0
        while self.team(level).crews < team.crews - 1e-9:
            level += 1
        return level

    def given(self, crews: float) -> Team:
        """Return the team of so many crews."""
        level = len(self.parts)
        while sum(self.team(level).counts) < math.ceil(crews):
            level += 1
        team = self.team(level)
        return replace(team, part=crews / sum(team.counts))

    def start(self) -> int:
        """Return the first level that suffices by Erlang's formula.

        Suffice: the work fits into their time, and the chance to wait no longer than the ordinary
        standard leaves is the share asked. The formula knows no bursts, so this is a lower bound
        in all but calm patches.
        """
        demand, level = self.demand, 0
        travel = demand.parameters["contract.travel_minutes"]
        service = float(demand.jobs["minutes"].mean()) + travel
        total = float(demand.volume.totals[:, 0].mean()) * demand.factor * service
        while True:
            team = self.team(level)
            calendar = crew_calendar(demand.days, team=team, parameters=demand.parameters)
            load, servers = total / minutes_a_year(calendar), sum(team.counts)
            wait = demand.standards.ordinary_working_days * calendar.length_minutes
            if load < servers and erlang_within(
                    servers=servers, load=load, service=service,
                    wait=max(0.0, wait - service)) >= demand.standards.share:
                return level
            level += max(1, int(load) - servers) if level >= len(self.parts) else 1

    def _least(self) -> tuple[int, ...]:
        """Return the fewest people in crews that can do every method between them."""
        counts, left = [0] * len(self.demand.kinds), set(map(str, self.work.index))
        for at, kind in reversed(list(enumerate(self.demand.kinds))):
            if left & kind.methods:
                counts[at], left = 1, left - kind.methods
        return tuple(counts)

    def _one_more(self, counts: tuple[int, ...]) -> tuple[int, ...]:
        """Add a crew of the kind whose work is least provided for."""
        kinds, room = self.demand.kinds, list(map(float, counts))
        able = {str(m): [at for at, kind in enumerate(kinds) if m in kind.methods]
                for m in self.work.index}
        wanted = self.work / self.work.sum() * (sum(counts) + 1)
        short: dict[str, float] = {}
        for method in sorted(able, key=lambda m: (len(able[m]), m)):
            need = float(wanted[method])
            for at in able[method]:
                used = min(need, room[at])
                room[at], need = room[at] - used, need - used
            short[method] = need
        first = able[max(short, key=lambda m: (round(short[m], 9), -len(able[m]), m))][0]
        return tuple(n + (at == first) for at, n in enumerate(counts))


def crews_table(runs: Sequence[QueueRun]) -> pd.DataFrame:
    """Return what each team looked at would achieve, a row each."""
    return pd.DataFrame([{
        "arrangement": run.team.arrangement, "crews": run.crews, "persons": run.team.persons,
        "utilisation": run.utilisation,
        "in_time_offensive": (run.in_time_offensive if run.years["offensive"].sum() else np.nan),
        "in_time_ordinary": run.in_time_ordinary,
        "overtime_hours": float(run.years["overtime_hours"].mean()),
        "callouts": run.callouts, "wait_hours": run.wait_hours,
        "n_years": len(run.years)} for run in runs])


# The queue: simulated years of jobs come to a team.

def simulate_queue(demand: Demand, team: Team, *, years: int,
                   rng: np.random.Generator) -> QueueRun:
    """Let `years` simulated years of jobs come to the crews.

    A job copies the weekday, time, effort and priority of a job of the log, mostly of the same
    week of the year. The season is the log's own; the bursts of single weeks come from the weekly
    dispersion. Each year starts with no backlog.
    """
    parameters, jobs = demand.parameters, demand.jobs
    start = np.busday_offset(demand.days[0], 0, "forward", weekmask="Mon").astype("datetime64[m]")
    minutes = jobs["minutes"].to_numpy() + parameters["contract.travel_minutes"]
    offensive = (jobs["priority"] == "offensive").to_numpy()
    methods = jobs["method"].to_numpy(str)
    rows = []
    # Years spread evenly over the volumes foreseen: a few stand for them better than a random few.
    totals, even = demand.factor * demand.volume.totals[:, 0], (np.arange(years) + 0.5) / years
    longer = np.quantile(demand.minutes, rng.permutation(even))
    # Each year has a stream of its own: a few jobs more or less leave the others as they are.
    for total, times, stream in zip(np.quantile(totals, even), longer, rng.spawn(years),
                                    strict=True):
        picked, moment = draw_year(demand.pattern, total=int(total), start=start, rng=stream,
                                   dispersion=demand.volume.weekly_dispersion)
        found = queue_year(moment, times * minutes[picked], offensive[picked], methods[picked],
                           demand.days, team=team, standards=demand.standards,
                           parameters=parameters)
        rows.append({**found, "load": total * times})
    return _summed(pd.DataFrame(rows), team, demand)


def queue_year(moment: np.ndarray, minutes: np.ndarray, offensive: np.ndarray,
               methods: np.ndarray, days: np.ndarray, *, team: Team, standards: Standards,
               parameters: Parameters) -> dict[str, float]:
    """Let one year's jobs come to the crews; return what came of it, as in :class:`QueueRun`.

    Parameters
    ----------
    moment
        Local clock time of each report.
    minutes
        Crew time of each job, driving included.
    offensive
        Which jobs go first and have the shorter standard.
    methods
        Method of each job.
    days
        Working days, starting no later than the first report.
    """
    calendar = crew_calendar(days, team=team, parameters=parameters)
    callout = needs_callout(moment, offensive, calendar, standards=standards,
                            parameters=parameters)
    queued = ~callout
    arrived = calendar.working(moment[queued])
    order = np.argsort(arrived, kind="stable")
    done, by_kind, stayed = (np.empty(len(arrived)), np.empty(len(arrived), int),
                             np.zeros(len(arrived)))
    served = serve(arrived[order], minutes[queued][order], offensive[queued][order],
                   methods[queued][order], team=team, calendar=calendar,
                   patience_days=_STAY_ON * standards.ordinary_working_days)
    done[order], by_kind[order], stayed[order] = served
    urgent, reported = offensive[queued], moment[queued]
    end = calendar.clock(done)
    hours = (end - reported) / np.timedelta64(1, "h")
    taken = calendar.day_number(end) - calendar.day_number(reported)
    late_urgent = urgent & (hours > standards.offensive_hours)
    late_ordinary = ~urgent & (taken > standards.ordinary_working_days)
    slow_callout = parameters["contract.callout_response_hours"] > standards.offensive_hours
    over = end > moment[:1] + WEEKS * 7 * _DAY + int(standards.ordinary_working_days) * _DAY
    persons = np.array([kind.persons for kind in team.kinds])[by_kind]
    paid = MINUTES_PER_HOUR * parameters["contract.productive_share"]
    return {"jobs": len(moment), "offensive": int(offensive.sum()),
            "late_offensive": int(late_urgent.sum()) + int(callout.sum()) * slow_callout,
            "late_ordinary": int(late_ordinary.sum()), "callouts": int(callout.sum()),
            "minutes": float(minutes[queued].sum()),
            "overtime_hours": float((stayed * persons).sum() / paid),
            "backlog_hours": float((minutes[queued] * persons)[over].sum() / paid),
            "waited": float((done - arrived - minutes[queued]).clip(0).sum())}


def _summed(table: pd.DataFrame, team: Team, demand: Demand) -> QueueRun:
    total = table.sum()
    calendar = crew_calendar(demand.days, team=team, parameters=demand.parameters)
    there = sum(team.counts) * minutes_a_year(calendar)
    queued = max(1.0, float(total["jobs"] - total["callouts"]))
    ordinary = max(1.0, float(total["jobs"] - total["offensive"]))
    return QueueRun(
        team, table, 1 - float(total["late_offensive"]) / max(1.0, float(total["offensive"])),
        1 - float(total["late_ordinary"]) / ordinary, float(table["minutes"].mean()) / there,
        float(total["callouts"]) / max(1.0, float(total["jobs"])),
        float(total["waited"]) / queued / MINUTES_PER_HOUR)


def serve(arrivals: np.ndarray, minutes: np.ndarray, urgent: np.ndarray, methods: np.ndarray, *,
          team: Team, calendar: WorkCalendar,
          patience_days: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return when each job is finished, by which kind of crew, and how much of it in overtime.

    Urgent jobs go first, else in order of arrival; nobody stops work for them. A crew takes the
    first job it can do. At the end of ordinary hours work goes on the next day, unless what waits
    for crews of the kind fills more than `patience_days`.

    Parameters
    ----------
    arrivals
        Working minutes, ascending.
    minutes
        Crew time of each job.
    urgent
        Whether it goes before the others that wait.
    methods
        Method of each job: which crews can do it.

    Notes
    -----
    Jobs that arrive at the same minute, as those of a night do at opening time, are all there
    before a crew chooses.
    """
    names, group = np.unique(methods, return_inverse=True)
    crews = _Crews([[g for g, name in enumerate(names) if str(name) in kind.methods]
                    for kind in team.kinds], team.counts, len(names), calendar, patience_days)
    n, first = len(arrivals), 0
    finished, by_kind, stayed = np.zeros(n), np.zeros(n, int), np.zeros(n)
    times, work, groups = arrivals.tolist(), minutes.tolist(), group.tolist()
    rank = np.where(urgent, 0, 1).tolist()
    while first < n or crews.busy:
        if first < n and (not crews.busy or times[first] <= crews.busy[0][0]):
            now = times[first]
            while first < n and times[first] == now:
                crews.report(groups[first], rank[first], first, work[first])
                first += 1
        else:
            now, kind = heapq.heappop(crews.busy)
            crews.idle[kind] += 1
        if crews.n_waiting:
            for number, kind, end, extra in crews.start(now, work):
                finished[number], by_kind[number], stayed[number] = end, kind, extra
    return finished, by_kind, stayed


class _Crews:
    """Crews at work and idle, and the jobs that wait for them."""

    def __init__(self, able: list[list[int]], counts: Sequence[int], n_groups: int,
                 calendar: WorkCalendar, patience_days: float) -> None:
        self.able, self.idle = able, list(counts)
        self.busy: list[tuple[float, int]] = []
        self.waiting: list[list[tuple[int, int]]] = [[] for _ in range(n_groups)]
        self.n_waiting = 0
        self.minutes = [0.0] * n_groups
        self.day, self.ordinary = calendar.length_minutes, calendar.ordinary_minutes
        self.limits = [patience_days * self.ordinary * sum(
            n for other, n in zip(able, counts, strict=True) if set(other) & set(own))
            for own in able]

    def report(self, group: int, rank: int, number: int, minutes: float) -> None:
        """Let a job wait."""
        heapq.heappush(self.waiting[group], (rank, number))
        self.minutes[group] += minutes
        self.n_waiting += 1

    def start(self, now: float, work: list[float]) -> list[tuple[int, int, float, float]]:
        """Let idle crews take what waits, those who can do least first."""
        begun = []
        for kind, groups in enumerate(self.able):
            while self.idle[kind]:
                group = self._first(groups)
                if group < 0:
                    break
                self.idle[kind] -= 1
                stays = self.day > self.ordinary and sum(
                    self.minutes[g] for g in groups) > self.limits[kind]
                opening = self._opening(now, stays=stays)
                if opening > now:  # home for the day
                    heapq.heappush(self.busy, (opening, kind))
                    continue
                number = heapq.heappop(self.waiting[group])[1]
                self.n_waiting -= 1
                self.minutes[group] -= work[number]
                end, extra = self._worked(now, work[number], stays=stays)
                heapq.heappush(self.busy, (end, kind))
                begun.append((number, kind, end, extra))
        return begun

    def _first(self, groups: list[int]) -> int:
        """Return the group whose first job goes before those of the others; -1 if none waits."""
        best, found = (2, 0), -1  # no job has a rank of 2
        for group in groups:
            waiting = self.waiting[group]
            if waiting and waiting[0] < best:
                best, found = waiting[0], group
        return found

    def _opening(self, now: float, *, stays: bool) -> float:
        day = math.floor(now / self.day + _NEVER)
        return now if stays or now - day * self.day < self.ordinary - 1e-9 else (
            (day + 1) * self.day)

    def _worked(self, now: float, left: float, *, stays: bool) -> tuple[float, float]:
        """Return when work that begins now ends, and how much of it was overtime."""
        if self.day == self.ordinary or (  # most jobs end within the day
                now - math.floor(now / self.day + _NEVER) * self.day + left <= self.ordinary):
            return now + left, 0.0
        extra = 0.0
        while left > 1e-9:
            day = math.floor(now / self.day + _NEVER)
            minute = now - day * self.day
            if minute < self.ordinary - 1e-9:
                used = min(left, self.ordinary - minute)
            elif stays:
                used = min(left, self.day - minute)
                extra += used
            else:
                now = (day + 1) * self.day
                continue
            now, left = now + used, left - used
        return now, extra


def needs_callout(clock: np.ndarray, offensive: np.ndarray, calendar: WorkCalendar, *,
                  standards: Standards, parameters: Parameters) -> np.ndarray:
    """Return which jobs cannot wait for the next working day and go to a call-out."""
    if not parameters["contract.weekend_cover"]:
        return np.zeros(len(clock), bool)
    limit = clock + np.timedelta64(round(standards.offensive_hours * MINUTES_PER_HOUR), "m")
    ordinary = replace(calendar, extra_minutes=0.0)
    left = ordinary.working(limit) - ordinary.working(clock)
    needed = min(parameters["contract.callout_margin_minutes"], ordinary.length_minutes / 2)
    return np.asarray(offensive & (left < needed))


def crew_calendar(days: np.ndarray, *, team: Team, parameters: Parameters) -> WorkCalendar:
    """Return the working time of each of the crews: a part of a crew is there part of the day."""
    useful = MINUTES_PER_HOUR * parameters["contract.productive_share"]
    return WorkCalendar(days, parameters["contract.day_starts"] * MINUTES_PER_HOUR,
                        parameters["contract.hours_per_day"] * useful * team.part,
                        team.overtime_hours * useful * team.part)


def minutes_a_year(calendar: WorkCalendar) -> float:
    """Return the ordinary minutes of one crew in the year of whole weeks that is simulated."""
    share = len(calendar.days) / max(1, (calendar.days[-1] - calendar.days[0]).astype(int) + 1)
    return float(calendar.ordinary_minutes * WEEKS * 7 * share)


# When the jobs of a year come: the log's season, weekdays and hours, and weeks that burst.

@dataclass(frozen=True)
class Pattern:
    """What is known of when jobs come. Week 0 of the year is the one after the log's last.

    Attributes
    ----------
    season
        Relative number of jobs in each of the 52 weeks.
    order, first, counts
        Jobs sorted by week of the year, where each week's begin, how many it has.
    weekday, time
        Of each job: 0 for Monday; time of day.
    """

    season: np.ndarray
    order: np.ndarray
    first: np.ndarray
    counts: np.ndarray
    weekday: np.ndarray
    time: np.ndarray


def read_pattern(clock: np.ndarray) -> Pattern:
    """Read season, weekdays and hours from the local clock times of a log's jobs.

    Parameters
    ----------
    clock
        datetime64[m], at least one.

    Returns
    -------
    Pattern
        A week of the year that the log covers twice counts by the mean of the two; one that it
        never covers is taken as the mean of the others. The season is smoothed over two months,
        so that the bursts of single weeks are not taken for it.
    """
    day = clock.astype("datetime64[D]")
    weekday = (day.astype(int) + 3) % 7  # 1970-01-01 was a Thursday
    number = (day.astype(int) - weekday) // 7
    last, n = number.max(), int(np.ptp(number)) + 1
    week = (number - last - 1) % WEEKS
    covered = np.bincount(np.arange(-n, 0) % WEEKS, minlength=WEEKS)
    counts = np.bincount(week, minlength=WEEKS)
    mean = counts / np.maximum(covered, 1)
    mean[covered == 0] = mean[covered > 0].mean()
    around = np.arange(-_SMOOTH_WEEKS, _SMOOTH_WEEKS + 1)
    season = mean[(np.arange(WEEKS)[:, None] + around) % WEEKS].mean(axis=1)
    return Pattern(season, np.argsort(week, kind="stable"), np.cumsum(counts) - counts, counts,
                   weekday, clock - day.astype(clock.dtype))


def draw_year(pattern: Pattern, *, total: int, dispersion: float, start: np.datetime64,
              rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Draw the jobs of one year: which of the log's they copy, and when they come, in order.

    Parameters
    ----------
    total
        Jobs in the year.
    dispersion
        Variance over mean of a week's count.
    start
        Monday on which the year starts.

    Returns
    -------
    tuple
        Rows of the log copied, one of the same week of the year where there is any; clock times.
    """
    mean = max(total / WEEKS, 1e-9)
    extra = max(dispersion - 1, 0.0)
    busy = rng.gamma(mean / extra, extra / mean, WEEKS) if extra else np.ones(WEEKS)
    edges = np.cumsum(pattern.season * busy + _NEVER)
    when, chance = rng.random((total, 2)).T
    week = np.minimum(np.searchsorted(edges, when * edges[-1]), WEEKS - 1)
    counts = pattern.counts[week]
    place = np.where(counts > 0, pattern.first[week] + np.floor(chance * counts),
                     np.floor(chance * len(pattern.order))).astype(int)
    picked = pattern.order[place]
    moment = start + (week * 7 + pattern.weekday[picked]) * _DAY + pattern.time[picked]
    order = np.argsort(moment, kind="stable")
    return picked[order], moment[order]


# Working days and hours of a contract: clock time to working time and back.

@dataclass(frozen=True)
class WorkCalendar:
    """Working days, each with the same opening and length.

    Attributes
    ----------
    days
        Working days in order (numpy datetime64[D], local).
    opens_minute
        Minute of the day at which work starts.
    ordinary_minutes, extra_minutes
        Minutes of work in a day, and those that crews may stay on after them.
    """

    days: np.ndarray
    opens_minute: float
    ordinary_minutes: float
    extra_minutes: float = 0.0

    @property
    def length_minutes(self) -> float:
        """Minutes of a day with overtime."""
        return self.ordinary_minutes + self.extra_minutes

    def working(self, clock: np.ndarray) -> np.ndarray:
        """Return working minutes since the first opening; off hours count as the next opening."""
        day = clock.astype("datetime64[D]")
        place = np.searchsorted(self.days, day)
        open_today = self.days[np.minimum(place, len(self.days) - 1)] == day
        minute = (clock - day.astype(clock.dtype)) / _MINUTE - self.opens_minute
        inside = np.where(open_today, np.clip(minute, 0, self.length_minutes), 0.0)
        return place * self.length_minutes + inside

    def clock(self, working: np.ndarray) -> np.ndarray:
        """Return the clock time at which so many working minutes are done."""
        place = np.maximum(np.ceil(working / self.length_minutes) - 1, 0).astype(int)
        minute = working - place * self.length_minutes + self.opens_minute
        day = self.days[np.minimum(place, len(self.days) - 1)].astype("datetime64[m]")
        return np.asarray(day + np.ceil(minute).astype("timedelta64[m]"))

    def day_number(self, clock: np.ndarray) -> np.ndarray:
        """Return the number of the working day on or after each clock time."""
        return np.searchsorted(self.days, clock.astype("datetime64[D]"))


def working_days(start: pd.Timestamp, *, years: int, region: str | None) -> np.ndarray:
    """Return the working days (Monday to Friday, no public holiday) from a local date on.

    Parameters
    ----------
    start
        First day.
    years
        Whole years wanted.
    region
        ISO 3166 code such as ``PT`` or ``GB-ENG`` for the public holidays; None: none known.

    Raises
    ------
    SettingError
        If no public holidays are known for the region.
    """
    first = np.datetime64(start.date(), "D")
    last = np.datetime64((start + pd.DateOffset(years=years)).date(), "D")
    every = np.arange(first, last)
    return every[np.is_busday(every, holidays=_public_holidays(start, years, region))]


def _public_holidays(start: pd.Timestamp, years: int, region: str | None) -> list[np.datetime64]:
    known = public_holidays(region, first_year=start.year, last_year=start.year + years)
    return [np.datetime64(day, "D") for day in known]


def local_clock(times: pd.Series, *, time_zone: str) -> np.ndarray:
    """Return UTC times as local clock times without zone (datetime64[m])."""
    local = times.dt.tz_convert(time_zone).dt.tz_localize(None)
    return np.asarray(local.to_numpy().astype("datetime64[m]"))


# Erlang's formula for crews that jobs wait for: where the search starts, and a check of the queue.

def erlang_c(*, servers: int, load: float) -> float:
    """Return the chance that a job has to wait, by Erlang's second formula.

    Parameters
    ----------
    servers
        Crews.
    load
        Arrivals per unit of time times the mean time one takes (erlang).

    Returns
    -------
    float
        1 where the load is not below the number of servers.

    References
    ----------
    Erlang 1917, by way of the recursion for Erlang's first formula.

    Examples
    --------
    >>> round(erlang_c(servers=2, load=1.0), 4)
    0.3333
    """
    if load >= servers:
        return 1.0
    blocked = 1.0
    for number in range(1, servers + 1):
        blocked = load * blocked / (number + load * blocked)
    return blocked / (1 - load / servers * (1 - blocked))


def erlang_within(*, servers: int, load: float, service: float, wait: float) -> float:
    """Return the chance that a job waits no longer than `wait` (in the unit of `service`)."""
    if load >= servers:
        return 0.0
    chance = erlang_c(servers=servers, load=load)
    return 1 - chance * math.exp(-(servers - load) * wait / service)
