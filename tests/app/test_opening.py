"""The first view."""

from __future__ import annotations

from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from rehit.app.opening import by_file, folder_name
from rehit.errors import InputFileError, ManyErrors


@given(st.text())
def test_a_folder_name_never_leads_out_of_its_home(name: str) -> None:
    made = folder_name(name)
    assert "/" not in made
    assert "\\" not in made
    assert ".." not in made
    assert made == made.strip()
    assert len(made) <= 60


def test_each_fault_is_told_at_the_file_it_is_in() -> None:
    files = {"log": [Path("/a/data.csv")], "register": [Path("/b/data.csv")], "works": []}
    faults = [InputFileError(where, "errors.reader_ended")
              for where in ("/b/data.csv", "/a/data.csv", "data.csv")]
    assert by_file(ManyErrors("rehit.toml", faults), files) == {
        "register": [faults[0]], "log": [faults[1], faults[2]]}
    assert by_file(faults[0], files) == {"register": [faults[0]]}
