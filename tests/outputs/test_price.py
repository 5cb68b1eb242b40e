"""`rehit price` on a small invented town, from the log to the files."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest
from made_town import write_small_town

from rehit.cli import main
from rehit.errors import SettingError
from rehit.outputs.price import write_price
from rehit.parameters import load_parameters

FEW = """
[contract]
draws = 600
queue_years = 6
queue_search_years = 3
sensitivity_draws = 200
"""


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A project folder of a town of 160 assets."""
    folder = tmp_path_factory.mktemp("town")
    write_small_town(folder, n_assets=160)
    settings = folder / "rehit.toml"
    settings.write_text(settings.read_text(encoding="utf-8") + FEW, encoding="utf-8")
    return folder


def test_price_writes_the_bid_and_says_what_to_ask(
        town: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    assert main(["price", str(town), "--out", str(out), "--margin", "0.2",
                 "--set", "contract.crews=2"]) == 0
    said = capsys.readouterr().out
    assert "margin of 20% of the price in 80 of 100" in said
    names = {path.name for path in out.iterdir()}
    assert {"bid.xlsx", "bid_summary.pdf", "bid.csv", "bid_rates.csv", "bid_risk.csv",
            "bid_risk.svg", "summary.json"} <= names
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    prices = pd.read_csv(out / "bid.csv")
    lump = prices[(prices["form"] == "lump_sum") & (prices["level"] == 0.8)].iloc[0]
    assert summary["lump_sum_per_year"] == pytest.approx(lump["price_per_year"], abs=0.01)
    assert summary["crews"] == 2  # set for this run only; the project says nothing of it
    log = json.loads((out / "run_log.json").read_text(encoding="utf-8"))
    assert log["settings"]["numbers"]["contract.crews"] == 2
    assert "crews =" not in (town / "rehit.toml").read_text(encoding="utf-8")
    check = summary["check_cost_of_work_p80"]
    assert check["exact"] == pytest.approx(check["simulated"], rel=0.05)
    steps = pd.read_csv(out / "bid_steps.csv").set_index("step")
    assert steps.loc["lump_sum", "money"] == pytest.approx(summary["lump_sum_per_year"], abs=0.01)
    assert sum(option["chosen"] for option in summary["crew_options"]) == 1
    jobs = pd.read_csv(out / "bid_volume.csv")["expected"].sum()
    assert steps.loc["first_year", "jobs"] == pytest.approx(jobs, rel=1e-6)
    assert summary["jobs_per_year"] == pytest.approx(jobs, abs=0.1)


def test_prices_received_are_compared_in_words_and_as_a_table(
        town: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    offers = tmp_path / "received.csv"
    offers.write_text("tenderer,form,item,value\nA,lump_sum,lump_sum_per_year,1000000\n"
                      "=B,lump_sum,lump_sum_per_year,900000\nC,cost_plus,markup,0.1\n",
                      encoding="utf-8")
    out = tmp_path / "out"
    assert main(["price", str(town), "--out", str(out), "--received", str(offers)]) == 0
    assert "Of 3 prices received, that of C (cost plus) costs least" in capsys.readouterr().out
    table = pd.read_csv(out / "bid_received.csv").set_index("tenderer")
    assert table["chance_cheapest"].to_dict() == {"C": 1.0, "'=B": 0.0, "A": 0.0}
    assert table.loc["A", "mean"] == 1_000_000


CITIES = Path(__file__).parents[3] / "shared" / "data"
real = pytest.mark.skipif(not CITIES.is_dir(), reason="the published city logs are not here")


def city(folder: Path, log: str, zone: str) -> Path:
    assert main(["new", str(folder), "--log", str(CITIES / log), "--time-zone", zone]) == 0
    settings = folder / "rehit.toml"
    settings.write_text(settings.read_text(encoding="utf-8") + FEW, encoding="utf-8")
    return folder


@real
def test_extract_of_one_city_is_one_message(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Chicago: 8,844 of 12,621 rows are of August 2017, in a window of more than seven years."""
    folder = city(tmp_path / "c", "chicago/chicago_graffiti_historical_extract.csv",
                  "America/Chicago")
    capsys.readouterr()
    assert main(["price", str(folder), "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert "it looks like an extract" in said
    assert "Traceback" not in said


@real
def test_street_log_of_seventeen_months_is_priced(tmp_path: Path) -> None:
    """Westminster: 4,867 rows from April 2012 to September 2013."""
    folder = city(tmp_path / "w", "westminster_uk/Graffiti.csv", "Europe/London")
    out = tmp_path / "out"
    assert main(["price", str(folder), "--out", str(out)]) == 0
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert 2000 < summary["jobs_per_year"] < 5000
    assert summary["crews_needed"]["offensive"] is None
    assert summary["crews_needed"]["ordinary"] <= summary["crews"]


@pytest.mark.parametrize("options", [["--margin", "1.2"], ["--margin", "-0.1"], ["--years", "0"],
                                     ["--received", "nowhere.csv"]])
def test_unusable_options_are_one_message(
        options: list[str], town: Path, tmp_path: Path,
        capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["price", str(town), "--out", str(tmp_path / "out"), *options]) == 2
    said = capsys.readouterr().err
    assert said.startswith("rehit: ")
    assert "Traceback" not in said
    assert not (tmp_path / "out").exists()


def test_the_longest_contract_is_the_project_s_own(tmp_path: Path) -> None:
    numbers = load_parameters().override({"contract.longest_years": 3})
    chain: Any = SimpleNamespace(parameters=numbers)
    with pytest.raises(SettingError, match="allowed: 1 to 3"):
        write_price(chain, tmp_path, margin=None, years=4)
