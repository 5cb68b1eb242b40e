"""Recurrent-event models against the values that R's survival package prints."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t as student

from rehit.errors import SettingError, TableError
from rehit.hotspots.recurrence import andersen_gill, fit_rates, prentice_williams_peterson

PUBLISHED = Path(__file__).parents[1] / "published" / "recurrence"
# Therneau and Grambsch 2000, appendix E, data set 2.
START = np.array([1, 2, 5, 2, 1, 7, 3, 4, 8, 8.0])
STOP = np.array([2, 3, 6, 7, 8, 9, 9, 9, 14, 17.0])
EVENT = np.array([1, 1, 1, 1, 1, 1, 1, 0, 0, 0])
X = np.array([1, 0, 0, 1, 0, 1, 1, 1, 0, 0.0])[:, None]


@pytest.fixture(scope="module")
def bladder() -> pd.DataFrame:
    table = pd.read_csv(PUBLISHED / "bladder2.csv")
    return table.rename(columns={"id": "place_id", "enum": "event_number"})


def rx(model) -> pd.Series:
    return model.table().set_index("name").loc["rx"]


@pytest.mark.parametrize(("ties", "effect", "tolerance"), [
    ("breslow", -0.084526081, 5e-10),  # printed in appendix E
    ("efron", -0.02110521, 5e-9),  # R survival 3.5-3
])
def test_start_stop_effect_against_therneau_and_grambsch_appendix_e(ties, effect, tolerance):
    model = fit_rates(START, STOP, EVENT, X, names=("x",), cluster=np.arange(10), ties=ties)
    assert model.effects[0] == pytest.approx(effect, abs=tolerance)
    assert model.settled


def test_andersen_gill_breslow_against_survival_test_output_bladder2(bladder):
    """coxph(Surv(start, stop, event) ~ rx + number + size + cluster(id), method="breslow")"""
    row = rx(andersen_gill(bladder, bladder[["rx", "number", "size"]], ties="breslow"))
    assert row["effect"] == pytest.approx(-0.45979, abs=5e-6)
    assert row["naive_error"] == pytest.approx(0.19996, abs=5e-6)
    assert row["robust_error"] == pytest.approx(0.25801, abs=5e-6)


def test_andersen_gill_efron_against_r_bladder2(bladder):
    row = rx(andersen_gill(bladder, bladder[["rx", "number", "size"]]))
    assert row["effect"] == pytest.approx(-0.464687, abs=5e-7)
    assert row["robust_error"] == pytest.approx(0.265561, abs=5e-7)


@pytest.mark.parametrize(("clock", "effect", "robust"), [
    ("total", -0.333489, 0.204787), ("gap", -0.279005, 0.215624)])
def test_prentice_williams_peterson_against_r_bladder2(bladder, clock, effect, robust):
    """coxph(... ~ rx + number + size + strata(enum) + cluster(id)), Efron"""
    row = rx(prentice_williams_peterson(bladder, bladder[["rx", "number", "size"]], clock=clock))
    assert row["effect"] == pytest.approx(effect, abs=5e-7)
    assert row["robust_error"] == pytest.approx(robust, abs=5e-7)


def test_andersen_gill_against_r_cgd():
    """coxph(Surv(tstart, tstop, status) ~ treat + cluster(id), cgd), Efron"""
    cgd = pd.read_csv(PUBLISHED / "cgd.csv").rename(columns={
        "id": "place_id", "tstart": "start", "tstop": "stop", "status": "event"})
    treat = (cgd[["treat"]] == "rIFN-g").astype(float)
    row = andersen_gill(cgd, treat).table().iloc[0]
    assert row["effect"] == pytest.approx(-1.095287, abs=5e-7)
    assert row["naive_error"] == pytest.approx(0.261014, abs=5e-7)
    assert row["robust_error"] == pytest.approx(0.311937, abs=5e-7)


def test_strata_are_fitted_as_if_each_alone_shared_one_effect():
    """Two copies of one data set, far apart in time, as two strata: same effect, half variance."""
    one = fit_rates(START, STOP, EVENT, X, names=("x",), cluster=np.arange(10))
    two = fit_rates(np.r_[START, START + 100], np.r_[STOP, STOP + 100], np.r_[EVENT, EVENT],
                    np.r_[X, X], names=("x",), cluster=np.arange(20), strata=np.repeat([0, 1], 10))
    assert two.effects == pytest.approx(one.effects, abs=1e-9)
    assert two.naive_covariance == pytest.approx(one.naive_covariance / 2, abs=1e-9)
    assert two.log_likelihood == pytest.approx(2 * one.log_likelihood, abs=1e-9)


def test_effect_without_a_finite_value_is_said_to_be_unsettled():
    stop = np.arange(1.0, 9.0)
    model = fit_rates(np.zeros(8), stop, np.r_[np.ones(4), np.zeros(4)],
                      np.r_[np.ones(4), np.zeros(4)][:, None], names=("x",), cluster=np.arange(8))
    assert not model.settled


@pytest.mark.parametrize(("change", "error"), [
    ({"x": np.ones((10, 1))}, SettingError),
    ({"x": np.column_stack([X, 2 * X]), "names": ("a", "b")}, SettingError),
    ({"ties": "exact"}, SettingError),
    ({"stop": START}, TableError),
    ({"event": np.zeros(10)}, TableError),
    ({"x": np.full((10, 1), np.nan)}, TableError),
])
def test_unusable_spells_are_refused(change, error):
    given = {"start": START, "stop": STOP, "event": EVENT, "x": X, "names": ("x",),
             "cluster": np.arange(10)} | change
    with pytest.raises(error, match="fit_rates"):
        fit_rates(**given)


def test_unknown_clock_is_refused(bladder):
    with pytest.raises(SettingError, match="total, gap"):
        prentice_williams_peterson(bladder, bladder[["rx"]], clock="both")


def test_intervals_allow_for_few_places() -> None:
    """Student's t with one degree of freedom less than places, errors stretched by n / (n - 1)."""
    model = fit_rates(np.zeros(6), np.array([1.0, 2, 3, 4, 5, 6]), np.ones(6),
                      np.array([[1.0], [0], [1], [0], [0], [1]]), names=("lit",),
                      cluster=np.array([0, 0, 1, 1, 2, 2]))
    row = model.table(level=0.9).iloc[0]
    reach = student.ppf(0.95, 2) * row["robust_error"] * np.sqrt(3 / 2)
    assert np.log(row["high"]) == pytest.approx(row["effect"] + reach)
    assert np.log(row["low"]) == pytest.approx(row["effect"] - reach)
