"""Exports of all services: which rows are graffiti, kept in the mapping, every row counted."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from rehit.files.reader import read_table
from rehit.files.rows import RawTable
from rehit.incidents.clean import clean_incidents
from rehit.incidents.drift import find_drift
from rehit.incidents.mapping import Mapping, apply_mapping, load_mapping, save_mapping, with_setting
from rehit.incidents.propose import propose_mapping
from rehit.incidents.rows import CleanSettings
from rehit.incidents.services import class_of
from rehit.words.vocabulary import default_words

DATA = Path(__file__).resolve().parents[3] / "shared" / "data"
SETTINGS = CleanSettings(time_zone="UTC", crs="EPSG:32625")


def export(kinds: list[str], *, column: str = "Request type", **more: list[str]) -> RawTable:
    """An export with one row for each kind of request, on days of its own."""
    size = len(kinds)
    index = pd.RangeIndex(1, size + 1, name="source_row")
    days = pd.date_range("2025-01-01", periods=size, freq="9D").strftime("%Y-%m-%d")
    table = pd.DataFrame({"Reported": days, column: kinds, "Lat": [
        f"46.{n:04d}1" for n in range(size)], "Long": [f"-33.{n:04d}1" for n in range(size)],
        **more}, index=index).astype("str")
    return RawTable(table, name="all.csv")


def kept(raw: RawTable, mapping: Mapping) -> tuple[int, int]:
    """Return incidents and rows of another service, after checking that all rows add up."""
    cleaned = clean_incidents(apply_mapping(raw, mapping), mapping=mapping, settings=SETTINGS)
    counts = cleaned.counts.set_index("source_file").sum()
    assert counts["rows_in"] == counts.drop("rows_in").sum() == len(raw.table)
    return int(counts["rows_kept"]), int(counts["rows_other_service"])


@pytest.mark.parametrize(("kinds", "graffiti"), [
    (["Graffiti Removal", "Pothole", "Bulky Items", "Dead animal"], 1),
    (["Graffiti", "Abfall/Sammelstelle", "Strasse/Trottoir", "Beleuchtung/Uhren"], 1),
    (["Graffitis, tags", "Voirie", "Objets abandonnés", "Propreté"], 1),
    (["Pintadas", "Alumbrado", "Baches", "Limpieza viaria"], 1),
    (["Pichação", "Buraco", "Lixo", "Iluminação"], 1),
    (["Bekladding", "Zwerfafval", "Straatverlichting", "Bomen"], 1),
    (["Graffiti na murze", "Odpady", "Oświetlenie", "Dziura"], 1)])
def test_kinds_of_request_in_many_languages(kinds: list[str], graffiti: int) -> None:
    raw = export(kinds * 6)
    assert kept(raw, propose_mapping(raw)) == (6 * graffiti, 6 * (4 - graffiti))


def test_a_log_of_graffiti_alone_keeps_every_row_whatever_its_notes_say() -> None:
    raw = export(["Graffiti Removal"] * 20, Result=["Graffiti removed", "Owner refused"] * 10,
                 Subject=["Graffiti", "Street"] * 10)
    mapping = propose_mapping(raw)
    assert "service" not in mapping.fields
    assert kept(raw, mapping) == (20, 0)


def test_a_log_without_kinds_of_request_keeps_every_row() -> None:
    raw = export(["a"] * 20, column="Note")
    assert kept(raw, propose_mapping(raw)) == (20, 0)


def test_private_property_and_posters_are_classes_of_their_own() -> None:
    words = default_words("service")
    assert class_of("Graffiti - private property", words) == "graffiti_private"
    assert class_of("Fly posting", words) == "posters"
    assert class_of("Affiches, autocollants ou graffitis sur mobilier", words) == "graffiti"
    assert class_of("Vandalism", words) == "unsure"
    assert class_of("Zorb", words) == ""
    raw = export(["Graffiti - city", "Graffiti on private property", "Posters", "Pothole"] * 5)
    mapping = propose_mapping(raw)
    cleaned = clean_incidents(apply_mapping(raw, mapping), mapping=mapping, settings=SETTINGS)
    assert cleaned.incidents["service"].value_counts().to_dict() == {
        "graffiti": 5, "graffiti_private": 5, "posters": 5}


def test_what_is_unsure_is_asked_and_the_answer_changes_the_count(tmp_path: Path) -> None:
    raw = export(["Graffiti", "Vandalism", "Pothole", "Street light"] * 5)
    mapping = propose_mapping(raw)
    asked = [question for question in mapping.questions if question.key.startswith("services.")]
    assert [(q.key, q.assumed, q.ask.facts["n"]) for q in asked] == [
        ("services.Vandalism", "another", 5)]
    assert kept(raw, mapping) == (5, 15)
    assert kept(raw, with_setting(mapping, "services.Vandalism", "graffiti")) == (10, 10)
    save_mapping(mapping, tmp_path / "mapping.toml")
    text = (tmp_path / "mapping.toml").read_text(encoding="utf-8")
    (tmp_path / "mapping.toml").write_text(
        text.replace('answer = ""', 'answer = "graffiti"'), encoding="utf-8")
    assert kept(raw, load_mapping(tmp_path / "mapping.toml")) == (10, 10)


def test_a_new_kind_next_quarter_is_reported() -> None:
    mapping = propose_mapping(export(["Graffiti", "Pothole", "Street light", "Rats"] * 5))
    later = export(["Graffiti", "Pothole", "Street light", "Mural paint"] * 5)
    found = {drift.code: drift for drift in find_drift(later, mapping)}
    assert found["service_new"].count == 5
    assert found["service_new"].effect.facts["words"] == ("'Mural paint' (5)",)


def test_a_finer_column_tells_posters_from_graffiti() -> None:
    raw = export(["Graffiti and posters", "Pothole", "Graffiti and posters", "Rats"] * 5, Subtype=[
        "Graffiti on a wall", "Deep", "Posters on a wall", "Many"] * 5)
    mapping = propose_mapping(raw)
    assert mapping.fields["service_detail"].columns == ("Subtype",)
    cleaned = clean_incidents(apply_mapping(raw, mapping), mapping=mapping, settings=SETTINGS)
    assert cleaned.incidents["service"].value_counts().to_dict() == {"graffiti": 5, "posters": 5}


@pytest.mark.parametrize(("file", "expected"), [
    ("boston/Graffiti Removal.csv", 4284), ("los_angeles/2018_mini_jan.csv", 2082),
    ("los_angeles/MyLA311_Service_Request_Data_2017_Subset.csv", 2863),
    ("zurich/reports_cleaned.csv", 3262), ("paris/raw_data.csv", 3434)])
def test_graffiti_rows_of_real_exports(file: str, expected: int) -> None:
    """Rows counted by hand, in the README beside the files."""
    if not (DATA / file).is_file():
        pytest.skip("the real exports are not beside this checkout")
    raw = read_table(DATA / file)
    mapping = propose_mapping(raw)
    source = mapping.fields.get("service")
    rows = len(raw.table) if source is None else source.evidence[0].facts["kept"]
    assert rows == expected
