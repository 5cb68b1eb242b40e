"""Strategies as data: what is shipped, what a user may add, and one error for all that is wrong."""

from __future__ import annotations

from dataclasses import replace
from math import inf

import numpy as np
import pytest

from rehit.costs.cashflow import make_pieces
from rehit.costs.lifecycle import compare_strategies
from rehit.costs.programme import choose_programme
from rehit.costs.rates import (
    LABOUR,
    PLAIN,
    cleaning_methods,
    coating_left_years,
    require_rates,
)
from rehit.costs.strategies import contradictions, load_strategies
from rehit.errors import InputFileError, ManyErrors, TableError
from rehit.parameters import Parameters, load_parameters

PARAMETERS = load_parameters()


def test_shipped_strategies_read_their_numbers_from_the_parameter_table() -> None:
    moved = PARAMETERS.override({"costs.permanent_life_cleanings": 22})
    found = {s.name: s for s in load_strategies(parameters=moved)}
    assert list(found) == ["remove_each_time", "paint_out_each_time", "sacrificial_coating",
                           "permanent_coating", "semi_sacrificial_coating"]
    assert found["permanent_coating"].life_cleanings == 22
    assert found["permanent_coating"].life_years == 10
    assert found["sacrificial_coating"].life_cleanings == inf


def test_a_coating_renewed_by_its_wear_has_no_life_in_cleanings_as_well() -> None:
    coating = {s.name: s for s in load_strategies(parameters=PARAMETERS)}["permanent_coating"]
    assert contradictions(coating, where="here") == []
    told = contradictions(replace(coating, recoat_margin=0.2), where="here")
    assert [each.code for each in told] == ["errors.recoat_beside_life"]


def test_no_effect_on_the_rate_is_assumed() -> None:
    assert [s.effect_on_rate for s in load_strategies(parameters=PARAMETERS)] == [0] * 5


def test_a_measure_from_toml_stands_beside_the_shipped_ones(tmp_path) -> None:
    file = tmp_path / "strategies.toml"
    file.write_text('[strategies.lamp]\nmeaning = "lighting"\nfirst_cost = 1800\n'
                    'yearly_cost = 60\nlife_years = 12\neffect_on_rate = 0.2\n'
                    'only_methods = ["paint_out", "hot_wash"]\n')
    lamp = load_strategies(file, parameters=PARAMETERS)[-1]
    assert (lamp.name, lamp.first_cost, lamp.life_years) == ("lamp", 1800, 12)
    assert lamp.only_methods == ("paint_out", "hot_wash")
    assert not lamp.covers_wall


def test_a_csv_row_takes_the_place_of_the_shipped_one(tmp_path) -> None:
    file = tmp_path / "strategies.csv"
    file.write_text("strategy,cover_materials_per_m2,cover_minutes_per_m2,life_cleanings,"
                    "life_years\npermanent_coating,21,costs.permanent_minutes_per_m2,30,8\n")
    found = load_strategies(file, parameters=PARAMETERS)
    assert len(found) == 5
    assert found[3].cover_materials_per_m2 == 21
    assert found[3].cover_minutes_per_m2 == PARAMETERS["costs.permanent_minutes_per_m2"]


def test_a_cover_that_stands_more_cleanings_than_can_be_followed_is_refused(tmp_path) -> None:
    file = tmp_path / "mine.csv"
    file.write_text("strategy,cover_materials_per_m2,cover_minutes_per_m2,life_years,life_cleanings\n"
                    "permanent_coating,21,12,8,1e6\n")
    with pytest.raises(ManyErrors, match=r"life_cleanings.*1e6.*from 1 to 100"):
        load_strategies(file, parameters=PARAMETERS)


