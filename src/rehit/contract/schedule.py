"""The schedule of rates: the lines a tender asks prices for, what each costs, how much comes.

A job is paid a visit, its area at the rate of its method, size and height, and what it needs
besides: a platform, traffic control, disposal of wash water, a call-out. What is ordered case by
case, sums paid once, and shares of the price stand below.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from rehit.contract.volume import CLASS, Volume, with_effort
from rehit.parameters import Parameters

MINUTES_PER_HOUR = 60
#: Lines that a job is paid besides its area, with their units.
PER_JOB = {"visit": "visit", "platform": "visit", "traffic_control": "visit", "wash_water": "L",
           "call_out": "call_out"}
#: Of these what is hired or disposed of: no work of the own crews.
HIRED = ("platform", "traffic_control", "wash_water")
#: Lines priced in case they are ordered.
ON_ORDER = {"offensive_in_24_h": "visit", "inspection_only": "visit", "ghost_return": "visit",
            "colour_match": "visit"}
SHARES = ("supervision", "insurance", "bond", "leave_cover", "vat")


def area_items(jobs: pd.DataFrame) -> pd.Series:
    """Return the line that each job's area is paid by: ``method.size_class.access_kind``."""
    return (jobs["method"].astype("str") + "." + jobs["size_class"].astype("str") + "."
            + jobs["access_kind"].astype("str")).astype("str")


def quantities(jobs: pd.DataFrame, callout: np.ndarray) -> pd.DataFrame:
    """Return how much of each line of `PER_JOB` a job takes, and ``area_m2`` of its area line."""
    return pd.DataFrame({
        "visit": 1.0, "platform": (jobs["access_kind"] == "platform").astype(float),
        "traffic_control": jobs["needs_traffic_control"].astype(float),
        "wash_water": jobs["wash_water_l"].astype(float),
        "call_out": np.asarray(callout, float), "area_m2": jobs["area_m2"].astype(float),
    }, index=jobs.index)


def job_worth(jobs: pd.DataFrame, callout: np.ndarray, rates: Mapping[str, float]) -> pd.Series:
    """Return what a schedule of rates pays for each job.

    An area line that the schedule lacks, as a found job smaller than any of the log may need, is
    paid like the nearest size of its method and height.
    """
    amounts = quantities(jobs, callout)
    area = area_items(jobs)
    known = {item: _area_rate(item, rates) for item in area.unique()}
    paid = amounts["area_m2"] * area.map(known).astype(float)
    for item in PER_JOB:
        paid = paid + amounts[item] * rates.get(item, 0.0)
    return paid


def _area_rate(item: str, rates: Mapping[str, float]) -> float:
    if item in rates:
        return float(rates[item])
    method, size, access = item.split(".")
    order = {"small": ("medium", "large"), "medium": ("small", "large"),
             "large": ("medium", "small")}[size]
    near = [rates[f"{method}.{other}.{access}"] for other in order
            if f"{method}.{other}.{access}" in rates]
    anywhere = [rate for name, rate in rates.items() if name.startswith(f"{method}.")]
    return float((near or anywhere or [0.0])[0])


def direct_costs(jobs: pd.DataFrame, callout: np.ndarray, *,
                 parameters: Parameters) -> dict[str, float]:
    """Return the direct cost of one unit of each line: people, materials, equipment.

    Crews standing idle, standing cost, overhead and margin come on top by one factor.
    """
    get = parameters.__getitem__
    hourly = get("costs.labour_per_hour") / get("contract.productive_share")
    per_minute = hourly / MINUTES_PER_HOUR
    persons, minutes = jobs["persons"], jobs["minutes"]
    drive = per_minute * get("contract.travel_minutes") * float(persons.mean())
    ladder = np.where(jobs["access_kind"] == "ladder", jobs["access"], 0.0)
    cost = minutes * persons * per_minute + jobs["materials"] + ladder
    sums = pd.DataFrame({"item": area_items(jobs), "cost": cost, "area": jobs["area_m2"]}
                        ).groupby("item").sum()
    visit = drive + get("contract.vehicle_per_job")
    least = get("contract.callout_hours") * MINUTES_PER_HOUR
    called = jobs[callout] if np.any(callout) else jobs
    taken = called["minutes"] + get("contract.travel_minutes")
    extra = called["persons"] * (
        np.maximum(taken, least) * get("costs.labour_per_hour") * get("contract.weekend_multiple")
        / MINUTES_PER_HOUR - taken * per_minute)
    controlled = jobs.loc[jobs["needs_traffic_control"], "traffic_control"]
    controlled = controlled if len(controlled) else [get("costs.traffic_control")]
    inspect = visit + per_minute * get("costs.minutes_per_visit_refer")
    return {
        "visit": visit, **{str(item): float(row["cost"] / row["area"])
                           for item, row in sums.iterrows()},
        "platform": get("costs.access_platform"), "traffic_control": float(np.mean(controlled)),
        "wash_water": get("costs.water_per_l"), "call_out": float(extra.mean()),
        "offensive_in_24_h": drive, "inspection_only": inspect,
        "ghost_return": visit + per_minute * get("contract.ghost_minutes"),
        "colour_match": per_minute * get("contract.colour_match_minutes")
        + get("contract.colour_match_materials")}


