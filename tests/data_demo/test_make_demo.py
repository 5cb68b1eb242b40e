"""The demo town is reproducible, complete, and its truth adds up."""

from __future__ import annotations

import doctest
import importlib
import json
import re
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from geopandas.testing import assert_geodataframe_equal
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from rehit.tables import check

LARGEST_BYTES = 1_400_000
GENERATED = ("assets.geojson", "incidents.csv", "works_log.csv", "depots.csv", "vehicles.csv",
             "measures.csv", "rehit.toml", "truth/facts.json", "truth/hostile.csv",
             "truth/measures.csv", "truth/personal.csv", "truth/rates.csv", "truth/rows.csv",
             "truth/true_incidents.csv")
FAULTS = ("no_coordinates", "swapped", "zero_point", "default_point", "lost_sign", "street_only",
          "street_point", "no_place", "masked_number", "cleared_before_reported", "closed_undated",
          "cleared_in_future", "no_report_date", "long_date", "serial_date", "day_only", "id_loose",
          "id_unknown", "personal", "formula", "markup")


@pytest.fixture(scope="module")
def rewritten(town, tmp_path_factory: pytest.TempPathFactory) -> Path:
    from make_demo import write_town

    out = tmp_path_factory.mktemp("again")
    write_town(town, out)
    return out


@pytest.mark.parametrize("name", GENERATED)
def test_committed_file_is_what_the_generator_writes(folder, rewritten, name):
    assert (rewritten / name).read_bytes() == (folder / name).read_bytes()


def test_committed_streets_are_what_the_generator_writes(folder, rewritten):
    committed = gpd.read_file(folder / "streets.gpkg", layer="streets")
    assert_geodataframe_equal(committed, gpd.read_file(rewritten / "streets.gpkg"))
    assert {"name", "class", "oneway", "speed_kmh", "length"} <= set(committed.columns)
    assert committed.crs.to_epsg() == 32625


def test_committed_files_stay_small(folder):
    sizes = {p: p.stat().st_size for p in folder.rglob("*") if p.is_file()
             and "__pycache__" not in p.parts}
    assert max(sizes.values()) < LARGEST_BYTES


def test_other_seed_gives_another_town_and_same_seed_the_same(town):
    from make_demo import make_town

    again, other = make_town(), make_town(seed=1)
    pd.testing.assert_frame_equal(again.log, town.log)
    assert not other.log["Location"].head(50).equals(town.log["Location"].head(50))


def test_counts_are_those_of_a_town(town):
    assert len(town.register) >= 1500
    assert town.register["asset_id"].is_unique
    assert town.register["address"].is_unique
    assert 6000 <= len(town.log) <= 10_000
    assert 250 <= len(town.streets) <= 500
    assert len(town.settings.__dict__) == len(town.facts["settings"])


def test_register_keeps_the_contract(town):
    from make_demo import clean_register

    check(clean_register(town), "register", where="demo")


def test_streets_can_all_be_reached_in_both_senses_of_one_way(town):
    ends = np.array([[line.coords[0], line.coords[-1]] for line in town.streets.geometry])
    keys = np.round(ends * 10).astype(np.int64).reshape(-1, 2)
    node = np.unique(keys, axis=0, return_inverse=True)[1].reshape(-1, 2)
    both = node[~town.streets["oneway"].to_numpy()][:, ::-1]
    arcs = np.vstack([node, both])
    size = int(node.max()) + 1
    graph = coo_array((np.ones(len(arcs)), (arcs[:, 0], arcs[:, 1])), shape=(size, size))
    assert connected_components(graph, directed=True, connection="strong")[0] == 1


@pytest.mark.parametrize("fault", FAULTS)
def test_fault_is_planted(town, fault):
    assert town.rows["faults"].str.split(";").map(lambda names: fault in names).sum() >= 5


def test_planted_faults_show_in_the_text(town):
    log, has = town.log, town.rows["faults"].str.contains
    lat = pd.to_numeric(log["Lat"].where(log["Lat"] != ""))
    assert (log.loc[has("no_coordinates"), ["Lat", "Long"]] == "").all(axis=None)
    assert (lat[has("swapped")] < 0).all()
    assert (lat[has("zero_point")] == 0).all()
    assert log.loc[has("default_point"), ["Lat", "Long"]].drop_duplicates().shape[0] == 1
    assert not log.loc[has("lost_sign"), "Long"].str.startswith("-").any()
    assert not log.loc[has("street_only"), "Location"].str.contains(r"\d").any()
    assert (log.loc[has("closed_undated"), "Closed On"] == "").all()
    assert (log.loc[has("no_report_date"), "Logged On"] == "").all()


