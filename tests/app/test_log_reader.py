"""A log read in a process of its own."""

from __future__ import annotations

from pathlib import Path

import pytest

from rehit.app.log_reader import LogReader
from rehit.errors import InputFileError, SettingError


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "log.csv"
    path.write_text("Opened,Service,Street,Lat,Long\n" + "".join(
        f"2018-03-{day:02d},{('Graffiti', 'Pothole')[day % 2]},{day} Elm Road,51.50{day % 9},"
        f"-0.14{day % 9}\n" for day in range(1, 29)), encoding="utf-8")
    return path


def test_a_log_is_understood_elsewhere_and_anew_with_each_answer(log: Path) -> None:
    """Its rows stay with the reader; an answer that does not fit changes nothing."""
    reader = LogReader([log])
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
        LogReader([tmp_path / "nowhere.csv"]).take()
    reader = LogReader([log])
    reader._process.kill()
    with pytest.raises(InputFileError, match="ended before its time"):
        reader.take()
