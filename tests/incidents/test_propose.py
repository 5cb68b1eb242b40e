"""Mappings proposed for logs that nobody described: the real ones, many languages, many shapes."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pyproj import Transformer

from rehit.files.headers import header_scores, header_words
from rehit.files.reader import read_table
from rehit.files.rows import RawTable
from rehit.incidents.dates import DateStyle, parse_dates
from rehit.incidents.mapping import FIELDS, Mapping, answered, apply_mapping, with_setting
from rehit.incidents.projection import suggest_place
from rehit.incidents.propose import log_points, propose_mapping
from rehit.words.addresses import address_table

SHARED = Path(__file__).parents[2].parent / "shared" / "data"
ROWS = 40


def log(columns: dict[str, list[str]], *, has_header: bool = True) -> RawTable:
    size = len(next(iter(columns.values())))
    index = pd.RangeIndex(1, size + 1, name="source_row")
    table = pd.DataFrame({name: pd.Series(cells, index=index, dtype="str")
                          for name, cells in columns.items()}, index=index)
    return RawTable(table, has_header, name="log.csv")


def days(style: str = "%Y-%m-%d", *, start: str = "2018-01-01", step: str = "3D",
         count: int = ROWS) -> list[str]:
    return pd.Series(pd.date_range(start, periods=count, freq=step)).dt.strftime(style).tolist()


def spots(low: float, high: float, digits: int = 6) -> list[str]:
    return [f"{value:.{digits}f}" for value in np.linspace(low, high, ROWS)]


def columns(mapping: Mapping) -> dict[str, tuple[str, ...]]:
    return {name: source.columns for name, source in mapping.fields.items()}


def asked(mapping: Mapping) -> dict[str, str]:
    return {question.key: question.assumed for question in mapping.open_questions}


def real(folder: str, file: str) -> RawTable:
    if not SHARED.is_dir():
        pytest.skip("the real logs in ../shared are not here")
    return read_table(SHARED / folder / file)


def test_chicago_needs_only_to_be_confirmed() -> None:
    """EPSG:3435 is what ../shared/data/README.md states; the disagreement it states is 20 m."""
    raw = real("chicago", "chicago_graffiti_historical_extract.csv")
    mapping = propose_mapping(raw)
    assert columns(mapping) == {
        "report_id": ("Service Request Number",), "reported": ("Creation Date",),
        "cleared": ("Completion Date",), "status": ("Status",), "address": ("Street Address",),
        "latitude": ("Latitude",), "longitude": ("Longitude",), "easting": ("X Coordinate",),
        "northing": ("Y Coordinate",), "location": ("Location",), "postcode": ("ZIP Code",),
        "asset_type": ("Where is the Graffiti located?",),
        "substrate": ("What Type of Surface is the Graffiti on?",)}
    assert mapping.date_style("reported") == DateStyle(False, "none", ("MM/DD/YYYY",))
    assert mapping.places.crs == "EPSG:3435"
    assert mapping.places.location_order == "lat_lon"
    assert mapping.places.evidence[0].facts["metres"] == pytest.approx(19.1, abs=0.05)
    assert mapping.questions == ()
    assert mapping.words["status"] == ("Completed", "Completed - Dup", "Open - Dup")
    place = suggest_place(*log_points(raw, mapping))
    assert place is not None
    assert place.crs == "EPSG:32616"


def test_san_diego_needs_only_to_be_confirmed() -> None:
    mapping = propose_mapping(real("san_diego", "SDGraffiti3.csv"))
    assert columns(mapping) == {
        "report_id": ("pk_column",), "reported": ("requested_datetime",),
        "cleared": ("closed_date",), "latitude": ("lat",), "longitude": ("long",)}
    assert mapping.date_style("cleared") == DateStyle(True, "24", ("YYYY-MM-DDThh:mm:ss",))
    assert mapping.questions == ()


def test_westminster_without_a_header_needs_only_to_be_confirmed() -> None:
    """EPSG:27700 is what ../shared/data/README.md states."""
    raw = real("westminster_uk", "Graffiti.csv")
    mapping = propose_mapping(raw)
    assert columns(mapping) == {
        "reported": ("column_1",), "address": ("column_2",), "latitude": ("column_3",),
        "longitude": ("column_4",), "easting": ("column_5",), "northing": ("column_6",)}
    assert mapping.date_style("reported") == DateStyle(True, "none", ("DD/MM/YYYY hh:mm",))
    assert mapping.places.crs == "EPSG:27700"
    assert list(asked(mapping)) == ["log.has_header"]
    fields = apply_mapping(raw, mapping)
    assert len(fields) == 4867
    precision = parse_dates(fields["reported"], style=mapping.date_style("reported")).precision
    assert set(precision) == {"day"}


@pytest.mark.parametrize("folder", ["chicago", "san_diego", "westminster_uk"])
def test_every_date_of_the_real_logs_is_read(folder: str) -> None:
    file = {"chicago": "chicago_graffiti_historical_extract.csv", "san_diego": "SDGraffiti3.csv",
            "westminster_uk": "Graffiti.csv"}[folder]
    raw = real(folder, file)
    mapping = propose_mapping(raw)
    fields = apply_mapping(raw, mapping)
    parsed = parse_dates(fields["reported"], style=mapping.date_style("reported"))
    assert parsed.times.notna().all()
    assert parsed.codes.isna().all()


HEADERS = {
    "en": ("Request Number", "Date Reported", "Date Cleared", "Status", "Street Address",
           "Latitude", "Longitude", "Surface", "Comments"),
    "es": ("Número de solicitud", "Fecha de creación", "Fecha de cierre", "Estado", "Dirección",
           "Latitud", "Longitud", "Superficie", "Observaciones"),
    "fr": ("Numéro de demande", "Date de signalement", "Date de clôture", "Statut", "Adresse",
           "Latitude", "Longitude", "Support", "Commentaires"),
    "de": ("Vorgangsnummer", "Eingangsdatum", "Erledigt am", "Bearbeitungsstand", "Straße",
           "Breitengrad", "Längengrad", "Untergrund", "Bemerkung"),
    "pt": ("Protocolo", "Data de criação", "Data de conclusão", "Situação", "Endereço",
           "Latitude", "Longitude", "Superfície", "Observações"),
}


@pytest.mark.parametrize("language", HEADERS)
def test_headers_in_five_languages(language: str) -> None:
    cells = [[f"R{n}" for n in range(ROWS)], days("%d/%m/%Y"), days("%d/%m/%Y", start="2018-01-04"),
             ["abc", "def"] * 20, [f"Via {n}" for n in range(ROWS)], spots(46.001, 46.01),
             spots(-33.02, -33.01), ["wood", "brick"] * 20, ["some words here"] * ROWS]
    mapping = propose_mapping(log(dict(zip(HEADERS[language], cells, strict=True))))
    wanted = ("report_id", "reported", "cleared", "status", "address", "latitude", "longitude",
              "substrate", "description")
    assert columns(mapping) == {name: (column,) for name, column in zip(
        wanted, HEADERS[language], strict=True)}
    assert mapping.questions == ()


def test_day_or_month_first_is_asked_when_no_number_is_above_12() -> None:
    texts = [text for text in days("%d/%m/%Y", step="1D", count=300) if int(text[:2]) <= 12]
    mapping = propose_mapping(log({"Date reported": texts}))
    assert asked(mapping) == {"fields.reported.day_first": "day first"}
    other = with_setting(mapping, "fields.reported.day_first", "month first")
    assert other.date_style("reported") == DateStyle(False, "none", ("MM/DD/YYYY",))
    assert mapping.date_style("reported").day_first


def test_the_other_date_column_settles_the_order() -> None:
    unsure = ["03/04/2018", "05/06/2018"] * 20
    mapping = propose_mapping(log({"Opened": unsure, "Completed": days("%m/%d/%Y")}))
    assert not mapping.date_style("reported").day_first
    assert mapping.questions == ()


def test_clearance_after_report_tells_the_likelier_order_but_it_is_still_asked() -> None:
    pairs = [(f"{d:02d}/{m:02d}/2018", f"{d + 1:02d}/{m:02d}/2018")
             for m in range(1, 12) for d in range(1, 12)]
    mapping = propose_mapping(log({
        "Opened": [a for a, _ in pairs][::-1], "Completed": [b for _, b in pairs][::-1]}))
    assert mapping.date_style("reported").day_first
    assert set(asked(mapping)) == {"fields.reported.day_first", "fields.cleared.day_first"}


def test_two_columns_that_could_be_the_clearance_are_asked() -> None:
    mapping = propose_mapping(log({
        "Reported": days(), "Completed": days(start="2018-01-03"),
        "Closed": days(start="2018-01-05")}))
    assert asked(mapping) == {"fields.cleared.columns": "Completed"}
    assert mapping.questions[0].choices == ("Completed", "Closed")
    other = with_setting(mapping, "fields.cleared.columns", "Closed")
    assert other.fields["cleared"].columns == ("Closed",)


def test_updates_and_due_dates_are_never_the_clearance() -> None:
    mapping = propose_mapping(log({"Reported": days(), "Last updated": days(start="2018-02-01"),
                                   "Due date": days(start="2018-02-01")}))
    assert columns(mapping) == {"reported": ("Reported",)}


def test_split_year_month_day_hour_minute() -> None:
    size = range(ROWS)
    mapping = propose_mapping(log({
        "Year": ["2018"] * ROWS, "Month": [str(n % 12 + 1) for n in size],
        "Day": [str(n % 28 + 1) for n in size], "Hour": [str(n % 24) for n in size],
        "Minute": [str(n) for n in size], "Street": ["12 Elm Street"] * ROWS}))
    source = mapping.fields["reported"]
    assert source.columns == ("Year", "Month", "Day", "Hour", "Minute")
    assert source.parts == ("year", "month", "day", "hour", "minute")
    raw = log({"Year": ["2018"], "Month": ["3"], "Day": ["5"], "Hour": ["14"], "Minute": ["7"]})
    text = apply_mapping(raw, mapping)["reported"]
    assert str(parse_dates(text).times[0]) == "2018-03-05 14:07:00+00:00"


def test_a_time_of_day_in_its_own_column_is_joined() -> None:
    mapping = propose_mapping(log({"Date": days("%d/%m/%Y"), "Time": ["2:22 PM"] * ROWS}))
    assert mapping.fields["reported"].columns == ("Date", "Time")
    raw = log({"Date": ["17/03/2018", "18/03/2018"], "Time": ["2:22 PM", ""]})
    parsed = parse_dates(apply_mapping(raw, mapping)["reported"],
                         style=mapping.date_style("reported"))
    assert parsed.times.astype(str).tolist() == ["2018-03-17 14:22:00+00:00",
                                                 "2018-03-18 00:00:00+00:00"]
    assert parsed.precision.tolist() == ["minute", "day"]


@pytest.mark.parametrize(("cells", "name"), [
    ([str(1520259720 + 86_400 * n) for n in range(ROWS)], "Unix time in seconds"),
    ([str((1520259720 + 86_400 * n) * 1000) for n in range(ROWS)], "Unix time in milliseconds"),
    ([str(43164 + n) for n in range(ROWS)], "spreadsheet day number"),
    (days("%Y%m%d"), "YYYYMMDD"),
])
def test_dates_written_as_bare_numbers(cells: list[str], name: str) -> None:
    mapping = propose_mapping(log({"Created": cells, "Ward": [str(43164)] * ROWS}))
    assert mapping.fields["reported"].columns == ("Created",)
    assert mapping.date_style("reported").formats[0] == name


@pytest.mark.parametrize(("text", "order"), [
    ("({lat}, {lon})", "lat_lon"), ("{lon} {lat}", "lon_lat"), ("POINT ({lon} {lat})", "wkt"),
])
def test_one_text_that_holds_a_point(text: str, order: str) -> None:
    cells = [text.format(lat=lat, lon=lon) for lat, lon in zip(
        spots(46.001, 46.01), spots(-133.02, -133.01), strict=True)]
    mapping = propose_mapping(log({"Reported": days(), "Place": cells}))
    assert mapping.fields["location"].columns == ("Place",)
    assert (mapping.places.location_order, mapping.places.location_crs) == (order, "EPSG:4326")
    assert mapping.questions == ()


def test_the_order_of_a_point_is_asked_or_told_by_the_study_area() -> None:
    raw = log({"Reported": days(), "Point": [f"({a}, {b})" for a, b in zip(
        spots(-33.02, -33.01), spots(46.001, 46.01), strict=True)]})
    assert asked(propose_mapping(raw)) == {"places.location_order": "lat_lon"}
    known = propose_mapping(raw, study_area=(-33.1, 45.9, -32.9, 46.1))
    assert known.places.location_order == "lon_lat"
    assert known.questions == ()


@pytest.mark.parametrize(("code", "lon", "lat"), [
    ("EPSG:27700", (-0.16, -0.12), (51.49, 51.52)),     # metres, Great Britain
    ("EPSG:3435", (-87.7, -87.6), (41.8, 41.9)),        # US survey feet, Illinois
    ("EPSG:2230", (-117.2, -117.1), (32.7, 32.8)),      # US survey feet, California
    ("EPSG:2154", (2.30, 2.40), (48.85, 48.9)),         # metres, France
    ("EPSG:25833", (13.3, 13.5), (52.4, 52.5)),         # metres, Germany
    ("EPSG:2193", (174.7, 174.8), (-36.9, -36.8)),      # metres, northing first, New Zealand
    ("EPSG:3857", (2.30, 2.40), (48.85, 48.9)),         # web map metres
])
@pytest.mark.parametrize("names", [("X", "Y"), ("col_a", "col_b")])
def test_the_crs_is_found_from_values_against_the_epsg_register(
        code: str, lon: tuple[float, float], lat: tuple[float, float],
        names: tuple[str, str]) -> None:
    """PROJ's transformation of the EPSG register is the authority for the planted pair."""
    lons, lats = spots(*lon), spots(*lat)
    change = Transformer.from_crs("EPSG:4326", code, always_xy=True)
    x, y = change.transform([float(v) for v in lons], [float(v) for v in lats])
    mapping = propose_mapping(log({
        "Reported": days(), "Lat": lats, "Lon": lons, names[0]: [f"{v:.2f}" for v in x],
        names[1]: [f"{v:.2f}" for v in y]}))
    assert mapping.fields["easting"].columns == (names[0],)
    assert mapping.fields["northing"].columns == (names[1],)
    found = Transformer.from_crs(mapping.places.crs, code, always_xy=True)
    assert np.hypot(*np.subtract(found.transform(x[:1], y[:1]), (x[:1], y[:1]))).max() < 2.0
    if code in ("EPSG:27700", "EPSG:3435", "EPSG:2230", "EPSG:3857"):
        assert mapping.places.crs == code


