"""Files read in a process of their own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from rehit.app.elsewhere import _serve_file, read_log, try_beside
from rehit.app.project_file import ROLES
from rehit.errors import InputFileError, ManyErrors, SettingError

DEMO = Path(__file__).parents[2] / "data_demo"


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "log.csv"
    path.write_text("Opened,Service,Street,Lat,Long\n" + "".join(
        f"2018-03-{day:02d},{('Graffiti', 'Pothole')[day % 2]},{day} Elm Road,51.50{day % 9},"
        f"-0.14{day % 9}\n" for day in range(1, 29)), encoding="utf-8")
    return path


def test_a_log_is_understood_elsewhere_and_anew_with_each_answer(log: Path) -> None:
    """Its rows stay with the reader; an answer that does not fit changes nothing."""
    reader = read_log([log])
    first = reader.take()
    assert (first.n_rows, len(first.proposal.raw.table)) == (28, 0)
    assert first.proposal.settings.time_zone == "Europe/London"
    reader.ask({"nothing.asked": "x"})
    with pytest.raises(SettingError):
        reader.take()
    reader.ask({"services.Pothole": "graffiti"})
    assert reader.take().proposal.answers == {"services.Pothole": "graffiti"}
    reader.close()


def test_a_log_that_cannot_be_read_and_a_reader_that_was_ended_are_told(
        log: Path, tmp_path: Path) -> None:
    with pytest.raises(InputFileError, match="nowhere"):
        read_log([tmp_path / "nowhere.csv"]).take()
    reader = read_log([log])
    reader._process.kill()
    with pytest.raises(InputFileError, match="ended before its time"):
        reader.take()


@pytest.mark.parametrize("role", ROLES)
def test_a_file_beside_the_log_is_tried_before_the_project_names_it(
        role: str, tmp_path: Path) -> None:
    """What the process would do, done here: starting one each time takes seconds."""
    broken = tmp_path / "broken.xlsx"
    broken.write_bytes(b"PK\x03\x04 not a workbook")
    sent = Sent()
    _serve_file(sent, DEMO, role, broken)
    assert [str(each.where) for each in sent] == [str(broken)]
    sent = Sent()
    _serve_file(sent, DEMO, "vehicles", DEMO / "vehicles.csv")
    assert sent == [None]


def test_files_beside_a_log_are_read_as_the_project_will_before_there_is_one(
        tmp_path: Path) -> None:
    """Each of them that cannot be used is told, not the first alone."""
    good = {role: DEMO / name for role, name in (
        ("register", "assets.geojson"), ("streets", "streets.gpkg"), ("works", "works_log.csv"),
        ("depots", "depots.csv"), ("vehicles", "vehicles.csv"))}
    try_beside(good, crs="EPSG:32625")
    broken = {}
    for role, file in good.items():
        broken[role] = tmp_path / f"{role}{file.suffix}"
        broken[role].write_bytes(b"PK\x03\x04 nothing")
    with pytest.raises(ManyErrors) as told:
        try_beside(broken, crs="EPSG:32625")
    assert {str(each.where).partition(" [")[0] for each in told.value.errors} == {
        str(broken[role]) for role in ("register", "streets", "works", "depots")}
    try_beside({"depots": good["depots"]}, crs="")
    with pytest.raises(ManyErrors):
        try_beside({"streets": broken["streets"]}, crs="")


class Sent(list[Any]):
    """The end of a line that keeps what is sent."""

    send = list.append
