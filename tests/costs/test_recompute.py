"""Thirteen places and their programme against a script that imports nothing of rehit."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from rehit.costs.lifecycle import compare_by_formula
from rehit.costs.programme import choose_programme
from rehit.parameters import load_parameters

BUDGET = 1800.0


def test_places_and_programme_agree_with_plain_simulation_within_half_a_per_cent(
        tmp_path: Path) -> None:
    numbers = load_parameters()
    methods = ["paint_out", "hot_wash", "solvent_wipe"]
    places = pd.DataFrame({
        "place_id": [f"P{i:02}" for i in range(13)],
        "gamma_shape": [6.0 + 2 * i for i in range(13)], "gamma_rate_years": 2.0,
        "mark_area_m2": [0.8 + 0.1 * i for i in range(13)],
        "wall_area_m2": [1.5, 4, 6, 8, 10, 12, 14, 5, 7, 9, 11, 30, 3],
        "method": [methods[i % 3] for i in range(13)], "coating_allowed": True,
        "access": "ground", "traffic_control": False})
    given = tmp_path / "given.json"
    given.write_text(json.dumps({
        "places": places.to_dict("records"), "budget": BUDGET,
        "numbers": {name.removeprefix("costs."): numbers[name] for name in numbers
                    if name.startswith("costs.")}}), encoding="utf-8")
    script = Path(__file__).with_name("recompute.py")
    done = subprocess.run([sys.executable, str(script), str(given)], capture_output=True,
                          text=True, check=True)
    theirs = json.loads(done.stdout)
    ours = compare_by_formula(places, parameters=numbers)
    for name, number in (("remove", 0), ("coat", 3)):
        assert ours.expected[number].present_value == pytest.approx(
            [p[name] for p in theirs["places"]], rel=0.005)
    found = choose_programme(places, budget_per_year=BUDGET, crew_hours_per_year=1e6, years=1,
                             under_doubt=False, strategies=None, rng=np.random.default_rng(1),
                             parameters=numbers.override({"costs.programme_gap": 0}))
    permanent = found.table[found.table["strategy"] == "permanent_coating"]
    assert set(permanent["place_id"]) == set(theirs["chosen"]) == set(found.table["place_id"])
    assert found.saving == pytest.approx(theirs["saving"], rel=0.02)  # a difference of two sums
