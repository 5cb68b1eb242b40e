"""Files spoilt at random are read or refused in words, and what is whole is read whole.

``REHIT_FUZZ_SECONDS`` says how long each of the two goes on (2 by default; 60 in continuous
integration, 3600 by hand) and ``REHIT_FUZZ_SEED`` where it begins. A failure names the seed and
keeps the file.
"""

from __future__ import annotations

import csv
import io
import json
import os
import random
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from xml.sax.saxutils import escape

import pandas as pd
from openpyxl import Workbook

from rehit.errors import RehitError
from rehit.files.reader import read_table

SECONDS = float(os.environ.get("REHIT_FUZZ_SECONDS", "2"))
SEED = int(os.environ.get("REHIT_FUZZ_SEED", "1"))
LONGEST_SECONDS, MOST_MEMORY_GB = 60, 4.0
TESTS = Path(__file__).parents[1]
FOLDERS = (TESTS / "files" / "faults_reading", TESTS / "incidents" / "faults")
SEEDS = sorted(path for folder in FOLDERS for path in folder.iterdir() if path.is_file())
SPECIAL = (b'"', b"'", b",", b";", b"\t", b"\r", b"\n", b"\r\n", b"\x00", b"\xff", b"\xef\xbb\xbf",
           b"\\", b"<", b">", b"&", b"{", b"}", b"[", b"]", b":", b"=1+1", b"\xed\xa0\x80", b"null",
           b"1e999", b"-0", b"<a/>", b"PK\x03\x04", b'"" ', "ß\u200b\u2028".encode())


def spoilt(data: bytes, rng: random.Random) -> bytes:
    """Change some bytes: flip, cut out, repeat, put in, cut short, or cross with another file."""
    for _ in range(rng.choice((1, 1, 2, 4, 16))):
        data = changed(data, rng)
    return data


def changed(data: bytes, rng: random.Random) -> bytes:
    start = rng.randrange(len(data) + 1)
    end = min(len(data), start + rng.choice((1, 2, 8, 64, 512)))
    before, piece, after = data[:start], data[start:end], data[end:]
    match rng.randrange(6):
        case 0:
            return before + rng.randbytes(len(piece)) + after
        case 1:
            return before + after
        case 2:
            return before + piece * rng.choice((2, 3, 50)) + after
        case 3:
            return before + rng.choice(SPECIAL) * rng.choice((1, 1, 2, 200)) + piece + after
        case 4:
            return before
    other = rng.choice(SEEDS).read_bytes()
    cut = rng.randrange(len(other) + 1)
    return before + other[cut:cut + 300] + piece + after


@contextmanager
def no_hang() -> Iterator[None]:
    """Fail where one file takes longer than a user waits."""
    def late(_number: int, _frame: object) -> None:
        raise AssertionError(f"still reading after {LONGEST_SECONDS} s")

    if sys.platform == "win32":
        yield
        return
    # Processor time, and ten times as much by the clock: the machine may be busy with other work.
    before = [(each, signal.signal(each, late)) for each in (signal.SIGPROF, signal.SIGALRM)]
    signal.setitimer(signal.ITIMER_PROF, LONGEST_SECONDS)
    signal.alarm(10 * LONGEST_SECONDS)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.alarm(0)
        for each, handler in before:
            signal.signal(each, handler)


def runs(name: str, *, least: int = 20, first: int = 0) -> Iterator[random.Random]:
    """Give a generator of its own to each run until the time is up."""
    end, number = time.monotonic() + SECONDS, first
    while number < first + least or time.monotonic() < end:
        yield random.Random(f"{SEED} {name} {number}")
        number += 1
    print(f"{name}: {number - first} runs")


def test_spoilt_files_are_read_or_refused_in_words(tmp_path: Path) -> None:
    read = refused = 0
    for rng in runs("spoilt"):
        seed = rng.choice(SEEDS)
        file = tmp_path / seed.name
        file.write_bytes(spoilt(seed.read_bytes(), rng))
        with no_hang():
            try:
                table = read_table(file).table
            except RehitError as error:
                refused += "To fix it: " in str(error)
                continue
        assert table.index.tolist() == list(range(1, len(table) + 1)), file
        assert not table.isna().any().any(), file
        read += 1
    assert read
    assert refused
    print(f"read {read}, refused {refused}")
    if sys.platform == "linux":
        import resource

        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
        assert peak < MOST_MEMORY_GB


