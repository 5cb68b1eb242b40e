"""Errors carry where, what came, what was allowed and what to do, as codes with facts."""

from __future__ import annotations

import pickle

import pytest

from rehit.errors import DataWarning, InputFileError, ManyErrors, RehitError, SettingError
from rehit.messages import message
from rehit.report.say import Say


def test_a_python_user_reads_an_english_sentence() -> None:
    error = InputFileError("log.csv", "errors.no_rows")
    assert str(error) == ("log.csv: got no rows; allowed: a header and rows. To fix it: export it "
                          "again with its rows.")


def test_the_four_parts_are_said_in_any_language() -> None:
    error = SettingError(message("where.row", file="p.csv", row=3), "errors.not_a_price", value="x")
    say = Say("es")
    assert (say.told(error.where), say(error.got), say(error.allowed), say(error.remedy)) == (
        "p.csv, fila 3", "'x'", "un número desde 0, como 1234.5",
        "escríbalo sin unidades ni separadores")
    assert say(error.told) == (
        "p.csv, fila 3. Recibido: 'x'. Se admite: un número desde 0, como 1234.5. Para corregirlo: "
        "escríbalo sin unidades ni separadores.")


def test_many_faults_are_one_message_of_a_line_each() -> None:
    faults = [SettingError(f"key {n}", "errors.no_rate") for n in range(3)]
    lines = str(ManyErrors("rehit.toml", faults)).splitlines()
    assert lines[0] == "rehit.toml: 3 faults."
    assert lines[1] == ("  - key 0: got no such rate; allowed: a row with this name. To fix it: "
                        "add the row.")
    assert len(lines) == 4


@pytest.mark.parametrize("error", [
    SettingError("--x", "errors.unknown_name", name="a", known=("b", "c")),
    ManyErrors("f", [InputFileError("g", "errors.no_rows")])])
def test_an_error_comes_back_whole_from_another_process(error: RehitError) -> None:
    back = pickle.loads(pickle.dumps(error))
    assert (type(back), back.where, back.code, back.facts) == (
        type(error), error.where, error.code, error.facts)
    assert str(back) == str(error)


def test_a_warning_is_said_in_english_to_a_python_user() -> None:
    told = message("warnings.only_streets", where="gi")
    assert str(DataWarning(told)).startswith("gi: no incident is placed better than its street")
