"""Crews against arrivals: which response standards are met by how many crews."""

from __future__ import annotations

import heapq
import math
from collections.abc import Generator
from dataclasses import dataclass

import numpy as np
import pandas as pd
import simpy

from rehit.costs.contract_arrivals import WEEKS, draw_year, read_pattern
from rehit.costs.contract_calendar import MINUTES_PER_HOUR, WorkCalendar
from rehit.costs.contract_erlang import erlang_c
from rehit.costs.contract_volume import Volume
from rehit.parameters import Parameters


def serve(arrivals: np.ndarray, minutes: np.ndarray, urgent: np.ndarray, *,
          crews: int) -> np.ndarray:
    """Return when each job is finished, urgent ones first, else in order of arrival (SimPy).

    Parameters
    ----------
    arrivals
        Working minutes, ascending.
    minutes
        Crew time of each job.
    urgent
        Whether it goes before the others that wait; nobody stops work for it.

    Notes
    -----
    What waits is kept in a heap: a backlog of many thousand jobs costs no more time than a
    short one. Jobs that arrive at the same minute, as those of a night do at opening time, are
    all there before a crew chooses.
    """
    finished = np.empty(len(arrivals))
    clock = simpy.Environment()
    rank = np.where(urgent, 0, 1).tolist()
    times, work = arrivals.tolist(), minutes.tolist()
    waiting: list[tuple[int, int]] = []
    idle = crews

    def crew() -> Generator[simpy.Event, None, None]:
        nonlocal idle
        while waiting:
            _, number = heapq.heappop(waiting)
            yield clock.timeout(work[number])
            finished[number] = clock.now
        idle += 1

    def arrive() -> Generator[simpy.Event, None, None]:
        nonlocal idle
        number = 0
        while number < len(times):
            now = times[number]
            yield clock.timeout(now - clock.now)
            while number < len(times) and times[number] == now:
                heapq.heappush(waiting, (rank[number], number))
                number += 1
            for _ in range(min(idle, len(waiting))):
                idle -= 1
                clock.process(crew())

    clock.process(arrive())
    clock.run()
    return finished


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
class QueueRun:
    """Outcome of the simulated years of one number of crews.

    Attributes
    ----------
    crews
        Crews provided.
    years
        One row per simulated year: ``jobs, offensive, late_offensive, late_ordinary``.
    in_time_offensive, in_time_ordinary
        Share of all jobs of the kind that kept its standard.
    utilisation
        Crew time worked over crew time there.
    callouts
        Share of jobs cleared by call-out on a day off.
    wait_hours
        Mean working hours until a crew starts.
    erlang_wait_hours, erlang_waits
        The same and the chance of a wait by Erlang C, which knows neither bursts nor priorities.
    """

    crews: float
    years: pd.DataFrame
    in_time_offensive: float
    in_time_ordinary: float
    utilisation: float
    callouts: float
    wait_hours: float
    erlang_waits: float
    erlang_wait_hours: float

    def keeps(self, kind: str, share: float) -> bool:
        """Whether that share of the jobs of the kind, offensive or ordinary, is in time."""
        return bool(getattr(self, f"in_time_{kind}") >= share)

    def meets(self, share: float) -> bool:
        """Whether both standards are kept by that share of jobs."""
        return self.keeps("offensive", share) and self.keeps("ordinary", share)


def crew_calendar(days: np.ndarray, *, crews: float, parameters: Parameters) -> WorkCalendar:
    """Return the working time of each of the crews: a part of a crew is there part of the day."""
    whole = math.ceil(crews)
    length = (parameters["contract.hours_per_day"] * MINUTES_PER_HOUR
              * parameters["contract.productive_share"] * crews / whole)
    return WorkCalendar(days, parameters["contract.day_starts"] * MINUTES_PER_HOUR, length)


def minutes_a_year(calendar: WorkCalendar) -> float:
    """Return the working minutes of one crew in the year of whole weeks that is simulated."""
    share = len(calendar.days) / max(1, (calendar.days[-1] - calendar.days[0]).astype(int) + 1)
    return calendar.length_minutes * WEEKS * 7 * share


def needs_callout(clock: np.ndarray, offensive: np.ndarray, calendar: WorkCalendar, *,
                  standards: Standards, parameters: Parameters) -> np.ndarray:
    """Return which jobs cannot wait for the next working day and go to a call-out."""
    if not parameters["contract.weekend_cover"]:
        return np.zeros(len(clock), bool)
    limit = clock + np.timedelta64(round(standards.offensive_hours * MINUTES_PER_HOUR), "m")
    left = calendar.working(limit) - calendar.working(clock)
    needed = min(parameters["contract.callout_margin_minutes"], calendar.length_minutes / 2)
    return offensive & (left < needed)