# Whole files, written by the standard library; what was put in is the authority.

HEADER = ["request number", "reported date", "street address", "notes"]
TEXTS = ("wall, rear", 'says "X"', "12 Elm Street", "a\nb", "a;b", "x|y", "tab\tin", "ñandú",
         "Straße", "it's", "0012", "3,5", "=1+1", "<b>", "&amp;", "two\n\nlines, here", '"',
         "rear, left, top")


def records(rng: random.Random) -> list[list[str]]:
    return [[str(1000 + n), f"2024-03-{rng.randrange(1, 29):02}",
             f"{rng.randrange(1, 99)} Elm Street", rng.choice(TEXTS)]
            for n in range(rng.choice((3, 5, 40, 300)))]


def as_csv(rows: list[list[str]], rng: random.Random,
           header: list[str] = HEADER) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=rng.choice(",;\t|"),
                        lineterminator=rng.choice(("\n", "\r\n")),
                        quoting=rng.choice((csv.QUOTE_MINIMAL, csv.QUOTE_ALL)))
    if rng.random() < 0.3:
        writer.writerow(["Graffiti reports of the year", *[""] * (len(header) - 1)])
    writer.writerows([header, *rows])
    return out.getvalue().encode(rng.choice(("utf-8", "utf-8-sig", "utf-16")))


def as_json(rows: list[list[str]], rng: random.Random,
            header: list[str] = HEADER) -> bytes:
    made = [dict(zip(header, row, strict=True)) for row in rows]
    cut = rng.randrange(len(made) + 1)
    lists = {"open": made[:cut], "closed": made[cut:]} if 0 < cut < len(made) else {"all": made}
    content = rng.choice((made, {"meta": {"count": len(made)}, "data": lists}, lists))
    if rng.random() < 0.3:
        return "\n".join(map(json.dumps, made)).encode()
    return json.dumps(content).encode()


def as_xml(rows: list[list[str]], rng: random.Random,
           header: list[str] = HEADER) -> bytes:
    tags = [name.replace(" ", "_") for name in header]
    made = ["<request>" + "".join(f"<{tag}>{escape(cell)}</{tag}>" for tag, cell in zip(
        tags, row, strict=True)) + "</request>" for row in rows]
    cut = rng.randrange(len(made) + 1)
    if rng.random() < 0.5:
        return f"<requests>{''.join(made)}</requests>".encode()
    return (f"<feed><open>{''.join(made[:cut])}</open><closed>{''.join(made[cut:])}</closed>"
            "</feed>").encode()


def as_workbook(rows: list[list[str]], rng: random.Random,
                header: list[str] = HEADER) -> bytes:
    book = Workbook()
    sheet = book.active
    for row in ([["A title"]] if rng.random() < 0.3 else []) + [header, *rows]:
        sheet.append(row)
    for row in sheet.iter_rows():
        for cell in row:
            cell.data_type = "s"  # text stays text, formulas too
    if rng.random() < 0.3:
        sheet.cell(rng.choice((5000, 9000, 1_048_576)), rng.choice((9, 16_384))).value = " "
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def as_parquet(rows: list[list[str]], _rng: random.Random,
               header: list[str] = HEADER) -> bytes:
    out, width = io.BytesIO(), max(map(len, [header, *rows]))
    names = [*header, *(f"further {n}" for n in range(len(header), width))]
    even = [[*row, *[""] * (width - len(row))] for row in rows]
    pd.DataFrame(even, columns=names).to_parquet(out)
    return out.getvalue()


WRITERS: tuple[Callable[..., bytes], ...] = (
    as_csv, as_csv, as_csv, as_json, as_xml, as_workbook, as_parquet)


def plain(cells: list[str]) -> list[str]:
    return [" ".join(cell.split()) for cell in cells]


def test_whole_files_are_read_row_by_row_and_cell_by_cell(tmp_path: Path) -> None:
    file = tmp_path / "log"
    for rng in runs("whole"):
        rows = records(rng)
        write = rng.choice(WRITERS)
        file.write_bytes(write(rows, rng))
        with no_hang():
            table = read_table(file).table
        assert len(table) == len(rows), (write.__name__, file)
        for place, name in enumerate(HEADER):
            column = name if name in table else name.replace(" ", "_")
            expected = sorted(plain([row[place] for row in rows]))
            assert sorted(plain(table[column].tolist())) == expected, (write.__name__, file)


