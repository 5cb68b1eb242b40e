"""A hundred towns whose unit costs, lives and rates are drawn: does the comparison keep its word?

    python tests/benchmarks/costs_calibration.py [--towns 100] [--first 1]

Each town has places of its own, with true rates drawn from the prior that a log of three years
updates, and one true world drawn from the ranges of ``doubt.csv``. Its next ten years are then
followed place by place and year by year by the simulator below, which shares no code with the
comparison: unit costs are worked out anew from the moved numbers, lives are counted marking by
marking. Printed are

- how often the true ten-year cost of today's practice, and of coating all that may be coated, lies
  inside the comparison's 80 % interval for the town;
- what the programme chosen really saves, beside coating the places hit most and beside the plain
  ranking by stated benefit over cost, all within the same money;
- how often each lost money, beside the chance the programme promised.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping

import numpy as np
import pandas as pd

from rehit.costs.doubt import draw_doubt, names_moved
from rehit.costs.lifecycle import compare_by_formula, simulated_costs
from rehit.costs.programme import choose_programme
from rehit.parameters import load_parameters

NUMBERS = load_parameters().override({"costs.programme_gap": 0.01})
SHAPE, LOG_YEARS, YEARS, PLACES = 1.2, 3.0, 10, 120
METHODS = ("paint_out", "hot_wash", "solvent_wipe")
BUDGET = 6000.0


def make_town(rng: np.random.Generator) -> tuple[pd.DataFrame, np.ndarray]:
    """Return the costing table as a log of three years tells it, and the true yearly rates."""
    mean = 1.5
    rates = rng.gamma(SHAPE, mean / SHAPE, PLACES)
    seen = rng.poisson(rates * LOG_YEARS)
    wall = rng.lognormal(2.2, 0.8, PLACES)
    return pd.DataFrame({
        "place_id": [f"P{number:03}" for number in range(PLACES)],
        "gamma_shape": SHAPE + seen, "gamma_rate_years": SHAPE / mean + LOG_YEARS,
        "mark_area_m2": np.minimum(rng.lognormal(0.0, 0.4, PLACES), wall / 3),
        "wall_area_m2": wall, "method": rng.choice(METHODS, PLACES, p=[0.55, 0.25, 0.2]),
        "coating_allowed": rng.random(PLACES) < 0.9, "access": "ground",
        "traffic_control": False}), rates


def true_numbers(rng: np.random.Generator) -> tuple[dict[str, float], dict[str, float]]:
    """Return the town's true unit costs, and the factors of what is no parameter."""
    world = draw_doubt(NUMBERS, draws=1, rng=rng)
    values = {name.removeprefix("costs."): NUMBERS[name] for name in NUMBERS
              if name.startswith("costs.")}
    factors = {cause.name: float(world.factors[at, 0]) for at, cause in enumerate(world.known)}
    for cause in world.known:
        for name in names_moved(cause, NUMBERS):
            values[name.removeprefix("costs.")] *= factors[cause.name]
    for name, cause in (("permanent_materials_per_m2", "coating_price"),
                        ("permanent_minutes_per_m2", "coating_minutes"),
                        ("permanent_life_years", "coating_life"),
                        ("permanent_life_cleanings", "coating_life"),
                        ("permanent_cleaning_share", "coating_cleaning")):
        values[name] *= factors[cause]
    return values, factors


def cleaning(n: Mapping[str, float], place: Mapping[str, float], method: str, *,
             share: float = 1.0, wear: bool = True) -> float:
    """Return what one removal costs."""
    m2 = place["mark_area_m2"]
    hours = (n[f"minutes_per_visit_{method}"] + n[f"minutes_per_m2_{method}"] * m2) / 60
    return (n["call_out"] / n["incidents_per_visit"]
            + share * (hours * n[f"crew_size_{method}"] * n["labour_per_hour"]
                       + n[f"materials_per_m2_{method}"] * m2)
            + n[f"water_l_per_m2_{method}"] * m2 * n["water_per_l"]
            + (n[f"wear_per_m2_{method}"] * m2 if wear else 0.0))


