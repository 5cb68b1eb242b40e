"""Repairs of coordinates, the choice between two places, and what the log's habits say of them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from pyproj import Geod

from rehit.incidents.clean import clean_incidents
from rehit.incidents.places import address_keys, read_numbers
from rehit.incidents.rows import Cleaned, CleanSettings
from rehit.messages import from_text
from rehit.report.say import Say
from rehit.words.addresses import address_table

TOWN = (-33.0220, 45.9970, -32.9780, 46.0184)
CRS = "EPSG:32625"


def clean(rows: list[dict[str, object]], **options: object) -> Cleaned:
    fields = pd.DataFrame(rows)
    fields["source_file"], fields["source_row"] = "log", range(1, len(fields) + 1)
    if "reported" not in fields:
        fields["reported"] = pd.date_range("2020-01-01", periods=len(fields), freq="10D").strftime(
            "%Y-%m-%d 09:00")  # too far apart to be joined
    settings = CleanSettings(time_zone="UTC", crs=CRS, **options)  # type: ignore[arg-type]
    return clean_incidents(fields.astype({"source_row": "int64"}), mapping=None, settings=settings)


@pytest.mark.parametrize(("text", "number"), [
    ("46.005", 46.005), ("-33,0005", -33.0005), ("46.005°", 46.005), ("46°00'18\"N", 46.005),
    ("33 00 01.8 W", -33.0005), ("W 33.0005", -33.0005), ("1,160,606.32", 1160606.32),
    ("1 160 606.32", 1160606.32), ("4.6005e1", 46.005), ("+46.005", 46.005)])
def test_numbers_as_people_write_them(text: str, number: float) -> None:
    values, faults = read_numbers(pd.Series([text]))
    assert values[0] == pytest.approx(number, abs=1e-9)
    assert faults[0] == ""


@pytest.mark.parametrize(("text", "fault"), [
    ("XXXX", "masked_place"), ("***", "masked_place"), ("withheld", "masked_place"),
    ("46.XXXX", "unreadable_place"), ("see map", "unreadable_place"), ("inf", "unreadable_place"),
    ("46°75'00\"N", "unreadable_place"), ("12 Elm Street", "unreadable_place")])
def test_what_is_no_number(text: str, fault: str) -> None:
    values, faults = read_numbers(pd.Series([text]))
    assert np.isnan(values[0])
    assert faults[0] == fault


def test_disagreement_is_the_distance_on_the_ellipsoid() -> None:
    # The second pair lies so many degrees north; geodesic on WGS 84 by Karney (2013), pyproj.Geod.
    rows = [{"latitude": "46.005000", "longitude": "-33.000500", "location":
             f"({46.005 + k / 10000:.6f}, -33.0005)"} for k in (1, 2, 9)]
    ledger = clean(rows, study_area=TOWN).ledger
    assert "places_disagree" not in set(ledger["rule"])
    metres = Geod(ellps="WGS84").inv(-33.0005, 46.005, -33.0005, 46.009)[2]
    far = clean([{**rows[0], "location": "(46.009, -33.0005)"}], study_area=TOWN)
    entry = far.ledger[far.ledger["rule"] == "places_disagree"]["before"].iloc[0]
    # The project CRS (UTM) has a scale of 0.9996 on its central meridian.
    assert entry == f"{metres * 0.9996:.0f} m"


def test_agreement_of_two_places_is_told() -> None:
    rows = [{"latitude": "46.005000", "longitude": "-33.000500", "easting": "499961.287",
             "northing": f"{5094603.027 + k:.3f}"} for k in (0, 10, 40)]
    effect = clean(rows, study_area=TOWN).findings.set_index("code").loc["places_differ", "effect"]
    told = from_text(effect)
    assert told.facts["middle"] == pytest.approx(10, abs=0.01)
    assert told.facts["most"] == pytest.approx(40, abs=0.01)
    assert Say("en")(told) == ("rows with two places: they differ by 10\u00a0m in the "
                               "median and 40\u00a0m "
                               "at most; the coordinates on the grid were used")


def test_the_finer_of_two_columns_is_trusted() -> None:
    rng = np.random.default_rng(3)
    rows = [{"latitude": "46.0050", "longitude": "-33.0005",
             "easting": f"{499961 + e:.2f}", "northing": f"{5094603 + n:.2f}"}
            for e, n in rng.uniform(-90, 90, (40, 2))]
    cleaned = clean(rows, study_area=TOWN)
    assert cleaned.incidents.geometry.x.nunique() == 40


def test_area_is_derived_from_the_log_when_none_is_given() -> None:
    rng = np.random.default_rng(4)
    rows = [{"latitude": f"{46 + b:.6f}", "longitude": f"{-33 + a:.6f}"}
            for a, b in rng.uniform(-0.01, 0.01, (40, 2))]
    rows += [{"latitude": "-33.001234", "longitude": "46.001234"},
             {"latitude": "46.001234", "longitude": "33.001234"},
             {"latitude": "51.500000", "longitude": "-0.120000"}]
    cleaned = clean(rows)
    rules = cleaned.ledger.set_index("source_row")["rule"]
    assert rules[41] == "swapped_axes"
    assert rules[42] == "lost_sign_longitude"
    assert rules[43] == "place_outside_area"
    assert cleaned.set_aside.empty  # without a study area of the user's no row is put aside
    assert len(cleaned.incidents) == 43


def test_an_ambiguous_repair_is_not_made() -> None:
    # Both signs could be wrong or the axes exchanged: an area that takes either decides nothing.
    cleaned = clean([{"latitude": "10.0", "longitude": "-10.001", "address": "1 Elm Street"}],
                    study_area=(9.0, -11.0, 11.0, 11.0))
    assert cleaned.incidents.geometry.isna().all()
    assert "place_outside_area" in set(cleaned.ledger["rule"])


def test_points_shared_by_addresses_are_the_addresses_own() -> None:
    rows = [{"latitude": f"46.00{k}123", "longitude": "-33.000500", "address": f"{k} Elm Street",
             "reported": f"2025-0{m}-01", "cleared": f"2025-0{m}-02"}
            for k in range(1, 8) for m in (1, 3)]
    assert set(clean(rows).incidents["place_quality"]) == {"address"}
    rng = np.random.default_rng(5)
    for row in rows:
        row["longitude"] = f"{-33.0005 + rng.normal(0, 3e-5):.6f}"
    assert set(clean(rows).incidents["place_quality"]) == {"surveyed"}


def test_coarse_point_used_again_and_again_is_a_stand_in() -> None:
    rng = np.random.default_rng(6)
    rows = [{"latitude": f"{46 + b:.8f}", "longitude": f"{-33 + a:.8f}"}
            for a, b in rng.uniform(-0.01, 0.01, (30, 2))]
    rows += [{"latitude": "46.0051", "longitude": "-33.0007", "reported": f"2025-02-0{k} 09:00",
              "cleared": f"2025-02-0{k} 10:00"} for k in range(1, 7)]
    for k, row in enumerate(rows[:30]):
        row["reported"] = f"2025-01-{k + 1:02d} 09:00"
    quality = clean(rows).incidents["place_quality"].value_counts()
    assert quality.to_dict() == {"surveyed": 30, "default": 6}


def test_stated_place_quality_is_believed() -> None:
    rows = [{"latitude": "46.005000", "longitude": "-33.000500", "place_quality": word}
            for word in ("rooftop", "street centroid", "postcode")]
    assert clean(rows).incidents["place_quality"].tolist() == ["address", "street", "default"]


def test_keys_are_those_of_the_addresses_module() -> None:
    texts = pd.Series([
        "12 Elm St", "0012 ELM STREET", "14 Elm St", "12 block of Elm Street", "1200 W 51ST ST",
        "Elm Street", None, "Not Recorded", "12 N Main St & Oak Ave", "Unit 4, 12 High Street",
        "012XX S State St", "5 Elm Rd.", "12a Elm St", "99999 St Johns Rd", "7 o/s Elm Street",
        "12 Elm St 60629", "3 N", "4 between Elm and Oak", "8 opposite Elm Street", "9 unit Elm St",
        "10 corner of Elm and Oak", "1 and Main", "2 Test", "6 unknown", "100 STATE HWY",
        "15 Calle Mayor", "16 The Avenue", "17 St. Mary's Close", "0 Elm Street"])
    expected = address_table(texts)[["address_key", "street_key", "address_kind", "locality",
                                     "postcode"]]
    pd.testing.assert_frame_equal(address_keys(texts), expected)


@pytest.mark.parametrize(("address", "key", "kind"), [
    ("11## ELM ST", "1100 block elm street", "block"),
    ("11XX Elm St", "1100 block elm street", "block"),
    ("700 - 799 ELM ST", "700 block elm street", "block"),
    ("700 block of Elm St", "700 block elm street", "block"),
    ("## ELM ST", "0 block elm street", "block"),
    ("700-702 Elm St", "700-702 elm street", "number")])
def test_masked_numbers_are_blocks_and_leave_the_street(address: str, key: str, kind: str) -> None:
    read = address_keys(pd.Series([address])).iloc[0]
    assert (read["address_key"], read["address_kind"]) == (key, kind)


@pytest.mark.parametrize("text", ["Not associated with a specific address", "Various locations",
                                  "Unaddressed location", "No fixed address"])
def test_words_for_no_address_are_no_street(text: str) -> None:
    assert address_keys(pd.Series([text]))["address_kind"].tolist() == ["none"]


# Blocks, crossings, stand-ins and areas: what an address is worth as a place.

def quality_of(addresses: list[str], **columns: object) -> list[str]:
    rows = pd.DataFrame({"address": addresses, **columns}).to_dict("records")
    cleaned = clean(rows)
    where = cleaned.incidents["source_rows"].str.rpartition("#")[2].astype(int)
    return cleaned.incidents.assign(row=where).sort_values("row")["place_quality"].tolist()


def test_a_block_is_a_place_of_its_own_kind_and_a_crossing_an_address() -> None:
    assert quality_of(["11XX Elm St", "## ELM ST", "700 - 799 ELM ST", "700 block of Elm St",
                       "Elm St & Oak Ave", "Elm St", "12 Elm St", "various"]) == [
        "block", "block", "block", "block", "address", "street", "address", "none"]


def test_points_that_stand_for_blocks_are_no_better_than_the_block() -> None:
    rows = [{"address": f"{b}XX Elm St", "latitude": f"46.00{b}123", "longitude": "-33.001234"}
            for b in range(1, 8) for _ in range(3)]
    assert set(clean(rows, study_area=TOWN).incidents["place_quality"]) == {"block"}


def test_round_hundreds_are_blocks_where_the_log_has_far_more_than_houses_have() -> None:
    """Of 120 house numbers, first 60 and then 6 are round hundreds."""
    many = [f"{100 * (1 + n % 60)} Elm St" for n in range(60)] + [
        f"{1000 + 7 * n} Oak Ave" for n in range(60)]
    few = many[:6] + [f"{1003 + 11 * n} Oak Ave" for n in range(114)]
    cleaned = clean([{"address": a} for a in many])
    assert cleaned.incidents["place_quality"].value_counts()["block"] >= 60
    assert (cleaned.ledger["rule"] == "round_hundred_is_a_block").sum() >= 60
    assert "block" not in quality_of(few)


def test_the_town_halls_address_used_again_and_again_is_no_place() -> None:
    rows = [{"address": "Town Hall, 1 Market Street"}] * 60 + [
        {"address": f"{n} Elm Street"} for n in range(1, 60)]
    cleaned = clean([dict(row) for row in rows])
    assert cleaned.incidents["place_quality"].eq("none").sum() == 60
    assert cleaned.findings.set_index("code").loc["address_of_the_council", "count"] == 60
    busy = [{"address": "5 Market Street"}] * 60 + rows[60:]  # a hot wall, if nothing says more
    assert "none" not in quality_of([row["address"] for row in busy])


def test_an_address_whose_points_lie_all_over_the_town_is_no_place() -> None:
    rows = [{"address": "5 Market Street", "latitude": f"{45.999 + n / 4000:.5f}",
             "longitude": f"{-33.019 + n / 2000:.5f}"} for n in range(60)] + [
        {"address": f"{n} Elm Street", "latitude": f"46.0{n:02d}12", "longitude": "-33.00123"}
        for n in range(1, 18)]
    cleaned = clean(rows, study_area=TOWN)
    assert (cleaned.ledger["rule"] == "one_address_many_points").sum() == 60
    assert not (cleaned.incidents["street_key"] == "market street").any()


def test_one_address_in_two_boroughs_is_joined_in_neither_unless_the_points_agree() -> None:
    """Three rows on one day at 12 Elm St: two boroughs without points; then with one point."""
    rows: list[dict[str, object]] = [
        {"address": "12 Elm St", "locality": place, "reported": "2020-03-01 09:00"}
        for place in ("Northtown", "Southtown", "Southtown")]
    cleaned = clean([dict(row) for row in rows])
    assert sorted(cleaned.incidents["address_key"]) == [
        "12 elm street, northtown", "12 elm street, southtown"]
    assert cleaned.counts["rows_joined"].tolist() == [1]
    one_point = [{**row, "latitude": "46.00512", "longitude": "-33.00123"} for row in rows]
    assert len(clean(one_point, study_area=TOWN).incidents) == 1


def test_a_row_without_a_borough_takes_the_only_one_its_address_has() -> None:
    rows: list[dict[str, object]] = [
        {"address": "12 Elm St", "locality": place, "reported": "2020-03-01 09:00"}
        for place in ("Northtown", None)]
    assert len(clean(rows).incidents) == 1
    rows.append({**rows[0], "locality": "Southtown"})
    assert len(clean([dict(row) for row in rows]).incidents) == 3


def test_postcodes_part_an_address_that_one_log_has_under_several() -> None:
    rows: list[dict[str, object]] = [
        {"address": f"12 Elm St, {code}", "reported": "2020-03-01 09:00"}
        for code in ("90018", "90026", "90018-1234")]
    assert sorted(clean(rows).incidents["locality"]) == ["90018", "90026"]
    assert clean(rows[:1]).incidents["address_key"].tolist() == ["12 elm street"]


def test_a_link_or_code_in_the_address_is_a_point_and_three_words_are_refused() -> None:
    rows: list[dict[str, object]] = [
        {"address": "https://maps.example/place/@46.005,-33.0005,17z"},
        {"address": "46°00'18\"N 33°00'01.8\"W"}, {"address": "///lamp.river.table"}]
    cleaned = clean(rows, study_area=TOWN)
    assert cleaned.incidents.geometry.notna().sum() == 2
    assert "place_in_three_words" in set(cleaned.ledger["rule"])
    assert "place_in_three_words" in set(cleaned.findings["code"])


def test_the_finer_kind_of_request_names_the_thing_and_the_priority() -> None:
    rows: list[dict[str, object]] = [
        {"address": "Elm St & Oak Ave", "asset_type": text, "reported": "2020-03-01 09:00"}
        for text in ("Pole - Offensive", "Mail_box - Not_Offensive", "Gazebo - Offensive",
                     "Gazebo - Not_Offensive", None)]
    found = clean(rows).incidents
    assert sorted(found["object"].dropna()) == ["gazebo", "pole", "post_box"]
    assert set(found.loc[found["object"] == "pole", "priority"]) == {"offensive"}
    assert set(found.loc[found["object"] == "post_box", "priority"]) == {"ordinary"}


def test_two_spaces_part_the_street_from_the_locality_where_a_log_writes_them_so() -> None:
    rows = [{"address": f"{n} E Fourth St  South Point  MA  02127"} for n in range(1, 9)] + [
        {"address": "INTERSECTION of Elm St & Shoreway  South Point  MA"}]
    keys = sorted(clean([dict(row) for row in rows]).incidents["address_key"])
    assert keys[0] == "1 east 4th street, south point ma"
    assert keys[-1] == "elm street & shoreway, south point ma"
    padded = clean([{"address": "12  HIGH   STREET"}, {"address": "14 HIGH  STREET"}]).incidents
    assert sorted(padded["street_key"]) == ["high street", "high street"]
