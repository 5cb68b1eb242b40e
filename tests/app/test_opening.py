"""The first view."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from rehit.app.opening import folder_name


@given(st.text())
def test_a_folder_name_never_leads_out_of_its_home(name: str) -> None:
    made = folder_name(name)
    assert "/" not in made
    assert "\\" not in made
    assert ".." not in made
    assert made == made.strip()
    assert len(made) <= 60
