"""The conversation about a log: what is shown, what is asked, what an answer changes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pyproj import Transformer

from rehit.errors import SettingError
from rehit.files.rows import RawTable
from rehit.incidents.clean import clean_incidents
from rehit.incidents.mapping import apply_mapping, load_mapping, save_mapping, with_setting
from rehit.incidents.proposal import Options, Proposal, propose_reading
from rehit.incidents.rows import CleanSettings

ROWS = 60
RNG = np.random.default_rng(20261129)
LEEDS, CHICAGO = (-1.55, 53.8), (-87.65, 41.85)


def log(columns: dict[str, list[str]]) -> RawTable:
    index = pd.RangeIndex(1, ROWS + 1, name="source_row")
    return RawTable(pd.DataFrame(columns, index=index), name="log.csv")


def spots(town: tuple[float, float]) -> dict[str, list[str]]:
    return {"Lat": [f"{town[1] + d:.6f}" for d in RNG.uniform(-0.03, 0.03, ROWS)],
            "Long": [f"{town[0] + d:.6f}" for d in RNG.uniform(-0.03, 0.03, ROWS)]}


def grid(town: tuple[float, float], code: str) -> dict[str, list[str]]:
    at = spots(town)
    x, y = Transformer.from_crs("EPSG:4326", code, always_xy=True).transform(
        np.array(at["Long"], dtype=float), np.array(at["Lat"], dtype=float))
    return {"e": [f"{v:.0f}" for v in x], "n": [f"{v:.0f}" for v in y]}


def days(form: str = "%Y-%m-%d") -> list[str]:
    start = pd.Timestamp("2025-01-03")
    return [(start + pd.Timedelta(days=5 * n)).strftime(form) for n in range(ROWS)]


def kinds(*values: str) -> list[str]:
    return [values[n % len(values)] for n in range(ROWS)]


def asked(proposal: Proposal) -> dict[str, str]:
    return {question.key: question.assumed for question in proposal.open_questions}


def test_the_proposal_shows_columns_samples_and_how_sure() -> None:
    found = propose_reading(log({
        "Ref": [f"R{n}" for n in range(ROWS)], "Reported": days("%d/%m/%Y"),
        "Address": [f"{n} Elm Rd" for n in range(1, ROWS + 1)], **spots(LEEDS),
        "Officer": kinds("call 01632 960123", "b")}))
    fields = {reading.field: reading for reading in found.fields}
    assert fields["reported"].columns == ("Reported",)
    assert [(s.raw, s.understood) for s in fields["reported"].samples] == [
        ("03/01/2025", "2025-01-03"), ("08/01/2025", "2025-01-08"), ("13/01/2025", "2025-01-13")]
    assert fields["address"].samples[0].understood == "1 elm road"
    assert fields["reported"].sureness == "sure"
    assert [(each.column, each.samples) for each in found.unused] == [
        ("Officer", ("call [phone]", "b"))]
    assert [told.code for told in found.unknown] == [
        "unknown.cleared", "unknown.size", "unknown.substrate", "unknown.asset_type"]


def test_money_clock_and_holidays_come_from_the_country_and_are_asked_once() -> None:
    table = log({"Opened": days(), **spots(CHICAGO)})
    found = propose_reading(table)
    assert (found.settings.country, found.settings.time_zone, found.settings.currency,
            found.settings.holidays) == ("US", "America/Chicago", "$", "US")
    assert asked(found) == {"project.country": "US", "log.one_row": "place"}
    other = found.with_answers({"project.country": "CA"})
    assert (other.settings.currency, other.settings.holidays, other.settings.confirmed) == (
        "$", "CA", True)
    assert asked(other) == {"log.one_row": "place"}
    given = propose_reading(table, options=Options(time_zone="Europe/Lisbon", currency="£"))
    assert (given.settings.time_zone, given.settings.currency) == ("Europe/Lisbon", "£")
    assert [note.code for note in given.notes] == ["start.clock_elsewhere"]


def test_the_order_of_day_and_month_follows_custom_and_is_needed_where_rows_speak_against_it(
) -> None:
    dates = kinds("03/04/2025", "05/02/2025", "02/03/2025", "04/05/2025")
    found = propose_reading(log({"Date reported": dates, **spots(CHICAGO)}))
    assert asked(found)["fields.reported.day_first"] == "month first"
    assert not found.mapping.date_style("reported").day_first
    assert found.must_answer == ()
    british = propose_reading(log({"Date reported": dates, **spots(LEEDS)}))
    assert british.mapping.date_style("reported").day_first
    rising = sorted(days("%d/%m/%Y"), key=lambda text: text[3:5])
    rising = [text for text in rising if int(text[:2]) <= 12]
    rising = sorted((rising * ROWS)[:ROWS], key=lambda text: (text[3:5], text[:2]))
    against = propose_reading(log({"Date reported": rising, **spots(CHICAGO)}))
    assert [q.key for q in against.must_answer] == ["fields.reported.day_first"]


def test_a_grid_without_a_name_asks_for_the_country_and_then_shows_where_points_land() -> None:
    table = log({"date": days(), **grid((8.54, 47.37), "EPSG:2056")})
    found = propose_reading(table)
    assert [q.key for q in found.must_answer] == ["project.country"]
    assert found.settings.crs == ""
    swiss = found.with_answers({"project.country": "CH"})
    assert swiss.must_answer == ()
    assert swiss.mapping.places.crs == "EPSG:2056"
    chosen = next(each for each in swiss.grids if each.chosen)
    assert (chosen.zone, chosen.country) == ("Europe/Zurich", "CH")
    assert chosen.latitude == pytest.approx(47.37, abs=0.01)


def test_the_register_tells_the_grid_without_a_question() -> None:
    table = log({"date": days(), **grid((8.54, 47.37), "EPSG:2056")})
    found = propose_reading(table, options=Options(register_area=(8.45, 47.32, 8.63, 47.44)))
    assert (found.mapping.places.crs, found.must_answer) == ("EPSG:2056", ())


def test_what_a_row_counts_is_asked_once_and_only_where_the_log_does_not_tell(
        tmp_path: Path) -> None:
    """Fault: nobody was asked, though 3 to 6 tags dealt with at one stop move every price."""
    table = {"Opened": days(), **spots(LEEDS)}
    told = propose_reading(log(table)).with_answers({"log.one_row": "tag"})
    assert "log.one_row" not in asked(told)
    save_mapping(told.mapping, tmp_path / "mapping.toml")
    assert load_mapping(tmp_path / "mapping.toml").one_row == "tag"
    calls = propose_reading(log({**table, "Request type": kinds("Graffiti", "Pothole")}))
    assert "log.one_row" not in asked(calls)  # a request is a call, whatever it is about


def test_questions_come_in_the_order_of_what_they_change() -> None:
    found = propose_reading(log({
        "Opened": days(), "Request type": kinds("Graffiti", "Vandalism", "Pothole", "Graffiti"),
        "Outcome": kinds("Removed", "Zorbed", "Removed", "Removed", "Flummed"), **spots(LEEDS)}))
    assert [(q.key, q.rows) for q in found.open_questions] == [
        ("services.Vandalism", 15), ("outcomes.Zorbed", 12), ("outcomes.Flummed", 12),
        ("project.country", 0)]


def test_what_an_unknown_outcome_means_is_asked_and_decides_clearance(tmp_path: Path) -> None:
    table = log({"Opened": days(), "Closed": days(), "Result": kinds("Removed", "Zorbed"),
                 **spots(LEEDS)})
    found = propose_reading(table)
    assert asked(found)["outcomes.Zorbed"] == "unknown"
    settings = CleanSettings(time_zone="UTC", crs="EPSG:32630")

    def cleared(mapping_of: Proposal) -> int:
        fields = apply_mapping(table, mapping_of.mapping)
        made = clean_incidents(fields, mapping=mapping_of.mapping, settings=settings).incidents
        return int(made["cleared_at"].notna().sum())

    told = found.with_answers({"outcomes.Zorbed": "no_work"})
    assert cleared(found) - cleared(told) == ROWS // 2
    save_mapping(told.mapping, tmp_path / "mapping.toml")
    assert load_mapping(tmp_path / "mapping.toml").outcomes["no_work"] == ("Zorbed",)


def test_kinds_of_request_of_which_none_is_known_as_graffiti_must_be_told() -> None:
    table = log({"Opened": days(), "Request type": kinds("Falfirka", "Pothole", "Street light",
                                                         "Rats"), **spots(LEEDS)})
    found = propose_reading(table)
    assert [q.key for q in found.must_answer] == ["log.graffiti"]
    told = found.with_answers({"log.graffiti": "Falfirka"})
    assert {(v.value, v.code) for v in told.services} >= {("Falfirka", "graffiti"),
                                                          ("Rats", "another")}
    whole = with_setting(found.mapping, "log.graffiti", "all")
    assert "service" not in whole.fields


def test_a_number_shared_by_requests_elsewhere_is_not_the_number_of_the_request() -> None:
    again = [n - (n % 6 == 5) for n in range(1, ROWS + 1)]  # one in six repeats the one before
    number, places = [str(1000 + n) for n in again], [f"{n} Elm Road" for n in range(1, ROWS + 1)]
    own = [f"G2025-{n}" for n in range(ROWS)]
    columns = {"numero": number, "id_case": own, "Opened": days(), "Address": places}
    assert propose_reading(log(columns)).mapping.fields["report_id"].columns == ("id_case",)
    stages = {**columns, "Address": [f"{n} Elm Road" for n in again]}
    assert propose_reading(log(stages)).mapping.fields["report_id"].columns == ("numero",)


def test_a_log_without_coordinates_needs_no_projection() -> None:
    found = propose_reading(log({"Opened": days(), "Address": kinds("1 Elm Road", "2 Oak Lane")}),
                            options=Options(time_zone="Europe/London"))
    assert (found.settings.crs, found.settings.currency) == ("EPSG:32630", "£")
    assert "unknown.place" in [told.code for told in found.unknown]
    assert found.must_answer == ()


def test_what_was_understood_wrongly_is_corrected_by_hand_though_nothing_was_asked(
        tmp_path: Path) -> None:
    """The corrections stand in the mapping file as questions that are answered."""
    raw = log({"Reported": days(), "Service": kinds("Graffiti", "Chalk art", "Pothole"),
               "Status": kinds("Closed", "Open"), "Street": kinds("Elm Rd", "Oak Rd"),
               "Premises": [f"{n} Ash Rd" for n in range(1, ROWS + 1)], **spots(LEEDS)})
    found = propose_reading(raw).with_answers({
        "services.Pothole": "graffiti", "services.Graffiti": "another",
        "fields.address.columns": "Premises", "outcomes.Closed": "pending"})
    assert {each.value: each.code for each in found.services}["Pothole"] == "graffiti"
    assert {each.value: each.code for each in found.services}["Graffiti"] == "another"
    fields = {reading.field: reading.columns for reading in found.fields}
    assert fields["address"] == ("Premises",)
    path = tmp_path / "mapping.toml"
    save_mapping(found.mapping, path)
    kept = {each.key: each.answer for each in load_mapping(path).questions}
    assert kept["fields.address.columns"] == "Premises"
    assert kept["services.Pothole"] == "graffiti"
    assert load_mapping(path).services["graffiti"] == found.mapping.services["graffiti"]


@pytest.mark.parametrize("answers", [{"services.Zorb": "graffiti"}, {"fields.zorb.columns": "Lat"},
                                     {"fields.address.columns": "Zorb"}, {"project.country": "ZZ"},
                                     {"fields.reported.day_first": "whenever"}])
def test_an_answer_to_nothing_that_is_asked_is_refused(answers: dict[str, str]) -> None:
    dates = kinds("03/04/2025", "05/02/2025")
    with pytest.raises(SettingError):
        propose_reading(log({"Date reported": dates, **spots(LEEDS)}), answers=answers)


@pytest.mark.parametrize("name", ["Estimated Completion Date", "Planned date", "Fecha estimada",
                                  "Date prévue"])
def test_a_day_foreseen_is_no_clearance(name: str) -> None:
    mapping = propose_reading(log({"Date reported": days(), name: days(), **spots(LEEDS)})).mapping
    assert mapping.fields["reported"].columns == ("Date reported",)
    assert "cleared" not in mapping.fields


def test_the_area_of_a_district_is_not_the_size_of_a_marking() -> None:
    found = propose_reading(log({"Opened": days(), "Shape__Area": ["1234.5"] * ROWS,
                                 **spots(LEEDS)}))
    assert "size" not in found.mapping.fields


def test_seconds_since_1970_in_a_column_without_a_name_are_days() -> None:
    times = [str(int(pd.Timestamp(day).timestamp())) for day in days()]
    at = spots(LEEDS)
    raw = log({"column_1": times, "column_2": at["Lat"], "column_3": at["Long"]})
    bare = propose_reading(RawTable(raw.table, has_header=False, name="log.csv"))
    assert bare.mapping.fields["reported"].columns == ("column_1",)
    assert next(r for r in bare.fields if r.field == "reported").sureness == "doubtful"


def test_a_list_of_work_done_is_asked_about_and_read_as_both_meanwhile() -> None:
    """Hours beside the day of a work are no clock; its day is that of the clearance too."""
    table = {"Work Date": days(), "Labour Hours": ["2"] * ROWS, "Total Cost": ["135.50"] * ROWS,
             "Method": ["paint out"] * ROWS, **spots(LEEDS)}
    found = propose_reading(log(table))
    asked = next(each for each in found.questions if each.key == "log.works")
    assert asked.ask.facts["columns"] == ("Labour Hours", "Total Cost")
    assert (asked.choices, asked.assumed, asked.rows) == (("log", "works", "both"), "both", ROWS)
    assert found.mapping.fields["reported"].columns == ("Work Date",)
    assert found.mapping.fields["cleared"].columns == ("Work Date",)
    assert found.unused == ()
    reports = found.with_answers({"log.works": "log"})
    assert "cleared" not in reports.mapping.fields
    assert [each.column for each in reports.unused] == ["Labour Hours", "Total Cost", "Method"]
    bare = propose_reading(log({name: cells for name, cells in table.items() if name != "Method"}))
    asked = next(each for each in bare.questions if each.key == "log.works")
    assert (asked.choices, asked.assumed) == (("log", "works"), "log")


def test_points_pasted_where_addresses_stand_tell_the_place() -> None:
    """Plus codes and links to maps near Zurich are points, so that the log lies on a map."""
    signs = "23456789CFGHJMPQRVWX"
    cells = [f"8FVC9G8F+{signs[n % 20]}{signs[n // 3 % 20]}" if n % 2 else
             f"https://maps.example/?mlat=47.36{n % 90 + 10}&mlon=8.53{n % 90 + 10}"
             for n in range(ROWS)]
    found = propose_reading(log({"Reported": days(), "Where": cells}))
    assert found.settings.country == "CH"
    assert "unknown.place" not in [each.code for each in found.unknown]
    address = next(each for each in found.fields if each.field == "address")
    assert address.samples[1].understood.startswith("47.36")


def test_who_reported_is_not_shown_with_the_address_as_understood() -> None:
    found = propose_reading(log({"Reported": days(), "Location": [
        f"Reported by Mary Jones at {n} Elm Road" for n in range(1, ROWS + 1)]}))
    address = next(each for each in found.fields if each.field == "address")
    assert (address.samples[0].raw, address.samples[0].understood) == ("1 Elm Road", "1 elm road")


def test_no_country_stands_among_the_answers_but_the_one_the_points_lie_in() -> None:
    """A code that names no country was offered; a person may answer any country's code."""
    at = spots(LEEDS)
    found = propose_reading(log({"Reported": days(), **at}))
    asked = next(each for each in found.questions if each.key == "project.country")
    assert asked.choices == ("GB",)
    assert found.with_answers({"project.country": "PT"}).settings.currency == "€"
    lost = propose_reading(log({"Reported": days(), "Address": ["5 Mill Lane"] * len(days())}))
    assert next(each for each in lost.questions if each.key == "project.country").choices == ()