def test_swapped_axes_of_a_projected_pair_are_put_right() -> None:
    lons, lats = spots(-0.16, -0.12), spots(51.49, 51.52)
    x, y = Transformer.from_crs("EPSG:4326", "EPSG:27700", always_xy=True).transform(
        [float(v) for v in lons], [float(v) for v in lats])
    mapping = propose_mapping(log({"Lat": lats, "Lon": lons, "X": [f"{v:.0f}" for v in y],
                                   "Y": [f"{v:.0f}" for v in x]}))
    assert (mapping.fields["easting"].columns, mapping.fields["northing"].columns) == (
        ("Y",), ("X",))


def test_swapped_latitude_and_longitude_are_seen_beyond_90() -> None:
    mapping = propose_mapping(log({"Reported": days(), "Latitude": spots(-117.2, -117.1),
                                   "Longitude": spots(32.7, 32.8)}))
    assert mapping.fields["latitude"].columns == ("Longitude",)
    assert mapping.fields["longitude"].columns == ("Latitude",)


def test_a_projected_pair_alone_is_asked_unless_the_study_area_is_known() -> None:
    x, y = ["529057", "529631"] * 20, ["181438", "178538"] * 20
    raw = log({"Reported": days(), "Easting": x, "Northing": y})
    assert asked(propose_mapping(raw)) == {"places.crs": "none"}
    known = propose_mapping(raw, study_area=(-0.22, 51.46, -0.10, 51.54), crs="EPSG:27700")
    assert known.places.crs == "EPSG:27700"
    assert known.questions == ()
    found = propose_mapping(raw, study_area=(-0.22, 51.46, -0.10, 51.54))
    assert "EPSG:27700" in found.places.crs + "".join(
        choice for q in found.questions for choice in q.choices)


