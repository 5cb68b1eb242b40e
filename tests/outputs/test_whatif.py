"""`rehit whatif` on a small invented town, from the log to the two pages."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from made_town import write_small_town

from rehit.chain import Chain
from rehit.cli import main
from rehit.outputs.whatif import set_up_lab
from rehit.policy.policies import Policy
from rehit.project import load_project

POLICIES = """
[clear_in_a_day]
ordinary_working_days = 1

["<b>=1+1"]
hours_share = 0.05
"""


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A project folder of a town of 120 assets, with two policies of its own."""
    folder = tmp_path_factory.mktemp("town")
    write_small_town(folder, n_assets=120)
    (folder / "policies.toml").write_text(POLICIES, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def out(town: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("out") / "results"
    assert main(["whatif", str(town), "--out", str(folder), "--draws", "50", "--years", "2",
                 "--policies", str(town / "policies.toml")]) == 0
    return folder


def test_tables_sentences_and_two_pages_are_written(out: Path) -> None:
    names = {path.name for path in out.iterdir()}
    assert {"policies.csv", "policies_against_today.csv", "policies_cost_and_days.csv",
            "policies_best.csv", "policies_to_measure.csv", "policies_quick_clearance.csv",
            "policies_summary.pdf", "summary.json"} <= names
    assert (out / "policies_summary.pdf").read_bytes().count(b"/Type /Page\n") in (0, 2)
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert summary["policies"] == ["today", "clear_in_a_day", "<b>=1+1"]
    assert summary["sentences"][1].startswith("clear in a day: ")
    table = pd.read_csv(out / "policies_against_today.csv")
    days = table[table["measure"] == "days that markings stand"].set_index("policy")["average"]
    assert days["clear in a day"] < 0 < days["<b>=1+1"]


def test_what_today_clears_is_the_one_total_that_costs_start_from(town: Path) -> None:
    chain = Chain(load_project(town))
    lab = set_up_lab(chain, n_policies=1, years=1, draws=200)
    sure = lab.worlds.level / lab.worlds.level.mean()
    today, = lab.live((Policy(name="today"),))
    known = today.cleanings[0, :, :-1].sum(axis=1) / sure[:, 0]
    expected = chain.expected_work.set_index("place_class")["expected_per_year"]
    level = float(lab.worlds.level.mean())
    assert known.mean() / level == pytest.approx(expected["known"], rel=0.03)
    loose = today.cleanings[0, :, -1].mean() / level
    assert loose == pytest.approx(expected["new"] + expected["unplaced"], rel=0.2, abs=0.3)


def test_a_cleaning_costs_what_the_comparison_says(town: Path) -> None:
    chain = Chain(load_project(town))
    lab = set_up_lab(chain, n_policies=1, years=1, draws=50)
    rate = (chain.costing["gamma_shape"] / chain.costing["gamma_rate_years"]).to_numpy()
    known = chain.expected_work.set_index("place_class").loc["known", "cost_per_year"]
    assert rate @ lab.prices.cleaning[:-1].sum(axis=1) == pytest.approx(known, rel=0.02)


@pytest.mark.parametrize(("options", "said"), [
    (["--years", "0"], "--years: got '0'; allowed: a number from 1 to 20"),
    (["--worth-of-day", "-1"], "--worth-of-day"),
    (["--policies", "nowhere.toml"], "nowhere.toml"),
    (["--scheduler", "tcp://127.0.0.1:1"], "--scheduler")])
def test_what_cannot_be_ends_in_a_sentence(town: Path, options: list[str], said: str,
                                           capsys: pytest.CaptureFixture[str],
                                           monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rehit.region.run.PATIENCE_S", 1)
    assert main(["whatif", str(town), *options]) == 2
    told = capsys.readouterr().err
    assert said in told
    assert "Traceback" not in told


def test_worlds_are_drawn_once_and_are_the_same_each_time(town: Path) -> None:
    one, two = (set_up_lab(Chain(load_project(town)), n_policies=2, years=1, draws=50)
                for _ in range(2))
    assert np.array_equal(one.worlds.rates, two.worlds.rates)
    assert one.seed == two.seed
