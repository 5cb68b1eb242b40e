"""One table per kind of word: every row has a reason, the user's rows win, slips are understood."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from rehit.errors import InputFileError, ManyErrors
from rehit.packaged import packaged_rows
from rehit.tables import table
from rehit.words.vocabulary import (
    KINDS,
    allowed_codes,
    code_text,
    code_texts,
    default_words,
    load_words,
    plain_words,
)

CONTRACT = ("substrate", "finish", "medium", "outcome", "priority", "place_quality")


def rows(kind: str) -> list[dict[str, str]]:
    return packaged_rows("words/terms", f"{kind}.csv")


@pytest.mark.parametrize("kind", KINDS)
def test_every_word_has_code_language_and_reason(kind: str) -> None:
    assert [row for row in rows(kind) if not all(row[c] for c in (
        "word", "code", "language", "reason"))] == []
    words = [" ".join(plain_words(row["word"])) for row in rows(kind)]
    assert len(words) == len(set(words)), sorted(w for w in words if words.count(w) > 1)


@pytest.mark.parametrize("kind", CONTRACT)
def test_codes_are_those_of_the_contract(kind: str) -> None:
    allowed = set(table("incidents").column(kind).allowed)
    assert {row["code"] for row in rows(kind)} <= allowed
    # Each code can be said, so that a cleaned table can be cleaned again.
    assert {default_words(kind).find(code)[0].code for code in allowed} == allowed


@pytest.mark.parametrize(("kind", "text", "code"), [
    ("substrate", "Metal - Painted", "metal"), ("substrate", "conrete", "concrete"),
    ("substrate", "BRIK", "brick"), ("substrate", "plastc", "plastic"),
    ("substrate", "Cement (Sidewalk, Alley, Wall, Curb)", "concrete"),
    ("substrate", "Marble/Granite", "stone"), ("substrate", "Aluminum Siding", "powder_coated"),
    ("substrate", "Powder-coated steel", "powder_coated"), ("substrate", "Holz", "timber"),
    ("finish", "Brick - Unpainted", "bare"), ("finish", "not painted", "bare"),
    ("status", "In progress", "open"), ("status", "Not completed", "open"),
    ("outcome", "Unable to locate graffiti", "not_found"), ("outcome", "not removed", "pending"),
    ("priority", "NOT offensive", "ordinary"), ("priority", "Y", "offensive"),
    ("medium", "Spray paint", "spray"), ("medium", "felt-tip", "marker"),
    ("asset_type", "Bus stop shelter", "shelter"),
    ("asset_type", "Traffic Control Box", "cabinet"), ("asset_type", "Retaining Wall", "wall"),
    ("asset_type", "Garbage Cart", "bin"), ("asset_type", "pedestrian subway", "underpass"),
    ("asset_type", "Roller shutter", "shutter"), ("asset_type", "Garage door", "garage"),
    ("asset_type", "mailbox", "post_box"), ("asset_type", "sidewalk", "pavement"),
    ("method", "Painted out", "paint_out"), ("access", "cherry picker", "platform")])
def test_words_of_the_trade(kind: str, text: str, code: str) -> None:
    assert default_words(kind).find(text)[0].code == code


@pytest.mark.parametrize("text", ["zorblax", "xx", "12345", "gravel", "heath", "water", "sand",
                                  "store"])
def test_other_words_are_not_taken_for_misspellings(text: str) -> None:
    assert default_words("substrate").find(text) == ()


def test_a_slip_between_two_codes_decides_for_neither(tmp_path: Path) -> None:
    table_of_mine = tmp_path / "mine.csv"
    table_of_mine.write_text("kind,word,code,language,reason\n"
                             "medium,stoat,spray,en,test\nmedium,stout,marker,en,test\n")
    assert load_words(table_of_mine)["medium"].find("stott") == ()


def test_user_rows_win_over_our_own(tmp_path: Path) -> None:
    mine = tmp_path / "mine.csv"
    mine.write_text("kind,word,code,language,reason\nsubstrate,Masonry,stone,en,ours is stone\n"
                    "status,Afgehandeld,cleared,nl,Dutch\n", encoding="utf-8-sig")
    words = load_words([mine])
    assert words["substrate"].find("masonry")[0].code == "stone"
    assert words["status"].find("AFGEHANDELD")[0].code == "cleared"
    assert default_words("substrate").find("masonry")[0].code == "brick"


@pytest.mark.parametrize(("body", "part"), [
    ("kind,word,code\nsurface,x,brick\n", "the kind 'surface'"),
    ("kind,word,code\nsubstrate,x,bricks\n", "the code 'bricks'"),
    ("kind,word,code\nsubstrate,--,brick\n", "no word")])
def test_faulty_rows_are_all_named(tmp_path: Path, body: str, part: str) -> None:
    mine = tmp_path / "mine.csv"
    mine.write_text(body)
    with pytest.raises(ManyErrors, match="line 2") as caught:
        load_words(mine)
    assert part in str(caught.value)


def test_tables_that_cannot_be_read_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputFileError):
        load_words(tmp_path / "missing.csv")
    (tmp_path / "no.csv").write_text("a,b\n1,2\n")
    with pytest.raises(InputFileError, match="no column kind, word, code"):
        load_words(tmp_path / "no.csv")


def test_size_codes_have_their_parameters() -> None:
    from rehit.parameters import load_parameters

    assert {f"incidents.size_{code}_m2" for code in allowed_codes("size")} <= set(load_parameters())


@pytest.mark.parametrize(
    ("text", "substrate", "finish"),
    [
        ("Metal - Painted", "metal", "painted"),
        ("Wood - Painted", "timber", "painted"),
        ("Brick - Unpainted", "brick", "bare"),
        ("Other/Unknown Surface", "unknown", "unknown"),
        ("Other / Unknown", "unknown", "unknown"),
        ("Aluminum Siding - Painted", "powder_coated", "painted"),
        ("face brick", "brick", "bare"),
        ("POWDER COATED steel", "powder_coated", None),
        ("painted render", "render", "painted"),
        ("Birck", "brick", None),
        ("conrete", "concrete", None),
        ("store", None, None),
        ("Ladrillo sin pintar", "brick", "bare"),
        ("Beton", "concrete", None),
        ("Street sign", "sign_face", None),
        ("glazed brick", "tile", None),
        ("", None, None),
        ("bare sandstone", "stone", "bare"),
        (None, None, None),
        ("roller shutter", "metal", None),
    ],
)
def test_surface_words(text: str | None, substrate: str | None, finish: str | None) -> None:
    assert code_text(text, kind="substrate") == substrate
    assert code_text(text, kind="finish") == finish


@pytest.mark.parametrize("name", ["substrate", "finish", "access"])
def test_codes_are_those_of_the_register(name: str) -> None:
    codes = {row["code"] for row in rows(name)}
    assert codes <= set(table("register").column(name).allowed)


def test_column_keeps_index() -> None:
    out = code_texts(pd.Series(["Stone", None, "what"], index=[5, 2, 9]), kind="substrate")
    assert out.to_dict() == {5: "stone", 2: "unknown", 9: "unknown"}


def test_a_kind_of_asset_of_the_users_own(tmp_path: Path) -> None:
    mine = tmp_path / "mine.csv"
    mine.write_text("kind;word;code\nasset_type;beach hut;beach_hut\naccess;rope;platform\n")
    words = load_words(mine)
    assert code_text("Old beach hut", kind="asset_type", words=words) == "beach_hut"
    assert code_text("by rope", kind="access", words=words) == "platform"


@pytest.mark.parametrize(("text", "code"), [
    ("Aire de jeux", "playground"), ("Boîte aux lettres", "post_box"),
    ("Plaque de nom de rue", "sign"), ("Marco do correio", "post_box"),
    ("Plac zabaw", "playground"), ("Paso subterráneo", "underpass")])
def test_things_of_several_words_are_known_as_a_whole(text: str, code: str) -> None:
    assert code_text(text, kind="asset_type") == code


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_no_small_word_of_a_phrase_stands_for_a_code(kind: str) -> None:
    small = {"de", "du", "da", "do", "la", "le", "les", "el", "aux", "des", "und", "of", "the"}
    assert small & set(default_words(kind).codes) == set()
