"""Small files of any format become texts, whole numbers staying whole."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from rehit.files.tabular import as_text, read_text_table

from rehit.errors import InputFileError


def test_numbers_as_text() -> None:
    values = pd.Series([12.0, 1.5, "  a  b ", None, float("nan"), "", True, 10**20], dtype="object")
    assert as_text(values).fillna("-").tolist() == [
        "12", "1.5", "a b", "-", "-", "-", "True", "100000000000000000000"]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_encodings_and_delimiters(tmp_path: Path, encoding: str, delimiter: str) -> None:
    path = tmp_path / "t.csv"
    rows = ["name,street,n", '"Ä, b",Straße des Größten,007', "c,Élysée", "", "d,e,8,9"]
    text = "\n".join(rows) if delimiter == "," else "\n".join(rows).replace(
        ",", delimiter).replace(f"Ä{delimiter} b", "Ä, b")
    path.write_bytes(text.encode(encoding))
    found = read_text_table(path).table
    assert found.columns.tolist() == ["name", "street", "n", "column 4"]
    assert found["name"].tolist() == ["Ä, b", "c", "d"]
    assert found["street"].tolist() == ["Straße des Größten", "Élysée", "e"]
    assert found["n"].fillna("").tolist() == ["007", "", "8"]


def test_two_columns_of_one_name_are_both_kept(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("a,a,\n1,2,3\n")
    found = read_text_table(path).table
    assert found.columns.tolist() == ["a", "a (2)", "column 3"]
    assert found.iloc[0].tolist() == ["1", "2", "3"]


def test_plain_json_that_is_no_map(tmp_path: Path) -> None:
    path = tmp_path / "t.json"
    path.write_text("[1, 2]")
    with pytest.raises(InputFileError):
        read_text_table(path)
