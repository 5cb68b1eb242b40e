"""Dialect, quotes and line ends: no stray sign joins, splits or shifts a row."""

from __future__ import annotations

from pathlib import Path

import pytest

from rehit.files.delimited import Dialect, decode, find_dialect
from rehit.files.reader import read_table

HEADER = "number,reported,notes,latitude,longitude"
SIZE = 29_000


def lines(count: int) -> list[str]:
    return [f'{n},2024-03-05,"wall, rear",46.{n:05},-33.{n:05}' for n in range(1, count + 1)]


@pytest.mark.parametrize(("place", "bad"), [
    (14_000, '14000,2024-03-05,"wall,46.14000,-33.14000'),
    (14_000, '14000,2024-03-05,wall",46.14000,-33.14000'),
    (14_000, '14000,2024-03-05,12" pipe,46.14000,-33.14000'),
    (14_000, '14000,2024-03-05,"12" pipe,46.14000,-33.14000'),
    (SIZE, f'{SIZE},2024-03-05,"wall,46.29000,-33.29000'),
    (1, '1,2024-03-05,"wall,46.00001,-33.00001')])
def test_one_stray_quote_joins_and_shifts_no_line(tmp_path: Path, place: int, bad: str) -> None:
    rows = lines(SIZE)
    rows[place - 1] = bad
    file = tmp_path / "log.csv"
    file.write_text("\n".join([HEADER, *rows]), encoding="utf-8")
    table = read_table(file).table
    assert table["number"].tolist() == [str(n) for n in range(1, SIZE + 1)]
    assert table["latitude"].tolist() == [f"46.{n:05}" for n in range(1, SIZE + 1)]
    assert table["longitude"].tolist() == [f"-33.{n:05}" for n in range(1, SIZE + 1)]
    assert (table["notes"] == "wall, rear").sum() == SIZE - 1


def test_a_stray_quote_that_leaves_rows_even_joins_none(tmp_path: Path) -> None:
    """The next row's quote closes the stray one: both rows together have the usual width."""
    rows = [line.replace("wall, rear", "wall") for line in lines(500)]
    rows[200] = rows[200].replace('"wall"', '"wall')
    file = tmp_path / "log.csv"
    file.write_text("\n".join([HEADER, *rows]), encoding="utf-8")
    table = read_table(file).table
    assert table["number"].tolist() == [str(n) for n in range(1, 501)]
    assert set(table["notes"]) == {"wall"}


def test_many_stray_quotes_spoil_only_their_own_lines(tmp_path: Path) -> None:
    rows = [line.replace('"wall, rear"', '"wall') if n % 500 == 0 else line
            for n, line in enumerate(lines(5000), start=1)]
    file = tmp_path / "log.csv"
    file.write_text("\n".join([HEADER, *rows]), encoding="utf-8")
    raw = read_table(file)
    assert raw.table["number"].tolist() == [str(n) for n in range(1, 5001)]
    assert (raw.table["notes"] == "wall").sum() == 10
    assert [note.facts["n"] for note in raw.notes if note.name == "unclosed_quotes"] == [10]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("inside", ["\r", "\n", "\r\n"])
def test_line_ends_within_a_quoted_cell_split_no_row(tmp_path: Path, end: str,
                                                     inside: str) -> None:
    """RFC 4180, 2.6: cells may hold line breaks and delimiters when they are in quotes."""
    note = f"rear, left{inside}front, right, top, again"
    rows = [f'{n},2024-03-05,"{note}",46.{n:05},-33.0' for n in range(1, 9)]
    file = tmp_path / "log.csv"
    file.write_bytes(end.join([HEADER, *rows, ""]).encode())
    table = read_table(file).table
    assert table["number"].tolist() == [str(n) for n in range(1, 9)]
    assert {" ".join(cell.split()) for cell in table["notes"]} == {" ".join(note.split())}


def test_a_carriage_return_in_a_bare_cell_is_a_blank(tmp_path: Path) -> None:
    file = tmp_path / "log.csv"
    file.write_bytes(b"number,notes,reported\r\n1,rear\rwall,2024-03-05\r\n2,x,2024-03-06\r\n")
    raw = read_table(file)
    assert raw.table["notes"].tolist() == ["rear wall", "x"]
    assert [note.code for note in raw.notes] == ["reading.carriage_returns_inside"]


def test_quotes_escaped_by_a_backslash(tmp_path: Path) -> None:
    file = tmp_path / "log.csv"
    file.write_text('number,notes,reported\n' + "".join(
        f'"{n}","says \\"out, now\\" in red","2024-03-0{n}"\n' for n in range(1, 8)),
        encoding="utf-8")
    table = read_table(file).table
    assert table["notes"].unique().tolist() == ['says "out, now" in red']
    assert table["reported"].tolist() == [f"2024-03-0{n}" for n in range(1, 8)]


def test_a_backslash_at_the_end_of_a_quoted_cell_escapes_nothing(tmp_path: Path) -> None:
    """RFC 4180 knows no escape but the doubled quote."""
    file = tmp_path / "log.csv"
    file.write_text('"number","notes","reported"\n' + "".join(
        f'"{n}","C:\\","2024-03-0{n}"\n' for n in range(1, 8)), encoding="utf-8")
    table = read_table(file).table
    assert table["notes"].unique().tolist() == ["C:\\"]
    assert table["reported"].tolist() == [f"2024-03-0{n}" for n in range(1, 8)]


@pytest.mark.parametrize(("head", "dialect"), [
    ("a,b\n1,2\n", Dialect()), ("a;b\n1,5;2\n2,5;3\n", Dialect(";")), ("alone\nx\ny\n", Dialect()),
    ("a|b|c\n1|2|3\n", Dialect("|")), ("'a','b'\n'1','x, y'\n'2','z'\n", Dialect(",", "'"))])
def test_dialects(head: str, dialect: Dialect) -> None:
    assert find_dialect(head) == dialect


@pytest.mark.parametrize(("text", "encoding", "name"), [
    ("id,Straße\n1,Königstraße 5\n2,Größe über Maß\n", "cp1252", "Windows-1252"),
    ("id,notes\n1,Rue de l’Élysée – déjà vu\n2,façade à nettoyer\n", "cp1252", "Windows-1252"),
    ("id,адрес\n1,Улица Ленина 5\n2,Проспект Мира 12\n", "cp1251", "Windows-1251"),
    ("id,Straße\n1,Königstraße 5\n2,Größe über\n", "cp850", "cp850")])
def test_code_pages_are_told_by_their_letters(text: str, encoding: str, name: str) -> None:
    """Where Windows-1252 is possible it is taken: charset-normalizer alone would prefer others."""
    read, notes = decode(text.encode(encoding), where="log.csv")
    assert read == text
    assert notes[0].facts["name"] == name
