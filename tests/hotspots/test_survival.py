"""Time to re-hit against the textbook leukaemia trial, and one-pass medians against one by one."""

from __future__ import annotations

import numpy as np
import pytest

from rehit.errors import SettingError, TableError
from rehit.hotspots.survival import grouped_medians, kaplan_meier, log_rank, median_time

# Freireich et al. 1963, Blood 21:699-716: weeks in remission (6-MP, placebo); from memory, as in
# Kleinbaum and Klein, Survival Analysis, table 2.1 on; confirmed by the printed results below.
DRUG = np.array([6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35.0])
DRUG_SEEN = np.array([1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0])
PLACEBO = np.array([1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23.0])


def test_kaplan_meier_against_freireich_1963():
    curve = kaplan_meier(DRUG, DRUG_SEEN)
    assert curve["days"].tolist() == [6, 7, 10, 13, 16, 22, 23]
    assert curve["at_risk"].tolist() == [21, 17, 15, 12, 11, 7, 6]
    printed = [0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482]
    assert curve["survival"].to_numpy() == pytest.approx(printed, abs=5e-5)
    errors = [0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346]
    assert curve["standard_error"].to_numpy() == pytest.approx(errors, abs=5e-5)


def test_median_against_freireich_1963():
    assert median_time(DRUG, DRUG_SEEN)[0] == 23
    assert median_time(PLACEBO, np.ones(21))[0] == 8


def test_log_rank_against_freireich_1963():
    """R: survdiff gives chi-squared 16.79 on 1 degree of freedom."""
    group = np.repeat(["drug", "placebo"], 21)
    chi, freedom, p = log_rank(np.r_[DRUG, PLACEBO], np.r_[DRUG_SEEN, np.ones(21)], group)
    assert chi == pytest.approx(16.79, abs=5e-3)
    assert freedom == 1
    assert p == pytest.approx(4.17e-5, abs=5e-8)


def test_log_log_interval_against_statsmodels():
    from statsmodels.duration.survfunc import SurvfuncRight

    theirs = SurvfuncRight(DRUG, DRUG_SEEN)
    curve = kaplan_meier(DRUG, DRUG_SEEN)
    assert curve["survival"].to_numpy() == pytest.approx(theirs.surv_prob, abs=1e-12)
    assert curve["standard_error"].to_numpy() == pytest.approx(theirs.surv_prob_se, abs=1e-12)
    low, high = median_time(DRUG, DRUG_SEEN, level=0.95)[1:]
    assert low == theirs.quantile_ci(0.5, alpha=0.05, method="cloglog")[0]
    assert np.isnan(high)  # not reached; statsmodels writes infinity


def test_grouped_medians_equal_one_by_one():
    rng = np.random.default_rng(5)
    place = rng.integers(0, 60, 700)
    days = rng.integers(0, 25, 700).astype(float)
    seen = rng.random(700) < 0.7
    together = grouped_medians(place, days, seen, n_places=61, min_events=3, level=0.9)
    for k in range(61):
        here = place == k
        if seen[here].sum() < 3:
            assert np.isnan(together[k]).all()
        else:
            assert together[k] == pytest.approx(median_time(days[here], seen[here], level=0.9),
                                                nan_ok=True)


def test_censored_spells_lengthen_the_median():
    """Counting only completed spells would say 10 days."""
    days = np.array([5, 10, 15, 60, 60, 60.0])
    seen = np.array([1, 1, 1, 0, 0, 0])
    assert median_time(days, seen)[0] == 15
    assert median_time(days[:3], seen[:3])[0] == 10


def test_unusable_times_are_refused():
    with pytest.raises(TableError, match="survival times"):
        kaplan_meier(np.array([1.0, -2.0]), np.ones(2))
    with pytest.raises(SettingError, match="1 group"):
        log_rank(DRUG, DRUG_SEEN, np.zeros(21))
