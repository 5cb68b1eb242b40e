"""Small tables of any format: filled rows, their numbers in the file, texts as written."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from rehit.errors import InputFileError
from rehit.files.reader import read_table


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_encodings_and_delimiters(tmp_path: Path, encoding: str, delimiter: str) -> None:
    path = tmp_path / "t.csv"
    rows = ["name,street,n", '"Ä, b",Straße des Größten,007', "c,Élysée", "", "d,e,8,9"]
    text = "\n".join(rows) if delimiter == "," else "\n".join(rows).replace(
        ",", delimiter).replace(f"Ä{delimiter} b", "Ä, b")
    path.write_bytes(text.encode(encoding))
    found = read_table(path, has_header=True).filled().table
    assert found.columns.tolist() == ["name", "street", "n", "cells_beyond_the_header"]
    assert found["name"].tolist() == ["Ä, b", "c", "d"]
    assert found["street"].tolist() == ["Straße des Größten", "Élysée", "e"]
    assert found["n"].fillna("").tolist() == ["007", "", "8"]


def test_two_columns_of_one_name_are_both_kept(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("a,a,\n1,2,3\n")
    found = read_table(path, has_header=True).table
    assert found.columns.tolist() == ["a", "a_2", "column_3"]
    assert found.iloc[0].tolist() == ["1", "2", "3"]


def test_a_header_without_rows_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("a,b\n")
    with pytest.raises(InputFileError, match="a header and no rows"):
        read_table(path)


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_records_name_their_row_of_the_file(tmp_path: Path, kind: str) -> None:
    """A title and an empty row move the rows; a message must name the row that a person sees."""
    path = tmp_path / f"t.{kind}"
    rows = [["Our crews", "", ""], ["crew", "van", "size"], ["A", "1", " two  men "],
            [" ", "", ""], ["B", "2", ""]]
    if kind == "csv":
        path.write_text("\n".join(",".join(row) for row in rows))
    else:
        pd.DataFrame(rows).to_excel(path, header=False, index=False)
    raw = read_table(path, has_header=True)
    assert raw.records() == [(3, {"crew": "A", "van": "1", "size": "two men"}),
                             (5, {"crew": "B", "van": "2", "size": ""})]
    assert raw.filled().table["size"].isna().tolist() == [False, True]
