"""What is said of cells, near repeats and emerging zones."""

from __future__ import annotations

import pandas as pd
import pytest

from rehit.hotspots.scan import read_emerging
from rehit.hotspots.significance import read_cells
from rehit.hotspots.spacetime import read_rings
from rehit.parameters import load_parameters
from rehit.report.say import Say

SAY = Say("en")


@pytest.mark.parametrize(("by_assets", "words"), [
    (True, "3 of 40 cells of 100\u00a0m are hotter than chance: the assets in them"),
    (False, "3 of 40 cells of 100\u00a0m are hotter than chance: more incidents lie in them")])
def test_hot_cells_are_counted_and_explained(by_assets, words) -> None:
    cells = pd.DataFrame({"hot": [True] * 3 + [False] * 37})
    assert SAY(read_cells(cells, side_m=100.0, by_assets=by_assets)).startswith(words)


def test_no_hot_cell_is_no_contradiction_to_clusters() -> None:
    said = SAY(read_cells(pd.DataFrame({"hot": [False] * 5}), side_m=50.0, by_assets=True))
    assert said.startswith("None of 5 cells of 50\u00a0m is hotter than chance.")
    assert "Both can be true" in said
    none = read_cells(pd.DataFrame({"hot": []}), side_m=50.0, by_assets=True)
    assert none.code == "cells.unknown"


def rings(raised: list[bool], ratios: list[float]) -> pd.DataFrame:
    return pd.DataFrame({"from_m": [0.0, 1, 50, 1], "to_m": [1.0, 50, 100, 50],
                         "from_days": [0.0, 0, 0, 7], "to_days": [7.0, 7, 7, 14],
                         "ratio": ratios, "common": 1.0, "raised": raised})


def said_of(table: pd.DataFrame) -> str:
    return " ".join(SAY.all(read_rings(table)))


def code_of(table: pd.DataFrame) -> str:
    (found,) = read_rings(table)
    return found.code


def test_near_repeats_name_reach_time_and_peak() -> None:
    said = said_of(rings([False, True, True, True], [0.4, 1.2, 1.35, 1.1]))
    # 50 to 100 m away nothing is raised after the first week, and the sentence must not say so.
    assert ("than chance 1\u00a0m to 50\u00a0m away after 0 to 14 days and 50\u00a0m to "
            "100\u00a0m away after 0 to 7"
            in said)
    assert "most so 50\u00a0m to 100\u00a0m away after 0 to 7 days, 1.35 times" in said


def test_bands_that_do_not_touch_are_told_apart() -> None:
    table = pd.DataFrame({"from_m": [1.0] * 3, "to_m": [50.0] * 3, "from_days": [0.0, 7, 14],
                          "to_days": [7.0, 14, 28], "ratio": [1.2, 1.0, 1.1], "common": 1.0,
                          "raised": [True, False, True]})
    assert "1\u00a0m to 50\u00a0m away after 0 to 7 and 14 to 28 days;" in said_of(table)


def test_incidents_at_one_place_only_tell_no_near_repeats() -> None:
    (found,) = read_rings(rings([True, False, False, False], [3.0, *[float("nan")] * 3]))
    assert (found.code, found.facts["metres"]) == ("rings.one_place", 100)


def test_a_log_of_one_week_tells_no_near_repeats_and_nothing_new() -> None:
    nan = float("nan")
    assert code_of(rings([False] * 4, [1.0, 1.0, 1.0, nan])) == "rings.one_time"
    zones = pd.DataFrame({"zone_id": [], "p_value": []})
    assert [m.code for m in read_emerging(zones, observed_days=9.0)] == ["emerging.short_log"]
    assert [m.code for m in read_emerging(zones, observed_days=30.0)] == ["emerging.none"]


def test_a_single_cell_is_not_called_no_hotter_than_chance() -> None:
    cells = pd.DataFrame({"hot": [False], "p_upper": [float("nan")]})
    assert read_cells(cells, side_m=100.0, by_assets=False).code == "cells.too_few"


def test_repeats_on_the_same_wall_are_no_near_repeats() -> None:
    said = said_of(rings([True, False, False, False], [3.0, 1, 1, 1]))
    assert said.startswith("This log shows no sign that a marking brings further ones near it")
    assert "within 100\u00a0m and 14 days" in said
    assert "rounds and walks" not in said


def test_a_log_of_streets_tells_no_near_repeats() -> None:
    assert code_of(rings([False] * 4, [float("nan")] * 4)) == "rings.unplaced"


def test_what_is_filed_on_one_day_is_told_apart_and_is_no_near_repeat() -> None:
    table = pd.DataFrame({"from_m": [1.0] * 3, "to_m": [50.0] * 3, "from_days": [0.0, 1, 7],
                          "to_days": [1.0, 7, 14], "ratio": [4.0, 1.0, 1.0],
                          "common": [2.0, 1, 1], "raised": [True, False, False]})
    near, batch = SAY.all(read_rings(table))
    assert near.startswith("This log shows no sign that a marking brings further ones near it")
    assert batch.startswith("Within 1 day and 50\u00a0m up to 2.00 times as many "
                            "markings are reported")
    assert batch.endswith("That is no near repeat.")


def test_only_unlikely_zones_are_called_emerging() -> None:
    zones = pd.DataFrame({
        "zone_id": ["Z01", "Z02", "Z03"], "radius_m": [230.0, 80, 90], "n_incidents": [31, 12, 9],
        "expected": [9.94, 4, 5], "p_value": [0.01, 0.03, 0.4], "p_permuted": [0.01, 0.01, 0.02],
        "past_dates": 52, "busiest_day_share": [0.25, 0.5, 0.1],
        "from_time": pd.Timestamp("2025-12-03", tz="UTC"),
        "to_time": pd.Timestamp("2025-12-31", tz="UTC")})
    assert SAY.all(read_emerging(zones)) == [
        "Emerging now: Z01, within 230\u00a0m, has had 31 place-days with a report in "
        "the last 4 weeks "
        "where 9.9 would be usual (chance 0.01); 25% of them fell on one day.",
        "1 more zone stands in emerging.csv."]
    assert Say("es").all(read_emerging(zones))[1] == "Hay 1 zona más en emerging.csv."
    assert read_emerging(zones.iloc[:0], known=False)[0].code == "emerging.unplaced"
    strict = load_parameters().override({"hotspots.emerging_chance": 0.001})
    assert [m.code for m in read_emerging(zones, parameters=strict)] == ["emerging.none"]
    # Six past dates cannot show a chance below one in seven.
    short = zones.assign(p_value=1 / 7, past_dates=6)
    assert [m.code for m in read_emerging(short)] == ["emerging.unproven"]
