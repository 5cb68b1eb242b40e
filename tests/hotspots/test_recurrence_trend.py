"""Power-law trend against published examples."""

from __future__ import annotations

import numpy as np
import pytest

from rehit.errors import TableError
from rehit.hotspots.recurrence import cramer_von_mises, fit_chance, fit_power_law, read_power_law
from rehit.report.say import Say

NIST = np.array([5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478.0])
# MIL-HDBK-189 (1981) appendix C; times from memory, confirmed by all five printed results.
HANDBOOK = np.array([
    2.6, 16.5, 16.5, 17.0, 21.4, 29.1, 33.3, 56.5, 63.1, 70.6, 73.0, 77.7, 93.9, 95.5, 98.1, 101.1,
    132.0, 142.2, 147.7, 149.0, 167.2, 190.7, 193.0, 198.7, 251.9, 282.5, 286.1])
# 22 failures of the Crow-AMSAA example; times from memory, confirmed by both printed results.
CROW = np.array([
    2.7, 10.3, 12.5, 30.6, 57.0, 61.3, 80.0, 109.5, 125.0, 128.6, 143.8, 167.9, 229.2, 296.7,
    320.6, 328.2, 366.2, 396.7, 421.1, 438.2, 501.2, 620.0])


def test_time_truncated_power_law_against_nist_handbook_8_4_5_2():
    law = fit_power_law(NIST, end=1500)
    assert law.shape == pytest.approx(0.5372289, abs=5e-8)
    assert law.shape_unbiased == pytest.approx(0.483506, abs=5e-7)
    # The handbook's scale and time between failures at the end follow from shape and count.
    assert law.n / law.end**law.shape_unbiased == pytest.approx(0.2913003, abs=5e-8)
    assert law.end / (law.n * law.shape_unbiased) == pytest.approx(310.234, abs=5e-4)


def test_time_truncated_power_law_against_mil_hdbk_189_appendix_c():
    law = fit_power_law(HANDBOOK, end=300)
    assert law.shape == pytest.approx(0.716339, abs=5e-7)
    assert law.shape_unbiased == pytest.approx(0.689808, abs=5e-7)
    assert law.n / law.end**law.shape == pytest.approx(0.453842, abs=5e-7)
    assert law.end / (law.n * law.shape) == pytest.approx(15.51096, abs=5e-6)
    assert cramer_von_mises(HANDBOOK, law) == pytest.approx(0.091061, abs=5e-7)


def test_event_truncated_power_law_against_crow_amsaa_example():
    law = fit_power_law(CROW, end=None)
    assert law.shape == pytest.approx(0.61421, abs=5e-6)
    assert (law.n, law.end) == (22, 620.0)
    assert law.n / law.end**law.shape == pytest.approx(0.42394, abs=5e-6)


@pytest.mark.parametrize("end", [1.0, None])
def test_shape_interval_covers_the_true_shape_as_often_as_it_says(end):
    rng = np.random.default_rng(7)
    inside = 0
    for _ in range(1000):
        n = 15 if end is None else max(2, rng.poisson(15))
        low, high = fit_power_law(rng.uniform(size=n) ** (1 / 1.4), end=end).shape_interval(
            level=0.9)
        inside += low < 1.4 < high
    assert 870 <= inside <= 930  # 900 expected, standard deviation 9.5


def test_fit_chance_spots_incidents_that_come_in_two_bursts():
    rng = np.random.default_rng(3)
    bursts = np.r_[rng.uniform(100, 110, 15), rng.uniform(900, 910, 15)]
    assert fit_chance(bursts, fit_power_law(bursts, end=1000), draws=300, rng=rng) < 0.02
    assert fit_chance(NIST, fit_power_law(NIST, end=1500), draws=300, rng=rng) > 0.2


def test_the_least_chance_of_a_fit_is_one_over_the_draws_and_the_data():
    # Davison and Hinkley 1997, section 4.2: the data count as one of the draws.
    one_moment = np.r_[1.0, np.full(29, 999.0)]
    law = fit_power_law(one_moment, end=1000)
    assert fit_chance(one_moment, law, draws=49, rng=np.random.default_rng(1)) == 1 / 50


def test_reading_says_when_the_dates_cannot_tell():
    even = np.arange(1.0, 11.0)
    rising = 100 * (np.arange(1, 21) / 20) ** 0.3
    found = [read_power_law(fit_power_law(at, end=end), place="W1")
             for at, end in ((even, 11), (NIST, 1500), (rising, 100))]
    assert [each.code for each in found] == ["trend.untold", "trend.slower", "trend.faster"]
    assert Say("en")(found[1]).startswith("W1: incidents are coming more slowly: the pace at the "
                                          "end is 0.54 times the average so far (90% interval")


def test_a_change_that_the_whole_log_shows_is_told_as_the_log_s():
    law = fit_power_law(NIST, end=1500)
    said = [read_power_law(law, place="W1", apart=apart) for apart in (True, False)]
    assert [each.code for each in said] == ["trend.slower", "trend.as_all"]
    assert "no more than the course of the whole log and its bursts explain" in Say("en")(said[1])
    even = fit_power_law(np.arange(1.0, 11.0), end=11)
    assert read_power_law(even, place="W1", apart=False).code == "trend.untold"


@pytest.mark.parametrize(("times", "end"), [([5.0], 10.0), ([1.0, 2.0], None), ([0.0, 4.0], 5.0),
                                            ([1.0, 6.0], 5.0)])
def test_too_few_or_impossible_times_are_refused(times, end):
    with pytest.raises(TableError, match="times"):
        fit_power_law(np.array(times), end=end)
