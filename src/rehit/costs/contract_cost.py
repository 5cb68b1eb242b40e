"""What a contract year costs the contractor: work, crews, call-outs, standing cost, penalties."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from rehit.costs.contract_aggregate import simulate_totals
from rehit.costs.contract_calendar import MINUTES_PER_HOUR
from rehit.costs.contract_estimate import accuracy_sd
from rehit.costs.contract_jobs import with_effort
from rehit.costs.contract_queue import QueueRun
from rehit.costs.contract_volume import CLASS, Volume
from rehit.parameters import Parameters

# Cost lines in the order they are shown, and the price index each follows.
LINES = {"labour": "labour", "overtime": "labour", "callouts": "labour", "vehicles": "plant",
         "running": "plant", "materials": "materials", "water": "materials", "access": "plant",
         "traffic_control": "plant", "standing": "labour", "overhead": None, "penalties": None}
# What is added up over the jobs of a year.
WORK = ("jobs", "offensive", "crew_minutes", "callout_minutes", "materials", "water", "access",
        "traffic_control", "rate_value")
Values = np.ndarray | float


@dataclass(frozen=True)
class Capacity:
    """The crews of one year.

    Attributes
    ----------
    crews
        Crews provided.
    paid_hours
        Hours paid to one whole crew in a year.
    """

    crews: float
    paid_hours: float


def job_work(jobs: pd.DataFrame, callout: np.ndarray, *, parameters: Parameters) -> pd.DataFrame:
    """Return what each job adds to the year's work, in the columns `WORK`.

    A call-out takes the least hours paid, or longer if the job needs it, and no ordinary crew
    time. ``rate_value`` is what the schedule of rates at cost pays (:func:`cost_rates`).
    """
    travel = parameters["contract.travel_minutes"]
    minutes = jobs["minutes"].to_numpy() + travel
    least = parameters["contract.callout_hours"] * MINUTES_PER_HOUR
    rates, least_charge = cost_rates(jobs, parameters=parameters)
    value = np.maximum(least_charge, jobs["method"].map(rates).to_numpy(float) * jobs["area_m2"])
    return pd.DataFrame({
        "jobs": 1.0, "offensive": (jobs["priority"] == "offensive").astype(float),
        "crew_minutes": np.where(callout, 0.0, minutes),
        "callout_minutes": np.where(callout, np.maximum(minutes, least), 0.0),
        "materials": jobs["materials"], "water": jobs["water"], "access": jobs["access"],
        "traffic_control": jobs["traffic_control"], "rate_value": value,
    }, index=jobs.index)[list(WORK)]


def cost_rates(jobs: pd.DataFrame, *, parameters: Parameters) -> tuple[dict[str, float], float]:
    """Return a rate per m² for each method, and the minimum charge, at the cost of the work alone.

    The rate of a method is its jobs' cost (crew time with driving, materials, water, access,
    traffic control) over their area. Crews standing idle, standing cost, overhead and margin
    come on top by one factor on all rates.
    """
    hourly = parameters["costs.labour_per_hour"] / parameters["contract.productive_share"]
    travel = parameters["contract.travel_minutes"]
    cost = ((jobs["minutes"] + travel) / MINUTES_PER_HOUR * hourly + jobs["materials"]
            + jobs["water"] + jobs["access"] + jobs["traffic_control"]
            + parameters["contract.vehicle_per_job"])
    by = pd.DataFrame({"method": jobs["method"], "cost": cost, "area": jobs["area_m2"]})
    sums = by.groupby("method").sum()
    least = parameters["contract.minimum_charge_minutes"] / MINUTES_PER_HOUR * hourly
    rates = sums["cost"] / sums["area"]
    return {str(method): float(rate) for method, rate in rates.items()}, float(least)


def simulate_work(jobs: pd.DataFrame, callout: np.ndarray, volume: Volume, *,
                  parameters: Parameters, rng: np.random.Generator,
                  extra: Mapping[str, np.ndarray] | None = None,
                  weights: tuple[float, float] = (1.0, 1.0)) -> dict[str, np.ndarray]:
    """Return the year's work in every simulated year: each quantity draws × years.

    Each simulated job copies one of the log's jobs of its class, so sizes, access and the rest
    stay together. Jobs found by patrol copy them at a smaller area and are never call-outs.

    Parameters
    ----------
    extra
        More columns to add up over the reported jobs and, at their own worth, those found:
        name to the values per job for both, each ``2 × jobs``.
    weights
        What each reported job and each job found counts for [jobs].
    """
    smaller = with_effort(jobs, parameters=parameters,
                          area_ratio=parameters["contract.found_area_ratio"])
    rates, least = cost_rates(jobs, parameters=parameters)
    reported = job_work(jobs, callout, parameters=parameters)
    found = job_work(smaller, np.zeros(len(jobs), bool), parameters=parameters)
    found["rate_value"] = np.maximum(least, smaller["method"].map(rates) * smaller["area_m2"])
    for name, values in (extra or {}).items():
        reported[name], found[name] = values[0], values[1]
    draws, years, n_classes = volume.counts.shape
    total = np.zeros((draws * years, reported.shape[1]))
    groups = jobs.groupby(list(CLASS)).indices
    keys = list(volume.classes[list(CLASS)].itertuples(index=False, name=None))
    for number in range(n_classes):
        rows = groups[keys[number]]
        for counts, table, weight in zip((volume.counts, volume.found), (reported, found),
                                         weights, strict=True):
            total += weight * simulate_totals(table.to_numpy(float)[rows],
                                              counts=counts[:, :, number].ravel(), rng=rng)
    return {name: total[:, column].reshape(draws, years)
            for column, name in enumerate(reported.columns)}


def year_cost(work: Mapping[str, Values], *, capacity: Capacity, late_offensive: Values,
              late_ordinary: Values, indices: Mapping[str, Values],
              parameters: Parameters) -> dict[str, Values]:
    """Return every cost line of a year from the work in it; numbers or whole arrays.

    Parameters
    ----------
    work
        The quantities of `WORK`.
    capacity
        Crews, paid whether or not there is work; hours beyond are overtime.
    late_offensive, late_ordinary
        Share of the jobs of each kind that miss their standard.
    indices
        Price index of labour, materials and plant, 1 at today's prices.
    """
    get, hourly = parameters.__getitem__, parameters["costs.labour_per_hour"]
    paid = capacity.crews * capacity.paid_hours
    useful = paid * get("contract.productive_share")
    needed = work["crew_minutes"] / MINUTES_PER_HOUR
    over = np.maximum(0.0, needed - useful) / get("contract.productive_share")
    cost = {
        "labour": paid * hourly + 0 * needed,
        "overtime": over * hourly * get("contract.overtime_multiple"),
        "callouts": work["callout_minutes"] / MINUTES_PER_HOUR * hourly
        * get("contract.weekend_multiple"),
        "vehicles": capacity.crews * get("contract.vehicle_per_crew") + 0 * needed,
        "running": work["jobs"] * get("contract.vehicle_per_job"),
        **{name: work[name] for name in ("materials", "water", "access", "traffic_control")},
        "standing": get("contract.standing_per_year") + 0 * needed}
    cost = {name: value * indices[str(LINES[name])] for name, value in cost.items()}
    cost["overhead"] = sum(cost.values()) * get("contract.overhead_share")
    cost["penalties"] = (
        work["offensive"] * late_offensive * get("contract.penalty_offensive")
        + (work["jobs"] - work["offensive"]) * late_ordinary * get("contract.penalty_ordinary"))
    return cost


def late_shares(queue: QueueRun, jobs: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the late shares that go with each volume: those of the queue year of equal rank."""
    years = queue.years.sort_values("jobs", kind="stable")
    rank = np.argsort(np.argsort(jobs.ravel(), kind="stable"), kind="stable")
    place = (rank * len(years) // jobs.size).reshape(jobs.shape)
    ordinary = (years["jobs"] - years["offensive"]).clip(lower=1)
    return ((years["late_offensive"] / years["offensive"].clip(lower=1)).to_numpy()[place],
            (years["late_ordinary"] / ordinary).to_numpy()[place])


def estimate_error(shape: tuple[int, ...], *, parameters: Parameters,
                   rng: np.random.Generator) -> np.ndarray:
    """Return a factor on the whole cost for how far the own unit costs may be out.

    One factor for all years of a contract: an estimate that is wrong stays wrong.
    """
    sd = accuracy_sd(accuracy=parameters["contract.estimate_accuracy"],
                     confidence=parameters["contract.estimate_confidence"])
    return np.repeat(np.exp(rng.normal(0, sd, (shape[0], 1))), shape[1], axis=1)