def wall_job(n: Mapping[str, float], place: Mapping[str, float], visit: float, minutes: float,
             materials: float) -> float:
    """Return what one job on the whole wall costs."""
    wall = place["wall_area_m2"]
    return (n["call_out"] + (visit + minutes * wall) / 60 * n["labour_per_hour"]
            + materials * wall)


def uncoated(n: Mapping[str, float], place: Mapping[str, float], counts: np.ndarray) -> float:
    """Return the present value of going on as today."""
    method, total = str(place["method"]), 0.0
    each = cleaning(n, place, method)
    whole = wall_job(n, place, n["repaint_minutes_per_visit"], n["repaint_minutes_per_m2"],
                     n["repaint_materials_per_m2"])
    q = place["mark_area_m2"] / place["wall_area_m2"]
    due = min(n["repaint_wall_share"], 0.999)
    patches = max(int(np.ceil(np.log(1 - due) / np.log(1 - q) - 1e-9)), 1)
    patched = 0
    for year, markings in enumerate(counts):
        middle = (1 + n["discount_rate"]) ** -(year + 0.5)
        for _ in range(int(markings)):
            patched += method == "paint_out"
            full = method == "paint_out" and patched == patches
            total += middle * (max(whole, each) if full else each)
            patched = 0 if full else patched
    return total


def coated(n: Mapping[str, float], place: Mapping[str, float], counts: np.ndarray,
           start: int) -> float:
    """Return the present value of coating in a year to come, and today's practice until then."""
    before = uncoated(n, place, counts[:start]) if start else 0.0
    cover = wall_job(n, place, n["cover_minutes_per_visit"], n["permanent_minutes_per_m2"],
                     n["permanent_materials_per_m2"])
    method = "solvent_wipe" if place["method"] == "paint_out" else str(place["method"])
    each = cleaning(n, place, method, share=n["permanent_cleaning_share"], wear=False)
    room = n["spot_share"] * place["wall_area_m2"] / place["mark_area_m2"]
    stands = max(int(n["permanent_life_cleanings"]), 1) * (
        float("inf") if room >= 16 else max(s for s in (1, 2, 4, 8) if s <= max(room, 1)))
    lasts, rate = max(round(n["permanent_life_years"]), 1), 1 + n["discount_rate"]
    total, age, used = before + cover * rate**-start, 0, 0
    for year in range(start, YEARS):
        renewed = False
        for _ in range(int(counts[year])):
            used += 1
            total += each * rate ** -(year + 0.5)
            if used >= stands:
                total, used, renewed = total + cover * rate ** -(year + 0.5), 0, True
        age = 1 if renewed else age + 1
        if age >= lasts and year + 1 < YEARS:
            total, age, used = total + cover * rate ** -(year + 1), 0, 0
    left = max(min(1 - age / lasts, 1 - used / stands), 0.0)
    return total - n["residual_share"] * left * cover * rate**-YEARS


def worst_first(costing: pd.DataFrame, first_cost: pd.Series, money: float,
                years: int) -> dict[str, int]:
    """Return the places hit most, coated year by year while the money lasts."""
    rate = costing["gamma_shape"] / costing["gamma_rate_years"]
    left, taken = [money] * years, {}
    for row in costing[costing["coating_allowed"]].index[
            np.argsort(-rate[costing["coating_allowed"]].to_numpy(), kind="stable")]:
        for year in range(years):
            if first_cost[row] <= left[year]:
                left[year] -= first_cost[row]
                taken[str(costing.loc[row, "place_id"])] = year
                break
    return taken


