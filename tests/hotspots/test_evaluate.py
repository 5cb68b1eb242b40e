"""Verdicts: planted effects found, none invented, and can't tell when it can't."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from rehit.errors import SettingError, TableError
from rehit.hotspots.evaluate import (
    Difference,
    Estimates,
    Panel,
    Verdict,
    around,
    build_panel,
    effect_by_places,
    effect_by_steps,
    evaluate_measure,
    least_seen,
    match_comparison,
    read_estimates,
)
from rehit.observed import Window
from rehit.parameters import load_parameters
from rehit.report.figures import rate_steps
from rehit.report.say import Say
from rehit.tables import check

START = pd.Timestamp("2022-01-01", tz="UTC")
DAYS, BEGUN = 1000, 500
END = START + pd.Timedelta(days=DAYS)
SINCE = START + pd.Timedelta(days=BEGUN)
ESTIMATES = Estimates(ratio=1.0, low=0.9, high=1.1, counted=1.0, level=0.99, before_after_p=1.0,
                      difference=Difference(0.0, 1.0), quotient=float("nan"), trend=None,
                      usual=None)


def log(before: dict[str, float], after: dict[str, float], *, seed: int,
        x: dict[str, float] | None = None) -> gpd.GeoDataFrame:
    """Poisson incidents at places with yearly rates before and after, cleared in a day."""
    rng = np.random.default_rng(seed)
    rows = []
    for place, rate in before.items():
        for low, per_year in ((0, rate), (BEGUN, after[place])):
            for _ in range(rng.poisson(per_year * BEGUN / 365.25)):
                rows.append((place, low + rng.uniform(0, BEGUN)))
    place, day = [r[0] for r in rows], np.array([r[1] for r in rows])
    reported = pd.Series(START + pd.to_timedelta(day, unit="D"))
    where = [0.0 if x is None else x[p] for p in place]
    return gpd.GeoDataFrame({
        "incident_id": [f"I{k}" for k in range(len(rows))], "place_id": place,
        "place_kind": "asset", "reported_at": reported,
        "cleared_at": reported + pd.Timedelta(hours=6), "status": "cleared"},
        geometry=gpd.points_from_xy(where, np.zeros(len(rows))), crs="EPSG:32625")


def groups(n: int, rate: float, change: float, common: float = 1.0) -> tuple[dict, dict]:
    before = {f"{g}{k}": rate for g in "TC" for k in range(n)}
    after = {p: r * common * (change if p[0] == "T" else 1) for p, r in before.items()}
    return before, after


def judged(table: gpd.GeoDataFrame, n: int, **options):
    given = {"treated_ids": [f"T{k}" for k in range(n)],
             "comparison_ids": [f"C{k}" for k in range(n)], "started_at": SINCE,
             "window": Window(START, END)} | options
    return evaluate_measure(table, **given)


def test_a_measure_that_halves_the_rate_worked():
    seen = judged(log(*groups(30, 6.0, 0.5), seed=1), 30)
    assert seen.verdict == "fewer"
    assert seen.low < 0.5 < seen.high < 1
    assert [each.code for each in seen.reasons] == ["evaluate.below"]
    assert seen.difference.value < 0


def test_a_measure_that_doubles_the_rate_made_it_worse():
    seen = judged(log(*groups(30, 4.0, 2.0), seed=2), 30)
    assert seen.verdict == "more"
    assert 1 < seen.low < 2.0 < seen.high


def test_a_fall_everywhere_is_not_credited_to_the_measure():
    seen = judged(log(*groups(30, 6.0, 1.0, common=0.5), seed=3), 30)
    assert seen.before_after_p < 0.001  # before and after alone would have claimed success
    assert seen.verdict == "cannot_tell"
    assert seen.low < 1 < seen.high


def test_without_comparison_places_nobody_can_tell():
    seen = judged(log(*groups(30, 6.0, 0.3), seed=4), 30, comparison_ids=[])
    assert seen.verdict == "cannot_tell"
    assert seen.reasons[0].code == "evaluate.no_comparison"
    assert np.isnan(seen.rate_ratio)


def test_few_incidents_are_not_enough():
    seen = judged(log(*groups(4, 1.0, 0.1), seed=5), 4)
    assert seen.verdict == "cannot_tell"
    assert any(r.code == "evaluate.few_treated" and r.facts["least"] == 10 for r in seen.reasons)


def test_a_measure_begun_last_month_cannot_be_judged():
    seen = judged(log(*groups(30, 6.0, 0.2), seed=6), 30,
                  started_at=END - pd.Timedelta(days=30))
    assert seen.verdict == "cannot_tell"
    assert any(r.code == "evaluate.short_after" for r in seen.reasons)


def test_one_day_is_one_day() -> None:
    rates = dict.fromkeys("abcdef", 20.0)
    found = evaluate_measure(
        log(rates, rates, seed=4), treated_ids=list("abc"), comparison_ids=list("def"),
        started_at=END - pd.Timedelta(days=1), window=Window(START, END))
    assert "Only 1 day after the measure was observed (at least 56 are needed)." in Say("en").all(
        found.reasons)


def test_groups_moving_apart_before_the_measure_forbid_a_verdict():
    table = log(*groups(30, 8.0, 0.4), seed=7)
    early = (table["place_id"].str[0] == "T") & (table["reported_at"] < SINCE)
    day = (table["reported_at"] - START) / pd.Timedelta(days=1)
    late = pd.Series(START + pd.to_timedelta(500 * np.sqrt(day / 500), unit="D"))
    for column in ("reported_at", "cleared_at"):
        table[column] = table[column].mask(early, late)
    seen = judged(table, 30)
    assert seen.verdict == "cannot_tell"
    assert seen.reasons[0].code == "evaluate.rising"


def test_one_wall_that_was_hit_all_the_time_can_be_judged_by_one_like_it():
    seen = judged(log(*groups(1, 40.0, 0.15), seed=8), 1)
    assert seen.verdict == "fewer"
    assert seen.low < 0.15 < seen.high


def test_places_never_hit_after_count_as_none():
    before, after = groups(20, 5.0, 0.0)
    seen = judged(log(before, after, seed=9), 20)
    assert seen.verdict == "fewer"
    assert seen.rate_ratio == 0
    assert seen.high < 0.2
    assert seen.counts.set_index("group").loc["treated", "n_places"] == 20


def test_poisson_effect_equals_the_ratio_of_rate_ratios():
    """The two-by-two model is saturated, so its estimate is plain arithmetic."""
    table = log(*groups(12, 5.0, 0.7), seed=10)
    panel = build_panel(table, treated_ids=[f"T{k}" for k in range(12)],
                        comparison_ids=[f"C{k}" for k in range(12)], started_at=SINCE,
                        window=Window(START, END), settle_days=0.0,
                        parameters=load_parameters())
    rates = {g: np.divide(panel.clean_counts(g), panel.years(g)) for g in ("treated",
                                                                         "comparison")}
    by_hand = (rates["treated"][1] / rates["treated"][0]) / (
        rates["comparison"][1] / rates["comparison"][0])
    assert effect_by_places(panel, negative_binomial=False).ratio == pytest.approx(by_hand)
    assert effect_by_places(panel, negative_binomial=True).ratio == pytest.approx(by_hand, rel=0.01)


def test_intervals_rest_on_the_places_less_the_two_groups():
    """24 places in two groups leave 22 degrees of freedom: tables of t print 2.0739 at 95 %."""
    table = log(*groups(12, 5.0, 0.7), seed=10)
    panel = build_panel(table, treated_ids=[f"T{k}" for k in range(12)],
                        comparison_ids=[f"C{k}" for k in range(12)], started_at=SINCE,
                        window=Window(START, END), settle_days=0.0,
                        parameters=load_parameters())
    found = effect_by_places(panel, negative_binomial=False)
    low, high = found.interval(level=0.95)
    reach = [np.log(found.ratio / low), np.log(high / found.ratio)]
    assert reach / np.float64(found.standard_error) == pytest.approx([2.0739] * 2, abs=5e-5)


def test_comparison_places_count_in_proportion_where_there_are_more_of_them():
    """Twice as many comparison places: each of their incidents weighs half a treated one."""
    before = {f"{g}{k}": 6.0 for g, n in (("T", 6), ("C", 12)) for k in range(n)}
    after = {place: rate * (0.5 if place[0] == "T" else 1.5) for place, rate in before.items()}
    seen = judged(log(before, after, seed=13), 6, comparison_ids=[f"C{k}" for k in range(12)])
    counts = seen.counts.set_index("group")
    change = counts["n_after"] - counts["n_before"]
    assert change["comparison"] > 0
    assert seen.difference.value == pytest.approx(change["treated"] - change["comparison"] / 2)


def test_clustered_error_against_the_sandwich_written_out():
    """Delta of log rates: each place's residual over its group's expected count, summed squares."""
    table = log(*groups(12, 5.0, 0.7), seed=11)
    panel = build_panel(table, treated_ids=[f"T{k}" for k in range(12)],
                        comparison_ids=[f"C{k}" for k in range(12)], started_at=SINCE,
                        window=Window(START, END), settle_days=0.0,
                        parameters=load_parameters())
    total = 0.0
    for group, part in panel.places.groupby("group"):
        influence = np.zeros(len(part))
        for when, sign in (("before", -1), ("after", 1)):
            n, years = part[f"clean_{when}"].to_numpy(), part[f"years_{when}"].to_numpy()
            influence += sign * (n - years * n.sum() / years.sum()) / n.sum()
        total += (influence**2).sum()
        assert group in ("treated", "comparison")
    # statsmodels' few-cluster correction: G/(G-1) * (N-1)/(N-k), 24 places, 48 rows, 4 columns
    corrected = np.sqrt(total * 24 / 23 * 47 / 44)
    found = effect_by_places(panel, negative_binomial=False).standard_error
    assert found == pytest.approx(corrected, rel=1e-6)


def test_no_effect_is_hardly_ever_reported_where_none_is():
    """40 small towns, places differing greatly; 1 in 100 misjudged is the promise."""
    rng = np.random.default_rng(12)
    wrong = 0
    for seed in range(40):
        before = {f"{g}{k}": rng.gamma(0.8, 5.0) for g in "TC" for k in range(15)}
        seen = judged(log(before, before, seed=1000 + seed), 15)
        wrong += seen.verdict != "cannot_tell"
    assert wrong <= 3


def test_falling_back_after_a_bad_spell_is_no_success():
    """Nothing changes; the worst 20 of 300 places by luck of the year before are treated."""
    rng = np.random.default_rng(21)
    claimed = naive = 0
    for seed in range(15):
        rates = {f"P{k}": rng.gamma(5.0, 0.5) for k in range(300)}
        table = log(rates, rates, seed=2000 + seed)
        before = table.loc[table["reported_at"] < SINCE, "place_id"].value_counts()
        treated = before.index[:20].tolist()
        others = [p for p in rates if p not in set(treated)][:60]
        seen = judged(table, 20, treated_ids=treated, comparison_ids=others)
        naive += seen.effects.loc[seen.effects["decides"], "high"].max() < 1
        claimed += seen.verdict != "cannot_tell"
    assert naive >= 5  # difference-in-differences alone would have claimed success
    assert claimed <= 1


def worst_treated(*, effect: float, seed: int) -> tuple[gpd.GeoDataFrame, list[str], list[str]]:
    """A town whose 30 worst places before are treated; all others are free for comparison."""
    rng = np.random.default_rng(seed)
    rates = {f"P{k}": rng.gamma(1.5, 4.5) for k in range(300)}
    draft = log(rates, rates, seed=seed)
    worst = draft.loc[draft["reported_at"] < SINCE, "place_id"].value_counts().index[:30].tolist()
    after = {p: r * (effect if p in set(worst) else 1.0) for p, r in rates.items()}
    late = log(rates, after, seed=seed + 1)
    table = pd.concat([draft[draft["reported_at"] < SINCE], late[late["reported_at"] >= SINCE]],
                      ignore_index=True)
    return table, worst, [p for p in rates if p not in set(worst)]


def test_the_effect_at_places_picked_for_being_worst_is_not_flattered():
    """Random comparison places: the counts say 0.6 x luck, the estimate 0.6 (mean of 8 towns)."""
    counted, found = [], []
    for seed in range(3000, 3016, 2):
        table, worst, others = worst_treated(effect=0.6, seed=seed)
        seen = judged(table, 30, treated_ids=worst, comparison_ids=others[:60])
        counted.append(seen.rate_ratio * seen.return_ratio)
        found.append(seen.rate_ratio)
    # Standard error of the mean over 8 towns: some 0.025 by the counts alone.
    assert np.mean(counted) < 0.56
    assert np.mean(found) == pytest.approx(0.6, abs=0.06)


def test_matched_places_were_hit_as_often_and_fall_back_alike():
    table, worst, _ = worst_treated(effect=1.0, seed=3100)
    chosen = match_comparison(table, treated_ids=worst, started_at=SINCE,
                              window=Window(START, END), apart_from=["P1"],
                              parameters=load_parameters())
    assert len(chosen) == len(set(chosen)) == 60
    assert not set(chosen) & {*worst, "P1"}
    before = table.loc[table["reported_at"] < SINCE, "place_id"].value_counts()
    rest = before.drop(worst).drop("P1", errors="ignore")
    # The 30 worst are gone, so the 60 next-worst are the nearest there are.
    assert before[chosen].sum() == rest.nlargest(60).sum()


def test_the_power_sentence_says_what_an_interval_of_that_width_can_see():
    """Interval 0.5 to 2 at 95 %: error 0.3537; seen with chance 0.8 is exp(-(1.96 + 0.8416) se)."""
    found = replace(ESTIMATES, low=0.5, high=2.0, level=0.95)
    error = np.log(2) / 1.959964
    assert least_seen(found) == pytest.approx(np.exp(-(1.959964 + 0.841621) * error), rel=1e-6)
    assert np.isnan(least_seen(replace(found, high=np.inf)))
    said = " ".join(Say("en").all(judged(log(*groups(30, 6.0, 0.5), seed=1), 30).reading))
    assert "with 30 treated places and 16 months after, a fall of less than" in said


def test_places_missing_from_the_log_are_pointed_out():
    seen = judged(log(*groups(10, 6.0, 1.0), seed=22), 10,
                  treated_ids=[*(f"T{k}" for k in range(10)), "T-typo"])
    assert any("1 of the treated places does not appear" in s for s in Say("en").all(seen.reading))


def test_the_plot_shows_both_groups_and_the_start():
    from matplotlib.figure import Figure

    steps = judged(log(*groups(30, 6.0, 0.5), seed=23), 30).steps
    axes = rate_steps(steps, ax=Figure().add_subplot(), say=Say("en"))
    assert axes.get_legend_handles_labels()[1] == ["with the measure", "comparison"]
    assert [t.get_text() for t in axes.texts] == ["measure begins"]
    assert len(rate_steps(steps.iloc[:0], ax=Figure().add_subplot(), say=Say("es")).lines) == 0


def test_demo_coating_effect_lies_inside_its_interval(town_of):
    town, placed = town_of(seed=5)
    plan = town.measures[town.measures["measure"] == "coating"]
    seen = evaluate_measure(
        placed, treated_ids=plan.loc[plan["role"] == "treated", "asset_id"],
        comparison_ids=plan.loc[plan["role"] == "comparison", "asset_id"],
        started_at=plan["started_at"].iloc[0],
        window=Window(town.settings.start, town.settings.end))
    assert seen.low <= town.settings.coating_effect <= seen.high
    assert seen.verdict == "fewer"


@pytest.mark.parametrize("seed", range(4))
def test_demo_town_without_effect_reports_none(town_of, seed):
    """Part of the study of 100 towns in tests/benchmarks/evaluate_towns.py."""
    town, placed = town_of(seed=seed, n_assets=500, n_coated=25, n_lit=25, coating_effect=1.0)
    for measure in ("coating", "lighting"):
        plan = town.measures[town.measures["measure"] == measure]
        seen = evaluate_measure(
            placed, treated_ids=plan.loc[plan["role"] == "treated", "asset_id"],
            comparison_ids=plan.loc[plan["role"] == "comparison", "asset_id"],
            started_at=plan["started_at"].iloc[0],
            window=Window(town.settings.start, town.settings.end))
        assert seen.verdict == "cannot_tell"


def test_markings_that_move_next_door_are_seen():
    before = {f"{g}{k}": 30.0 for g in "TCDE" for k in range(20)}
    after = {p: r * {"T": 0.4, "C": 1, "D": 1.6, "E": 1}[p[0]] for p, r in before.items()}
    x = {p: 1000.0 * int(p[1:]) + {"T": 0, "D": 20, "C": 500, "E": 520}[p[0]] for p in before}
    table = log(before, after, seed=13, x=x)
    seen = judged(table, 20, displaced_within_m=50)
    counts = seen.counts.set_index("group")["n_places"]
    assert counts.to_dict() == dict.fromkeys(
        ("treated", "comparison", "displaced", "displaced_comparison"), 20)
    assert seen.quotient == pytest.approx(-1, abs=0.35)
    assert any("displacement quotient" in s for s in Say("en").all(seen.reading))


def test_surroundings_leave_out_named_places():
    before = {"T0": 9.0, "C0": 9.0, "D0": 9.0}
    table = log(before, before, seed=14, x={"T0": 0.0, "C0": 10.0, "D0": 20.0})
    assert around(table, ["T0"], within_m=50, apart_from=["C0"]) == ["D0"]
    assert around(table, ["nowhere"], within_m=50, apart_from=[]) == []


def test_steps_give_a_plot_of_the_trend_before():
    seen = judged(log(*groups(30, 6.0, 0.5), seed=15), 30)
    steps = seen.steps
    check(steps, "measure_steps", where="test")
    assert set(steps["group"]) == {"treated", "comparison"}
    assert ((steps["rate_low"] <= steps["rate_per_year"])
            & (steps["rate_per_year"] <= steps["rate_high"])).all()
    assert (steps.loc[~steps["after"], "step_to"] <= SINCE).all()
    assert (steps.loc[steps["after"], "step_from"] >= SINCE).all()
    assert 5.0 < steps.loc[~steps["after"], "rate_per_year"].mean() < 7.0


def test_a_step_without_an_incident_has_the_exact_interval_of_none():
    """Garwood 1936: of no count 0 to minus the logarithm of half of what the level leaves."""
    steps = judged(log(*groups(4, 0.7, 1.0), seed=15), 4).steps
    none = steps[steps["n"] == 0]
    assert len(none) >= 3
    assert (none["rate_low"] == 0).all()
    level = load_parameters()["hotspots.verdict_level"]
    assert (none["rate_high"] * none["years"]).to_numpy() == pytest.approx(
        -np.log((1 - level) / 2), rel=1e-9)


def test_settling_days_are_left_out():
    table = log(*groups(30, 6.0, 0.5), seed=16)
    seen = judged(table, 30, settle_days=100)
    after = seen.counts.set_index("group").loc["treated", "years_after"]
    assert after == pytest.approx(30 * 400 / 365.25, rel=0.01)


@pytest.mark.parametrize(("options", "words"), [
    ({"treated_ids": []}, "no treated place"),
    ({"comparison_ids": ["T1"]}, "two groups"),
    ({"started_at": END}, "started_at"),
    ({"started_at": START}, "started_at"),
    ({"settle_days": 500.0}, "settling"),
    ({"started_at": SINCE.tz_localize(None)}, "started_at"),
    ({"settle_days": 600.0}, "settling"),
])
def test_plans_that_make_no_sense_are_refused(options, words):
    with pytest.raises(SettingError, match=words):
        judged(log(*groups(3, 3.0, 1.0), seed=17), 3, **options)


def test_degrees_are_refused():
    with pytest.raises(TableError, match="projected"):
        judged(log(*groups(3, 3.0, 1.0), seed=18).to_crs(4326), 3)


def stepped(treated: list[int], comparison: list[int], years: dict[str, tuple]) -> pd.DataFrame:
    """Steps of 28 days, half of them before: counts, and years at risk before and after."""
    half = len(treated) // 2
    return pd.DataFrame([
        (group, 28.0 * k, 28.0 * k + 28, k >= half, n, years[group][int(k >= half)])
        for group, counts in (("treated", treated), ("comparison", comparison))
        for k, n in enumerate(counts)],
        columns=["group", "from_day", "to_day", "after", "n", "years"])


def test_counts_in_proportion_to_time_at_risk_are_no_effect():
    """Treated places wait twice as long afterwards: half the time, half the incidents, ratio 1."""
    years = {"treated": (10.0, 5.0), "comparison": (10.0, 10.0)}
    steps = stepped([58, 62, 60, 61, 59, 29, 31, 30, 31, 29], [60] * 10, years)
    assert effect_by_steps(steps).ratio == pytest.approx(1.0, abs=1e-6)
    places = pd.DataFrame({
        "place_id": list("abcd"), "group": ["treated"] * 2 + ["comparison"] * 2,
        "clean_before": [30, 31, 30, 31], "clean_after": [15, 16, 30, 32],
        "years_before": [5.0] * 4, "years_after": [2.5, 2.5, 5, 5]})
    found = effect_by_places(Panel(places, steps, 140.0, 140.0), negative_binomial=False)
    assert found.ratio == pytest.approx((31 / 5 / (61 / 10)) / (62 / 10 / (61 / 10)), rel=1e-6)


def test_steps_that_scatter_widen_the_error_as_mccullagh_and_nelder_say():
    """Section 4.5: the binomial error grows by the root of Pearson's chi-squared over its freedom.

    Both written out: treated parts of 20/80 and 100/160 by turns; a group's part is its sums'.
    """
    years = {"treated": (10.0, 10.0), "comparison": (10.0, 10.0)}
    steps = stepped([20, 100] * 5, [60] * 10, years)
    n, treated = np.array([80, 160] * 5), np.array([20, 100] * 5)
    part = np.repeat([treated[:5].sum() / n[:5].sum(), treated[5:].sum() / n[5:].sum()], 5)
    chi_squared = ((treated - n * part) ** 2 / (n * part * (1 - part))).sum()
    binomial = sum(1 / (n * part * (1 - part))[half].sum() for half in (slice(5), slice(5, 10)))
    assert chi_squared / 8 > 5
    assert effect_by_steps(steps).standard_error == pytest.approx(
        np.sqrt(binomial * chi_squared / 8), rel=1e-5)


@pytest.mark.parametrize(("quotient", "moved"), [(0.3, "gained"), (-0.4, "moved_some"),
                                                 (-1.0, "moved_most"), (-1.6, "moved_most")])
def test_the_displacement_quotient_is_read_as_bowers_and_johnson_do(quotient, moved):
    """Above 0 the gain spread; between 0 and -1 some moved; at -1 and below all that was gained."""
    places = pd.DataFrame({"place_id": ["T", "C"], "group": ["treated", "comparison"],
                           **dict.fromkeys(("n_before", "n_after", "clean_before", "clean_after",
                                            "years_before", "years_after"), 4)})
    panel = Panel(places, pd.DataFrame(), 365.0, 365.0)
    codes = {verdict: [said.code for said in read_estimates(
        panel, replace(ESTIMATES, quotient=quotient), verdict)] for verdict in Verdict}
    assert f"evaluate.{moved}" in codes[Verdict.FEWER]
    assert f"evaluate.{moved}" not in codes[Verdict.MORE] + codes[Verdict.CANNOT_TELL]
