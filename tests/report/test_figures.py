"""Figures: finding, n and source in words, language, same bytes."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text
from report_tables import make_input

from rehit.region.areas import Funnel
from rehit.report import figures
from rehit.report.figures import FigureText, diverging, draw_picture, first_crossing
from rehit.report.measures import compare_curves
from rehit.report.say import Say

EN = Say("en")
DATA = make_input()
RISK = pd.DataFrame({
    "price_per_year": [100e3, 120e3, 140e3, 160e3], "chance_of_loss": [0.9, 0.5, 0.1, 0.0],
    "chance_margin_kept": [0.0, 0.1, 0.8, 0.99], "profit_per_year": [-9e3, 0.0, 9e3, 20e3],
    "asked": [False, False, True, False]})
DRAWINGS: dict[str, Callable[..., FigureText]] = {
    "share_curve": lambda **k: figures.share_curve(DATA.repeats, **k),
    "survival": lambda **k: figures.rehit_survival(DATA.survival, grouping="substrate", **k),
    "speed": lambda **k: figures.rehit_survival(DATA.survival, grouping="clearance_speed", **k),
    "rates": lambda **k: figures.rate_caterpillar(DATA.repeats, threshold_per_year=6, **k),
    "rings": lambda **k: figures.ring_table(DATA.rings, **k),
    "calendar": lambda **k: figures.incident_calendar(DATA.incidents, time_zone="UTC", **k),
    "check": lambda **k: figures.forecast_check(DATA.forecast_checks, **k),
    "years": lambda **k: figures.cost_over_years(DATA.cost_years, currency="EUR", **k),
    "rate": lambda **k: figures.breakeven_curve(DATA.rate_costs, currency="EUR", **k),
    "sweep": lambda **k: figures.budget_sweep(DATA.budget_sweep, currency="EUR", **k),
    "risk": lambda **k: figures.bid_risk(RISK, **k),
    "mix": lambda **k: figures.method_mix(DATA.advice["method"], **k),
}


def _axes() -> Axes:
    return Figure(figsize=(6, 4)).add_subplot()


@pytest.mark.parametrize("name", DRAWINGS)
@pytest.mark.parametrize("language", ["en", "es"])
def test_every_figure_states_finding_source_and_alternative(name: str, language: str) -> None:
    ax = _axes()
    text = DRAWINGS[name](ax=ax, say=Say(language))
    assert ax.get_title(loc="left").replace("\n", " ") == text.title
    assert text.title[0] == text.title[0].upper()
    assert ("Source: " if language == "en" else "Fuente: ") in text.note
    assert len(text.alt) > 40
    assert ax.has_data()


@pytest.mark.parametrize("name", DRAWINGS)
def test_words_do_not_depend_on_the_width(name: str) -> None:
    wide, narrow = (Figure(figsize=(w, 4)).add_subplot() for w in (7, 3.5))
    assert DRAWINGS[name](ax=wide, say=EN) == DRAWINGS[name](ax=narrow, say=EN)


@pytest.mark.parametrize("name", ["years", "rate", "sweep"])
@pytest.mark.parametrize("language", ["en", "es"])
def test_a_long_title_ends_inside_the_picture(name: str, language: str) -> None:
    """Names beside the lines' ends make the axes narrow, and the title begins where they do."""
    for width in (4.5, 8):
        with figures.house_style():
            figure = Figure(figsize=(width, 4.5), layout="constrained")
            ax = figure.add_subplot()
            DRAWINGS[name](ax=ax, say=Say(language), titled=True)
            figure.draw_without_rendering()
        title = next(text for text in ax.get_children() if isinstance(text, Text)
                     and text.get_text() == ax.get_title(loc="left"))
        assert title.get_window_extent().x1 <= figure.bbox.x1


def test_same_input_same_bytes() -> None:
    first, again = (draw_picture("x", lambda ax: DRAWINGS["years"](ax=ax, say=EN, titled=False))
                    for _ in range(2))
    assert first == again
    assert b"<dc:date>" not in first.wide


def test_share_curve_by_hand() -> None:
    """Ten places; the worst has 11 of 20 incidents."""
    table = pd.DataFrame({"place_kind": "asset", "n_incidents": [11, 1, 1, 1, 1, 1, 1, 1, 1, 1]})
    text = figures.share_curve(table, ax=_axes(), say=EN)
    assert text.title == "1 of 10 places takes half of the incidents"
    assert "takes 55% of 20 incidents" in text.alt
    assert "n = 20 incidents on 10 places" in text.note


