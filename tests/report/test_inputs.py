"""Bad input: one message with every fault, nothing half-written."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from report_tables import make_input

from rehit.errors import InputFileError, ManyErrors
from rehit.outputs.report import write_report
from rehit.report.inputs import check_input


def test_all_faults_are_named_at_once() -> None:
    good = make_input(n=50)
    bad = make_input(n=50, period_end=date(2020, 1, 1), time_zone="Nowhere/Town",
                     rings=good.rings.drop(columns="ratio"))
    with pytest.raises(ManyErrors) as caught:
        check_input(bad)
    text = str(caught.value)
    for part in ("swap the two days", "Nowhere/Town", "'ratio'"):
        assert part in text


def test_streets_in_degrees_are_refused() -> None:
    good = make_input(n=50)
    with pytest.raises(ManyErrors, match="streets"):
        check_input(make_input(n=50, streets=good.streets.to_crs("EPSG:4326")))


def test_nothing_is_written_when_the_input_is_bad(tmp_path: Path) -> None:
    good = make_input(n=50)
    with pytest.raises(ManyErrors):
        write_report(make_input(n=50, repeats=good.repeats.drop(columns="share")), tmp_path / "out")
    assert not (tmp_path / "out").exists()
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputFileError, match="folder"):
        write_report(make_input(n=50, full=False), tmp_path / "file")
