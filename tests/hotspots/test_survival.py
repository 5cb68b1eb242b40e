"""Time to re-hit against the textbook leukaemia trial, and one-pass medians against one by one."""

from __future__ import annotations

import numpy as np
import pytest

from rehit.errors import SettingError, TableError
from rehit.hotspots.survival import (
    grouped_medians,
    kaplan_meier,
    log_rank,
    median_time,
    place_variance,
)

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


def spells_of_walls(rng: np.random.Generator, *, walls: int = 80) -> tuple[np.ndarray, ...]:
    """Wall, days and end of the spells of walls of unlike rates watched for three years."""
    rates = rng.gamma(0.7, 3.0 / 0.7, walls)
    rows = []
    for wall, rate in enumerate(rates):
        left = 1096.0
        while left > 0:
            gap = rng.exponential(365.25 / rate)
            rows.append((wall, min(gap, left), gap < left))
            left -= gap
    wall, days, seen = zip(*rows, strict=True)
    return np.array(wall), np.array(days), np.array(seen)


def test_place_variance_sums_what_each_place_adds():
    rng = np.random.default_rng(3)
    place, days = rng.integers(0, 9, 60), np.ceil(rng.exponential(10, 60))
    event = rng.uniform(size=60) < 0.7
    wanted, added = [], np.zeros(60)
    at = np.unique(days)
    for moment in at[:-1]:
        here, risk = (days == moment) & event, days >= moment
        added = added + (here - risk * here.sum() / risk.sum()) / (risk.sum() - here.sum())
        wanted.append((np.bincount(place, added) ** 2).sum() * 9 / 8)
    assert place_variance(place, days, event)[:-1] == pytest.approx(wanted)


def test_the_interval_of_the_median_holds_where_walls_differ():
    """90 % intervals over 100 towns; the error of a share of 0.9 is 0.03, of a half 0.05."""
    rng = np.random.default_rng(6)
    found = []
    for _ in range(100):
        place, days, seen = spells_of_walls(rng)
        found.append([*median_time(days, seen, place=place), *median_time(days, seen)[1:]])
    middle, low, high, low_alone, high_alone = np.array(found).T
    truth = np.median(middle)
    assert 0.8 <= ((low <= truth) & (truth <= high)).mean() <= 0.98
    assert ((low_alone <= truth) & (truth <= high_alone)).mean() < 0.7


def test_kinds_of_wall_are_not_called_different_for_holding_different_walls():
    """Kinds given to walls at random: the test by place errs about as often as it says."""
    rng = np.random.default_rng(7)
    by_place, by_spell = [], []
    for _ in range(150):
        place, days, seen = spells_of_walls(rng)
        kind = rng.integers(0, 3, place.max() + 1)[place]
        by_place.append(log_rank(days, seen, kind, place=place)[2])
        by_spell.append(log_rank(days, seen, kind)[2])
    assert np.mean(np.array(by_place) < 0.05) <= 0.12
    assert np.mean(np.array(by_spell) < 0.05) > 0.4


def test_a_true_difference_between_kinds_of_wall_is_still_seen():
    place, days, seen = spells_of_walls(np.random.default_rng(8), walls=200)
    kind = place % 2
    assert log_rank(np.where(kind == 1, days / 3, days), seen, kind, place=place)[2] < 0.001