def test_break_even_is_where_the_lines_cross() -> None:
    assert first_crossing(np.array([0.0, 2.0, 4.0]), np.array([2.0, 1.0, -1.0])) == 3.0
    assert first_crossing(np.array([0.0, 2.0]), np.array([2.0, 1.0])) is None
    table = pd.DataFrame([
        {"strategy": s, "rate_per_year": float(r), "annual_cost": base + slope * r,
         "surface_m2": 2.13}
        for s, base, slope in (("remove_each_time", 0, 50), ("permanent_coating", 120, 20))
        for r in range(11)])
    text = figures.breakeven_curve(table, ax=_axes(), say=EN, currency="EUR")
    assert text.title == ("At a place like those where coating pays (2.13\u00a0m²), permanent "
                          "coating costs less than remove each time from about 4.0 re-hits a year")
    dear = table.assign(annual_cost=lambda f: f["annual_cost"]
                        + 900 * (f["strategy"] == "permanent_coating"))
    none = figures.breakeven_curve(dear, ax=_axes(), say=EN, currency="EUR")
    assert none.title.startswith("At a place of middling size (2.13\u00a0m²) no other way")


def test_the_risk_of_a_bid_says_what_the_price_asked_risks_and_where_half_are_lost() -> None:
    text = figures.bid_risk(RISK, ax=_axes(), say=Say("en", "£"))
    assert text.title == ("At £140,000 a year the chance of a loss is 10.0%, "
                          "and that of the wanted margin 80.0%")
    assert "£120,000 a year, half of them" in text.note


def test_starts_of_forecast_periods_stand_on_the_calendar_of_the_place() -> None:
    """Midnight of 1 September in Lisbon is 23:00 of 31 August in UTC."""
    checks = pd.DataFrame({
        "period_start": pd.to_datetime(["2025-08-31 23:00"], utc=True), "days": [30.0],
        "expected": [10.0], "low": [5.0], "high": [15.0], "observed": [9.0]})
    ax = _axes()
    text = figures.forecast_check(checks, ax=ax, say=EN, time_zone="Europe/Lisbon")
    assert "Last period from 1 September 2025" in text.note
    assert [label.get_text() for label in ax.get_xticklabels()] == ["1 Sep 2025"]


def test_lengths_of_forecast_periods_that_differ_are_both_said() -> None:
    checks = DATA.forecast_checks.iloc[:2].assign(days=[30.0, 31.0])
    ax = _axes()
    figures.forecast_check(checks, ax=ax, say=EN)
    assert ax.get_xlabel() == "Start of the period (30 to 31 days each)"


def test_captions_count_what_is_drawn() -> None:
    """Four of six years are drawn; the title speaks of all six surfaces, so all are counted."""
    curve = DATA.survival[DATA.survival["group"] == "brick"]
    six = pd.concat([curve.assign(group=g, n=n) for g, n in (
        ("brick", 600), ("metal", 500), ("glass", 400), ("render", 300), ("tile", 200),
        ("stone", 100))])
    text = figures.rehit_survival(six, ax=_axes(), say=EN, grouping="substrate")
    assert text.note.startswith("n = 2,100 clearances")
    days = pd.Series(pd.to_datetime(
        ["2018-05-01"] * 9 + ["2019-05-01"] + [f"{y}-03-0{d}" for y in range(2020, 2024)
                                               for d in (1, 2)], utc=True))
    calendar = figures.incident_calendar(pd.DataFrame({"reported_at": days}), ax=_axes(), say=EN,
                                         time_zone="UTC")
    assert calendar.note.startswith("n = 8 incidents")
    assert calendar.note.endswith("Earlier and not drawn: 10.")
    assert "May 2018" not in calendar.title


def test_ring_title_claims_nothing_that_chance_explains() -> None:
    weak = DATA.rings.assign(p_upper=0.4)
    assert "No clear sign" in figures.ring_table(weak, ax=_axes(), say=EN).title
    strong = figures.ring_table(DATA.rings, ax=_axes(), say=EN)
    assert strong.title.startswith(
        "From 0\u00a0m to 100\u00a0m and 0 to 14 days apart, markings come 1.9")


def test_ring_title_names_the_ring_that_stands_not_the_first() -> None:
    rings = DATA.rings.assign(ratio=1.0, p_upper=0.5)
    rings.loc[rings.index[5], ["ratio", "p_upper"]] = [1.4, 0.0001]
    text = figures.ring_table(rings, ax=_axes(), say=EN)
    assert text.title.startswith(
        "From 100\u00a0m to 200\u00a0m and 14 to 28 days apart, markings come 1.4")
    few = rings.assign(p_upper=0.5)
    few.loc[few.index[5], "p_upper"] = 0.04  # one of sixteen: no surprise
    assert "No clear sign" in figures.ring_table(few, ax=_axes(), say=EN).title


def test_survival_title_claims_a_difference_only_where_one_stands() -> None:
    draw = figures.rehit_survival
    apart = draw(DATA.survival, ax=_axes(), say=EN, grouping="substrate")
    assert "of brick only" in apart.title
    wide = DATA.survival.assign(low=0.01, high=0.99)
    assert "no two of 3 surfaces clearly differ" in draw(
        wide, ax=_axes(), say=EN, grouping="substrate").title
    assert "not clearly differ" in draw(
        wide, ax=_axes(), say=EN, grouping="clearance_speed").title


