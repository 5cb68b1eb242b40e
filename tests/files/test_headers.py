"""Header words say which column is which; the user's choice goes before them."""

from __future__ import annotations

import pytest

from rehit.files.headers import guess_columns, header_words, plain_words, resolve_columns
from rehit.report.say import Say


@pytest.mark.parametrize("kind", ["register", "works"])
def test_words_stand_once_each_with_a_reason(kind: str) -> None:
    words = [entry.words for entry in header_words(kind)]
    assert len(words) == len(set(words)) > 50
    assert all(len(entry.reason) > 5 for entry in header_words(kind))
    assert words == [plain_words(text) for text in words]


def test_camel_case_underscores_and_signs() -> None:
    chosen, notes = guess_columns(["AssetNo", "WALL_AREA_m2", "Lat.", "Long", "id"],
                                  kind="register")
    assert chosen == {"asset_id": "AssetNo", "wall_area_m2": "WALL_AREA_m2", "latitude": "Lat.",
                      "longitude": "Long"}
    assert Say("en").all(notes) == ["asset_id is read from 'AssetNo'; 'id' could be it too"]


def test_users_choice_wins_and_faults_are_listed() -> None:
    chosen, notes, faults = resolve_columns(
        ["id", "Ref", "spare"], {"asset_id": "spare"}, kind="register", needed=("asset_id",),
        where="r.csv")
    assert chosen["asset_id"] == "spare"
    assert faults == []
    assert "columns not used: 'id', 'Ref'" in Say("en").all(notes)
    assert "columnas sin usar: 'id', 'Ref'" in Say("es").all(notes)
    _, _, faults = resolve_columns(["a"], {"owner": "b", "hue": "a"}, kind="register",
                                   needed=("asset_id",), where="r.csv")
    assert [f.code for f in faults] == ["errors.column_not_there", "errors.unknown_name",
                                        "errors.no_column_like"]
    assert "no column 'b' for owner" in str(faults[0])


def test_registers_in_other_languages_are_read_without_help() -> None:
    asked = {"asset_id": "Código", "asset_type": "Tipo", "substrate": "Material",
             "address": "Morada", "wall_area_m2": "Área m2"}
    assert guess_columns(list(asked.values()), kind="register")[0] == asked
    asked = {"asset_id": "Objektnummer", "substrate": "Untergrund", "easting": "Rechtswert",
             "northing": "Hochwert", "address": "Straße"}
    assert guess_columns(list(asked.values()), kind="register")[0] == asked
