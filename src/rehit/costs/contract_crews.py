"""How many crews keep the response standards: looked for from what the work needs up to a cap."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pandas as pd

from rehit.costs.contract_erlang import erlang_within
from rehit.costs.contract_queue import (
    QueueRun,
    Standards,
    crew_calendar,
    minutes_a_year,
    simulate_queue,
)
from rehit.costs.contract_volume import Volume
from rehit.errors import SettingError
from rehit.parameters import Parameters
from rehit.wording import counted

KINDS = ("offensive", "ordinary")
_SEARCH_SHARE = 0.1
_IDLE = 0.5
Look = Callable[[int], QueueRun]


def choose_crews(jobs: pd.DataFrame, clock: np.ndarray, volume: Volume, days: np.ndarray, *,
                 standards: Standards, parameters: Parameters,
                 rng: np.random.Generator) -> tuple[QueueRun, pd.DataFrame]:
    """Find the fewest crews that keep both standards, or take the number given.

    For each standard the search starts from the number that Erlang's formula asks for, widens
    from there until one number keeps the standard and one does not, and halves what lies
    between. Every number looked at faces the same simulated jobs. The number found is confirmed
    over ``contract.queue_years``.

    Returns
    -------
    tuple
        The run of the crews chosen, and the `contract_crews` table of every number looked at.

    Raises
    ------
    SettingError
        If not even ``contract.crews_most`` keep the standards: how far they are from it.
    """
    seed = int(rng.integers(2**31))

    def run(crews: float, years: float, share: float = 1.0, draw: int = 0) -> QueueRun:
        fewer = share * parameters["contract.queue_jobs"] / max(
            1.0, float(volume.totals[:, 0].mean()))
        return simulate_queue(jobs, clock, volume, days, crews=crews, standards=standards,
                              years=int(max(2, min(years, fewer))), parameters=parameters,
                              rng=np.random.default_rng([seed, draw]))

    given, full = parameters["contract.crews"], parameters["contract.queue_years"]
    if given:
        chosen = run(given, full)
        return chosen, crews_table([chosen])
    numbers = crew_numbers(parameters)
    looked: dict[int, QueueRun] = {}

    def look(at: int) -> QueueRun:
        if at not in looked:
            looked[at] = run(numbers[at], parameters["contract.queue_search_years"],
                             _SEARCH_SHARE, 1)
        return looked[at]

    start = analytic_start(jobs, volume, days, numbers, standards=standards,
                           parameters=parameters)
    flagged = bool((jobs["priority"] == "offensive").any())
    found = [fewest(look, len(numbers), start, kind, standards.share)
             for kind in KINDS if flagged or kind == "ordinary"]
    known = [at for at in found if at is not None]
    if len(known) < len(found):
        raise _unmet(look(len(numbers) - 1), standards.share)
    for at in range(max(known), len(numbers)):
        looked[at] = run(numbers[at], full)
        if looked[at].meets(standards.share):
            return looked[at], crews_table([looked[key] for key in sorted(looked)])
    raise _unmet(looked[len(numbers) - 1], standards.share)


def crew_numbers(parameters: Parameters) -> list[float]:
    """Return the numbers of crews that can be provided: parts of one, then whole ones to the cap.

    Above one there are whole crews only: part of one more crew shortens everybody's day.
    """
    step, most = parameters["contract.crew_step"], int(parameters["contract.crews_most"])
    parts = [step * number for number in range(1, math.ceil(1 / step - 1e-9))]
    return [*parts, *(float(number) for number in range(1, most + 1))]


def analytic_start(jobs: pd.DataFrame, volume: Volume, days: np.ndarray, numbers: list[float], *,
                   standards: Standards, parameters: Parameters) -> int:
    """Return the place in `numbers` of the fewest crews that suffice by Erlang's formula.

    Suffice: the work fits into their time, and the chance to wait no longer than the ordinary
    standard leaves is the share asked. The formula knows no bursts, so this is a lower bound in
    all but calm patches; the last place where no number suffices.
    """
    service = float(jobs["minutes"].mean()) + parameters["contract.travel_minutes"]
    total = float(volume.totals[:, 0].mean()) * service
    for at, crews in enumerate(numbers):
        calendar = crew_calendar(days, crews=crews, parameters=parameters)
        load, servers = total / minutes_a_year(calendar), math.ceil(crews)
        wait = standards.ordinary_working_days * calendar.length_minutes
        if load < servers and erlang_within(servers=servers, load=load, service=service,
                                            wait=max(0.0, wait - service)) >= standards.share:
            return at
    return len(numbers) - 1


def fewest(look: Look, n: int, start: int, kind: str, share: float) -> int | None:
    """Return the first of `n` places that keeps a standard; None where the last does not.

    Parameters
    ----------
    look
        Gives the run of a place; who keeps the standard at one place keeps it at later ones.
    start
        Place to look at first.
    kind, share
        Standard, and share of jobs that must keep it.
    """
    failing, keeping = _bracket(look, n, start, kind, share)
    if keeping is None:
        return None
    while keeping - failing > 1:
        middle = (failing + keeping) // 2
        if look(middle).keeps(kind, share):
            keeping = middle
        else:
            failing = middle
    return keeping


def _bracket(look: Look, n: int, start: int, kind: str, share: float) -> tuple[int, int | None]:
    """Return a place that misses the standard (-1: none does) and a later one that keeps it."""
    at, stride, failing, keeping = start, 1, -1, None
    while True:
        if look(at).keeps(kind, share):
            keeping = at
            if failing >= 0 or at == 0:
                return failing, keeping
            at = max(0, at - stride)
        else:
            failing = at
            if keeping is not None or at == n - 1:
                return failing, keeping
            at = min(n - 1, at + stride)
        stride *= 2


def _unmet(run: QueueRun, share: float) -> SettingError:
    """Say how far the most crews looked at are from the standards, and what would help."""
    kept = " and ".join(
        f"{value:.1%} of {words} in time" for words, value in (
            ("offensive markings", run.in_time_offensive), ("other markings", run.in_time_ordinary))
        if value < share)
    more = ("more crews would not help, they have time to spare: set contract.weekend_cover = 1 "
            "or relax the standards in [service]" if run.utilisation < _IDLE else
            "raise contract.crews_most or relax the standards in [service]")
    return SettingError(
        "response standards", got=f"{kept} with {crews_words(run.crews)}, the most looked at "
        f"({run.utilisation:.0%} of their time is needed)", allowed=f"{share:.0%} in time",
        remedy=f"{more}; or give contract.crews to price a number that misses them")


def crews_words(crews: float) -> str:
    """Return a number of crews in words that agree with it.

    Examples
    --------
    >>> crews_words(1), crews_words(3), crews_words(0.25)
    ('1 crew', '3 crews', '0.25 of a crew')
    """
    if crews < 1:
        return f"{crews:g} of a crew"
    return counted(float(crews), "crew")


def crews_table(runs: list[QueueRun]) -> pd.DataFrame:
    """Return the `contract_crews` table."""
    return pd.DataFrame([{
        "crews": run.crews, "utilisation": run.utilisation,
        "in_time_offensive": (run.in_time_offensive if run.years["offensive"].sum() else np.nan),
        "in_time_ordinary": run.in_time_ordinary,
        "callouts": run.callouts, "wait_hours": run.wait_hours,
        "erlang_waits": run.erlang_waits, "erlang_wait_hours": run.erlang_wait_hours,
        "n_years": len(run.years)} for run in runs])