def expected_quantities(jobs: pd.DataFrame, callout: np.ndarray, volume: Volume, *,
                        parameters: Parameters) -> pd.Series:
    """Return how much of each line the first year is expected to bring, by item."""
    smaller = with_effort(jobs, parameters=parameters,
                          area_ratio=parameters["contract.found_area_ratio"])
    total: dict[str, float] = {}
    keys = pd.MultiIndex.from_frame(volume.classes[list(CLASS)])
    members = pd.MultiIndex.from_frame(jobs[list(CLASS)])
    sizes = pd.Series(1, index=members).groupby(level=list(range(len(CLASS)))).sum()
    for table, called, counts in ((jobs, callout, volume.counts),
                                  (smaller, np.zeros(len(jobs), bool), volume.found)):
        each = pd.Series(counts[:, 0].mean(axis=0), index=keys) / sizes.reindex(keys)
        weight = each.reindex(members).to_numpy(float)
        amounts = quantities(table, called)
        for item in PER_JOB:
            total[item] = total.get(item, 0.0) + float(amounts[item].to_numpy() @ weight)
        areas = pd.Series(amounts["area_m2"].to_numpy() * weight).groupby(
            area_items(table).to_numpy()).sum()
        for name, area in areas.items():
            total[str(name)] = total.get(str(name), 0.0) + float(area)
    return pd.Series(total)


def turnover_shares(parameters: Parameters) -> dict[str, float]:
    """Return what goes off every price, as shares of it: supervision, insurance, bond."""
    get = parameters.__getitem__
    return {"supervision": get("contract.supervision_share"),
            "insurance": get("contract.insurance_share"),
            "bond": get("contract.bond_share") * get("contract.bond_rate")}


def schedule_lines(jobs: pd.DataFrame, callout: np.ndarray, volume: Volume, *, factor: float,
                   load: float, parameters: Parameters) -> pd.DataFrame:
    """Return the `contract_rates` table: each line with its direct cost and its price.

    Parameters
    ----------
    factor
        What brings in risk and margin, and what goes off every price.
    load
        What lines of crew work carry besides: idle crews, standing cost, overhead. What is hired
        carries overhead alone.
    """
    direct = direct_costs(jobs, callout, parameters=parameters)
    amounts = expected_quantities(jobs, callout, volume, parameters=parameters)
    rows: list[dict[str, object]] = []

    def line(section: str, item: str, unit: str, quantity: float, cost: float) -> None:
        hired = item in HIRED or section == "once"
        price = np.nan if section == "share" else cost * factor * (
            1 + parameters["contract.overhead_share"] if hired else load)
        parts = item.split(".") if section == "area" else [None, None, None]
        rows.append({"section": section, "item": item, "unit": unit, "method": parts[0],
                     "size_class": parts[1], "access_kind": parts[2], "quantity": quantity,
                     "direct": cost, "price": price})

    line("job", "visit", "visit", amounts["visit"], direct["visit"])
    for item in sorted(name for name in {*direct, *amounts.index} if name.count(".") == 2):
        line("area", item, "m2", float(amounts.get(item, 0.0)),
             direct.get(item, _area_rate(item, direct)))
    for item, unit in PER_JOB.items():
        if item != "visit":
            line("job", item, unit, amounts[item], direct[item])
    for item, unit in ON_ORDER.items():
        line("on_order", item, unit, 0.0, direct[item])
    line("once", "mobilisation", "sum", 1.0, parameters["contract.mobilisation"])
    shares = {**turnover_shares(parameters),
              "leave_cover": parameters["contract.leave_cover_share"],
              "vat": parameters["contract.vat_share"]}
    for item in SHARES:
        unit = {"leave_cover": "share_of_pay", "vat": "share_on_top"}.get(item, "share_of_price")
        line("share", item, unit, 0.0, shares[item])
    return pd.DataFrame(rows).astype({"method": "str", "size_class": "str", "access_kind": "str"})