def test_log_has_two_eras_of_dates_and_free_text_sizes(town):
    dates = town.log["Logged On"]
    slashes, iso = dates.str.match(r"\d\d/\d\d/\d{4}"), dates.str.match(r"\d{4}-\d\d-\d\d")
    assert slashes.sum() > 2000
    assert iso.sum() > 2000
    for pattern in (r"^[\d.]+x[\d.]+m$", r"^approx \d+ sq ft$", r"^A4 size$", r"^small$", r"^$"):
        assert town.log["Approx Size"].str.contains(pattern).sum() > 50
    assert town.log["Surface"].str.contains("brik").any()
    assert town.log["Offensive?"].str.lower().isin(["y", "yes"]).sum() > 300


def test_every_row_is_one_incidents_report_or_declared_junk(town):
    rows, true = town.rows, town.incidents
    assert rows.index.tolist() == list(range(1, len(town.log) + 1))
    assert rows["role"].isin(["first", "repeat", "junk"]).all()
    real = rows[rows["role"] != "junk"]
    assert set(real["true_id"]) == set(true["true_id"])
    assert not real[real["role"] == "first"].duplicated("true_id").any()
    assert (rows["junk_reason"] != "").equals(rows["role"] == "junk")
    assert set(rows["junk_reason"]) == {"", "exact_copy", "test_row", "blank_row", "outside_area"}
    assert (real["case_ref"] == town.log.loc[real.index, "Case Ref"]).all()


def test_exact_copies_equal_the_row_above(town):
    copies = town.rows.index[town.rows["junk_reason"] == "exact_copy"]
    for row in copies:
        assert town.log.loc[row].tolist() == town.log.loc[row - 1].tolist()


def test_noted_repeats_name_a_report_of_the_same_incident(town):
    named = town.log["Repeat Of"] != ""
    first = town.rows[town.rows["role"] == "first"].set_index("case_ref")["true_id"]
    pointed = first.reindex(town.log.loc[named, "Repeat Of"]).to_numpy()
    assert named.sum() > 100
    assert (pointed == town.rows.loc[named, "true_id"].to_numpy()).all()


def test_a_waiting_asset_is_not_marked_again(town):
    true = town.incidents.sort_values(["asset_id", "marked_at"])
    before = true.groupby("asset_id")["cleared_at"].shift()
    assert (true["marked_at"] >= before)[before.notna()].all()
    assert (true["reported_at"] >= true["marked_at"]).all()
    assert (true["cleared_at"] > true["reported_at"]).all()


def test_repeats_fall_between_report_and_clearing(town):
    """Rows whose dates are as they were exported, in the later era (ISO, local time)."""
    rows = town.rows[(town.rows["role"] == "repeat") & (town.rows["faults"] == "")]
    text = town.log.loc[rows.index, "Logged On"]
    rows = rows[text.str.match(r"^\d{4}-")]
    when = pd.to_datetime(text.loc[rows.index]).dt.tz_localize(
        "Europe/Lisbon", ambiguous=True, nonexistent="shift_forward")
    true = town.incidents.set_index("true_id").loc[rows["true_id"]]
    assert (when.to_numpy() >= true["reported_at"].to_numpy()).all()
    assert (when.to_numpy() <= true["cleared_at"].to_numpy()).all()


def test_rates_truth_adds_up(town):
    rates = town.rates
    assert rates["n_incidents"].sum() == len(town.incidents)
    expected = (rates["rate_per_year"] * rates["at_risk_years"]).sum()
    assert abs(expected - len(town.incidents)) < 4 * np.sqrt(expected)
    assert (rates["at_risk_years"] <= 3.01).all()
    next_quarter = rates["expected_next_quarter"].sum()
    assert abs(next_quarter - rates["n_next_quarter"].sum()) < 4 * np.sqrt(next_quarter)


