"""Measures tables as people fill them in, and what is made of them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from matplotlib.image import imread
from small_town import CRS, EAST, NORTH, make_town

from rehit.chain import Chain
from rehit.errors import InputFileError, SettingError
from rehit.outputs.frame import told
from rehit.outputs.hotspots import (
    evaluation_table,
    evaluations,
    ranking_found,
    write_evaluation,
    write_hotspots,
)
from rehit.outputs.price import write_price
from rehit.project import load_project
from rehit.report.say import Say

HEAD = "measure,asset_id,role,started_at\n"


def written(folder: Path, text: str) -> str:
    path = folder / "measures.csv"
    path.write_text(text, encoding="utf-8")
    return str(path)


@pytest.mark.parametrize(("text", "words"), [
    ("", "an empty file"),
    (HEAD, "no rows"),
    ("measure,asset_id\nmural,A\n", "role, started_at"),
    (HEAD + "mural,A,painted,2024-07-02\n", "'painted'"),
    (HEAD + "mural,A,treated,soon\n", "usable role or day"),
    (HEAD + "mural,,treated,2024-07-02\n", "a gap"),
    (HEAD + "mural,A,treated,2030-07-02\n", "begun on 2030-07-02.*runs from 2023-01-01"),
    (HEAD + "mural,A,treated,2024-07-02\nmural,A,comparison,2024-07-02\n", "in two groups")])
def test_a_wrong_measures_table_is_refused_in_words(text, words, demo_chain: Chain,
                                                    tmp_path: Path) -> None:
    with pytest.raises((InputFileError, SettingError), match=words):
        list(evaluations(demo_chain, measures=written(tmp_path, text)))


def test_one_mural_and_no_comparison_cannot_be_judged(demo_chain: Chain, tmp_path: Path) -> None:
    path = written(tmp_path, HEAD + "mural,NOWHERE,treated,2024-07-02\n")
    results = list(evaluations(demo_chain, measures=path))
    row = evaluation_table(results).iloc[0]
    assert (row["n_treated"], row["n_comparison"], row["verdict"]) == (1, 0, "cannot_tell")
    said = Say("en").cells(pd.Series([row["reasons"], row["reading"]]))
    assert said[0].startswith("There are no comparison places")
    assert "1 of the treated places does not appear in the log" in said[1]


def test_a_ratio_to_no_markings_at_all_is_no_figure(demo_chain: Chain, tmp_path: Path) -> None:
    """Fault: one marking after none before was an infinite ratio, which stopped the report."""
    path = written(tmp_path, HEAD + "mural,NOWHERE,treated,2024-07-02\n")
    [(name, began, found)] = evaluations(demo_chain, measures=path)
    row = evaluation_table([(name, began, replace(found, rate_ratio=float("inf")))]).iloc[0]
    assert np.isnan(row["ratio"])
    assert evaluation_table([(name, began, replace(found, rate_ratio=2.0))])["ratio"].item() == 2.0


def test_lighting_of_ten_walls_is_told_with_its_limits(demo_chain: Chain, tmp_path: Path) -> None:
    # The ten busiest walls of the demo, lit at random and nothing planted: few, so no verdict.
    ids = demo_chain.repeats["place_id"].head(10)
    rows = "".join(f"lighting,{place},{('treated', 'comparison')[k % 2]},2024-07-02\n"
                   for k, place in enumerate(ids))
    summary = told(write_evaluation(demo_chain, tmp_path, measures=written(tmp_path, HEAD + rows)),
                   Say("en"))
    assert summary["sentences"][0] == "lighting: cannot tell."
    assert pd.read_csv(tmp_path / "evaluation.csv")["reading"][0].startswith("Treated places: ")
    picture = imread(tmp_path / "lighting_before_and_after.png")
    assert picture.shape[:2] == (540, 1080)
    assert 0.01 < (picture[:, :, :3].min(axis=2) < 0.8).mean() < 0.2  # drawn, and not all over
    steps = pd.read_csv(tmp_path / "lighting_before_and_after.csv")
    assert set(steps["group"]) == {"treated", "comparison"}


def test_the_demo_town_is_told_without_warnings_of_pace(demo_chain: Chain) -> None:
    said = Say("en").all([*ranking_found(demo_chain), *demo_chain.limits])
    assert said[0].endswith("were re-hits: the surface had been cleared since the one before.")
    assert said[1].startswith("What shows that 4,320 re-hits were on the surface marked before")
    assert any(each.endswith("account for half of the incidents.") for each in said)
    assert not any("changed pace" in s or "The log covers" in s for s in said)


def test_without_clearance_dates_no_surface_is_said_to_have_been_cleared(tmp_path: Path) -> None:
    town = make_town(tmp_path / "town")
    log = pd.read_csv(town / "log.csv", dtype="str")
    log.assign(Closed="", Status="Closed").to_csv(town / "log.csv", index=False)
    chain = Chain(load_project(town)).with_parameters({"hotspots.interval_level": 0.8})
    said = chain.say.all(ranking_found(chain))
    assert "taken for re-hits, between 51 and 83 as clearance took 30 or 1 days: the log" in said[0]
    assert any("(80% interval" in each for each in said)


def test_how_near_two_markings_must_lie_changes_the_rehits_told(tmp_path: Path) -> None:
    """Thirty spots 300 m apart, each hit again one metre (1), nine (3) or twenty (2) away."""
    apart_m = [1.0, 9.0, 9.0, 9.0, 20.0, 20.0] + [100.0] * 24
    xy = [(EAST + 300 * spot + metres * again, NORTH)
          for spot, metres in enumerate(apart_m) for again in (0, 1)]
    degrees = gpd.GeoSeries(gpd.points_from_xy(*zip(*xy, strict=True)), crs=CRS).to_crs(4326)
    days = pd.Series([f"2025-{month:02d}-{1 + spot % 28:02d}" for spot in range(len(apart_m))
                      for month in (3, 6)])
    town = make_town(tmp_path / "town")
    pd.DataFrame({"Ref": range(60), "Latitude": degrees.y.round(7), "Longitude": degrees.x.round(7),
                  "Reported": days + " 09:00", "Closed": days + " 17:00",
                  "Status": "Closed"}).to_csv(town / "log.csv", index=False)
    chain = Chain(load_project(town))
    said = chain.say.all(ranking_found(chain))
    assert said[0].startswith("4 of 60 incidents")
    assert said[1] == ("Markings within 12\u00a0m of each other are taken to be at one place: "
                       "within 6\u00a0m there would be 1 re-hit, within 25\u00a0m 6.")
    quick = chain.with_parameters({"hotspots.distance_check_incidents": 59})
    assert "there would be" not in " ".join(quick.say.all(ranking_found(quick)))


def test_a_short_log_says_once_that_its_rates_are_stretched(tmp_path: Path) -> None:
    town = make_town(tmp_path / "town")
    log = pd.read_csv(town / "log.csv", dtype="str")
    log[log["Reported"] < "2025-02-01"].to_csv(town / "log.csv", index=False)
    chain = Chain(load_project(town))
    summary = told(write_hotspots(chain, tmp_path), Say("en"))
    said = [text for text in summary["sentences"] if "days only: rates per year stretch" in text]
    assert len(said) == 1
    assert said[0] in Say("en").all(chain.limits)
    bid = told(write_price(chain, tmp_path, margin=None, years=1), Say("en"))["sentences"]
    assert sum(text.startswith("The log covers ") for text in bid) == 1


def test_the_chance_in_the_table_is_one_the_verdict_rests_on(demo_chain: Chain,
                                                            tmp_path: Path) -> None:
    """Two walls a side: errors clustered by four places look tiny and decide nothing."""
    ids = demo_chain.repeats["place_id"].head(4)
    rows = "".join(f"mural,{place},{('treated', 'comparison')[k % 2]},2024-07-02\n"
                   for k, place in enumerate(ids))
    results = list(evaluations(demo_chain, measures=written(tmp_path, HEAD + rows)))
    effects = results[0][2].effects.set_index("method")
    shown = evaluation_table(results)["p_value"].iloc[0]
    assert not effects.loc["poisson_by_place", "decides"]
    assert shown == effects.loc[effects["decides"], "p_value"].max()
    assert shown != effects.loc["poisson_by_place", "p_value"]