def test_bare_sizes_are_asked_unless_the_name_says_the_unit() -> None:
    raw = log({"Reported": days(), "Size": ["2.5", "3"] * 20})
    assert asked(propose_mapping(raw)) == {"sizes.unit": "m2"}
    for name, unit in (("Size sq ft", "ft2"), ("Area m2", "m2"), ("Größe in m²", "m2")):
        mapping = propose_mapping(log({"Reported": days(), name: ["2.5", "3"] * 20}))
        assert (mapping.size_unit, asked(mapping)) == (unit, {})


def test_two_unnamed_dates_are_ordered_by_time_and_asked() -> None:
    raw = log({"column_1": days(start="2018-01-05"), "column_2": days(),
               "column_3": ["12 Elm Street"] * ROWS}, has_header=False)
    mapping = propose_mapping(raw)
    assert mapping.fields["reported"].columns == ("column_2",)
    assert mapping.fields["cleared"].columns == ("column_1",)
    assert asked(mapping)["fields.cleared.columns"] == "column_1"


def test_house_number_and_street_are_joined_in_the_log_s_order() -> None:
    mapping = propose_mapping(log({
        "Reported": days(), "House No": ["12"] * ROWS, "Street": ["Elm Street"] * ROWS}))
    assert mapping.fields["address"].columns == ("House No", "Street")
    raw = log({"House No": ["12", ""], "Street": ["Elm Street", "Oak Road"]})
    assert apply_mapping(raw, mapping)["address"].tolist() == ["12 Elm Street", "Oak Road"]


