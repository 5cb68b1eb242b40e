"""Costs of places, the best programme and a bid worked out again by plain simulation: numpy only.

    python recompute.py INPUT.json

Nothing of rehit is imported. The input holds numbers, places and jobs as rehit was given them; the
output, as JSON, the mean present values by place, the programme found by trying every subset, and
the first year's cost and lump sum of a bid whose crews are never short of time.
"""

from __future__ import annotations

import json
import sys
from itertools import product
from statistics import NormalDist

import numpy as np

DRAWS, YEARS, BID_DRAWS = 200_000, 10, 100_000


def cleaning(n, place, method, *, share=1.0, wear=True, area=None):
    """One cleaning of one marking."""
    m2 = place["mark_area_m2"] if area is None else area
    hours = (n[f"minutes_per_visit_{method}"] + n[f"minutes_per_m2_{method}"]
             * m2 ** n[f"minutes_area_power_{method}"]) / 60
    cost = n["call_out"] / n["incidents_per_visit"]
    cost += share * hours * n[f"crew_size_{method}"] * n["labour_per_hour"]
    cost += share * n[f"materials_per_m2_{method}"] * m2
    cost += n[f"water_l_per_m2_{method}"] * m2 * n["water_per_l"]
    return cost + (n[f"wear_per_m2_{method}"] * m2 if wear else 0.0)


def wall_job(n, place, visit, minutes, materials, visits=1):
    """One job on the whole wall."""
    hours = (visit + minutes * place["wall_area_m2"]) / 60
    return (n["call_out"] * visits + hours * n["labour_per_hour"]
            + materials * place["wall_area_m2"])


def futures(place, rng):
    """Markings of each year in many futures."""
    rate = rng.gamma(place["gamma_shape"], 1 / place["gamma_rate_years"], DRAWS)
    return rng.poisson(rate[:, None], (DRAWS, YEARS))


def today(n, place, counts):
    """Present value of today's practice."""
    middle = (1 + n["discount_rate"]) ** -(np.arange(YEARS) + 0.5)
    method = place["method"]
    if method != "paint_out":
        return (counts @ middle).mean() * cleaning(n, place, method)
    q, due = place["mark_area_m2"] / place["wall_area_m2"], n["repaint_wall_share"]
    if q >= due:
        return (counts @ middle).mean() * cleaning(n, place, method, area=place["wall_area_m2"])
    one = cleaning(n, place, method)
    patches = int(np.ceil(np.log(1 - due) / np.log(1 - q) - 1e-9))
    so_far = counts.cumsum(axis=1) // patches
    repaints = np.diff(so_far, axis=1, prepend=0)
    # Line by line the full repaint costs at least as much as the patch whose place it takes.
    calls = n["call_out"] - n["call_out"] / n["incidents_per_visit"]
    labour = ((n["repaint_minutes_per_visit"] + n["repaint_minutes_per_m2"] * place["wall_area_m2"])
              - (n["minutes_per_visit_paint_out"] + n["minutes_per_m2_paint_out"]
                 * place["mark_area_m2"] ** n["minutes_area_power_paint_out"])
              * n["crew_size_paint_out"]) / 60 * n["labour_per_hour"]
    paint = (n["repaint_materials_per_m2"] * place["wall_area_m2"]
             - n["materials_per_m2_paint_out"] * place["mark_area_m2"])
    more = max(calls, 0) + max(labour, 0) + max(paint, 0)
    return (counts @ middle).mean() * one + (repaints @ middle).mean() * more


def coated(n, place, counts):
    """First cost and present value of the lasting coating."""
    visits = n["permanent_visits"]
    set_up = n["cover_minutes_per_visit"] + (visits - 1) * n["cover_again_minutes_per_visit"]
    first = wall_job(n, place, set_up, n["permanent_minutes_per_m2"],
                     n["permanent_materials_per_m2"], visits)
    method = "solvent_wipe" if place["method"] == "paint_out" else place["method"]
    one = cleaning(n, place, method, share=n["permanent_cleaning_share"], wear=False)
    room = n["spot_share"] * place["wall_area_m2"] / place["mark_area_m2"]
    spots = max(s for s in (1, 2, 4, 8) if s <= max(room, 1))
    life = np.inf if room >= 16 else n["permanent_life_cleanings"] * spots
    age, used, cost = np.zeros(DRAWS), np.zeros(DRAWS), np.full(DRAWS, first)
    for year in range(YEARS):
        middle, end = ((1 + n["discount_rate"]) ** -(year + p) for p in (0.5, 1.0))
        used += counts[:, year]
        renewed = np.floor(used / life)
        used -= renewed * (0 if np.isinf(life) else life)
        cost += middle * (one * counts[:, year] + first * renewed)
        age = np.where(renewed > 0, 1, age + 1)
        worn = (age >= n["permanent_life_years"]) & (year + 1 < YEARS)
        cost += end * first * worn
        age, used = np.where(worn, 0, age), np.where(worn, 0, used)
    unused = np.minimum(1 - age / n["permanent_life_years"], 1 - used / life).clip(0)
    return first, (cost - end * first * n["residual_share"] * unused).mean()


