"""A changed number reaches everything made from it, and nothing else is made again."""

from __future__ import annotations

import dataclasses
from collections import defaultdict
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import Point
from small_town import CRS, EAST, NORTH, make_town

import rehit.chain as chains
from rehit.chain import Chain
from rehit.errors import ManyErrors
from rehit.parameters import Parameter, load_parameters
from rehit.project import load_project

#: Scoring past forecasts reads what forecasts read, and takes as long as all the rest.
RESULTS = tuple(name for name, value in vars(Chain).items()
                if isinstance(value, chains._Result) and name != "forecast_record")


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Chain:
    """A small town with a register and a works log, every result made."""
    folder = make_town(tmp_path_factory.mktemp("town") / "town")
    text = (folder / "rehit.toml").read_text(encoding="utf-8")
    (folder / "rehit.toml").write_text(text.replace(
        "[files]", '[files]\nregister = "register.geojson"\nworks = "works.csv"'), encoding="utf-8")
    points = [Point(EAST + 100 * (i % 4) + 52, NORTH + 150 * (i // 4)) for i in range(14)]
    gpd.GeoDataFrame({
        "asset_id": [f"W{i}" for i in range(14)], "asset_type": ["wall", "bench"] * 7,
        "substrate": "brick", "finish": "painted", "wall_area_m2": 12.0, "owner": "council",
    }, geometry=points, crs=CRS).to_crs(4326).to_file(folder / "register.geojson",
                                                      driver="GeoJSON")
    pd.DataFrame({
        "work_id": [f"J{i}" for i in range(40)], "case_ref": [f"R{i}" for i in range(40)],
        "done_at": "2025-06-02 09:00", "method": "paint_out", "area_m2": 1.5,
        "minutes": [20 + i % 7 for i in range(40)], "crew_size": 1, "paint_l": 0.4,
        "cost": 30.0}).to_csv(folder / "works.csv", index=False)
    chain = Chain(load_project(folder))
    for name in (*RESULTS, "raw_logs", "mapped_logs"):  # these are let go of once they were used
        getattr(chain, name)
    return chain


def moved(row: Parameter) -> float:
    """Return another value of a number, inside its range."""
    step = 1.0 if row.default.is_integer() and row.high - row.low > 2 else (row.high - row.low) / 8
    return row.default + step if row.default + step <= row.high else row.default - step


def same(one: Any, other: Any) -> bool:
    """Whether two results are equal, whatever they are made of."""
    if isinstance(one, pd.DataFrame):
        try:
            pd.testing.assert_frame_equal(pd.DataFrame(one), pd.DataFrame(other))
        except AssertionError:
            return False
        return True
    if dataclasses.is_dataclass(one):
        return all(same(getattr(one, f.name), getattr(other, f.name))
                   for f in dataclasses.fields(one))
    if isinstance(one, tuple | list):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, pd.Series | pd.Index):
        return bool(one.equals(other))
    if isinstance(one, np.ndarray):
        return np.array_equal(one, other, equal_nan=one.dtype.kind == "f")
    return bool(one == other)


def taken_over(chain: Chain) -> frozenset[str]:
    return frozenset(chain._done)


def test_every_number_reaches_what_is_made_from_it(base: Chain) -> None:
    """What a chain with changed numbers takes over equals what a chain made with them would make.

    The rest is made anew, from these results and the changed numbers. All numbers whose change
    leaves a result standing are changed at once: none of them may make a difference in it.
    """
    values = {row.name: moved(row) for row in load_parameters().rows()}
    kept = {name: taken_over(base.with_parameters({name: value}))
            for name, value in values.items()}
    results: dict[frozenset[str], list[str]] = defaultdict(list)
    for result in RESULTS:
        results[frozenset(name for name in values if result in kept[name])].append(result)
    assert len(results) > 8
    for numbers, names in results.items():
        changed = base.with_parameters({name: values[name] for name in numbers})
        assert taken_over(changed) >= set(names)
        fresh = Chain(changed.project)
        wrong = [name for name in names if not same(getattr(changed, name), getattr(fresh, name))]
        assert not wrong, f"{wrong} stale after a change of one of {sorted(numbers)}"


@pytest.mark.parametrize(("name", "value", "anew", "kept"), [
    ("hotspots.threshold_per_year", 12.0, "repeats", "incidents"),
    ("costs.discount_rate", 0.06, "strategy_costs", "repeats"),
    ("incidents.join_distance_m", 31.0, "cleaned", "register"),
    ("patrol.look_minutes", 4.0, "", "strategy_costs")])
def test_only_what_reads_a_number_is_made_again(base: Chain, name: str, value: float, anew: str,
                                                kept: str) -> None:
    other = base.with_parameters({name: value})
    assert anew not in other._done
    assert getattr(other, kept) is getattr(base, kept)
    assert base.parameters[name] != other.parameters[name] == value


def test_a_higher_threshold_is_exceeded_at_fewer_places(base: Chain) -> None:
    chances = [base.with_parameters({"hotspots.threshold_per_year": value}).repeats[
        "chance_above"].sum() for value in (1.0, 4.0, 12.0)]
    assert chances[0] > chances[1] > chances[2]


def test_effects_of_strategies_reach_the_costs_only(base: Chain) -> None:
    other = base.with_effects({"permanent_coating": 0.5})
    assert other.repeats is base.repeats
    assert not same(other.strategy_costs, base.strategy_costs)
    assert [s.effect_on_rate for s in base.strategies] == [0] * 5


def test_another_language_makes_nothing_again(base: Chain) -> None:
    other = base.in_language("es")
    assert other._done == base._done
    assert (other.say.language, base.say.language) == ("es", "en")


def test_crossing_bounds_are_refused(base: Chain) -> None:
    with pytest.raises(ManyErrors, match="min_interval_days"):
        base.with_parameters({"patrol.min_interval_days": 300.0, "patrol.max_interval_days": 2.0})


def test_a_chain_and_its_numbers_cannot_be_changed(base: Chain) -> None:
    with pytest.raises(AttributeError):
        base.parameters = load_parameters()  # type: ignore[misc]
    with pytest.raises(AttributeError, match="never change"):
        base.parameters._rows = {}  # type: ignore[assignment]
    with pytest.raises(TypeError):
        base.parameters._rows["costs.discount_rate"] = None  # type: ignore[index]


def test_a_log_of_single_tags_is_priced_by_the_tag(base: Chain) -> None:
    """Four tags a stop by default; those that were joined into one incident share it already."""
    tags = base.given(mapping=dataclasses.replace(base.mapping, one_row="tag"))
    joined = float(tags.incidents["n_reports"].mean())
    assert tags.incidents_per_stop == pytest.approx(4 / joined)
    assert tags.cost_parameters["costs.access_ladder"] == pytest.approx(20 / (4 / joined))
    assert base.cost_parameters["costs.access_ladder"] == 20
    assert "limits.tags" in [each.code for each in tags.limits]
    six = tags.with_parameters({"costs.tags_per_stop": 6})
    assert six.limits[-1].facts["shared"] == pytest.approx(6 / joined)
