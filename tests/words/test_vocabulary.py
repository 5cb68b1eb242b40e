"""Say of surfaces and street things become the codes of the table contracts."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from rehit.errors import InputFileError, ManyErrors
from rehit.tables import table
from rehit.words.vocabulary import code_text, code_texts, default_vocabulary, load_vocabulary


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
    assert code_text(text, field="substrate") == substrate
    assert code_text(text, field="finish") == finish


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("Traffic Control Box", "cabinet"),
        ("Retaining Wall", "wall"),
        ("Garbage Cart", "bin"),
        ("bus stop shelter", "shelter"),
        ("pedestrian subway", "underpass"),
        ("zzz", None),
    ],
)
def test_thing_words(text: str, code: str | None) -> None:
    assert code_text(text, field="asset_type") == code


def test_codes_are_those_of_the_contracts() -> None:
    for name in ("substrate", "finish", "access"):
        assert set(default_vocabulary().codes(name)) <= set(table("register").column(name).allowed)


def test_every_term_has_a_reason_and_stands_once() -> None:
    for name in ("surfaces", "things", "methods"):
        path = Path(__file__).parents[2] / "src" / "rehit" / "words" / f"{name}.csv"
        rows = pd.read_csv(path, keep_default_na=False)
        assert (rows["reason"].str.len() > 5).all()
        assert not rows.duplicated(["term", "field"]).any()


def test_column_keeps_index() -> None:
    out = code_texts(pd.Series(["Stone", None, "what"], index=[5, 2, 9]), field="substrate")
    assert out.to_dict() == {5: "stone", 2: "unknown", 9: "unknown"}


def test_user_terms_go_first_and_faults_are_listed(tmp_path: Path) -> None:
    mine = tmp_path / "mine.csv"
    mine.write_text(
        "term,field,code,language,reason\nhebel,substrate,concrete,en,local\n"
        "brick,substrate,stone,en,here brick slips\n"
    )
    words = load_vocabulary(mine)
    assert code_text("Hebel panel", field="substrate", vocabulary=words) == "concrete"
    assert code_text("brick", field="substrate", vocabulary=words) == "stone"
    mine.write_text("term,field,code\n,substrate,brick\nx,colour,red\nx,substrate,cheese\n")
    with pytest.raises(ManyErrors) as caught:
        load_vocabulary(mine)
    assert len(caught.value.errors) == 3
    with pytest.raises(InputFileError):
        load_vocabulary(tmp_path / "none.csv")
