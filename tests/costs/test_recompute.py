"""Thirteen places, their programme and a bid against a script that imports nothing of rehit."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from rehit.contract.price import Contract, price_contract
from rehit.contract.volume import contract_jobs
from rehit.costs.lifecycle import compare_by_formula
from rehit.costs.programme import choose_programme
from rehit.observed import Window
from rehit.parameters import load_parameters

BUDGET = 1800.0
NUMBERS = load_parameters()
BID = NUMBERS.override({"contract.draws": 40_000, "contract.queue_years": 20})
METHODS = ["paint_out", "hot_wash", "solvent_wipe"]
CLASS = ["method", "size_class", "access_kind", "needs_traffic_control"]
START, END = pd.Timestamp("2023-01-01", tz="UTC"), pd.Timestamp("2026-01-01", tz="UTC")
PLACES = pd.DataFrame({
    "place_id": [f"P{i:02}" for i in range(13)],
    "gamma_shape": [6.0 + 2 * i for i in range(13)], "gamma_rate_years": 2.0,
    "mark_area_m2": [0.8 + 0.1 * i for i in range(13)],
    "wall_area_m2": [1.5, 4, 6, 8, 10, 12, 14, 5, 7, 9, 11, 30, 3],
    "method": [METHODS[i % 3] for i in range(13)], "coating_allowed": True,
    "access": "ground", "traffic_control": False})


@pytest.fixture(scope="module")
def bid() -> Contract:
    """A bid on a log of 80 ordinary markings, filed at noon on Wednesdays: no call-out."""
    rng, n = np.random.default_rng(5), 80
    weeks = np.sort(rng.integers(156, size=n))
    ids = [f"I{number}" for number in range(n)]
    incidents = pd.DataFrame({
        "incident_id": ids, "place_id": rng.choice(PLACES["place_id"], n),
        "reported_at": START + pd.to_timedelta(7 * weeks + 3.5, unit="D"),
        "priority": "ordinary", "area_m2": rng.lognormal(0, 0.7, n), "substrate": "metal",
        "finish": "bare", "medium": "spray", "heritage": False,
        "access": rng.choice(["ground", "ladder", "platform"], n, p=[0.7, 0.15, 0.15]),
        "traffic_control": rng.random(n) < 0.1})
    advice = pd.DataFrame({"incident_id": ids, "method": rng.choice(METHODS, n)})
    jobs = contract_jobs(incidents, advice, parameters=BID)
    return price_contract(jobs, PLACES, window=Window(START, END), time_zone="UTC", margin=0.12,
                          parameters=BID, rng=np.random.default_rng(2))


def given_of(bid: Contract) -> dict[str, Any]:
    """Return what the script is told: numbers, places, jobs, and what was read from the log."""
    volume, team = bid.volume, bid.queue.team
    return {
        "places": PLACES.to_dict("records"), "budget": BUDGET,
        "numbers": {name.partition(".")[2]: BID[name] for name in BID
                    if name.startswith(("costs.", "contract."))},
        "log": {"jobs": bid.jobs[[*CLASS, "area_m2"]].to_dict("records"),
                "places": PLACES[["gamma_shape", "gamma_rate_years"]].to_dict("records"),
                "years": volume.observed_years, "dispersion": volume.dispersion,
                "trend": volume.trend, "trend_sd": volume.trend_sd, "persons": team.persons,
                "crews": team.crews, "paid_hours": bid.capacity.paid_hours, "margin": bid.margin,
                "causes": [{"name": c.name, "low": c.low, "high": c.high}
                           for c in bid.doubt.known]}}


@pytest.fixture(scope="module")
def theirs(bid: Contract, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    given = tmp_path_factory.mktemp("recompute") / "given.json"
    given.write_text(json.dumps(given_of(bid)), encoding="utf-8")
    script = Path(__file__).with_name("recompute.py")
    done = subprocess.run([sys.executable, str(script), str(given)], capture_output=True,
                          text=True, check=True)
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_places_and_programme_agree_with_plain_simulation_within_half_a_per_cent(theirs) -> None:
    ours = compare_by_formula(PLACES, parameters=NUMBERS)
    for name, number in (("remove", 0), ("coat", 3)):
        assert ours.expected[number].present_value == pytest.approx(
            [p[name] for p in theirs["places"]], rel=0.005)
    only = [ours.strategies[number] for number in (0, 3)]
    found = choose_programme(PLACES, budget_per_year=BUDGET, crew_hours_per_year=1e6, years=1,
                             under_doubt=False, strategies=only, rng=np.random.default_rng(1),
                             parameters=NUMBERS.override({"costs.programme_gap": 0}))
    assert set(found.table["place_id"]) == set(theirs["chosen"])
    assert found.saving == pytest.approx(theirs["saving"], rel=0.02)  # a difference of two sums


def test_the_bid_agrees_with_plain_simulation_within_half_a_per_cent(bid, theirs) -> None:
    """The whole chain from jobs to the lump sum, every draw of it made anew."""
    queue = bid.queue.years[["late_offensive", "late_ordinary", "overtime_hours"]]
    assert (queue.to_numpy() == 0).all()
    assert not bid.callout.any()
    cost = bid.outlook.cost[:, 0]
    ours = {"jobs": bid.volume.totals[:, 0].mean(), "mean": cost.mean(),
            **{f"p{level:.0%}": np.quantile(cost, level) for level in (0.1, 0.5, 0.9)},
            "lump_sum": bid.price("lump_sum")["price_per_year"]}
    assert ours == pytest.approx(theirs["bid"], rel=0.005)
    assert ours["lump_sum"] > ours["mean"]
