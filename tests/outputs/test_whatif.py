"""`rehit whatif` on a small invented town, from the log to the two pages."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from distributed import Client, LocalCluster
from invented_patch import make_patch
from made_town import write_small_town
from whole_town import LACKS, make_whole_town

from rehit.chain import Chain
from rehit.cli import main
from rehit.errors import SettingError, TableError
from rehit.outputs.whatif import draws_that_end, set_up_lab
from rehit.parameters import load_parameters
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


def test_workers_of_a_scheduler_find_the_same_to_the_byte(
        town: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rehit.outputs.whatif.MOST_DRAWS", 20)  # so that there are three batches
    options = ["--draws", "50", "--years", "1", "--policies", str(town / "policies.toml")]
    assert main(["whatif", str(town), "--out", str(tmp_path / "here"), *options]) == 0
    with LocalCluster(n_workers=2, threads_per_worker=1, host="127.0.0.1",
                      dashboard_address="127.0.0.1:0",
                      scheduler_kwargs={"dashboard": False}) as cluster:
        assert main(["whatif", str(town), "--out", str(tmp_path / "there"), *options,
                     "--scheduler", cluster.scheduler_address]) == 0
        with Client(cluster) as client:
            done = client.run_on_scheduler(
                lambda dask_scheduler: dask_scheduler.transition_counter)
    assert done > 0  # the workers did have work
    tables = sorted(path.name for path in (tmp_path / "here").glob("*.csv"))
    assert len(tables) == 6
    for name in tables:
        assert (tmp_path / "here" / name).read_bytes() == (
            tmp_path / "there" / name).read_bytes(), name


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
    (["--set", "policy.least_days=1460"], "allowed: a log over 1,460 days at least"),
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


def test_a_log_without_one_known_place_is_lived_through(tmp_path: Path) -> None:
    """Faults: coatings of no wall had as many columns as a cost has lines; no marking came."""
    town = make_whole_town(tmp_path / "town", rows=24)
    for lack in ("places", "register"):
        LACKS[lack](town)
    expected = Chain(load_project(town / "rehit.toml")).expected_work.set_index("place_class")
    assert expected.loc["unplaced", "expected_per_year"] == expected.loc["total"].iloc[2] > 5
    lab = set_up_lab(Chain(load_project(town / "rehit.toml")), n_policies=1, years=5, draws=400)
    today, = lab.measured(lab.live([Policy(name="today")]))
    reported = today["reports"].sum(axis=0).mean() / 5
    assert reported == pytest.approx(expected.loc["unplaced", "expected_per_year"], rel=0.25)
    nowhere = make_patch()
    with pytest.raises(TableError, match="no marking is expected"):
        draws_that_end(replace(nowhere, known_per_year=0.0, elsewhere_per_year=0.0), 10,
                       n_policies=1, years=1, numbers=load_parameters())


def test_what_would_take_hours_is_lived_through_in_fewer_worlds_or_not_at_all(town: Path) -> None:
    numbers = Chain(load_project(town)).parameters
    most = {"policy.most_markings": 1e6, "policy.most_places": 1e6}

    def draws(places: int, a_year: float) -> int:
        patch = make_patch(places, known_per_year=a_year, elsewhere_per_year=0.0)
        return draws_that_end(patch, 200, n_policies=4, years=5, numbers=numbers.override(most))

    assert [draws(9, a_year) for a_year in (100, 500, 2500, 25_000)] == [200, 100, 20, 20]
    assert [draws(places, 1.0) for places in (99, 9_999, 99_999)] == [200, 100, 20]
    with pytest.raises(SettingError, match=r"26,000 markings a year.*up to 10,000,000 markings"):
        draws(9, 26_000)


def test_fewer_worlds_are_said(town: Path, tmp_path: Path) -> None:
    assert main(["whatif", str(town), "--out", str(tmp_path / "out"), "--years", "20",
                 "--policies", str(town / "policies.toml"), "--draws", "400",
                 "--set", "policy.most_markings=100000"]) == 0
    summary = json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))
    assert 20 <= summary["draws"] < 400
    assert f"in {summary['draws']} worlds instead of 400" in " ".join(summary["sentences"])


def test_worlds_are_drawn_once_and_are_the_same_each_time(town: Path) -> None:
    one, two = (set_up_lab(Chain(load_project(town)), n_policies=2, years=1, draws=50)
                for _ in range(2))
    assert np.array_equal(one.worlds.rates, two.worlds.rates)
    assert one.seed == two.seed
