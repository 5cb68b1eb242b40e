"""A works log corrects the defaults as far as it has something to say."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from rehit.errors import ManyErrors
from rehit.parameters import load_parameters
from rehit.treatment.calibrate import calibrate_methods, read_works, shrunken_ratios
from rehit.treatment.methods import load_methods

DEMO = Path(__file__).parents[2] / "data_demo" / "works_log.csv"


def jobs(n: int, rng: np.random.Generator, *, method: str = "paint_out", visit: float = 14.0,
         per_m2: float = 7.0, power: float = 0.7, litres: float = 0.2,
         scatter: float = 0.25) -> pd.DataFrame:
    area = rng.gamma(1.5, 1.0, n) + 0.05
    return pd.DataFrame({
        "method": method, "area_m2": area,
        "minutes": ((visit + per_m2 * area**power)
                    * (1 + scatter * rng.standard_normal(n)).clip(0.1)),
        "paint_l": litres * area * (1 + scatter * rng.standard_normal(n)).clip(0.1)})


def test_against_the_normal_normal_formula() -> None:
    """Lindley and Smith 1972 for one part and known scatter: precision-weighted mean, by hand.

    Prior N(1, 0.4²) has precision 6.25. Four jobs that all take 0.9 of the default with a scatter
    of 0.3 of their mean m have precision 4/(0.3 m)²; m is the posterior mean itself.
    """
    mean, sd, alone, weight = shrunken_ratios(
        np.ones((4, 1)), np.full(4, 0.9), prior_cv=0.4, job_cv=0.3, job_cv_jobs=1e12)
    m = 1.0
    for _ in range(50):
        precision = 4 / (0.3 * m) ** 2
        m = (6.25 * 1 + precision * 0.9) / (6.25 + precision)
    assert mean[0] == pytest.approx(m, abs=1e-6)
    assert alone[0] == pytest.approx(0.9)
    assert weight[0] == pytest.approx(6.25 / (6.25 + precision), abs=1e-5)
    assert sd[0] == pytest.approx((6.25 + precision) ** -0.5, abs=1e-6)


def test_scatter_is_pooled_with_its_default() -> None:
    """With ten default jobs of 0.35 and none seen to differ, the scatter shrinks as sqrt(10/n)."""
    parts = np.ones((90, 1))
    _, sd, _, _ = shrunken_ratios(parts, np.ones(90), prior_cv=10, job_cv=0.35, job_cv_jobs=10)
    assert sd[0] == pytest.approx(0.35 * np.sqrt(10 / 100) / np.sqrt(90), rel=0.001)


def test_many_jobs_find_the_truth_few_stay_near_the_default() -> None:
    rng = np.random.default_rng(5)
    table = load_methods()
    many = calibrate_methods(jobs(4000, rng)).estimates.set_index("quantity")
    assert many.loc["minutes_per_visit", "calibrated"] == pytest.approx(14, rel=0.03)
    assert many.loc["minutes_per_m2", "calibrated"] == pytest.approx(7, rel=0.04)
    assert many.loc["paint_l_per_m2", "calibrated"] == pytest.approx(0.2, rel=0.02)
    assert (many["weight_of_default"] < 0.02).all()
    one = calibrate_methods(jobs(1, rng, visit=60.0)).estimates.set_index("quantity")
    assert one["observed"].isna().all()  # one job cannot tell visit from area, nor its own scatter
    default = one.loc["minutes_per_visit", "default"]
    assert default < one.loc["minutes_per_visit", "calibrated"] < 60
    assert table["minutes_per_visit"].equals(load_methods()["minutes_per_visit"])


def test_intervals_hold_the_truth_nine_times_in_ten() -> None:
    """200 simulated crews drawn from the prior: 90 % intervals cover 84-96 % (binomial bounds)."""
    rng = np.random.default_rng(11)
    values = load_parameters()
    cv = values["treatment.prior_cv"]
    held = []
    for _ in range(200):
        a, b = np.clip(1 + cv * rng.standard_normal(2), 0.2, None)
        log = jobs(25, rng, visit=17.5 * a, per_m2=8.0 * b, scatter=0.3)
        found = calibrate_methods(log).estimates.set_index("quantity")
        for name, truth in (("minutes_per_visit", 17.5 * a), ("minutes_per_m2", 8.0 * b)):
            held.append(found.loc[name, "low"] <= truth <= found.loc[name, "high"])
    assert 0.84 <= np.mean(held) <= 0.96


def test_shrinkage_beats_both_the_default_and_the_jobs_alone() -> None:
    """Mean squared error over 200 crews with eight jobs each: the point of shrinking."""
    rng = np.random.default_rng(12)
    errors = []
    for _ in range(200):
        a, b = np.clip(1 + 0.4 * rng.standard_normal(2), 0.2, None)
        log = jobs(8, rng, visit=17.5 * a, per_m2=8.0 * b, scatter=0.35)
        found = calibrate_methods(log).estimates.set_index("quantity")
        row, truth = found.loc["minutes_per_m2"], 8.0 * b
        errors.append([row[c] - truth for c in ("calibrated", "default", "observed")])
    shrunk, default, alone = (np.array(errors) ** 2).mean(axis=0)
    assert shrunk < default
    assert shrunk < alone


def test_demo_crew_is_recovered() -> None:
    """The demo's crews work at 14 + 7 m^1.4 (paint), 10 + 22 m² (wipe), 32 + 18 m² (wash)."""
    found = calibrate_methods(read_works(DEMO)).estimates.set_index(["method", "quantity"])
    truth = {"paint_out": (14, 7), "solvent_wipe": (10, 22), "hot_wash": (32, 18)}
    for method, (visit, per_m2) in truth.items():
        assert found.loc[(method, "minutes_per_visit"), "calibrated"] == pytest.approx(
            visit, rel=0.06)
        assert found.loc[(method, "minutes_per_m2"), "calibrated"] == pytest.approx(
            per_m2, rel=0.06)
    assert found.loc[("paint_out", "paint_l_per_m2"), "calibrated"] == pytest.approx(0.22, rel=0.02)
    assert found.loc[("hot_wash", "wash_water_l_per_m2"), "calibrated"] == pytest.approx(
        28, rel=0.02)


