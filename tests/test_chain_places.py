"""What the cost rooms are told of each place."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pytest
from shapely import Point

from rehit.chain import (
    costing_table,
    with_calibration,
    with_coatings,
    with_register,
    with_shared_stops,
)
from rehit.costs.cashflow import permission
from rehit.costs.rates import cleaning_lines
from rehit.costs.strategies import load_strategies
from rehit.parameters import load_parameters

REGISTER = gpd.GeoDataFrame({
    "asset_id": ["A", "B"], "asset_type": ["wall", "bridge"], "substrate": ["brick", "unknown"],
    "finish": ["bare", "painted"], "wall_area_m2": [20.0, None], "owner": ["council", "rail"],
    "address": ["1 Gull Lane", None], "heritage": [False, True], "coating_allowed": [True, False],
    "access": ["ground", "platform"], "traffic_control": [False, True],
}, geometry=[Point(0, 0), Point(9, 9)], crs="EPSG:32625")
INCIDENTS = gpd.GeoDataFrame({
    "incident_id": ["1", "2", "3"], "asset_id": ["A", "B", None], "place_id": ["A", "B", "site-1"],
    "substrate": ["stone", "metal", "render"], "finish": ["painted", "unknown", "bare"],
    "address": ["1 gull ln", "2 Quay", "3 Quay"], "area_m2": [2.0, None, 4.0],
    "asset_id_given": ["A", None, None], "place_quality": ["surveyed", "address", "surveyed"],
}, geometry=[Point(0, 0), Point(9, 9), Point(5, 5)], crs="EPSG:32625")
ADVICE = pd.DataFrame({"incident_id": ["1", "2", "3"],
                       "method": ["hot_wash", "paint_out", "solvent_wipe"]})
REPEATS = pd.DataFrame({"place_id": ["A", "B", "site-1"], "gamma_shape": 2.0,
                        "gamma_rate_years": 1.0, "place_kind": ["asset", "asset", "site"]})


def test_known_facts_of_the_register_replace_guesses_of_the_log() -> None:
    joined = with_register(INCIDENTS, REGISTER)
    assert joined["substrate"].tolist() == ["brick", "metal", "render"]
    assert joined["finish"].tolist() == ["bare", "painted", "bare"]
    assert joined["address"].tolist() == ["1 Gull Lane", "2 Quay", "3 Quay"]
    assert INCIDENTS["substrate"].tolist() == ["stone", "metal", "render"]


def test_an_incident_known_by_its_assets_number_stands_at_the_asset() -> None:
    """A stand-in point, none, and the street's middle give way; a point of its own stays."""
    four = gpd.GeoDataFrame(
        pd.concat([INCIDENTS.iloc[[0]]] * 4 + [INCIDENTS.iloc[[1]]], ignore_index=True).assign(
            place_quality=["default", "none", "street", "address", "default"]),
        geometry=[Point(5, 5), None, Point(7, 7), Point(1, 1), Point(5, 5)], crs="EPSG:32625")
    joined = with_register(four, REGISTER)
    assert [(p.x, p.y) for p in joined.geometry] == [(0, 0), (0, 0), (0, 0), (1, 1), (5, 5)]
    assert joined["place_quality"].tolist() == [
        "surveyed", "surveyed", "surveyed", "address", "default"]
    assert four["place_quality"].tolist()[0] == "default"


def test_without_a_register_places_are_ordinary_ground_level_walls() -> None:
    joined = with_register(INCIDENTS, None)
    assert not joined["heritage"].any()
    assert joined["access"].tolist() == ["ground"] * 3


def test_mean_area_of_a_place_is_blended_with_the_towns() -> None:
    table = costing_table(REPEATS, INCIDENTS, ADVICE, REGISTER, parameters=load_parameters())
    # Town mean 3 m2 with the weight of 5 incidents: (2 + 5 x 3) / 6 and (4 + 5 x 3) / 6.
    assert table["mark_area_m2"].tolist() == pytest.approx([17 / 6, 3.0, 19 / 6])
    assert table["method"].tolist() == ["hot_wash", "paint_out", "solvent_wipe"]
    assert table["wall_area_m2"].tolist() == [20.0, 12.0, 12.0]
    assert table["coating_allowed"].fillna(True).tolist() == [True, False, True]
    assert table["coating_allowed"].isna().tolist() == [False, False, True]  # nobody was asked
    assert table["owner"].fillna("").tolist() == ["council", "rail", ""]


def test_an_asset_never_marked_is_costed_by_its_surface() -> None:
    """Brick that is bare is washed; a heritage bridge of unknown make goes to a specialist."""
    table = costing_table(REPEATS, INCIDENTS.iloc[:0], ADVICE.iloc[:0], REGISTER,
                          parameters=load_parameters())
    assert table["method"].tolist() == ["hot_wash", "refer", "inspect"]


def test_nobody_coats_a_street() -> None:
    streets = REPEATS.assign(place_kind="street")
    table = costing_table(streets, INCIDENTS, ADVICE, None, parameters=load_parameters())
    assert not table["coating_allowed"].any()


