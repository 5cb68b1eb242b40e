"""An error says where, what came, what is allowed and what to do."""

from __future__ import annotations

from rehit.errors import InputFileError, ManyErrors, RehitError, SettingError


def test_the_four_parts_are_said_and_kept() -> None:
    error = InputFileError("log.csv", got="no rows", allowed="rows", remedy="export it again")
    assert str(error) == "log.csv: got no rows; allowed: rows. To fix it: export it again."
    assert (error.where, error.got, error.allowed, error.remedy) == (
        "log.csv", "no rows", "rows", "export it again")
    assert isinstance(error, RehitError)


def test_many_faults_are_one_message_of_a_line_each() -> None:
    faults = [SettingError(f"key {n}", got="x", allowed="y", remedy="z") for n in range(3)]
    many = ManyErrors("rehit.toml", iter(faults))
    assert str(many).splitlines()[0] == "rehit.toml: 3 faults."
    assert len(str(many).splitlines()) == 4
    assert many.errors == tuple(faults)