def test_answers_are_put_into_the_settings() -> None:
    texts = [text for text in days("%d/%m/%Y", step="1D", count=300) if int(text[:2]) <= 12]
    mapping = propose_mapping(log({"Date reported": texts, "Size": ["2"] * len(texts)}))
    given = {"fields.reported.day_first": "month first", "sizes.unit": "ft2"}
    questions = tuple(type(q)(q.key, q.ask, q.choices, q.assumed, given[q.key], q.evidence)
                      for q in mapping.questions)
    settled = answered(Mapping(mapping.log_name, mapping.has_header, mapping.columns,
                               mapping.fields, mapping.places, mapping.size_unit, mapping.words,
                               questions))
    assert not settled.date_style("reported").day_first
    assert settled.size_unit == "ft2"
    assert settled.open_questions == ()


def test_outskirts_that_join_on_belong_to_the_study_area_and_strays_do_not() -> None:
    town = np.linspace(0.0, 0.1, 2000)
    suburb, stray = np.linspace(0.1, 0.16, 12), np.array([0.3])
    north = np.concatenate([town, suburb, stray]) + 45
    place = suggest_place(np.full(len(north), -8.0), north)
    assert place is not None
    assert place.study_area[3] == pytest.approx(45.17, abs=1e-9)
    assert place.study_area[1] == pytest.approx(45 - 0.02, abs=2e-3)


