"""Figures about places: who takes how much, how soon it comes back, how sure the rates are."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from scipy import stats

from rehit.reporting.drawing import (
    FigureText,
    figure_text,
    finish,
    in_words,
    is_narrow,
    legend_below,
)
from rehit.reporting.palette import DASHES, INK, LINE, OCHRE, PAPER, QUIET, SERIES, TEAL, ramp
from rehit.reporting.words import Words

#: Years of the calendar, the latest of the log: more would not be legible.
YEARS_DRAWN = 4


def share_curve(repeats: pd.DataFrame, *, ax: Axes, words: Words, streets: bool = False,
                titled: bool = True) -> FigureText:
    """Draw how large a share of the incidents the worst places take (a Lorenz curve, worst first).

    Parameters
    ----------
    repeats
        Table ``repeats``; uses ``n_incidents``.
    ax
        Axes to draw on.
    words
        Language of the texts.
    streets
        Whether the rows are streets, not places.
    titled
        Whether finding and source line are written on the axes.

    References
    ----------
    Lorenz (1905), Methods of measuring the concentration of wealth.
    """
    counts = np.sort(repeats["n_incidents"].to_numpy(float))[::-1]
    total, n_places = counts.sum(), len(counts)
    taken = np.concatenate([[0], counts.cumsum()]) / max(total, 1)
    places = np.arange(n_places + 1) / n_places
    tenth = max(round(n_places / 10), 1)
    ax.plot(places, taken, color=TEAL, label=words("fig.share_curve_line"))
    ax.plot([0, 1], [0, 1], color=QUIET, linestyle=DASHES[2], label=words("fig.share_curve_even"))
    ax.plot([places[tenth]], [taken[tenth]], "o", color=OCHRE, markersize=7)
    ax.annotate(words("fig.share_curve_mark", share=words.share(taken[tenth]),
                      n=words.whole(tenth)),
                (places[tenth], taken[tenth]), (12, -14), textcoords="offset points", color=INK,
                bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.5})
    ax.set(xlabel=words("fig.share_curve_x"), ylabel=words("fig.share_curve_y"),
           xlim=(0, 1), ylim=(0, 1.02))
    ax.xaxis.set_major_formatter(in_words(words, "share"))
    ax.yaxis.set_major_formatter(in_words(words, "share"))
    ax.legend(loc="lower right")
    facts = {"share": words.share(taken[tenth]), "n": words.whole(tenth),
             "places": words.whole(n_places), "total": words.whole(total)}
    key = "share_curve_streets" if streets else "share_curve"
    return finish(ax, figure_text(words, key, **facts), titled=titled)


def rehit_survival(survival: pd.DataFrame, *, ax: Axes, words: Words, grouping: str,
                   titled: bool = True) -> FigureText:
    """Draw the share of cleared surfaces not yet marked again, by substrate or clearance speed.

    Parameters
    ----------
    survival
        Table ``report_survival``.
    grouping
        ``substrate`` or ``clearance_speed``.

    References
    ----------
    Kaplan and Meier (1958), JASA 53, 457–481.
    """
    chosen = survival[survival["grouping"] == grouping]
    sizes = chosen.groupby("group")["n"].max().sort_values(ascending=False, kind="stable")
    groups = list(sizes.index[:5])
    horizon = float(min(chosen[chosen["group"] == g]["days"].max() for g in groups))
    day = 90.0 if horizon >= 90 else float(np.floor(horizon))
    left: dict[str, tuple[float, float, float]] = {}
    for number, group in enumerate(groups):
        curve = chosen[chosen["group"] == group].sort_values("days")
        days = np.concatenate([[0], curve["days"].to_numpy(float)])
        share = np.concatenate([[1], curve["unmarked"].to_numpy(float)])
        label = f"{words.code(grouping, group)} (n={words.whole(sizes[group])})"
        ax.step(days, share, where="post", color=SERIES[number], linestyle=DASHES[number],
                label=label)
        left[group] = _at(curve, day)
    ax.axvline(day, color=LINE, linewidth=1.2)
    ax.set(xlabel=words("fig.survival_x"), ylabel=words("fig.survival_y"), ylim=(0, 1.02))
    ax.set_xlim(0, min(float(chosen["days"].max()), 730))
    ax.yaxis.set_major_formatter(in_words(words, "share"))
    legend_below(ax, ncols=1 if is_narrow(ax) else 3)
    best, worst = max(left, key=lambda g: left[g]), min(left, key=lambda g: left[g])
    facts = {"day": words.whole(day), "best": words.code(grouping, best),
             "worst": words.code(grouping, worst), "best_share": words.share(left[best][0]),
             "worst_share": words.share(left[worst][0]),
             "total": words.whole(sizes[groups].sum())}
    same = "_same" if left[best][1] <= left[worst][2] else ""
    key = "survival_one" if len(left) == 1 else f"survival_{grouping}{same}"
    return finish(ax, figure_text(words, key, **facts), titled=titled)


def _at(curve: pd.DataFrame, day: float) -> tuple[float, float, float]:
    """Return a curve's share at a day with its interval; all of them before the first step."""
    before = curve[curve["days"] <= day]
    if before.empty:
        return 1.0, 1.0, 1.0
    last = before.iloc[-1]
    share = float(last["unmarked"])
    low, high = (share if pd.isna(last[c]) else float(last[c]) for c in ("low", "high"))
    return share, low, high


