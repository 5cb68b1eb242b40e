"""Which assumption moves the price: each moved up and down by the same share."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from rehit.costs.contract import Capacity, Contract, foresee
from rehit.costs.contract_estimate import mean_found_share
from rehit.costs.contract_jobs import with_effort
from rehit.costs.contract_price import price_forms
from rehit.parameters import Parameters

# Name shown, and the parameters moved together (a name ending in * takes all that start so).
ASSUMPTIONS: dict[str, tuple[str, ...]] = {
    "volume": (),
    "crews provided": (),
    "crew cost per hour": ("costs.labour_per_hour",),
    "minutes on site": ("costs.minutes_per_visit_*", "costs.minutes_per_m2_*"),
    "driving between jobs": ("contract.travel_minutes",),
    "materials": ("costs.materials_per_m2_*",),
    "wash water": ("costs.water_per_l",),
    "access equipment": ("costs.access_ladder", "costs.access_platform"),
    "traffic control": ("costs.traffic_control",),
    "vehicles": ("contract.vehicle_per_crew", "contract.vehicle_per_job"),
    "call-out pay": ("contract.weekend_multiple", "contract.callout_hours"),
    "standing cost": ("contract.standing_per_year",),
    "overhead": ("contract.overhead_share",),
    "jobs found by patrol": ("contract.found_low", "contract.found_likely",
                             "contract.found_high"),
    "accuracy of own estimate": ("contract.estimate_accuracy",),
    "wanted margin": (),
}


def sensitivity(contract: Contract, *, form: str = "lump_sum",
                rng: np.random.Generator) -> pd.DataFrame:
    """Return the `contract_sensitivity` table: the price with each assumption lower and higher.

    Crews stay as bid, except where they are what is moved; so do the late shares. Every price
    comes from the same ``contract.sensitivity_draws`` years; what these do to the price is applied
    to the price asked, which rests on more.

    Parameters
    ----------
    contract
        The contract as priced.
    form
        Price form looked at.
    """
    base = contract.parameters
    swing = base["contract.sensitivity_swing"]
    seed = int(rng.integers(2**31))
    middle = _price(contract, base, 1.0, 1.0, contract.margin, form, seed)
    asked = float(contract.price(form)["price_per_year"])
    rows = []
    for name, patterns in ASSUMPTIONS.items():
        prices = []
        for factor in (1 - swing, 1 + swing):
            moved = _moved(base, patterns, factor)
            prices.append(_price(
                contract, moved, factor if name == "volume" else 1.0,
                factor if name == "crews provided" else 1.0,
                contract.margin * factor if name == "wanted margin" else contract.margin,
                form, seed))
        low, high = (asked * price / middle for price in prices)
        rows.append({"assumption": name, "swing": swing, "price": asked, "price_low": low,
                     "price_high": high, "range": abs(high - low)})
    table = pd.DataFrame(rows).sort_values("range", ascending=False, kind="stable")
    return table.reset_index(drop=True)


def _moved(base: Parameters, patterns: tuple[str, ...], factor: float) -> Parameters:
    names = [name for pattern in patterns for name in base
             if name == pattern or (pattern.endswith("*") and name.startswith(pattern[:-1]))]
    limits = {name: base.row(name) for name in names}
    return base.override({name: min(max(base[name] * factor, row.low), row.high)
                          for name, row in limits.items()})


def _price(contract: Contract, numbers: Parameters, volume_factor: float, crews_factor: float,
           margin: float, form: str, seed: int) -> float:
    draws = int(numbers["contract.sensitivity_draws"])
    rng = np.random.default_rng(seed)
    volume = contract.volume
    usual = mean_found_share(contract.parameters)
    found = mean_found_share(numbers) / usual if usual else 1.0
    # The same jobs as before, each counting for more or less: new draws, or whole numbers of jobs
    # in classes that have one or two a year, would bury what is looked at.
    volume = replace(volume, counts=volume.counts[:draws], found=volume.found[:draws])
    capacity = Capacity(contract.capacity.crews * crews_factor, contract.capacity.paid_hours)
    jobs = with_effort(contract.jobs, parameters=numbers)
    outlook = foresee(jobs, contract.callout, volume, contract.queue, capacity,
                      parameters=numbers, rng=rng,
                      weights=(volume_factor, volume_factor * found))
    prices = price_forms(outlook, margin=margin, parameters=numbers)
    row = prices[(prices["form"] == form) & (prices["level"] == numbers["contract.price_level"])]
    return float(row["price_per_year"].iloc[0])