def job_costs(n, job, area):
    """What one job needs besides people and the vehicle: materials, water, equipment."""
    method = job["method"]
    hours = (n[f"minutes_per_visit_{method}"] + n[f"minutes_per_m2_{method}"]
             * area ** n[f"minutes_area_power_{method}"]) / 60
    traffic = n["traffic_control"] + n["traffic_control_per_hour"] * max(hours - 1, 0)
    return (n[f"materials_per_m2_{method}"] * area,
            n[f"water_l_per_m2_{method}"] * area * n["water_per_l"],
            {"ground": 0, "ladder": n["access_ladder"], "platform": n["access_platform"]}[
                job["access_kind"]] + traffic * job["needs_traffic_control"])


def bursts_of(mean, dispersion, rng):
    """Poisson means that vary as much as counts of that dispersion ask for."""
    return rng.gamma(mean / (dispersion - 1), dispersion - 1)


def yearly_means(n, log, worlds, rng):
    """Mean jobs reported in the first contract year, in every future."""
    jobs, places, draws = log["jobs"], log["places"], BID_DRAWS
    shape, years = (np.array([p[k] for p in places]) for k in ("gamma_shape", "gamma_rate_years"))
    spread = (shape / years**2).sum() / (shape / years).sum()**2
    spread += (log["dispersion"] - 1) / len(jobs)
    ahead = log["years"] / 2 + 0.5
    return (len(jobs) / log["years"] * rng.gamma(1 / spread, spread, draws)
            * np.exp(rng.normal(log["trend"], log["trend_sd"], draws) * ahead
                     + rng.normal(0, n["year_effect_sd"], draws)) * worlds["markings"])


def bid(n, log, rng):
    """First-year cost in every future, and the lump sum that keeps the margin often enough."""
    draws, jobs = BID_DRAWS, log["jobs"]
    worlds = {c["name"]: rng.triangular(c["low"], 1, c["high"], draws) for c in log["causes"]}
    bursts = bursts_of(yearly_means(n, log, worlds, rng), log["dispersion"], rng)
    share = rng.triangular(n["found_low"], n["found_likely"], n["found_high"], draws)
    kinds = [tuple(job[k] for k in ("method", "size_class", "access_kind",
                                    "needs_traffic_control")) for job in jobs]
    sizes = {kind: kinds.count(kind) for kind in dict.fromkeys(kinds)}
    mix = {kind: rng.gamma(size / log["dispersion"], 1, draws) for kind, size in sizes.items()}
    whole = sum(mix.values())
    count, sums = np.zeros(draws), np.zeros((3, draws))
    for job, kind in zip(jobs, kinds, strict=True):
        usual = bursts * mix[kind] / whole / sizes[kind]
        for mean, area in ((usual, job["area_m2"]),
                           (usual * share, job["area_m2"] * n["found_area_ratio"])):
            came = rng.poisson(mean)
            count += came
            sums += came * np.array(job_costs(n, job, area))[:, None]
    pay = log["persons"] * log["paid_hours"] * n["labour_per_hour"] * (1 + n["leave_cover_share"])
    own = log["crews"] * n["vehicle_per_crew"] + n["standing_per_year"] + n["mobilisation"]
    out_by = n["estimate_accuracy"] / NormalDist().inv_cdf((1 + n["estimate_confidence"]) / 2)
    cost = (1 + n["overhead_share"]) * (
        pay * worlds["labour"] + own * np.exp(rng.normal(0, out_by, draws))
        + count * n["vehicle_per_job"] * worlds["call_out"] + sums[0] * worlds["materials"]
        + sums[1] * worlds["wash_water"] + sums[2] * worlds["site"])
    off = n["supervision_share"] + n["insurance_share"] + n["bond_share"] * n["bond_rate"]
    return {"jobs": count.mean(), "mean": cost.mean(),
            **{f"p{level:.0%}": np.quantile(cost, level) for level in (0.1, 0.5, 0.9)},
            "lump_sum": np.quantile(cost, n["price_level"]) / (1 - log["margin"] - off)}


def main(path):
    """Work everything out."""
    with open(path, encoding="utf-8") as source:
        given = json.load(source)
    rng, n = np.random.default_rng(7), given["numbers"]
    found = []
    for place in given["places"]:
        counts = futures(place, rng)
        first, covered = coated(n, place, counts)
        found.append({"place_id": place["place_id"], "remove": today(n, place, counts),
                      "coat": covered, "first": first})
    saving = np.array([f["remove"] - f["coat"] for f in found])
    cost = np.array([f["first"] for f in found])
    takes = np.array(list(product([0, 1], repeat=len(found))))
    worth = np.where(takes @ cost <= given["budget"], takes @ saving, -np.inf)
    best = int(worth.argmax())
    offer = bid(n, given["log"], rng)
    chosen = [f["place_id"] for f, take in zip(found, takes[best], strict=True) if take]
    json.dump({"bid": {name: float(value) for name, value in offer.items()}, "places": found,
               "saving": float(worth[best]), "chosen": chosen}, sys.stdout)


if __name__ == "__main__":
    main(sys.argv[1])
