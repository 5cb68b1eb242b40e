"""Two spellings of one place meet; two places stay apart; "no address" is no address."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rehit.words.addresses import (
    NOWHERE,
    PLACES,
    address_table,
    default_address_words,
    house_numbers,
    normalise_address,
    parse_address,
)

LOG = Path(__file__).parents[3] / "shared" / "data" / "westminster_uk" / "Graffiti.csv"

SAME = {
    "12 high street": [
        "12 High St.",
        "12  HIGH   STREET",
        "Unit 4, 12 High Street",
        "3/12 High St",
        "00012 High St",
        "12 High St #4",
        "Outside 12 High St",
        "No. 12 High Street",
        "Marks & Spencer, 12 High St",
        "12, High St",
        "2-4/12 High St",
        "2/1, 12 High St",
        "12 High St #12-14",
        "12 High St, 2nd Floor",
    ],
    "12-14 high street": [
        "12-14 High St",
        "12 - 14 HIGH ST",
        "12 & 14 High Street",
        "12 to 14 High St",
    ],
    "1200 block south state street": [
        "1200 block of S State St",
        "12XX S STATE ST",
        "012XX S. State Street",
        "Block 1200 South State St",
        "1250 Block S State St",
        "1200-1299 block of S State St",
        "1200 - 1299 S STATE ST",
        "12## S STATE ST",
    ],
    "0 block south state street": ["## S STATE ST", "XX S State St", "1-99 S State St"],
    "block south state street": ["#### S STATE ST", "XXXX S State St"],
    "north main street & oak avenue": [
        "Intersection of Oak Ave and N. Main St",
        "N MAIN ST & OAK AVE",
        "Oak Ave / North Main Street",
        "cnr Oak Av & North Main St",
        "North Main St and Oak Ave",
        "Oak Ave @ N Main St",
        "OAK AVE AT N MAIN ST, 90031",
    ],
    "elm street & main street & oak avenue": [
        "Elm St & Oak Ave & Main St",
        "Intersection of Elm St, Oak Ave and Main St",
        "Main St / Oak Ave / Elm St",
    ],
    "42nd street & 5th avenue": ["5 AVE & 42 ST", "42nd St & Fifth Ave"],
    "avenue 28 & johnston street": ["AVENUE 28 AT JOHNSTON ST, 90031"],
    "951 4th avenue": ["951 4 Avenue", "951 Fourth Avenue", "951 4th Ave"],
    "4th avenue": ["4 Avenue", "Fourth Ave"],
    "12h high street": ["12 1/2 High St"],
    "26 ulica lipowa": ["ul. Lipowa 26/5", "ulica Lipowa 26"],
    "26 lipowa": ["Lipowa 26/5", "Lipowa, 26"],
    "5 high street": ["26/5 High St"],
    "12-14 calle 10": ["Calle 10 #12-14"],
    "12-14 oak street": ["#12-14 Oak St"],
    "12 kirchengasse": ["Kirchengasse 12/3/5"],
    "saint johns street": ["St Johns St", "ST JOHN'S STREET", "Saint Johns St."],
    "doctor king drive": ["Dr King Dr", "DR. KING DRIVE"],
    "1st avenue": ["First Ave", "1st Avenue"],
    "12 hauptstrasse": ["Hauptstr. 12", "Hauptstraße 12", "HAUPTSTRASSE 12"],
    "12 calle mayor": ["C/ Mayor, 12", "Calle Mayor 12", "CALLE MAYOR, nº 12",
                       "C/ Mayor, 12, 1º A", "Calle Mayor 12, 3º B", "Calle Mayor 12 3º B",
                       "Calle Mayor, 12, bajo", "Calle Mayor, 12, esc. A, piso 3, pta. 2"],
    "5 avenue de la constitucion": ["Av. de la Constitución 5", "Avenida de la Constitución, 5"],
    "123 rua augusta": ["Rua Augusta, nº 123", "R. Augusta 123", "Rua Augusta, 123, r/c",
                        "Rua Augusta 123 r/c Esq"],
    "12b rue de la paix": ["12 bis rue de la Paix", "12B Rue de la Paix"],
    "12 high street, northtown": [
        "12 High Street, Northtown 3000",
        "12 HIGH ST, NORTHTOWN, N1 9GU",
    ],
    "opposite 12 high street": ["opp. 12 High St", "Opposite no 12 High Street"],
    "main street between elm & oak": ["Main St between Oak and Elm", "Main St btwn Elm & Oak"],
}
PAIRS = [(key, text) for key, texts in SAME.items() for text in texts]


@pytest.mark.parametrize(("key", "text"), PAIRS)
def test_spellings_meet(key: str, text: str) -> None:
    assert normalise_address(text) == key


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("12 High St", "12a High St"),
        ("12 High St", "112 High St"),
        ("12 High St", "12 High Rd"),
        ("12 N Main St", "12 S Main St"),
        ("12 High St, Northtown", "12 High St, Southtown"),
        ("12 High St", "opposite 12 High St"),
        ("12 bis rue X", "12 rue X"),
        ("Highway 61", "Highway 62"),
        ("Main St & Oak Ave", "Main St & Elm Ave"),
        ("1200 block of Elm St", "1200 Elm St"),
    ],
)
def test_places_stay_apart(one: str, other: str) -> None:
    assert normalise_address(one) != normalise_address(other)


@pytest.mark.parametrize(
    "text",
    [
        "Not Recorded",
        "NOT RECORDED ",
        "XXXX",
        "n/a",
        "N/A.",
        "-",
        "",
        "   ",
        "0",
        "unknown",
        "None",
        "12",
        "Unbekannt",
        "sin dirección",
        "não informado",
        "(unknown)",
        "=1+1",
        "😀",
        "&&",
        "/",
        None,
        3.5,
        "&",
        "of",
        "Not associated with a specific address",
        "Unaddressed location",
        "VARIOUS",
        "12, 3º B",
        "https://maps.example/place/@46.005,-33.0005,17z",
        "///lamp.river.table",
    ],
)
def test_placeholders_have_no_key(text: object) -> None:
    assert parse_address(text) == NOWHERE


@pytest.mark.parametrize(
    ("text", "kind", "low", "high", "street"),
    [
        ("7125 S MAPLEWOOD AVE", "number", 7125, 7125, "south maplewood avenue"),
        ("12-14 High St", "number", 12, 14, "high street"),
        ("90 block of Elm Rd", "block", 0, 99, "elm road"),
        ("11XX ELM ST", "block", 1100, 1199, "elm street"),
        ("700 - 799 ELM ST", "block", 700, 799, "elm street"),
        ("#### ELM ST", "block", None, None, "elm street"),
        ("opposite 12 High St", "block", 12, 12, "high street"),
        ("Highway 61", "street", None, None, "highway 61"),
        ("Elephant and Castle", "street", None, None, "elephant and castle"),
        ("Main & Oak", "intersection", None, None, "main & oak"),
        ("High St (rear of shops)", "street", None, None, "high street"),
    ],
)
def test_parts(text: str, kind: str, low: int | None, high: int | None, street: str) -> None:
    found = parse_address(text)
    assert (found.kind, found.number_low, found.number_high, found.street) == (
        kind,
        low,
        high,
        street,
    )


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=60) | st.from_regex(r"[0-9]{0,4}[ a-zA-Z,&/.()#-]{0,40}", fullmatch=True))
def test_any_text_gives_a_key_or_none(text: str) -> None:
    found = parse_address(text)
    assert (found.key is None) == (found.street is None) == (found.kind == "none")
    assert found.key is None or found.key == " ".join(found.key.split())


@settings(max_examples=200, deadline=None)
@given(
    st.sampled_from([text for _, text in PAIRS]), st.sampled_from([str.upper, str.lower, str.title])
)
def test_case_and_spaces_make_no_difference(text: str, change: object) -> None:
    assert normalise_address(change(text).replace(" ", "  ")) == normalise_address(text)  # type: ignore[operator]


@pytest.mark.parametrize("key", SAME)
def test_a_key_is_its_own_key(key: str) -> None:
    assert normalise_address(key) == key


@settings(max_examples=300, deadline=None)
@given(st.sampled_from([text for _, text in PAIRS]) | st.from_regex(
    r"[0-9]{1,4}[a-c]? ([a-z]{2,5}|block|lot|unit|no|to|st|4th)( [a-z]{2,6}| street| a| 7){1,3}",
    fullmatch=True))
def test_the_numbers_of_a_key_are_those_of_its_parts(text: str) -> None:
    keys = address_table(pd.Series([text]))["address_key"]
    whole = address_table(keys)[["number_low", "number_high"]]
    pd.testing.assert_frame_equal(house_numbers(keys), whole, check_dtype=False)


def test_table_keeps_the_index_and_empty_cells() -> None:
    values = pd.Series(["5 Elm Rd", None, "Elm Rd", "5 ELM ROAD"], index=[7, 3, 9, 1])
    table = address_table(values)
    assert table.index.tolist() == [7, 3, 9, 1]
    assert table["address_key"].fillna("").tolist() == ["5 elm road", "", "elm road", "5 elm road"]
    assert table["number_low"].tolist() == [5, pd.NA, pd.NA, 5]
    assert address_table(pd.Series([], dtype="str")).empty
    assert address_table(pd.Series([None, None])).address_key.isna().all()


def test_every_word_row_has_a_reason() -> None:
    path = Path(__file__).parents[2] / "src" / "rehit" / "words" / "addresses.csv"
    rows = pd.read_csv(path, keep_default_na=False)
    assert (rows["reason"].str.len() > 5).all()
    assert rows["place"].isin(PLACES).all()
    assert (rows["word"] != "").all()
    assert not rows.duplicated(["word", "place"]).any()
    assert "street" in default_address_words()["type"].values()


@pytest.mark.skipif(not LOG.exists(), reason="the shared real logs are not beside this copy")
def test_real_street_names_do_not_collide() -> None:
    names = pd.read_csv(LOG, header=None, dtype=str)[1]
    table = address_table(names)
    assert int(table["address_key"].isna().sum()) == 339  # "Not Recorded", as the log's note says
    assert table["street_key"].nunique() == names.nunique() - 1


def test_a_crossing_keeps_its_locality_and_a_postcode_is_told_apart() -> None:
    found = parse_address("INTERSECTION of Elm St & Oak Ave, Northtown, 02127")
    assert (found.key, found.locality, found.postcode) == (
        "elm street & oak avenue, northtown", "northtown", "02127")
    assert parse_address("3400 S 8TH AVE, 90018").postcode == "90018"
    assert parse_address("12 High Street, Northtown, N1 9GU").postcode == "n1"


def test_a_name_with_an_ampersand_before_a_house_is_no_crossing() -> None:
    assert parse_address("Marks & Sons, 12 High St").kind == "number"


@pytest.mark.parametrize(("text", "key", "kind"), [
    ("Lot 9, Mill Lane", "lot 9 mill lane", "number"), ("Mill Lane LOT 12", "lot 12 mill lane",
                                                        "number"),
    ("12 Mill Lane Lot 4", "12 mill lane", "number"), ("near Lot 4 Mill Lane", "near mill lane",
                                                       "street"),
    ("Parking lot, Mill Lane", "parking lot, mill lane", "street")])
def test_a_lot_is_the_property_where_no_house_is_numbered(text: str, key: str, kind: str) -> None:
    found = parse_address(text)
    assert (found.key, found.kind) == (key, kind)


@pytest.mark.parametrize(("text", "key"), [
    ("Kerkstraat 5", "5 kerkstraat"), ("Via Roma 3", "3 via roma"),
    ("Plac Wolności 3", "3 plac wolnosci"), ("Storgatan 5", "5 storgatan")])
def test_house_numbers_behind_dutch_italian_polish_and_swedish_streets(text: str,
                                                                       key: str) -> None:
    assert parse_address(text).key == key