def rate_caterpillar(repeats: pd.DataFrame, *, ax: Axes, words: Words, top: int = 20,
                     threshold_per_year: float | None = None, sure: float = 0.9,
                     titled: bool = True) -> FigureText:
    """Draw the worst places' rates with their intervals, one line per place, worst on top.

    Parameters
    ----------
    repeats
        Table ``repeats``.
    top
        Places drawn.
    threshold_per_year
        Line to compare with [incidents/year].
    sure
        Chance above which a place counts as over the threshold.
    """
    worst = repeats.sort_values(["rank_mean", "place_id"]).head(top).iloc[::-1]
    rows = np.arange(len(worst))
    over = np.asarray(worst["chance_above"] >= sure, bool)
    ax.hlines(rows, worst["rate_low"], worst["rate_high"], color=QUIET, linewidth=1.6)
    if threshold_per_year is None:
        over = np.ones(len(worst), bool)
    for flag, marker, face in ((True, "o", TEAL), (False, "D", "white")):
        if threshold_per_year is None and not flag:
            continue
        pick = over == flag
        ax.plot(worst["rate_per_year"].to_numpy()[pick], rows[pick], marker, color=TEAL,
                markerfacecolor=face, markersize=5.5, linestyle="none",
                label=words("fig.caterpillar_rate") if threshold_per_year is None else words(
                    f"fig.caterpillar_{'over' if flag else 'unsure'}", sure=words.share(sure)))
    if threshold_per_year is not None:
        ax.axvline(threshold_per_year, color=OCHRE, linestyle=DASHES[1],
                   label=words("fig.caterpillar_line", rate=words.given(threshold_per_year)))
    ax.set_yticks(rows, [short(str(p), 14 if is_narrow(ax) else 22) for p in worst["place_id"]])
    ax.xaxis.set_major_formatter(in_words(words, "given"))
    ax.set(xlabel=words("fig.caterpillar_x"), ylim=(-0.7, len(worst) - 0.3))
    ax.set_xlim(left=0)
    legend_below(ax, ncols=1 if is_narrow(ax) else 3)
    first = worst.iloc[-1]
    facts = {"n_over": int(over.sum()), "n": int(over.sum()), "top": len(worst),
             "place": str(first["place_id"]),
             "rate": words.number(first["rate_per_year"], 2),
             "low": words.number(first["rate_low"], 2), "high": words.number(first["rate_high"], 2),
             "total": words.whole(len(repeats)), "sure": words.share(sure)}
    key = "caterpillar" if threshold_per_year is None or not over.any() else "caterpillar_over"
    if key == "caterpillar_over":
        key = "caterpillar_all" if over.all() else key
        facts["threshold"] = words.given(float(threshold_per_year or 0))
    return finish(ax, figure_text(words, key, **facts), titled=titled)


def incident_calendar(incidents: pd.DataFrame, *, ax: Axes, words: Words, time_zone: str,
                      chance_limit: float = 0.05, titled: bool = True) -> FigureText:
    """Draw incidents per day reported: weeks along, weekdays down, a strip per year.

    Parameters
    ----------
    incidents
        Needs ``reported_at`` [UTC].
    time_zone
        The calendar the days are taken from.
    chance_limit
        A weekday is named only if weekdays differ by more than chance at this level (chi-square).
    """
    days = incidents["reported_at"].dt.tz_convert(time_zone).dt.tz_localize(None).dt.normalize()
    counts = days.value_counts()
    years = sorted({int(y) for y in days.dt.year})[-YEARS_DRAWN:]
    earlier = int((days.dt.year < years[0]).sum())
    days = days[days.dt.year >= years[0]]
    grid = np.full((len(years) * 8 - 1, 54), np.nan)
    span = pd.date_range(days.min(), days.max(), freq="D")
    span = span[span.year >= years[0]]
    new_year = pd.to_datetime(span.year.astype(str) + "-01-01")
    week = (span.day_of_year + new_year.day_of_week - 1) // 7
    line = np.array([years.index(y) * 8 for y in span.year]) + span.day_of_week
    grid[line, week] = counts.reindex(span, fill_value=0).to_numpy(float)
    image = ax.imshow(grid, cmap=ramp(), aspect="auto", interpolation="none", vmin=0)
    bar = ax.figure.colorbar(image, ax=ax, location="bottom", fraction=0.06, aspect=40)
    bar.set_label(words("fig.calendar_scale"))
    ax.set_yticks([i * 8 + 3 for i in range(len(years))], [str(y) for y in years])
    months = [1, 4, 7, 10] if is_narrow(ax) else list(range(1, 13))
    ax.set_xticks([(m - 1) * 30.44 / 7 + 2 for m in months],
                  [words(f"month.{m}")[:3] for m in months])
    ax.grid(visible=False)
    ax.tick_params(length=0)
    for side in ax.spines.values():
        side.set_visible(False)
    by_month = days.dt.to_period("M").value_counts().sort_index()
    by_weekday = days.dt.day_of_week.value_counts().reindex(range(7), fill_value=0)
    even = stats.chisquare(by_weekday).pvalue >= chance_limit
    top = by_month.idxmax()
    facts = {"month": words(f"month.{top.month}"), "year": top.year,
             "count": words.whole(by_month.max()),
             "weekday": words(f"weekday.{by_weekday.idxmax()}"),
             "weekday_share": words.share(by_weekday.max() / len(days)),
             "total": words.whole(len(days)),
             "left_out": words("fig.calendar_left_out", n=words.whole(earlier)) if earlier else ""}
    key = "calendar_even" if even else "calendar"
    return finish(ax, figure_text(words, key, **facts), titled=titled)


def short(text: str, length: int) -> str:
    """Shorten a name in its middle, since the ends tell names apart.

    Examples
    --------
    >>> short("site-493766-3623746", 14)
    'site-…-3623746'
    """
    if len(text) <= length:
        return text
    tail = (length - 1) * 2 // 3
    return text[:length - 1 - tail] + "…" + text[-tail:]
