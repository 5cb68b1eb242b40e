"""Bid on a demo town's first two years, replay the third: is the cost inside the 80 % interval?

    python tests/benchmarks/contract_replay.py [--towns 100] [--first 1]

Prints how often the realised cost, number of jobs and minutes of crews of year three lie inside the
80 % interval bid from years one and two, and for each decile of promised chance of loss how often
the realised cost exceeded the price that carried it. The true incidents of year three come to the
crews bid: what they are late for is deducted. Rates are known and every true incident is in the
log, so the contractor's own estimate error and jobs found by patrols are set to none; unit costs
and minutes are those stated and these towns' volumes do not drift, so no world is drawn but the
stated one, and whole years differ by bursts alone (``contract.year_effect_sd`` none). Everything
else is as the defaults have it.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[2] / "data_demo"))

from make_demo import clean_placed_incidents, clean_register, make_town
from town.model import TIME_ZONE

from rehit.chain import with_register
from rehit.contract.cost import WORK, job_work, service_of, year_cost
from rehit.contract.crews import (
    crew_calendar,
    local_clock,
    needs_callout,
    queue_year,
    working_days,
)
from rehit.contract.price import Contract, price_contract
from rehit.contract.volume import contract_jobs
from rehit.costs.doubt import Doubt
from rehit.hotspots.rates import rank_repeats
from rehit.observed import Window
from rehit.parameters import load_parameters
from rehit.treatment.choose import choose_methods

NUMBERS = load_parameters().override({
    "contract.estimate_accuracy": 0, "contract.found_low": 0, "contract.found_likely": 0,
    "contract.found_high": 0, "contract.year_effect_sd": 0, "contract.draws": 4000,
    "contract.queue_years": 20, "contract.queue_search_years": 5})
AS_STATED = Doubt((), np.ones((0, 1)))  # one world, in which every number is what it is said to be


def replay(seed: int) -> dict[str, float]:
    """Bid and replay one town."""
    town = make_town(seed=seed, faults=False)
    register = clean_register(town)
    incidents = with_register(clean_placed_incidents(town), register)
    start, end = town.settings.start, town.settings.end
    cut = town.settings.when(2.0)
    advice = choose_methods(incidents, parameters=NUMBERS)
    jobs = contract_jobs(incidents, advice, parameters=NUMBERS)
    # A bidder is told which assets were coated or lit, and when; not whether it helped.
    treated = town.measures[town.measures["role"] == "treated"].set_index("asset_id")
    jobs["change"] = jobs["place_id"].map(treated["measure"])
    jobs["changed_at"] = jobs["place_id"].map(treated["started_at"])
    known = incidents[incidents["reported_at"] < cut].copy()
    # What was cleared later was still open when the bid was made.
    known["cleared_at"] = known["cleared_at"].where(known["cleared_at"] < cut)
    known.loc[known["cleared_at"].isna(), "status"] = "open"
    places = rank_repeats(known, register=register, window=Window(start, cut),
                          threshold_per_year=4.0, parameters=NUMBERS,
                          rng=np.random.default_rng(seed))
    bid = price_contract(jobs[jobs["reported_at"] < cut], places, window=Window(start, cut),
                         time_zone=TIME_ZONE, region="PT", parameters=NUMBERS, doubt=AS_STATED,
                         rng=np.random.default_rng([seed, 6]))
    return {"seed": seed, **outcome(bid, jobs[jobs["reported_at"] >= cut], end - cut)}


def outcome(bid: Contract, jobs: pd.DataFrame, length: pd.Timedelta) -> dict[str, float]:
    """Return where year three fell in what was bid, as a chance not exceeded."""
    inside = jobs[jobs["exclusion"] == ""]
    clock = local_clock(inside["reported_at"], time_zone=TIME_ZONE)
    days = working_days(inside["reported_at"].min(), years=2, region="PT")
    offensive = (inside["priority"] == "offensive").to_numpy()
    team, standards = bid.queue.team, bid.demand.standards
    callout = needs_callout(clock, offensive, crew_calendar(days, team=team, parameters=NUMBERS),
                            standards=standards, parameters=NUMBERS)
    minutes = inside["minutes"].to_numpy() + NUMBERS["contract.travel_minutes"]
    served = queue_year(clock, minutes, offensive, inside["method"].to_numpy(str), days, team=team,
                        standards=standards, parameters=NUMBERS)
    work = job_work(inside, callout, parameters=NUMBERS).sum()
    lines = year_cost({name: float(work[name]) for name in WORK}, capacity=bid.capacity,
                      service=service_of(replace(bid.queue, years=pd.DataFrame([served]))),
                      first_year=1.0, indices=dict.fromkeys(("labour", "materials", "plant"), 1.0),
                      parameters=NUMBERS)
    seen = {"cost": sum(lines.values()), "jobs": work["jobs"], "minutes": work["crew_minutes"]}
    bid_for = {"cost": bid.outlook.cost[:, 0], "jobs": bid.outlook.work["jobs"][:, 0],
               "minutes": bid.outlook.work["crew_minutes"][:, 0]}
    offer = bid.price("lump_sum")
    price = offer["factor"] * bid.outlook.bases["lump_sum"][:, 0].mean()
    lost = seen["cost"] + bid.off_price > price
    return {**{name: float((bid_for[name] <= value).mean()) for name, value in seen.items()},
            "ratio": float(seen["jobs"] / bid_for["jobs"].mean()),
            "spread": float(bid_for["jobs"].std() / bid_for["jobs"].mean()),
            "promised": float(offer["chance_of_loss"]), "lost": float(lost),
            "crews": team.crews, "overtime": team.overtime_hours, "days": length.days}


def main() -> int:
    """Run the towns and print the coverage."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--towns", type=int, default=100)
    parser.add_argument("--first", type=int, default=1, help="first seed")
    args = parser.parse_args()
    rows = []
    for seed in range(args.first, args.first + args.towns):
        rows.append(replay(seed))
        print({k: round(v, 3) for k, v in rows[-1].items()}, flush=True)
    table = pd.DataFrame(rows)
    for name in ("cost", "jobs", "minutes"):
        inside = table[name].between(0.1, 0.9).sum()
        print(f"{name}: inside the 80 % interval in {inside} of {len(table)} towns; below it in "
              f"{(table[name] < 0.1).sum()}, above in {(table[name] > 0.9).sum()}")
    print("chance of loss promised and met, by the price's place in the costs bid:")
    for promised in np.arange(0.9, 0.0, -0.1):
        print(f"  {promised:.0%}: {(table['cost'] > 1 - promised).mean():.0%}")
    print(f"at the lump sum asked: promised {table['promised'].mean():.1%}, "
          f"met {table['lost'].mean():.1%}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