def test_few_assets_carry_most_rehits(town):
    again = (town.rates["n_incidents"] - 1).clip(lower=0).sort_values(ascending=False)
    share = again.cumsum() / again.sum()
    assert share.iloc[len(again) // 20] > 0.3
    assert share.iloc[len(again) // 5] > 0.75


def test_clearing_is_fast_for_offensive_and_days_for_others(town):
    days = (town.incidents["cleared_at"] - town.incidents["reported_at"]) / pd.Timedelta(days=1)
    median = days.groupby(town.incidents["offensive"]).median()
    assert 0.3 < median[True] < 1.5
    assert 1.0 < median[False] < 10.0


def test_method_shares_are_plausible(town):
    """Paint-out about 60 %, wipe 20-30 %, bare masonry about 20 %.

    Common practice, no published source.
    """
    share = town.incidents["method"].value_counts(normalize=True)
    assert 0.5 < share["paint_out"] < 0.7
    assert 0.2 <= share["solvent_wipe"] <= 0.3
    assert 0.14 < share["hot_wash"] < 0.26


def test_measures_are_paired_and_state_their_truth(town):
    counts = town.measures.groupby(["measure", "role"]).size()
    assert counts[("coating", "treated")] == counts[("coating", "comparison")] == 40
    assert counts[("lighting", "treated")] == counts[("lighting", "comparison")] == 50
    treated = town.measures[town.measures["role"] == "treated"]
    assert treated.groupby("measure")["true_ratio"].unique().map(list).to_dict() == {
        "coating": [0.5], "lighting": [1.0]}
    coated = town.register.set_index("asset_id").loc[
        treated.loc[treated["measure"] == "coating", "asset_id"]]
    assert coated["coating_allowed"].all()
    assert (coated["coated_at"] == "2024-07-02").all()


def test_planted_secrets_stand_in_the_log_and_nowhere_else(town):
    notes = town.log["Notes"]
    for row, secret in zip(town.personal["source_row"], town.personal["secret"], strict=True):
        assert secret in notes[row]
    others = notes.drop(town.personal["source_row"])
    suspicious = re.compile(r"@[\w-]+\.\w|\d{5}|\b[A-Z]{2}\d\d ?[A-Z]{3}\b|\b(Mrs?|Ms|Dr) ")
    # Formulas may carry an address: they are planted too.
    others = others.drop(town.hostile["source_row"])
    assert not others.map(lambda text: bool(suspicious.search(text))).any()
    assert set(town.personal["kind"]) == {"phone", "email", "name", "plate"}


def test_telephone_numbers_are_in_the_ranges_kept_for_drama(town):
    """Ofcom, telephone numbers for use in TV and radio drama: 01632 960xxx, 07700 900xxx."""
    phones = town.personal.loc[town.personal["kind"] == "phone", "secret"]
    digits = phones.str.replace(r"\D", "", regex=True).str.replace("^44", "0", regex=True)
    assert digits.str.fullmatch(r"(01632960|07700900)\d{3}").all()
    mails = town.personal.loc[town.personal["kind"] == "email", "secret"]
    assert mails.str.endswith("example.org").all()  # RFC 2606


def test_town_lies_in_the_open_sea(folder):
    area = json.loads("[" + re.search(r"study_area = \[(.*)\]", (folder / "rehit.toml").read_text(
        encoding="utf-8")).group(1) + "]")
    west, south, east, north = area
    # The Azores end at 31.3 W and 39.8 N; the nearest other land is over 1,000 km away.
    assert -34 < west < east < -32
    assert 45 < south < north < 47


def test_clean_placed_incidents_keep_the_contracts(town):
    from make_demo import clean_placed_incidents

    placed = clean_placed_incidents(town)
    check(placed, "incidents", where="demo")
    check(placed, "placed", where="demo")
    assert placed["n_reports"].sum() == (town.rows["role"] != "junk").sum()
    assert placed.loc[placed["status"] == "open", "cleared_at"].isna().all()
    assert (placed["true_rate_per_year"] > 0).all()


def test_options_turn_the_planted_effects_off():
    from make_demo import make_town

    plain = make_town(seed=3, near_repeat=False, coating_effect=1.0, faults=False)
    assert not plain.incidents["triggered"].any()
    assert (plain.rows["faults"] == "").all()
    assert not (plain.rows["role"] == "junk").any()
    assert (plain.measures["true_ratio"] == 1.0).all()


def test_tiles_make_a_larger_town_with_unique_addresses():
    from make_demo import make_town

    two = make_town(seed=3, tiles=2)
    assert len(two.register) == 3200
    assert two.register["address"].is_unique
    assert len(two.log) > 11_000


@pytest.mark.parametrize("module", ["build", "layout"])
def test_examples_in_the_generator_are_true(module):
    found = doctest.testmod(importlib.import_module(f"town.{module}"))
    assert found.attempted > 0
    assert found.failed == 0
