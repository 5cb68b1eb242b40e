"""A policy's year foretold and come: learnt on the first two years of invented towns, held against
the third.

    python tests/studies/policy_replay.py [--towns 100] [--first 1] [--assets 400] [--standard 1.0]

Prints in how many towns the third year's markings, cost, share in time and days that markings wait
lie inside the 80 % intervals lived through. With ``--standard`` below 1 the town's crews clear in
that share of their times from the third year on: what is foretold is then the change from today's
practice, and it is held against the change that came, the same town with and without it.

Unit costs are those stated, volumes do not drift and every marking is reported in these towns, so
no world of the cost numbers is drawn, years differ by bursts alone and nothing is left unreported,
as in the replay of the contract.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from rehit.chain import Chain
from rehit.costs.doubt import Doubt
from rehit.costs.rates import cleaning_lines
from rehit.costs.strategies import BASELINE
from rehit.observed import Window
from rehit.outputs.whatif import Lab, set_up_lab
from rehit.policy.answers import in_all
from rehit.policy.policies import TODAY, Policy
from rehit.project import load_project

DEMO = Path(__file__).parents[2] / "data_demo"
NUMBERS = {"contract.found_low": 0.0, "contract.found_likely": 0.0, "contract.found_high": 0.0,
           "contract.year_effect_sd": 0.0, "patrol.report_days": 0.5, "policy.report_days_sd": 0.0}
AS_STATED = Doubt((), np.ones((0, 1)))
YEARS_KNOWN = 2.0
LEVELS = (0.1, 0.9)


def chain_of(seed: int, assets: int, folder: Path, standard: float) -> Chain:
    """Return the chain of an invented town, whose waits shrink to a share after two years."""
    sys.path.insert(0, str(DEMO))
    import town.simulate
    from make_demo import make_town, write_town

    handle = town.simulate._handle

    def quicker(marked: np.ndarray, heritage: np.ndarray,
                rng: np.random.Generator) -> tuple[np.ndarray, ...]:
        marked, reported, cleared, offensive = handle(marked, heritage, rng)
        share = np.where((marked >= YEARS_KNOWN * 365.25) & ~offensive, standard, 1.0)
        return marked, reported, reported + share * (cleared - reported), offensive

    town.simulate._handle = quicker
    try:
        write_town(make_town(seed=seed, n_assets=assets, faults=False), folder)
    finally:
        town.simulate._handle = handle
    shutil.copy(DEMO / "mapping.toml", folder)
    if not (folder / "rehit.toml").exists():
        shutil.copy(DEMO / "rehit.toml", folder)
    return Chain(load_project(folder)).with_parameters(NUMBERS)


def learnt(chain: Chain, cut: pd.Timestamp, draws: int) -> Lab:
    """Return the lab as it would have been set up at the cut."""
    incidents = chain.incidents
    known = incidents[incidents["reported_at"] < cut].copy()
    known["cleared_at"] = known["cleared_at"].where(known["cleared_at"] < cut)
    known.loc[known["cleared_at"].isna(), "status"] = "open"
    window = Window(chain.cleaned.window.start, cut)
    works = chain.works
    assert works is not None
    before = chain.given(incidents=known, doubt=AS_STATED,
                         cleaned=replace(chain.cleaned, window=window),
                         works=works[pd.to_datetime(works["done_at"], utc=True) < cut])
    return set_up_lab(before, n_policies=2, years=1, draws=draws)


def came(chain: Chain, lab: Lab, cut: pd.Timestamp) -> dict[str, float]:
    """Return what the third year brought, by the rules by which it was foretold."""
    end = cut + pd.Timedelta(days=365.25)
    year = chain.incidents[chain.incidents["reported_at"].between(cut, end)]
    waits = (year["cleared_at"] - year["reported_at"]).dt.total_seconds() / 86_400
    midnight = cut.tz_convert(chain.project.time_zone).normalize()
    at = (year["reported_at"] - midnight).dt.total_seconds().to_numpy() / 86_400
    days, hours_as_days = lab.patch.standards(Policy(name=TODAY))
    due = np.where(year["priority"].eq("offensive"), hours_as_days,
                   lab.patch.practice.clock.end_of(np.array([days]), at) - at)
    return {"reported": float(len(year)), "cost": cost_of(chain, year),
            "share_in_time": float((waits <= due)[waits.notna()].mean()),
            # Some are closed without a date: they are taken to have waited as long as the others.
            "waiting_days": float(waits.mean() * len(year))}


def cost_of(chain: Chain, year: pd.DataFrame) -> float:
    """Return what clearing these incidents comes to at the stated unit costs."""
    rows = year.merge(chain.advice[["incident_id", "method"]], on="incident_id")
    known = chain.costing.set_index("place_id")
    placed = rows[rows["place_id"].isin(known.index)]
    table = known.loc[placed["place_id"]].reset_index()
    area = placed["area_m2"].to_numpy(float)
    table["mark_area_m2"] = np.where(np.isnan(area), table["mark_area_m2"], area)
    baseline = next(each for each in chain.strategies if each.name == BASELINE)
    lines = cleaning_lines(table, baseline, parameters=chain.cost_parameters).sum(axis=1)
    return float(lines.mean() * len(rows)) if len(lines) else 0.0


def foretold(lab: Lab, policy: Policy) -> dict[str, np.ndarray]:
    """Return the same figures in each world."""
    lived, = lab.live((policy,))
    measures, = lab.measured([lived])
    # Jobs cleared in the year stand for markings reported in it.
    return {"reported": lived.sums["reported"][0], "cost": in_all(measures, "cost"),
            "share_in_time": in_all(measures, "share_in_time"),
            "waiting_days": lived.sums["waiting_days"][0]}


def replay(seed: int, *, assets: int, draws: int, standard: float) -> dict[str, Any]:
    """Foretell one town's third year, and hold it against what came."""
    with tempfile.TemporaryDirectory() as folder:
        plain = chain_of(seed, assets, Path(folder) / "plain", 1.0)
        cut = plain.cleaned.window.start + pd.Timedelta(days=365.25 * YEARS_KNOWN)
        lab = learnt(plain, cut, draws)
        seen, said = came(plain, lab, cut), foretold(lab, Policy(name=TODAY))
        if standard == 1:
            return {"seed": seed, **{name: float((said[name] <= value).mean())
                                     for name, value in seen.items()},
                    **{f"ratio_{name}": value / float(said[name].mean())
                       for name, value in seen.items()}}
        changed = came(chain_of(seed, assets, Path(folder) / "changed", standard), lab, cut)
        days = lab.patch.practice.ordinary_working_days * standard
        quick = foretold(lab, Policy(name="quick", ordinary_working_days=days))
        return {"seed": seed, **{
            f"{name}_{what}": value for name in seen for what, value in (
                ("came", changed[name] - seen[name]),
                ("said", float((quick[name] - said[name]).mean())))}}


def main() -> int:
    """Replay the towns and print the coverage."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--towns", type=int, default=100)
    parser.add_argument("--first", type=int, default=1, help="first seed")
    parser.add_argument("--assets", type=int, default=400)
    parser.add_argument("--draws", type=int, default=200)
    parser.add_argument("--standard", type=float, default=1.0)
    args = parser.parse_args()
    rows = []
    for seed in range(args.first, args.first + args.towns):
        rows.append(replay(seed, assets=args.assets, draws=args.draws, standard=args.standard))
        print({k: round(v, 3) for k, v in rows[-1].items()}, flush=True)
    table = pd.DataFrame(rows)
    if args.standard != 1:
        print(table.drop(columns="seed").mean().round(3).to_string())
        return 0
    for name in ("reported", "cost", "share_in_time", "waiting_days"):
        print(f"{name}: inside the 80 % interval in {table[name].between(*LEVELS).sum()} of "
              f"{len(table)}; below it {(table[name] < LEVELS[0]).sum()}, above "
              f"{(table[name] > LEVELS[1]).sum()}; came over said "
              f"{table[f'ratio_{name}'].mean():.3f}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
