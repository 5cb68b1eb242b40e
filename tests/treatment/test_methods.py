"""The decision table is data: checked, sourced, extended by the user, all faults at once."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from rehit.errors import InputFileError, ManyErrors
from rehit.report.say import Say, catalogue
from rehit.treatment.methods import load_cautions, load_methods, method_faults

HEAD = "rule,substrate,finish,medium,area_min_m2,area_max_m2,method,second_choice," \
       "minutes_per_visit,minutes_per_m2,cautions,reason,source\n"


def test_every_row_is_sourced_and_faultless() -> None:
    path = Path(__file__).parents[2] / "src" / "rehit" / "treatment" / "methods.csv"
    raw = pd.read_csv(path, dtype="str", keep_default_na=False)
    assert method_faults(raw, where="methods.csv") == []
    assert raw["source"].str.contains("common practice, no published source").all()


def test_cautions_carry_the_published_limits() -> None:
    """NPS Preservation Brief 38, OSHA silica, EPA lead rule, storm drains (checks, section B)."""
    text = {code: Say("en").code("caution_full", code) for code in load_cautions()["code"]}
    assert "100-400 psi (690-2760 kPa)" in text["pressure"]
    assert "35-40 psi (240-275 kPa)" in text["pressure"]
    assert "50 µg/m³" in text["silica"]
    assert "25 µg/m³" in text["silica"]
    assert "6\u00a0ft² (0.56\u00a0m²) inside and 20\u00a0ft² (1.86\u00a0m²) outside" in text["lead"]
    assert "Nothing but rain enters the storm drain" in text["runoff"]
    assert load_cautions()["source"].ne("").all()


@pytest.mark.parametrize("language", ["en", "es"])
def test_every_code_has_its_words(language: str) -> None:
    known, methods = set(catalogue(language)), load_methods()
    codes = load_cautions()["code"]
    assert {f"{kind}.{code}" for kind in ("caution", "caution_full") for code in codes} <= known
    for column in ("kit", "waste"):
        used = {part for cell in methods[column] for part in cell.split(";") if part}
        assert {f"{column}.{code}" for code in used} <= known
    assert set(methods["reason"]) <= known
    assert not [code for code in codes if ";" in Say(language).code("caution", code)]


@pytest.mark.parametrize(("given", "factor", "printed"), [
    (100, 6.894757, 690), (400, 6.894757, 2760), (35, 6.894757, 240), (40, 6.894757, 275),
    (6, 0.09290304, 0.56), (20, 0.09290304, 1.86)])
def test_converted_limits(given: float, factor: float, printed: float) -> None:
    """Pound-force per square inch and square foot to SI (exact definitions, NIST SP 811)."""
    assert given * factor == pytest.approx(printed, rel=0.01)


def test_user_rows_go_first_and_replace_by_name(tmp_path: Path) -> None:
    mine = tmp_path / "mine.csv"
    mine.write_text(HEAD + "our_tiles,tile,,,,,refer,,5,0,,Our tiles are listed.,own rule\n"
                    "bare_brick,brick,bare,,,,solvent_wipe,,9,9,,Own way.,own rule\n")
    base, table = load_methods(), load_methods(mine)
    assert table["rule"].tolist() == ["our_tiles", *base["rule"]]
    swapped = table.set_index("rule").loc["bare_brick"]
    assert (swapped["method"], swapped["minutes_per_visit"]) == ("solvent_wipe", 9.0)
    assert load_methods(mine, replace=True)["rule"].tolist() == ["our_tiles", "bare_brick"]
    assert load_methods()["rule"].tolist() == base["rule"].tolist()


def test_all_faults_at_once(tmp_path: Path) -> None:
    mine = tmp_path / "mine.csv"
    mine.write_text(
        HEAD + "a,cheese,,,,,paint_out,,1,1,,Why.,s\n"  # substrate
        "b,,,,2,1,burn,,1,1,,Why.,s\n"  # method, bounds
        "c,,,,,,paint_out,pray,-1,x,magic,{Colour},\n"  # second, 2 numbers, caution, reason, source
        ",,,,,,paint_out,,,1,,Why.,s\n"  # no name, no minutes
        "a,,,,,,paint_out,,1,1,,,s\n")  # repeated name, no reason
    with pytest.raises(ManyErrors) as caught:
        load_methods(mine)
    text = str(caught.value)
    assert len(caught.value.errors) == 13
    for piece in ("cheese", "burn", "area from 2 to 1", "pray", "magic", "{Colour}", "no source",
                  "no rule name", "minutes_per_visit ''", "'a' twice", "line 6 (a): got no reason"):
        assert piece in text


def test_missing_and_strange_columns(tmp_path: Path) -> None:
    mine = tmp_path / "mine.csv"
    mine.write_text("rule,method,colour\na,paint_out,red\n")
    with pytest.raises(ManyErrors) as caught:
        load_methods(mine)
    assert len(caught.value.errors) == 5
    with pytest.raises(InputFileError):
        load_methods(tmp_path / "absent.csv")


@pytest.mark.parametrize("reason", ["{", "{0}", "{surface.__class__}", "{surface!r:>{area}}", "{}"])
def test_a_reason_is_only_filled_with_the_case(tmp_path: Path, reason: str) -> None:
    mine = tmp_path / "mine.csv"
    mine.write_text(HEAD + f'a,,,,,,paint_out,,1,1,,"{reason}",s\n')
    with pytest.raises(ManyErrors):
        load_methods(mine)
