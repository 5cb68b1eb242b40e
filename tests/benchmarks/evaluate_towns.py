"""Does the verdict keep its word? Seeded towns with no effect planted, and with one.

Run by hand from the root:
``python tests/benchmarks/evaluate_towns.py [towns] [first seed] [level]``. The level is the
coverage asked of the intervals (default: that of a verdict). Prints how often an effect is reported
where none was planted (at most 5 of 100 allowed), and how often the planted ratio lies inside the
interval.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "data_demo"))

from make_demo import clean_placed_incidents, make_town

from rehit.hotspots.evaluate import evaluate_measure
from rehit.hotspots.rates import rank_repeats
from rehit.observed import Window
from rehit.parameters import Parameters, load_parameters


def judged(town, placed, measure: str, numbers: Parameters):
    plan = town.measures[town.measures["measure"] == measure]
    return evaluate_measure(
        placed, treated_ids=plan.loc[plan["role"] == "treated", "asset_id"],
        comparison_ids=plan.loc[plan["role"] == "comparison", "asset_id"],
        started_at=plan["started_at"].iloc[0],
        window=Window(town.settings.start, town.settings.end), parameters=numbers)


def coverage(town, placed, seed: int) -> float:
    ranked = rank_repeats(placed, register=town.register,
                          window=Window(town.settings.start, town.settings.end),
                          rng=np.random.default_rng(seed))
    true = town.rates.set_index("asset_id")["rate_per_year"].reindex(ranked["place_id"]).to_numpy()
    return float(((true >= ranked["rate_low"]) & (true <= ranked["rate_high"])).mean())


def main(towns: int, first_seed: int, level: float) -> None:
    numbers = load_parameters().override({"hotspots.verdict_level": level})
    wrong = {"coating": 0, "lighting": 0}
    inside = {"coating": 0, "lighting": 0}
    found = planted_inside = 0
    covered = []
    for seed in range(first_seed, first_seed + towns):
        for planted in (1.0, 0.5):
            town = make_town(seed=seed, coating_effect=planted, lighting_effect=1.0)
            placed = clean_placed_incidents(town)
            if planted == 1.0:
                covered.append(coverage(town, placed, seed))
                for measure in wrong:
                    seen = judged(town, placed, measure, numbers)
                    wrong[measure] += seen.verdict != "can't tell"
                    inside[measure] += seen.low <= 1.0 <= seen.high
            else:
                seen = judged(town, placed, "coating", numbers)
                found += seen.verdict == "worked"
                planted_inside += seen.low <= planted <= seen.high
    print(f"towns: {towns}, seeds from {first_seed}, intervals of {100 * level:g} %")
    print(f"effect reported where none was planted: {wrong}; 1 inside the interval: {inside}")
    print(f"planted ratio 0.5: reported as worked {found}, inside the interval {planted_inside}")
    print(f"90 % rate intervals hold the true rate of {np.mean(covered):.3f} of assets "
          f"(towns from {min(covered):.3f} to {max(covered):.3f})")


if __name__ == "__main__":
    usual = ("100", "0", str(load_parameters()["hotspots.verdict_level"]))
    given = (*sys.argv[1:4], *usual[len(sys.argv) - 1:])
    main(int(given[0]), int(given[1]), float(given[2]))
