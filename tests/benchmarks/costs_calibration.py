"""A hundred towns whose unit costs, lives and rates are drawn: does the comparison keep its word?

    python tests/benchmarks/costs_calibration.py [--towns 100] [--first 1] [--lives 10]

Each town has places of its own and a log of three years. What the log leaves open, the true rates
and one true world of the ranges of ``doubt.csv``, is drawn some times over; each time the next ten
years are followed place by place and year by year by the simulator below, which shares no code with
the comparison: unit costs are worked out anew from the moved numbers, lives are counted marking by
marking. Printed are

- how often the true ten-year cost of today's practice, and of coating all that may be coated, lies
  inside the comparison's 80 % interval for the town;
- what the programme chosen really saves, beside coating the places hit most and beside the plain
  ranking by benefit over cost (as stated, and as expected in doubt), all within the same money;
- how often each lost money, beside the chance the programme promised.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping

import numpy as np
import pandas as pd

from rehit.costs.doubt import Doubt, draw_doubt, names_moved
from rehit.costs.lifecycle import Comparison, compare_by_formula, simulated_costs
from rehit.costs.programme import Programme, choose_programme
from rehit.parameters import load_parameters

NUMBERS = load_parameters().override({"costs.programme_gap": 0.01,
                                      "costs.planned_repaint_years": 60})
SHAPE, LOG_YEARS, YEARS, PLACES, DRAWS = 1.2, 3.0, 10, 120, 500
METHODS = ("paint_out", "hot_wash", "solvent_wipe")
BUDGET = 6000.0
RIVALS = ("chosen", "ranking", "ranking_in_doubt", "worst")


def make_town(rng: np.random.Generator) -> pd.DataFrame:
    """Return the costing table as a log of three years tells it."""
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
        "traffic_control": False})


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
    hours = (n[f"minutes_per_visit_{method}"] + n[f"minutes_per_m2_{method}"]
             * m2 ** n[f"minutes_area_power_{method}"]) / 60
    return (n["call_out"] / n["incidents_per_visit"]
            + share * (hours * n[f"crew_size_{method}"] * n["labour_per_hour"]
                       + n[f"materials_per_m2_{method}"] * m2)
            + n[f"water_l_per_m2_{method}"] * m2 * n["water_per_l"]
            + (n[f"wear_per_m2_{method}"] * m2 if wear else 0.0))


def wall_job(n: Mapping[str, float], place: Mapping[str, float], visit: float, minutes: float,
             materials: float, visits: float = 1.0) -> float:
    """Return what one job on the whole wall costs."""
    wall = place["wall_area_m2"]
    return (n["call_out"] * visits + (visit + minutes * wall) / 60 * n["labour_per_hour"]
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
    visits = n["permanent_visits"]
    set_up = n["cover_minutes_per_visit"] + (visits - 1) * n["cover_again_minutes_per_visit"]
    cover = wall_job(n, place, set_up, n["permanent_minutes_per_m2"],
                     n["permanent_materials_per_m2"], visits)
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


def choices(costing: pd.DataFrame, compared: Comparison, doubt: Doubt,
            rng: np.random.Generator) -> tuple[Programme, dict[str, dict[str, int]]]:
    """Return the programme, and it and its rivals as the year (from 0) of each place coated."""
    only = [s for s in compared.strategies if s.name in ("remove_each_time", "permanent_coating")]
    found, stated = (choose_programme(
        costing, strategies=only, budget_per_year=BUDGET, crew_hours_per_year=1e6, years=3,
        under_doubt=under, doubt=doubt, rng=rng,
        parameters=NUMBERS.override({"costs.draws": DRAWS})) for under in (True, False))
    plans = {name: dict(zip(table["place_id"], (table["year"] - 1).astype(int), strict=True))
             for name, table in (("chosen", found.table), ("ranking", stated.greedy),
                                 ("ranking_in_doubt", found.greedy))}
    permanent = [s.name for s in compared.strategies].index("permanent_coating")
    first = pd.Series(compared.pieces[permanent].first.sum(axis=1))
    return found, plans | {"worst": worst_first(costing, first, BUDGET, 3)}


def live(costing: pd.DataFrame, plans: Mapping[str, Mapping[str, int]],
         rng: np.random.Generator) -> dict[str, float]:
    """Return what ten years in one true world cost, and what each plan saved in it."""
    numbers, factors = true_numbers(rng)
    rates = rng.gamma(costing["gamma_shape"], 1 / costing["gamma_rate_years"])
    counts = rng.poisson((rates * factors["markings"])[:, None], (len(costing), YEARS))
    places = costing.to_dict("records")
    going_on = [uncoated(numbers, p, c) for p, c in zip(places, counts, strict=True)]
    saved = {name: sum(going_on[at] - coated(numbers, places[at], counts[at], plan[p])
                       for at, p in enumerate(costing["place_id"]) if p in plan)
             for name, plan in plans.items()}
    return {"today": sum(going_on), **saved, "coating": sum(
        coated(numbers, p, c, 0) for p, c in zip(places, counts, strict=True))}


def town(seed: int, lives: int) -> pd.DataFrame:
    """Compare and choose in one town, and live through its ten years some times over.

    What the log leaves open is drawn anew for each life, as the log allows: the rates of the
    places, the unit costs and lives, and the markings to come.
    """
    rng = np.random.default_rng([seed, 9])
    costing = make_town(rng)
    doubt = draw_doubt(NUMBERS, draws=DRAWS, rng=rng)
    compared = compare_by_formula(costing, parameters=NUMBERS)
    totals = simulated_costs(
        compared.pieces, [e.weights for e in compared.expected], rows=np.arange(PLACES),
        shape=compared.shape, rate_years=compared.rate_years, draws=DRAWS, doubt=doubt,
        rng=rng).sum(axis=1)
    found, plans = choices(costing, compared, doubt, rng)
    table = pd.DataFrame([live(costing, plans, rng) for _ in range(lives)])
    names = [s.name for s in compared.strategies]
    for name, strategy in (("today", "remove_each_time"), ("coating", "permanent_coating")):
        table[name] = [(totals[names.index(strategy)] < true).mean() for true in table[name]]
    return table.assign(
        seed=seed, promised=found.chance_of_loss, expected=found.saving,
        inside=table["chosen"].between(found.saving_low, found.saving_high),
        places=len(found.table), lost=table["chosen"] < 0)


def report(table: pd.DataFrame) -> None:
    """Print what came of the promises; a town's lives count as one in every standard error."""
    towns = table.groupby("seed").mean()

    def mean(values: pd.Series) -> str:
        return f"{values.mean():,.0f} (standard error {values.std() / len(values) ** 0.5:,.0f})"

    once = table.groupby("seed").first()
    for name in ("today", "coating"):
        print(f"{name}: true ten-year cost inside the 80 % interval in "
              f"{once[name].between(0.1, 0.9).sum()} of {len(once)} towns (first lives), "
              f"{table[name].between(0.1, 0.9).mean():.1%} of all lives; below it "
              f"{(table[name] < 0.1).mean():.1%}, above {(table[name] > 0.9).mean():.1%}")
    for name in RIVALS:
        print(f"{name}: saved {mean(towns[name])}, lost in {(table[name] < 0).mean():.1%}")
        if name != "chosen":
            print(f"  chosen less {name}: {mean(towns['chosen'] - towns[name])}")
    print(f"promised: saving {towns['expected'].mean():,.0f}, a loss in "
          f"{towns['promised'].mean():.1%} (at most {towns['promised'].max():.1%}), met "
          f"{towns['lost'].mean():.1%}; saving inside its interval in {towns['inside'].mean():.1%}")


def main() -> int:
    """Run the towns and print what came of the promises."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--towns", type=int, default=100)
    parser.add_argument("--first", type=int, default=1, help="first seed")
    parser.add_argument("--lives", type=int, default=10, help="ten-year lives lived in each town")
    args = parser.parse_args()
    report(pd.concat([town(seed, args.lives)
                      for seed in range(args.first, args.first + args.towns)]))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
