"""Say into codes: which word decides, what is entered in the ledger, what descriptions add."""

from __future__ import annotations

import pandas as pd
import pytest

from rehit.incidents.clean import clean_incidents
from rehit.incidents.meaning import flagged, translate
from rehit.incidents.rows import Cleaned, CleanSettings
from rehit.words.vocabulary import default_words


def clean(**row: str) -> Cleaned:
    fields = pd.DataFrame([{"source_file": "log", "source_row": 1, "reported": "2025-03-03",
                            **row}])
    return clean_incidents(fields, mapping=None, settings=CleanSettings(
        time_zone="UTC", crs="EPSG:32625"))


@pytest.mark.parametrize(("text", "code", "rule"), [
    ("brick", "brick", ""), ("Brick - Unpainted", "brick", "word"),
    ("brik", "brick", "misspelling"),
    ("timber/glass", "timber", "first_of_several"), ("zorblax", "unknown", "unknown_word"),
    ("Other / Unknown Surface", "unknown", "word"), ("other: glass", "glass", "word")])
def test_surface_words(text: str, code: str, rule: str) -> None:
    table = translate(pd.Series([text]), default_words("substrate"))
    assert table.loc[0].tolist() == [code, rule]


@pytest.mark.parametrize(("text", "is_duplicate", "state"), [
    ("Completed - Dup", True, "cleared"), ("Open - Dup", True, "open"),
    ("DUPLICATE", True, "unknown"),
    ("Not a duplicate - completed", False, "cleared"), ("Completed", False, "cleared")])
def test_duplicate_word_leaves_the_state(text: str, is_duplicate: bool, state: str) -> None:
    words = default_words("status")
    assert flagged(pd.Series([text, None]), words, "duplicate").tolist() == [is_duplicate, False]
    from rehit.incidents.meaning import _state

    assert translate(pd.Series([text]), words, choose=_state).loc[0, "code"] == state


def test_chicago_like_words_fill_all_columns() -> None:
    row = clean(substrate="Metal - Painted", status="Completed", cleared="2025-03-04",
                priority="Y", medium="Spray paint").incidents.loc[0]
    assert row[["substrate", "finish", "medium", "priority", "status", "outcome"]].tolist() == [
        "metal", "painted", "spray", "offensive", "cleared", "cleared"]


@pytest.mark.parametrize(("description", "priority"), [
    ("racist slogan", "offensive"), ("not racist, just a tag", "ordinary"),
    ("please say yes", "ordinary"), ("high wall", "ordinary"), ("hate this colour", "offensive")])
def test_priority_from_a_description(description: str, priority: str) -> None:
    assert clean(description=description).incidents["priority"].tolist() == [priority]


def test_field_wins_over_description() -> None:
    row = clean(description="racist slogan in felt pen", priority="No", medium="chalk")
    assert row.incidents.loc[0, ["priority", "medium"]].tolist() == ["ordinary", "chalk"]


def test_ledger_does_not_copy_descriptions() -> None:
    cleaned = clean(description="felt pen, ask neighbours")
    entry = cleaned.ledger[cleaned.ledger["rule"] == "medium_from_description"]
    assert entry["before"].tolist() == ["words_in_description"]


def test_translations_are_counted_once_per_word() -> None:
    fields = pd.DataFrame({"reported": ["2025-03-03"] * 3, "substrate": ["brik", "brik", "Wood"]})
    cleaned = clean_incidents(fields, mapping=None, settings=CleanSettings(
        time_zone="UTC", crs="EPSG:32625", translations_in_ledger=False))
    assert cleaned.translations.to_numpy().tolist() == [
        ["substrate", "Wood", "timber", "word", 1],
        ["substrate", "brik", "brick", "misspelling", 2]]
    assert cleaned.ledger["rule"].tolist() == ["misspelling", "misspelling"]


@pytest.mark.parametrize(("status", "outcome", "cleared", "expected"), [
    ("Closed", "", "2025-03-05", ("cleared", "unknown")),
    ("Completed", "", "2025-03-05", ("cleared", "cleared")),
    ("", "", "2025-03-05", ("cleared", "cleared")),
    ("Closed", "Not found", "2025-03-05", ("cleared", "not_found")),
    ("Closed", "Referred", "2025-03-05", ("closed_undated", "referred")),
    ("", "Site to be cleaned", "2025-03-05", ("open", "pending")),
    ("Closed", "", "", ("closed_undated", "unknown")), ("Open", "", "", ("open", "pending")),
    ("", "Pending", "", ("open", "pending")), ("zz", "", "", ("unknown", "unknown")),
    ("Open", "Removed", "2025-03-05", ("cleared", "cleared"))])
def test_states(status: str, outcome: str, cleared: str, expected: tuple[str, str]) -> None:
    row = clean(status=status, outcome=outcome, cleared=cleared).incidents.loc[0]
    assert (row["status"], row["outcome"]) == expected


@pytest.mark.parametrize(("field", "word", "code"), [
    ("status", "in Bearbeitung", "open"), ("status", "beseitigt", "cleared"),
    ("status", "Em curso", "open"), ("status", "Finalizado", "closed"),
    ("status", "Traité", "cleared"), ("status", "Anulado", "void"),
    ("priority", "Ja", "offensive"), ("priority", "Nein", "ordinary"),
    ("priority", "Não", "ordinary"), ("priority", "no ofensivo", "ordinary"),
    ("substrate", "Sichtbeton", "concrete"), ("substrate", "persiana metálica", "metal"),
    ("substrate", "pintura sobre enfoscado", "render"), ("substrate", "crépi", "render"),
    ("substrate", "betão", "concrete"), ("outcome", "propriété privée", "private_owner")])
def test_logs_in_other_languages_are_understood_without_guessing(
        field: str, word: str, code: str) -> None:
    read = translate(pd.Series([word]), default_words(field), fuzzy=False).iloc[0]
    assert read["code"] == code


@pytest.mark.parametrize(("text", "state", "end"), [
    ("No procede", "unknown", "no_work"), ("No graffiti found", "unknown", "not_found"),
    ("No", "open", "unknown"), ("Cannot locate property", "unknown", "no_work"),
    ("Unable to locate tag", "unknown", "not_found"), ("Rejected", "unknown", "no_work")])
def test_a_flag_answers_only_as_the_whole_cell(text: str, state: str, end: str) -> None:
    """A "no" within a sentence is no open case; a place not found is no clean wall."""
    read = [translate(pd.Series([text]), default_words(kind))["code"].iloc[0]
            for kind in ("status", "outcome")]
    assert read == [state, end]