def test_a_stray_column_of_coordinates_does_not_move_the_study_area() -> None:
    lats, lons = spots(46.001, 46.01), spots(-33.02, -33.01)
    lats[3], lons[3] = lons[3], lats[3]
    lats[7] = lons[7] = "0"
    raw = log({"Reported": days(), "Lat": lats, "Long": lons})
    place = suggest_place(*log_points(raw, propose_mapping(raw)))
    assert place is not None
    assert place.crs == "EPSG:32625"
    west, south, east, north = place.study_area
    assert -33.1 < west < -33.02 < -33.01 < east < -32.9
    assert 45.9 < south < 46.001 < 46.01 < north < 46.1


def test_a_log_without_coordinates_suggests_no_place() -> None:
    raw = log({"Reported": days()})
    assert suggest_place(*log_points(raw, propose_mapping(raw))) is None


def test_every_header_word_names_a_field_and_a_reason() -> None:
    helpers = {"other", "neutral", "house_number", "block_number", *(f"part_{p}" for p in (
        "year", "month", "day", "hour", "minute", "second", "half", "time"))}
    for word in header_words():
        assert word.field in (*FIELDS, *helpers), word
        assert word.reason
        assert 0 <= word.weight <= 1
        assert word.words == " ".join(word.words.split()).lower()
    assert {word.language for word in header_words()} == {"en", "es", "fr", "de", "pt", "nl", "pl"}


