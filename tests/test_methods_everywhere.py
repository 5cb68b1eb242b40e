"""A method code that is added in one place is asked for in every other that must know it."""

from __future__ import annotations

import csv
from importlib.resources import files

import pytest

from rehit.costs.rates import BY_METHOD, require_rates
from rehit.costs.strategies import method_codes
from rehit.errors import ManyErrors
from rehit.parameters import Parameters, load_parameters
from rehit.patrol.stops import NOT_FOR_CREWS, crew_methods
from rehit.report.say import catalogue
from rehit.tables import table

CODES = table("advice").column("method").allowed


def test_rooms_allow_the_same_methods() -> None:
    assert method_codes() == CODES
    assert {f"do.{code}" for code in CODES} <= set(catalogue("en"))
    assert crew_methods() == set(CODES) - {"refer", "polish_or_replace"}
    assert set(CODES) > NOT_FOR_CREWS


@pytest.mark.parametrize("code", CODES)
def test_every_method_has_rates(code: str) -> None:
    numbers = load_parameters()
    require_rates(numbers)
    for rate in BY_METHOD:
        lacking = Parameters({row.name: row for row in numbers.rows()
                              if row.name != f"costs.{rate}_{code}"})
        with pytest.raises(ManyErrors, match=f"{rate}_{code}"):
            require_rates(lacking)


@pytest.mark.parametrize("code", sorted(set(CODES) - NOT_FOR_CREWS))
def test_every_method_of_a_crew_has_the_cautions_that_all_share(code: str) -> None:
    source = files("rehit") / "treatment" / "cautions.csv"
    rows = csv.DictReader(source.read_text(encoding="utf-8").splitlines())
    shared = {row["code"] for row in rows if row["when_column"] == "method"
              and code in row["when_values"].split("|")}
    assert {"sds", "ppe", "test_patch"} <= shared
