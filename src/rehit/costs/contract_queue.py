"""Crews against arrivals: which response standards are met by how many crews."""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass

import numpy as np
import pandas as pd
import simpy

from rehit.costs.contract_calendar import MINUTES_PER_HOUR, WorkCalendar
from rehit.costs.contract_erlang import erlang_c
from rehit.costs.contract_volume import Volume
from rehit.errors import SettingError
from rehit.parameters import Parameters

_WEEKS = 52
_MOST_LOOKED_AT = 20
_SEARCH_SHARE = 0.2


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
    """
    finished = np.empty(len(arrivals))
    clock = simpy.Environment()
    pool = simpy.PriorityResource(clock, crews)
    rank = np.where(urgent, 0, 1).tolist()
    times, work = arrivals.tolist(), minutes.tolist()

    def job(number: int) -> Generator[simpy.Event, None, None]:
        with pool.request(priority=rank[number]) as turn:
            yield turn
            yield clock.timeout(work[number])
        finished[number] = clock.now

    def arrive() -> Generator[simpy.Event, None, None]:
        for number, time in enumerate(times):
            if time > clock.now:
                yield clock.timeout(time - clock.now)
            clock.process(job(number))

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

    def meets(self, share: float) -> bool:
        """Whether both standards are kept by that share of jobs."""
        return min(self.in_time_offensive, self.in_time_ordinary) >= share


def crew_calendar(days: np.ndarray, *, crews: float, parameters: Parameters) -> WorkCalendar:
    """Return the working time of each of the crews: a part of a crew is there part of the day."""
    whole = math.ceil(crews)
    length = (parameters["contract.hours_per_day"] * MINUTES_PER_HOUR
              * parameters["contract.productive_share"] * crews / whole)
    return WorkCalendar(days, parameters["contract.day_starts"] * MINUTES_PER_HOUR, length)


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

    A job copies the week of the year, weekday, time, effort and priority of a job of the log;
    some weeks are busier than others as the dispersion says. Each year starts with no backlog.

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
    day = clock.astype("datetime64[D]")
    weekday = (day.astype(int) + 3) % 7  # 1970-01-01 was a Thursday
    week = (((day - weekday - day.min()).astype(int) + 7) // 7) % _WEEKS
    moment = (start + (week * 7 + weekday).astype("timedelta64[D]")
              + (clock - day.astype(clock.dtype)))
    minutes = jobs["minutes"].to_numpy() + parameters["contract.travel_minutes"]
    offensive = (jobs["priority"] == "offensive").to_numpy()
    rows = []
    totals = rng.choice(volume.totals[:, 0], years)
    for total in totals:
        picked = _arrivals(week, int(total), volume.dispersion, rng)
        picked = picked[np.argsort(moment[picked], kind="stable")]
        rows.append(_year(moment[picked], minutes[picked], offensive[picked], calendar,
                          crews=math.ceil(crews), standards=standards, parameters=parameters))
    table = pd.DataFrame(rows)
    return _summed(table, crews, calendar, float(minutes.mean()))


def _arrivals(week: np.ndarray, total: int, dispersion: float,
              rng: np.random.Generator) -> np.ndarray:
    """Choose which past jobs come again, some weeks busier than others."""
    mean = max(total / _WEEKS, 1e-9)
    extra = max(dispersion - 1, 0.0)
    busy = rng.gamma(mean / extra, extra / mean, _WEEKS) if extra else np.ones(_WEEKS)
    chance = busy[week] + 1e-12
    edges = np.cumsum(chance)
    return np.minimum(np.searchsorted(edges, rng.random(total) * edges[-1]), len(week) - 1)


def _year(moment: np.ndarray, minutes: np.ndarray, offensive: np.ndarray,
          calendar: WorkCalendar, *, crews: int, standards: Standards,
          parameters: Parameters) -> dict[str, float]:
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
    there = math.ceil(crews) * calendar.length_minutes * _WEEKS * 7 * (
        len(calendar.days) / max(1, (calendar.days[-1] - calendar.days[0]).astype(int) + 1))
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


def choose_crews(jobs: pd.DataFrame, clock: np.ndarray, volume: Volume, days: np.ndarray, *,
                 standards: Standards, parameters: Parameters,
                 rng: np.random.Generator) -> tuple[QueueRun, pd.DataFrame]:
    """Find the fewest crews that keep both standards, or take the number given.

    Returns
    -------
    tuple
        The run of the crews chosen, over ``contract.queue_years``, and the `contract_crews`
        table of every number looked at.

    Raises
    ------
    SettingError
        If not even ``contract.crews_most`` keep the standards.
    """
    def run(crews: float, years: float, share: float = 1.0) -> QueueRun:
        fewer = share * parameters["contract.queue_jobs"] / max(
            1.0, float(volume.totals[:, 0].mean()))
        return simulate_queue(jobs, clock, volume, days, crews=crews, standards=standards,
                              years=int(max(2, min(years, fewer))), parameters=parameters, rng=rng)

    given, full = parameters["contract.crews"], parameters["contract.queue_years"]
    if given:
        chosen = run(given, full)
        return chosen, crews_table([chosen])
    step = parameters["contract.crew_step"]
    minutes = (jobs["minutes"].mean() + parameters["contract.travel_minutes"])
    one = crew_calendar(days, crews=1, parameters=parameters)
    needed = float(volume.totals[:, 0].mean()) * minutes / (one.length_minutes * _WEEKS * 5)
    crews = step * max(1, math.ceil(needed / step))
    looked: list[QueueRun] = []
    while crews <= parameters["contract.crews_most"] and len(looked) < _MOST_LOOKED_AT:
        looked.append(run(crews, parameters["contract.queue_search_years"], _SEARCH_SHARE))
        if looked[-1].meets(standards.share):
            looked[-1] = run(crews, full)
            if looked[-1].meets(standards.share):
                return looked[-1], crews_table(looked)
        # Whole crews from one up: part of one more crew shortens everybody's day. Large fleets
        # are looked at in steps of a twentieth: each look takes seconds there.
        crews = crews + step if crews < 1 else math.floor(crews) + max(1, int(crews / 20))
    raise SettingError("response standards", got=f"{looked[-1].crews if looked else crews:g} crews "
                       "that miss them", allowed="standards that crews can keep",
                       remedy="set contract.weekend_cover = 1, relax the standards in [service], "
                              "or give contract.crews")


def crews_table(runs: list[QueueRun]) -> pd.DataFrame:
    """Return the `contract_crews` table."""
    return pd.DataFrame([{
        "crews": run.crews, "utilisation": run.utilisation,
        "in_time_offensive": run.in_time_offensive, "in_time_ordinary": run.in_time_ordinary,
        "callouts": run.callouts, "wait_hours": run.wait_hours,
        "erlang_waits": run.erlang_waits, "erlang_wait_hours": run.erlang_wait_hours,
        "n_years": len(run.years)} for run in runs])