def test_header_words_are_reached_by_their_own_words() -> None:
    """A word with accents in the list could never match a name, which is compared without."""
    for word in header_words():
        if word.field != "neutral":
            assert word.field in header_scores(word.words), word


def test_one_proposal_twice_is_the_same() -> None:
    raw = log({"Opened": days(), "Lat": spots(46.0, 46.1), "Long": spots(-33.1, -33.0)})
    assert propose_mapping(raw) == propose_mapping(raw)


def test_no_column_serves_two_fields() -> None:
    for name in csv.DictReader(["fault", "open311.json", "rows_wrapped_in_quotes.csv"]):
        raw = read_table(Path(__file__).parents[1] / "files" / "faults_reading" / name["fault"])
        used = [c for source in propose_mapping(raw).fields.values() for c in source.columns]
        assert len(used) == len(set(used))


def split_log() -> pd.DataFrame:
    """A log with numbers of rows, a hundred-block beside the street, and areas of the map."""
    rng = np.random.default_rng(3)
    n = 120
    things = ["Pole - Offensive", "Building_commercial - Not_Offensive", "Mail_box - Offensive"]
    return pd.DataFrame({
        "X": range(1, n + 1), "X.1": range(2001, 2001 + n), "CaseID": range(700_000, 700_000 + n),
        "Opened": pd.date_range("2024-01-01", periods=n, freq="7h").strftime("%Y-%m-%d %H:%M"),
        "Request Details": rng.choice(things, n), "Block": rng.integers(1, 30, n) * 100,
        "Street": rng.choice(["ELM ST", "OAK AVE"], n), "Suburb": rng.choice(["Hill", "Dale"], n),
        "Zip": rng.choice(["10101", "10102"], n), "TRACT": rng.integers(10_000, 20_000, n),
        "AREA": rng.uniform(0.1, 2, n).round(7)}).astype("str")


def test_a_number_or_lot_behind_a_street_is_no_part_of_the_street_s_name() -> None:
    """"Mill Lane 9" would be a street of that name; the comma makes 9 its house."""
    streets = ["Mill Lane", "Quay Street", "Elm Road", "Bank Street", "Oak Avenue"]
    for form, keys in (("{n} b", ["1b mill lane", "2b quay street"]),
                       ("Lot {n}", ["lot 1 mill lane", "lot 2 quay street"])):
        raw = log({"Opened": days(), "Street": [streets[n % 5] for n in range(ROWS)],
                   "House No": [form.format(n=n + 1) for n in range(ROWS)]})
        found = apply_mapping(raw, propose_mapping(raw))["address"]
        assert address_table(found)["address_key"].tolist()[:2] == keys
        assert set(address_table(found)["address_kind"]) == {"number"}


def test_a_hundred_block_beside_a_street_is_a_block_and_never_a_house() -> None:
    raw = RawTable(split_log(), name="log.csv")
    mapping = propose_mapping(raw)
    assert mapping.fields["address"].columns == ("Block", "Street")
    assert mapping.fields["address"].parts == ("block", "street")
    addresses = apply_mapping(raw, mapping)["address"]
    assert addresses.str.fullmatch(r"\d+00 block of (?:ELM ST|OAK AVE)").all()


def test_request_details_that_name_things_are_the_object() -> None:
    mapping = propose_mapping(RawTable(split_log(), name="log.csv"))
    assert mapping.fields["asset_type"].columns == ("Request Details",)
    assert "description" not in mapping.fields


def test_suburb_and_postcode_belong_to_the_address() -> None:
    mapping = propose_mapping(RawTable(split_log(), name="log.csv"))
    assert mapping.fields["locality"].columns == ("Suburb",)
    assert mapping.fields["postcode"].columns == ("Zip",)


def test_numbers_of_rows_are_no_coordinates_and_the_area_of_a_tract_no_size() -> None:
    mapping = propose_mapping(RawTable(split_log(), name="log.csv"))
    assert not {"easting", "northing", "latitude", "longitude", "size"} & set(mapping.fields)
