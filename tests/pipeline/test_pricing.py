"""`rehit price` on a small invented town, from the log to the files."""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path

import pandas as pd
import pytest

from rehit.cli.main import main

DEMO = Path(__file__).parents[2] / "data_demo"
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
    sys.path.insert(0, str(DEMO))
    from make_demo import make_town, write_town

    folder = tmp_path_factory.mktemp("town")
    write_town(make_town(seed=5, n_assets=160, n_coated=4, n_lit=4), folder)
    shutil.copy(DEMO / "mapping.toml", folder)
    settings = folder / "rehit.toml"
    if not settings.exists():
        shutil.copy(DEMO / "rehit.toml", folder)
    settings.write_text(settings.read_text(encoding="utf-8") + FEW, encoding="utf-8")
    return folder


def test_price_writes_the_bid_and_says_what_to_ask(
        town: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    assert main(["price", str(town), "--out", str(out), "--margin", "0.2"]) == 0
    said = capsys.readouterr().out
    assert "margin of 20% of the price in 80 of 100" in said
    names = {path.name for path in out.iterdir()}
    assert {"bid.xlsx", "bid_summary.pdf", "bid.csv", "bid_rates.csv", "summary.json"} <= names
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    prices = pd.read_csv(out / "bid.csv")
    lump = prices[(prices["form"] == "lump_sum") & (prices["level"] == 0.8)].iloc[0]
    assert summary["lump_sum_per_year"] == pytest.approx(lump["price_per_year"], abs=0.01)
    check = summary["check_cost_of_work_p80"]
    assert check["exact"] == pytest.approx(check["simulated"], rel=0.05)
    jobs = pd.read_csv(out / "bid_volume.csv")["expected"].sum()
    assert summary["jobs_per_year"] == pytest.approx(jobs, abs=0.1)


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