def test_the_works_log_corrects_minutes_but_not_what_the_user_set() -> None:
    estimates = pd.DataFrame({
        "method": ["paint_out", "hot_wash", "paint_out"],
        "quantity": ["minutes_per_visit", "wash_water_l_per_m2", "unknown_quantity"],
        "calibrated": [13.5, 1e9, 1.0]})
    base = load_parameters()
    changed = with_calibration(base, estimates)
    assert changed["costs.minutes_per_visit_paint_out"] == 13.5
    assert changed["costs.water_l_per_m2_hot_wash"] == base.row(
        "costs.water_l_per_m2_hot_wash").high
    user = base.override({"costs.minutes_per_visit_paint_out": 30})
    assert with_calibration(user, estimates)["costs.minutes_per_visit_paint_out"] == 30


def test_tags_of_one_stop_share_what_the_stop_takes() -> None:
    """Fault: a tag was priced as a stop of its own; 3 to 6 tags a stop change every unit price.

    By hand for 0.5 m2 painted out: 40 a call-out, 15 minutes at 60 an hour and 7 x 0.5^0.7, 2 a m2.
    """
    place = pd.DataFrame({"mark_area_m2": [0.5], "wall_area_m2": 12.0, "method": "paint_out",
                          "access": "ladder", "traffic_control": False})
    strategy = load_strategies(parameters=load_parameters())[0]
    for tags in (3, 4, 6):
        numbers = with_shared_stops(load_parameters(), incidents_per_stop=tags)
        found = cleaning_lines(place, strategy, parameters=numbers).sum()
        assert found == pytest.approx((40 + 15 + 20) / tags + 7 * 0.5**0.7 + 1)
    user = load_parameters().override({"costs.call_out": 90, "costs.access_ladder": 5})
    assert with_shared_stops(user, incidents_per_stop=4)["costs.access_ladder"] == 5


def test_a_number_the_user_set_to_the_default_stays_too() -> None:
    """They may have timed it and found the default right: the works log must not replace it."""
    name = "costs.minutes_per_visit_paint_out"
    base = load_parameters()
    estimates = pd.DataFrame({"method": ["paint_out"], "quantity": ["minutes_per_visit"],
                              "calibrated": [13.5]})
    assert base[name] != 13.5
    user = base.override({name: base[name]})
    assert with_calibration(user, estimates)[name] == base[name]


def test_the_baseline_is_what_the_crews_did_where_a_works_log_tells() -> None:
    """Fault: the baseline was advice even where the works log shows another practice."""
    incidents = INCIDENTS.assign(report_id=[f"R{i}" for i in range(len(INCIDENTS))])
    first = incidents["place_id"].iloc[0]
    works = pd.DataFrame({"report_id": ["R0", None, None], "asset_id": [None, first, first],
                          "method": ["scrape", "hot_wash", "hot_wash"]})
    plain = costing_table(REPEATS, incidents, ADVICE, REGISTER, parameters=load_parameters())
    table = costing_table(REPEATS, incidents, ADVICE, REGISTER, works=works,
                          parameters=load_parameters()).set_index("place_id")
    assert table.loc[first, "method"] == "hot_wash"
    assert table["advised"].tolist() == plain["method"].tolist() == plain["advised"].tolist()
    others = table.index != first
    assert (table["method"] == table["advised"])[others].all()


def test_glass_signs_and_tiles_are_never_coated() -> None:
    """Fault: a coating was advised wherever a solvent wipe cleans, glass and signs included."""
    first = REGISTER["asset_id"].iloc[0]
    register = REGISTER.assign(substrate=REGISTER["substrate"].where(
        REGISTER["asset_id"] != first, "glass"), coating_allowed=True)
    table = costing_table(REPEATS, INCIDENTS, ADVICE, register, parameters=load_parameters())
    numbers = load_parameters()
    coating = load_strategies(parameters=numbers)[3]
    allowed, why = permission(table.assign(advised="solvent_wipe"), coating)
    glass = table["place_id"].eq(first).to_numpy()
    assert not allowed[glass].any()
    assert set(why[glass]) == {"unfit_surface"}
    assert allowed[table["coatable"] & table["coating_allowed"].fillna(True).astype(bool)].all()


def test_a_register_without_a_coated_wall_changes_nothing() -> None:
    costing = pd.DataFrame({"place_id": ["A", "site-1"]})
    incidents = INCIDENTS.assign(reported_at=pd.Timestamp("2024-05-01", tz="UTC"))
    end = pd.Timestamp("2025-01-01", tz="UTC")
    bare = REGISTER.assign(coated_at=pd.Series([pd.NaT, pd.NaT], dtype="datetime64[us, UTC]"))
    assert with_coatings(costing, incidents, bare, end=end).equals(costing)
    coated = bare.assign(coated_at=pd.Timestamp("2024-01-01", tz="UTC"))
    found = with_coatings(costing, incidents, coated, end=end)
    assert found["coated_years"].round(2).tolist()[0] == 1.0
    assert found["coated_cleanings"].tolist() == [1.0, 0.0]
