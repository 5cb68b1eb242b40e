"""Every default number is sourced, in range, and may be overridden."""

from __future__ import annotations

import pytest

from rehit.errors import ManyErrors, SettingError
from rehit.parameters import load_parameters

ROWS = load_parameters().rows()


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_every_default_has_unit_range_meaning_and_source(row) -> None:
    assert row.low <= row.default <= row.high
    assert row.low < row.high
    assert len(row.meaning) > 10
    assert len(row.source) > 5
    assert row.unit


def test_override_changes_a_copy_and_leaves_the_defaults_alone() -> None:
    before = load_parameters()["costs.discount_rate"]
    after = load_parameters().override({"costs.discount_rate": 0.02})
    assert after["costs.discount_rate"] == 0.02
    assert after.row("costs.discount_rate").overridden
    assert not load_parameters().row("costs.discount_rate").overridden
    assert load_parameters()["costs.discount_rate"] == before


def test_override_lists_every_fault_with_file_and_key() -> None:
    with pytest.raises(ManyErrors) as caught:
        load_parameters().override(
            {"costs.discount_rate": 5, "costs.discount_rat": 0.1, "service.offensive_hours": "x"},
            where="rehit.toml")
    message = str(caught.value)
    assert len(caught.value.errors) == 3
    for name in ("costs.discount_rate]", "costs.discount_rat]", "service.offensive_hours]"):
        assert f"rehit.toml [{name}" in message


@pytest.mark.parametrize("value", [True, float("nan"), float("inf"), None, [1]])
def test_override_refuses_what_is_not_a_finite_number(value) -> None:
    with pytest.raises(ManyErrors, match="a number from"):
        load_parameters().override({"costs.discount_rate": value})


def test_an_unknown_name_is_refused_with_its_name() -> None:
    with pytest.raises(SettingError, match=r"no\.such"):
        load_parameters()["no.such"]
