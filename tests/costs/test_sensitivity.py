"""Tornado and variance shares against what can be worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from rehit.costs.sensitivity import movable, ranges_of, saving, sobol_indices, tornado
from rehit.errors import SettingError
from rehit.parameters import load_parameters

PARAMETERS = load_parameters()


def test_tornado_ends_are_the_savings_at_the_ends_of_the_range(one_wall) -> None:
    name = "costs.permanent_materials_per_m2"
    row = tornado(one_wall, strategy="permanent_coating", names=[name]).iloc[0]
    assert (row["low"], row["high"]) == (2, 100)
    for end in ("low", "high"):
        moved = PARAMETERS.override({name: float(row[end])})
        assert row[f"saving_{end}"] == pytest.approx(
            saving(one_wall, strategy="permanent_coating", parameters=moved))
    assert row["swing"] == pytest.approx(row["saving_low"] - row["saving_high"])
    # At four markings a year the coating saves at either price; at two only at the low one.
    assert row["saving_high"] > 0
    assert not row["changes_sign"]
    rarer = tornado(one_wall.assign(gamma_shape=4.0), strategy="permanent_coating",
                    names=[name]).iloc[0]
    assert rarer["saving_low"] > 0 > rarer["saving_high"]
    assert rarer["changes_sign"]


def test_tornado_is_sorted_and_holds_the_rate_itself(one_wall) -> None:
    table = tornado(one_wall, strategy="permanent_coating", width=0.3)
    assert table["swing"].is_monotonic_decreasing
    assert "re-hit rate" in set(table["name"])
    assert table["name"].is_unique


def test_numbers_of_idle_methods_and_settings_are_not_moved(one_wall) -> None:
    names = movable(one_wall, parameters=PARAMETERS)
    assert "costs.minutes_per_m2_hot_wash" in names
    assert "costs.minutes_per_m2_scrape" not in names
    assert "costs.draws" not in names


def test_sobol_shares_against_the_variance_worked_out_by_hand(one_wall) -> None:
    """Wear and set-up enter the saving linearly and apart, so their shares add up to one.

    A hot wash captures the same water with and without coating, so only wear (saved under the
    coating) and the set-up of laying it move the saving: with a slope k, the variance of a number
    spread evenly over its range is k^2 (high - low)^2 / 12.
    """
    names = ["costs.wear_per_m2_hot_wash", "costs.cover_minutes_per_visit",
             "costs.water_per_l"]
    limits = ranges_of(names, parameters=PARAMETERS, width=1.0)
    swings = []
    for name in names:
        ends = [saving(one_wall, strategy="permanent_coating",
                       parameters=PARAMETERS.override({name: end})) for end in limits[name]]
        swings.append(ends[1] - ends[0])
    shares = np.square(swings) / np.square(swings).sum()
    found = sobol_indices(one_wall, strategy="permanent_coating", names=names, n_base=64,
                          rng=np.random.default_rng(1)).set_index("name")
    assert found.loc[names, "first"].to_numpy() == pytest.approx(shares, abs=0.03)
    assert found.loc[names, "total"].to_numpy() == pytest.approx(shares, abs=0.03)
    assert shares[2] == pytest.approx(0, abs=1e-12)


def test_the_sample_of_variance_shares_is_the_one_asked_for_or_the_default(one_wall) -> None:
    fewer = PARAMETERS.override({"costs.variance_sample": 16})
    made = [sobol_indices(one_wall, strategy="permanent_coating", names=["costs.labour_per_hour"],
                          n_base=n_base, parameters=fewer, rng=np.random.default_rng(1))
            for n_base in (None, 16, 32)]
    assert made[0].equals(made[1])
    assert not made[0].equals(made[2])


def test_an_unknown_strategy_and_a_senseless_width_are_refused(one_wall) -> None:
    with pytest.raises(SettingError, match="remove_each_time, paint_out_each_time"):
        saving(one_wall, strategy="magic", parameters=PARAMETERS)
    with pytest.raises(SettingError, match="above 0, at most 1"):
        ranges_of([], parameters=PARAMETERS, width=0)
