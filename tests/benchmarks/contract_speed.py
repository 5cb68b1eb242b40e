"""Time one contract: 4 crews, 10,000 simulated years of volume and 200 of the queue.

    python tests/benchmarks/contract_speed.py [--rate-scale 4]
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "data_demo"))

from make_demo import clean_placed_incidents, clean_register, make_town
from town.model import TIME_ZONE

from rehit.chain import with_register
from rehit.contract.price import price_contract
from rehit.contract.volume import contract_jobs
from rehit.hotspots.rates import rank_repeats
from rehit.observed import Window
from rehit.parameters import load_parameters
from rehit.treatment.choose import choose_methods


def main() -> int:
    """Price a town and print the seconds it took."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rate-scale", type=float, default=1.0, help="times the demo's volume")
    parser.add_argument("--crews", type=float, default=4.0)
    args = parser.parse_args()
    numbers = load_parameters().override({
        "contract.crews": args.crews, "contract.draws": 10_000, "contract.queue_years": 200})
    town = make_town(seed=7, faults=False, rate_scale=args.rate_scale)
    register = clean_register(town)
    incidents = with_register(clean_placed_incidents(town), register)
    places = rank_repeats(incidents, register=register,
                          window=Window(town.settings.start, town.settings.end),
                          threshold_per_year=4.0,
                          parameters=numbers, rng=np.random.default_rng(1))
    advice = choose_methods(incidents, parameters=numbers)
    jobs = contract_jobs(incidents, advice, parameters=numbers)
    began, used = time.perf_counter(), time.process_time()
    contract = price_contract(jobs, places, window=Window(town.settings.start, town.settings.end),
                              time_zone=TIME_ZONE, region="PT",
                              parameters=numbers, rng=np.random.default_rng(2))
    print(f"{contract.outlook.work['jobs'][:, 0].mean():,.0f} jobs a year, "
          f"{len(contract.outlook.cost):,} years of volume, {len(contract.queue.years)} of the "
          f"queue of {contract.queue.crews:g} crews: {time.perf_counter() - began:.1f} s, "
          f"{time.process_time() - used:.1f} s of processor time")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
