"""Log text cannot act when a spreadsheet opens it."""

from __future__ import annotations

import random
import unicodedata

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rehit.files.safe_text import neutralise_formula, neutralise_table

FORMULAS = ["=1+1", "+cmd", "-2+3", "@SUM(A1)", "\t=1", "\r=1", "  =1", "\n=2"]
PLAIN = ["-3.5", "+44", "12 Gull Lane", "", "3-5 days", "-1,200.50", "-2e-3"]


@pytest.mark.parametrize("text", FORMULAS)
def test_formula_starts_listed_by_owasp_are_quoted(text: str) -> None:
    assert neutralise_formula(text).startswith("'")


@pytest.mark.parametrize("text", PLAIN)
def test_ordinary_text_and_signed_numbers_stay_as_they_are(text: str) -> None:
    assert neutralise_formula(text) == text


@pytest.mark.parametrize("sign", ["＝", "＋", "－", "＠", "−", "﹣", "﹢", "|", "="])
@pytest.mark.parametrize("before", ["", "\u200b", "\ufeff", "\u00a0", "\u202e", "\u00ad ",
                                    "\u2060\t", "\u3000", "\x00"])
def test_look_alikes_and_signs_nobody_sees_do_not_hide_a_formula(sign: str, before: str) -> None:
    """Unicode: full-width and small forms (FF00, FE50 blocks), format characters (category Cf)."""
    assert neutralise_formula(f"{before}{sign}SUM(A1)").startswith("'")
    table = pd.DataFrame({"note": [f"{before}{sign}SUM(A1)", "wall"]})
    assert neutralise_table(table)["note"].str.startswith("'").tolist() == [True, False]


@pytest.mark.parametrize("text", ["wall;=1+1", "wall;\u200b@SUM(A1)", "a\t+cmd", "a;-(1)",
                                  "a; ＝1"])
def test_a_formula_behind_another_separator_is_quoted(text: str) -> None:
    """Where the list separator is a semicolon a spreadsheet cuts our comma-parted cells there."""
    safe = neutralise_formula(text)
    assert "'" in safe
    assert safe.replace("'", "") == text


@pytest.mark.parametrize("text", ["wall; -2 m", "a; b", "see no. 5; +44 20", "−3.5", "x = y",
                                  "a|b"])
def test_ordinary_notes_keep_their_words(text: str) -> None:
    assert neutralise_formula(text) == text


def test_a_column_called_like_a_formula_is_made_safe() -> None:
    assert list(neutralise_table(pd.DataFrame({"=cmd": ["a"], "n": [1]}))) == ["'=cmd", "n"]


def test_control_characters_are_removed() -> None:
    assert neutralise_formula("a\x00b\x1b[31m") == "ab[31m"


def test_table_is_made_safe_without_changing_the_input() -> None:
    table = pd.DataFrame({"note": ["=HYPERLINK(1)", None, "wall"], "n": [-1, 2, 3]})
    safe = neutralise_table(table)
    assert list(safe["note"][[0, 2]]) == ["'=HYPERLINK(1)", "wall"]
    assert pd.isna(safe["note"][1])
    assert list(safe["n"]) == [-1, 2, 3]
    assert table["note"][0] == "=HYPERLINK(1)"


def test_repeated_codes_kept_as_categories_are_made_safe_too() -> None:
    table = pd.DataFrame({"rule": pd.Series(["=1", "ok", "=1"], dtype="category")})
    assert list(neutralise_table(table)["rule"]) == ["'=1", "ok", "'=1"]


@given(st.text(max_size=12) | st.text(alphabet="=+-@|;\t\n \u200b\ufeff\uff1d1.,e'a", max_size=12))
def test_no_cell_begins_as_a_formula_and_a_safe_one_stays_as_it_is(text: str) -> None:
    """What begins is the first sign that Unicode holds to be neither blank nor format (Zs, Cf)."""
    safe = neutralise_formula(text)
    assert neutralise_formula(safe) == safe
    seen = [sign for sign in safe if not sign.isspace() and unicodedata.category(sign) != "Cf"]
    assert not seen or seen[0] not in "=@＝＠|｜" or safe.startswith("'")
    assert "\x00" not in safe


def test_a_table_is_made_safe_as_its_cells_one_by_one() -> None:
    """Most cells are passed over by their first sign alone; none may be that a formula is in."""
    rng = random.Random(1)
    signs = "=+-@|;\t\r\n \x00\x07\x7f\u00ad\u200b\uff1d\u2212\u180b\ufeffA1é'\"x"
    cells = ["".join(rng.choices(signs, k=rng.randrange(7))) for _ in range(20_000)]
    table = pd.DataFrame({"note": pd.Series([*cells, None], dtype="str")})
    assert neutralise_table(table)["note"].dropna().tolist() == [*map(neutralise_formula, cells)]