def test_table_is_scaled_by_method_and_only_there() -> None:
    rng = np.random.default_rng(2)
    base = load_methods()
    fixed = calibrate_methods(jobs(500, rng)).methods
    other = base["method"] != "paint_out"
    pd.testing.assert_frame_equal(fixed[other], base[other])
    ratio = (fixed["minutes_per_m2"] / base["minutes_per_m2"])[~other]
    assert ratio.max() - ratio.min() < 1e-12


def test_advice_weighs_the_rows_of_a_method() -> None:
    advice = pd.DataFrame({"rule": ["painted_recurring"] * 3 + ["painted"]})
    found = calibrate_methods(jobs(5, np.random.default_rng(1)), advice=advice)
    row = found.estimates.set_index("quantity").loc["minutes_per_visit"]
    assert row["default"] == pytest.approx((3 * 13 + 15) / 4)


def test_costs_are_shrunk_to_the_pooled_price_of_a_minute() -> None:
    log = pd.DataFrame({"method": "paint_out", "area_m2": [1.0, 2.0] * 200,
                        "minutes": [25.5, 33.5] * 200, "cost": [51.0, 67.0] * 200})
    in_proportion = load_parameters().override({"costs.minutes_area_power_paint_out": 1})
    found = calibrate_methods(log, parameters=in_proportion).estimates.set_index("quantity")
    assert found.loc["cost_per_visit", "default"] == pytest.approx(38.0)  # 19 min at 2 a minute
    assert found.loc["cost_per_m2", "calibrated"] == pytest.approx(16.0, rel=0.001)


def test_useless_jobs_and_missing_columns() -> None:
    log = pd.DataFrame({"method": ["paint_out", None, "paint_out"], "area_m2": [np.nan, 1.0, 0.0],
                        "minutes": [1.0, 1.0, 1.0]})
    result = calibrate_methods(log)
    assert result.estimates.empty
    pd.testing.assert_frame_equal(result.methods, load_methods())
    with pytest.raises(ManyErrors) as caught:
        calibrate_methods(pd.DataFrame({"x": [1]}))
    assert len(caught.value.errors) == 3


def test_no_part_of_a_job_falls_below_a_twentieth_of_its_default() -> None:
    """Larger jobs took less time here, so least squares alone has the time per m² below nothing."""
    area = np.linspace(1.0, 9.0, 200)
    parts = np.column_stack([np.full(200, 20.0), 5.0 * area])
    mean, _, alone, _ = shrunken_ratios(parts, 60.0 - 5.0 * area, prior_cv=5.0, job_cv=0.1,
                                        job_cv_jobs=1e9)
    assert alone[1] < 0
    assert mean[1] == 0.05
