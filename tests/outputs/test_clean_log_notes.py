"""What reading decided and what changed since the mapping reaches the person, in sentences."""

from __future__ import annotations

import json
from pathlib import Path

from openpyxl import Workbook

from rehit.chain import Chain
from rehit.cli import main
from rehit.files.reader import read_table, stack_tables
from rehit.incidents.mapping import apply_mapping
from rehit.incidents.propose import propose_mapping
from rehit.outputs.clean import log_findings, told, write_cleaned
from rehit.outputs.start import start_project
from rehit.project import load_project
from rehit.report.say import Say


def quarter(folder: Path, name: str, *, closed: str) -> Path:
    """A log of thirty rows whose column of clearances is called `closed`."""
    lines = [f"Ref,Date reported,Address,Lat,Lon,Status,{closed}"]
    for n in range(30):
        lines.append(f"{name}{n},{n % 28 + 1:02d}/03/2025 09:00,{n + 2} Mill Lane,"
                     f"{53.8 + n / 1000:.5f},-1.5{n:02d}21,Closed,{n % 28 + 1:02d}/04/2025 10:00")
    file = folder / f"{name}.csv"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file


def test_a_mapped_column_that_is_gone_is_said_in_words(tmp_path: Path) -> None:
    mapping = propose_mapping(read_table(quarter(tmp_path, "q1", closed="Date closed")))
    raw = read_table(quarter(tmp_path, "q2", closed="When done"))
    findings = log_findings([raw], [apply_mapping(raw, mapping)], mapping)
    first = findings.iloc[0]
    assert (first["code"], first["severity"]) == ("column_missing", "high")
    assert told(findings, Say("en"))[0] == (
        "q2.csv differs from the mapping in Date closed: nothing is read into cleared. "
        "Export the column again or change the mapping.")
    assert told(findings, Say("es"))[0].startswith(
        "q2.csv difiere de la lectura prevista en Date closed: no se lee nada en cleared.")


def test_the_commands_tell_it(tmp_path: Path, capsys: object) -> None:
    project = tmp_path / "town"
    log = quarter(tmp_path, "q1", closed="Date closed")
    assert main(["new", str(project), "--log", str(log)]) == 0
    log.write_text(log.read_text().replace("Date closed", "When done"), encoding="utf-8")
    capsys.readouterr()  # type: ignore[attr-defined]
    assert main(["clean", str(project)]) == 0
    said = capsys.readouterr().out  # type: ignore[attr-defined]
    assert "check: q1.csv differs from the mapping in Date closed" in said
    page = (project / "results" / "quality.html").read_text(encoding="utf-8")
    assert "nothing is read into cleared" in page
    summary = json.loads((project / "results" / "summary.json").read_text(encoding="utf-8"))
    assert "Drift(" not in json.dumps(summary)


def test_what_reading_left_out_is_said_at_once(tmp_path: Path, capsys: object) -> None:
    book = Workbook()
    sheet = book.active
    sheet.append(["Council of somewhere"])
    sheet.append([])
    sheet.append(["Ref", "Date reported", "Address", "Lat", "Lon"])
    for n in range(30):
        sheet.append([f"A{n}", f"{n % 28 + 1:02d}/03/2025", f"{n + 2} Mill Lane",
                      53.8 + n / 1013, -1.5 - n / 1017])
    book.create_sheet("Key").append(["A", "asset"])
    book.save(tmp_path / "log.xlsx")
    assert main(["new", str(tmp_path / "town"), "--log", str(tmp_path / "log.xlsx")]) == 0
    said = capsys.readouterr().out  # type: ignore[attr-defined]
    assert "log.xlsx as read: sheet 'Sheet' read, not 'Key'" in said
    assert "log.xlsx as read: 2 rows above the header left out: Council of somewhere\n" in said


def test_a_list_of_clearances_is_not_told_to_hold_addresses(tmp_path: Path) -> None:
    cases = quarter(tmp_path, "q1", closed="Remark")
    (tmp_path / "clear.csv").write_text("Ref,Date closed\n" + "".join(
        f"q1{n},{n % 28 + 1:02d}/04/2025 10:00\n" for n in range(30)), encoding="utf-8")
    logs = [read_table(cases), read_table(tmp_path / "clear.csv")]
    mapping = propose_mapping(stack_tables(logs))
    findings = log_findings(logs, [apply_mapping(raw, mapping) for raw in logs], mapping)
    assert told(findings, Say("en")) == []


def test_many_files_print_one_line_a_fault_with_a_count(tmp_path: Path) -> None:
    """Fourteen months, each with a status word of its own that the mapping does not know."""
    logs = []
    for month in range(1, 15):
        file = tmp_path / f"m{month:02}.csv"
        word = "Open" if month == 1 else f"Strange {month}"
        file.write_text("Ref,Date Reported,Address,Status\n" + "".join(
            f"{month}-{n},2024-03-{n + 1:02},{n + 1} Mill Lane,{word}\n" for n in range(4)))
        logs.append(file)
    project = tmp_path / "town"
    _, first = start_project(project, logs=logs[:1])
    settings = (project / "rehit.toml").read_text().replace(
        'log = ["../m01.csv"]', f"log = {[str(file) for file in logs]}".replace("'", '"'))
    (project / "rehit.toml").write_text(settings)
    (tmp_path / "out").mkdir()
    summary = write_cleaned(Chain(load_project(project)), tmp_path / "out")
    assert first[0] == "m01.csv: 4 rows"
    assert len(summary["mapping_drift"]) == 1
    assert "m02.csv and 12 more files differ" in summary["mapping_drift"][0]
