"""The view for decisions."""

from __future__ import annotations

import pytest

from rehit.app.deciding import as_share


@pytest.mark.parametrize(("written", "taken"), [
    ("12", "0.12"), ("12%", "0.12"), ("0.12", "0.12"), ("0,12", "0.12"), ("0 %", "0"),
    ("100", "1"), ("some", "some")])
def test_a_margin_is_taken_as_people_write_it(written: str, taken: str) -> None:
    assert as_share(written) == taken
