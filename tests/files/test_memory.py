"""What the system says of its memory; what it does not say is held to be enough."""

from __future__ import annotations

import os
import sys

import pytest

from rehit.files import memory
from rehit.files.memory import free_bytes, free_if_below


@pytest.mark.skipif(sys.platform != "linux", reason="read from /proc")
def test_what_is_free_is_less_than_the_machine_has() -> None:
    free = free_bytes()
    assert free is not None
    whole = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    assert 1e6 < free <= whole + 1e12  # with what may be swapped out


def test_what_is_free_is_given_only_where_it_is_too_little(
        monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(memory, "free_bytes", lambda: 5e9)
    assert free_if_below(6e9) == 5e9
    assert free_if_below(5e9) is None


def test_a_system_that_does_not_tell_refuses_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "other")
    monkeypatch.setattr(memory.os, "sysconf", {}.__getitem__, raising=False)
    assert free_bytes() is None
    assert free_if_below(1e18) is None