def simulate_queue(jobs: pd.DataFrame, clock: np.ndarray, volume: Volume, days: np.ndarray, *,
                   crews: float, years: int, standards: Standards, parameters: Parameters,
                   rng: np.random.Generator) -> QueueRun:
    """Let `years` simulated years of jobs come to the crews.

    A job copies the weekday, time, effort and priority of a job of the log, mostly of the same
    week of the year. The season is the log's own; the bursts of single weeks come from the weekly
    dispersion. Each year starts with no backlog.

    Parameters
    ----------
    jobs
        Jobs of the log with ``minutes`` and ``priority``.
    clock
        Local time of each job.
    volume
        Simulated volumes; the first contract year is used.
    days
        Working days, from the contract's start, with some to spare at the end.
    """
    calendar = crew_calendar(days, crews=crews, parameters=parameters)
    start = np.busday_offset(days[0], 0, "forward", weekmask="Mon").astype("datetime64[m]")
    pattern = read_pattern(clock)
    minutes = jobs["minutes"].to_numpy() + parameters["contract.travel_minutes"]
    offensive = (jobs["priority"] == "offensive").to_numpy()
    rows = []
    # Years spread evenly over the volumes foreseen: a few stand for them better than a random few.
    for total in np.quantile(volume.totals[:, 0], (np.arange(years) + 0.5) / years):
        picked, moment = draw_year(pattern, total=int(total), start=start, rng=rng,
                                   dispersion=volume.weekly_dispersion)
        rows.append(queue_year(moment, minutes[picked], offensive[picked], calendar,
                               crews=math.ceil(crews), standards=standards,
                               parameters=parameters))
    table = pd.DataFrame(rows)
    return _summed(table, crews, calendar, float(minutes.mean()))


def queue_year(moment: np.ndarray, minutes: np.ndarray, offensive: np.ndarray,
               calendar: WorkCalendar, *, crews: int, standards: Standards,
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
    calendar
        From :func:`crew_calendar`, starting no later than the first report.
    crews
        Crews at work at a time.
    """
    callout = needs_callout(moment, offensive, calendar, standards=standards,
                            parameters=parameters)
    queued = ~callout
    arrived = calendar.working(moment[queued])
    order = np.argsort(arrived, kind="stable")
    done = np.empty(len(arrived))
    done[order] = serve(arrived[order], minutes[queued][order], offensive[queued][order],
                        crews=crews)
    urgent, reported = offensive[queued], moment[queued]
    end = calendar.clock(done)
    hours = (end - reported) / np.timedelta64(1, "h")
    taken = calendar.day_number(end) - calendar.day_number(reported)
    late_urgent = urgent & (hours > standards.offensive_hours)
    late_ordinary = ~urgent & (taken > standards.ordinary_working_days)
    slow_callout = parameters["contract.callout_response_hours"] > standards.offensive_hours
    return {"jobs": len(moment), "offensive": int(offensive.sum()),
            "late_offensive": int(late_urgent.sum()) + int(callout.sum()) * slow_callout,
            "late_ordinary": int(late_ordinary.sum()), "callouts": int(callout.sum()),
            "minutes": float(minutes[queued].sum()),
            "waited": float((done - arrived - minutes[queued]).sum())}


def _summed(table: pd.DataFrame, crews: float, calendar: WorkCalendar,
            service: float) -> QueueRun:
    total = table.sum()
    there = math.ceil(crews) * minutes_a_year(calendar)
    busy = float(table["minutes"].mean()) / there
    queued = max(1.0, float(total["jobs"] - total["callouts"]))
    load = busy * math.ceil(crews)
    waits = erlang_c(servers=math.ceil(crews), load=load)
    wait = waits * service / (math.ceil(crews) - load) if busy < 1 else math.inf
    ordinary = max(1.0, float(total["jobs"] - total["offensive"]))
    return QueueRun(
        crews, table, 1 - float(total["late_offensive"]) / max(1.0, float(total["offensive"])),
        1 - float(total["late_ordinary"]) / ordinary, busy,
        float(total["callouts"]) / max(1.0, float(total["jobs"])),
        float(total["waited"]) / queued / MINUTES_PER_HOUR, waits, wait / MINUTES_PER_HOUR)