def test_one_error_lists_every_fault_with_file_and_key(tmp_path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text("""
[strategies.a]
first_cost = 100
cover_materials_per_m2 = 5
life_years = 4
[strategies.b]
first_cost = -5
life_years = "costs.no_such_life"
[strategies.c]
life_years = 10
colour = "blue"
[strategies.d]
cleaning = "sandblast"
needs_permission = "perhaps"
effect_on_rate = true
[strategies.e]
first_cost = 50
[strategies.f]
recoat_margin = 1.2
""")
    with pytest.raises(ManyErrors) as caught:
        load_strategies(file, parameters=PARAMETERS)
    message = str(caught.value)
    expected = [("a", "first_cost"), ("b", "first_cost"), ("b", "life_years"),
                ("c", "life_years"), ("c", "colour"), ("d", "cleaning"),
                ("d", "needs_permission"), ("d", "effect_on_rate"), ("e", "life_years"),
                ("f", "recoat_margin")]
    for name, key in expected:
        assert f"{file} [strategies.{name}], key {key!r}" in message
    assert len(caught.value.errors) == len(expected)


def test_missing_unit_rates_are_listed_in_one_error() -> None:
    gone = ("costs.call_out", "costs.minutes_per_m2_hot_wash", "costs.repaint_wall_share")
    kept = Parameters({name: PARAMETERS.row(name) for name in PARAMETERS if name not in gone})
    with pytest.raises(ManyErrors) as caught:
        require_rates(kept)
    assert len(caught.value.errors) == 3
    for name in gone:
        assert f"defaults/costs.csv [{name.removeprefix('costs.')}]" in str(caught.value)
    assert "call_out" in PLAIN


@pytest.mark.parametrize(("name", "content"), [
    ("a.toml", b"[strategies"), ("b.csv", b"\xff\xfe\x00"), ("c.toml", b""), ("d.csv", b"x\n1\n")])
def test_a_file_without_strategies_is_refused(tmp_path, name: str, content: bytes) -> None:
    file = tmp_path / name
    file.write_bytes(content)
    with pytest.raises(InputFileError, match=name):
        load_strategies(file, parameters=PARAMETERS)


def test_a_missing_file_and_a_repeated_name_are_refused(tmp_path) -> None:
    with pytest.raises(InputFileError, match=r"none\.csv"):
        load_strategies(tmp_path / "none.csv", parameters=PARAMETERS)
    file = tmp_path / "twice.csv"
    file.write_text("strategy,first_cost\na,1\na,2\n")
    with pytest.raises(TableError, match="twice"):
        load_strategies(file, parameters=PARAMETERS)


def test_the_baseline_may_not_carry_an_effect(tmp_path) -> None:
    file = tmp_path / "base.toml"
    file.write_text("[strategies.remove_each_time]\neffect_on_rate = 0.5\n")
    with pytest.raises(ManyErrors, match="a baseline with a first cost or an effect"):
        load_strategies(file, parameters=PARAMETERS)


def test_the_baseline_of_a_painted_wall_is_painting_out_not_a_solvent_wipe(one_wall) -> None:
    """Fault: removal solvent-wiped painted walls; what crews already do counted as saving."""
    wall = one_wall.assign(method="paint_out")
    costs = compare_strategies(wall, rng=np.random.default_rng(1)).set_index("strategy")
    same = costs.loc["remove_each_time"]
    assert costs.loc["paint_out_each_time", "pv_mean"] == pytest.approx(same["pv_mean"], rel=1e-12)
    assert costs.loc["paint_out_each_time", "saving"] == pytest.approx(0, abs=1e-9)
    assert not costs.loc["paint_out_each_time", "cheapest"]
    numbers = load_parameters()
    pieces = make_pieces(wall, load_strategies(parameters=numbers), parameters=numbers)
    assert pieces[0].repainting is not None  # its patches add up to a full repaint as well
    # 15 minutes and 7 times a power of the area by one person, not 12 and 20 of a wipe.
    assert pieces[0].per_cleaning[0, LABOUR] == pytest.approx(
        (15 + 7 * 1.5**0.7) / 60 * numbers["costs.labour_per_hour"])
    # Under a coating it is wiped: paint would bury the coating.
    assert cleaning_methods(wall, load_strategies(parameters=numbers)[3]).tolist() == [
        "solvent_wipe"]


def test_a_coated_wall_is_not_coated_again_before_its_life_ends(one_wall) -> None:
    """Fault: coated_at was read nowhere. 4 a year on a wall of 2 spots: 30 cleanings, 10 years."""
    numbers = load_parameters()
    young = one_wall.assign(coated_years=3.0, coated_cleanings=12.0)
    left = coating_left_years(young, load_strategies(parameters=numbers), parameters=numbers)
    assert left.tolist() == [(30 - 12) / 4]  # cleanings end it before its seven years left do
    bare = one_wall.assign(coated_years=np.nan, coated_cleanings=0.0)
    assert coating_left_years(bare, load_strategies(parameters=numbers),
                              parameters=numbers).tolist() == [0.0]
    costs = compare_strategies(young, rng=np.random.default_rng(1)).set_index("strategy")
    for name in ("sacrificial_coating", "permanent_coating"):
        assert costs.loc[name, "why_not"] == "already_coated"
    assert costs.loc["remove_each_time", "cheapest"]
    # Today's practice still has the coating: 4.5 of 10 years at its cheaper cleaning.
    plain = compare_strategies(one_wall, rng=np.random.default_rng(1)).set_index("strategy")
    assert costs.loc["remove_each_time", "pv_mean"] < plain.loc["remove_each_time", "pv_mean"]
    worn = one_wall.assign(coated_years=3.0, coated_cleanings=30.0)
    again = compare_strategies(worn, rng=np.random.default_rng(1)).set_index("strategy")
    assert again["pv_mean"].to_dict() == pytest.approx(plain["pv_mean"].to_dict())
    assert again.loc["permanent_coating", "allowed"]


def test_a_programme_coats_a_coated_wall_only_once_its_coating_is_worn(one_wall) -> None:
    wall = one_wall.assign(coated_years=8.5, coated_cleanings=0.0, gamma_shape=40.0,
                           gamma_rate_years=10.0)
    found = choose_programme(wall, budget_per_year=1e6, crew_hours_per_year=1e6, years=5,
                             rng=np.random.default_rng(1))
    assert found.table["year"].min() >= 3  # one year and a half of life is left