def test_a_small_group_that_differs_is_not_passed_over() -> None:
    """Six surfaces alike and a seventh, the smallest, that stays clean far longer."""
    days = np.arange(1.0, 200.0)

    def curve(group: str, scale: float, n: int) -> pd.DataFrame:
        share = np.exp(-days / scale)
        return pd.DataFrame({"grouping": "substrate", "group": group, "days": days,
                             "unmarked": share, "low": share**1.1, "high": share**0.9, "n": n})

    alike = [curve(group, 100 + step, 900) for step, group in enumerate(
        ("brick", "metal", "glass", "render", "tile", "stone"))]
    text = figures.rehit_survival(pd.concat([*alike, curve("sign_face", 300, 100)]), ax=_axes(),
                                  say=EN, grouping="substrate")
    assert text.title.startswith("After 90 days 74% of cleaned sign face surfaces")
    assert "6 of 21 pairs differ" in text.note
    same = figures.rehit_survival(pd.concat(alike), ax=_axes(), say=EN, grouping="substrate")
    assert "no two of 6 surfaces clearly differ" in same.title


def test_pairs_are_corrected_for_how_many_there_are() -> None:
    """A gap that one test alone would call different (p 0.02) is none among 28 pairs."""
    share = {"a": 0.5, **{f"g{n}": 0.42 for n in range(6)}, "z": 0.40}
    curves = pd.DataFrame([{"group": g, "days": 90.0, "unmarked": s, "low": s - 0.06,
                            "high": s + 0.06} for g, s in share.items()])
    two = curves[curves["group"].isin(["a", "z"])]
    assert compare_curves(two, day=90, level=0.95, chance_limit=0.05).pairs == (("a", "z"),)
    every = compare_curves(curves, day=90, level=0.95, chance_limit=0.05)
    assert (every.pairs, every.tested) == ((), 28)


def test_ratios_below_and_above_one_have_colours_of_their_own() -> None:
    fewer, none, more = (diverging()(share) for share in (0.05, 0.5, 0.95))
    assert np.allclose(none[:3], 1.0, atol=0.01)
    assert fewer[2] > fewer[0]
    assert more[0] > more[2]


def test_calendar_names_a_weekday_only_when_one_stands_out() -> None:
    days = pd.date_range("2024-01-01", periods=364, freq="D", tz="UTC")
    even = pd.DataFrame({"reported_at": days})
    extra = pd.DataFrame({"reported_at": [*days, *list(days[days.day_of_week == 2]) * 3]})
    draw = figures.incident_calendar
    assert "no weekday" in draw(even, ax=_axes(), say=EN, time_zone="UTC").title
    assert "Wednesday" in draw(extra, ax=_axes(), say=EN, time_zone="UTC").title


def test_calendar_has_an_empty_strip_for_a_year_without_incidents() -> None:
    days = pd.to_datetime(["2019-05-01", "2022-03-01", "2022-03-02", "2024-03-01"], utc=True)
    ax = _axes()
    text = figures.incident_calendar(pd.DataFrame({"reported_at": days}), ax=ax, say=EN,
                                     time_zone="UTC")
    assert [label.get_text() for label in ax.get_yticklabels()] == ["2021", "2022", "2023", "2024"]
    assert text.note.startswith("n = 3 incidents")


def test_forecast_title_counts_what_fell_inside() -> None:
    checks = DATA.forecast_checks.assign(low=10.0, high=20.0, observed=[15.0] * 7 + [25.0] * 3)
    assert figures.forecast_check(checks, ax=_axes(), say=EN).title.startswith("7 of 10")


def test_the_lines_of_a_funnel_are_there_at_every_size() -> None:
    """Where chance explains all, the limits are exact, and those know whole counts only."""
    found = pd.DataFrame({"area": ["a", "b"], "part": [80.0, 81.0], "whole": [101.0, 100.0],
                          "share": [0.79, 0.81], "standing": "inside"})
    ax = _axes()
    figures.funnel(found, Funnel(0.8, 0.0).limits, ax=ax, say=EN, name="in_time")
    edges = [line.get_ydata() for line in ax.lines[:4]]
    assert all(np.isfinite(np.asarray(edge, float)).all() for edge in edges)


@pytest.mark.parametrize("width", [3.9, 8.0])
def test_long_names_of_places_leave_legend_and_axis_label_whole(width: float) -> None:
    called = {place: f"{n} Up Lantern Street ({place})"
              for n, place in enumerate(DATA.repeats["place_id"].astype(str), start=10)}
    with figures.house_style():
        figure = Figure(figsize=(width, 4.4), layout="constrained")
        ax = figure.add_subplot()
        figures.rate_caterpillar(DATA.repeats, threshold_per_year=6, ax=ax, say=EN, titled=False,
                                 names=called)
        figure.draw_without_rendering()
    for shown in (ax.get_legend(), ax.xaxis.label):
        box = shown.get_window_extent()
        assert figure.bbox.x0 <= box.x0 < box.x1 <= figure.bbox.x1
    names = [tick.get_text() for tick in ax.get_yticklabels()]
    assert all(("(" in name) == (width > 5) and "…" not in name for name in names)