def town(seed: int) -> dict[str, float]:
    """Compare, choose and live through ten years in one town."""
    rng = np.random.default_rng([seed, 9])
    costing, rates = make_town(rng)
    numbers, factors = true_numbers(rng)
    counts = rng.poisson((rates * factors["markings"])[:, None], (PLACES, YEARS))
    places = costing.to_dict("records")
    going_on = np.array([uncoated(numbers, p, c) for p, c in zip(places, counts, strict=True)])
    doubt = draw_doubt(NUMBERS, draws=500, rng=rng)
    compared = compare_by_formula(costing, parameters=NUMBERS.override(
        {"costs.planned_repaint_years": 60}))
    totals = simulated_costs(
        compared.pieces, [e.weights for e in compared.expected], rows=np.arange(PLACES),
        shape=compared.shape, rate_years=compared.rate_years, draws=500, doubt=doubt,
        rng=rng).sum(axis=1)
    all_coated = sum(coated(numbers, p, c, 0) for p, c in zip(places, counts, strict=True))
    permanent = [s.name for s in compared.strategies].index("permanent_coating")

    def saved(choice: Mapping[str, int]) -> float:
        return float(sum(going_on[at] - coated(numbers, places[at], counts[at], choice[p])
                         for at, p in enumerate(costing["place_id"]) if p in choice))

    plans, promised = {}, 0.0
    only = [s for s in compared.strategies if s.name in ("remove_each_time", "permanent_coating")]
    for name, under in (("chosen", True), ("ranking", False)):
        found = choose_programme(
            costing, strategies=only, budget_per_year=BUDGET, crew_hours_per_year=1e6, years=3,
            under_doubt=under, doubt=doubt, rng=rng, parameters=NUMBERS.override(
                {"costs.planned_repaint_years": 60, "costs.draws": 500}))
        table = found.table if under else found.greedy
        plans[name] = dict(zip(table["place_id"], (table["year"] - 1).astype(int), strict=True))
        if under:
            promised, expected = found.chance_of_loss, found.saving
            ends = found.saving_low, found.saving_high
    first = pd.Series(compared.pieces[permanent].first.sum(axis=1))
    plans["worst"] = worst_first(costing, first, BUDGET, 3)
    real = {name: saved(plan) for name, plan in plans.items()}
    return {"seed": seed, "today": float((totals[0] < going_on.sum()).mean()),
            "coating": float((totals[permanent] < all_coated).mean()), "promised": promised,
            "expected": expected, "inside": float(ends[0] <= real["chosen"] <= ends[1]),
            "places": len(plans["chosen"]), **real}


def main() -> int:
    """Run the towns and print what came of the promises."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--towns", type=int, default=100)
    parser.add_argument("--first", type=int, default=1, help="first seed")
    args = parser.parse_args()
    rows = []
    for seed in range(args.first, args.first + args.towns):
        rows.append(town(seed))
        print({k: round(v, 3) for k, v in rows[-1].items()}, flush=True)
    table = pd.DataFrame(rows)
    for name in ("today", "coating"):
        inside = table[name].between(0.1, 0.9).sum()
        print(f"{name}: true ten-year cost inside the 80 % interval in {inside} of {len(table)} "
              f"towns; below it in {(table[name] < 0.1).sum()}, above in "
              f"{(table[name] > 0.9).sum()}")
    for name in ("chosen", "ranking", "worst"):
        error = table[name].std() / np.sqrt(len(table))
        print(f"{name}: saved {table[name].mean():,.0f} in the mean (standard error "
              f"{error:,.0f}), lost in {(table[name] < 0).sum()} of {len(table)} towns")
    print(f"promised: {table['expected'].mean():,.0f}, a loss in "
          f"{table['promised'].sum():.1f} of {len(table)} towns, saving inside its interval in "
          f"{table['inside'].sum():.0f}")
    for other in ("ranking", "worst"):
        gap = table["chosen"] - table[other]
        print(f"chosen less {other}: {gap.mean():,.0f} (standard error "
              f"{gap.std() / np.sqrt(len(gap)):,.0f})")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
