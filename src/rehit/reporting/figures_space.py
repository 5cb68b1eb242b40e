"""Figures about near repeats and forecasts."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import Normalize

from rehit.reporting.compare import keep_at_fdr
from rehit.reporting.drawing import (
    FigureText,
    figure_text,
    finish,
    in_words,
    is_narrow,
    legend_below,
)
from rehit.reporting.palette import INK, OCHRE, TEAL, ink_on, ramp
from rehit.reporting.words import Words


def ring_table(rings: pd.DataFrame, *, ax: Axes, words: Words, chance_limit: float = 0.05,
               titled: bool = True) -> FigureText:
    """Draw near repeats as a table of rings by spans: how many times as many pairs as by chance.

    Parameters
    ----------
    rings
        Table ``report_rings``.
    chance_limit
        Share of false claims accepted among the cells set in bold with a star.

    References
    ----------
    Knox (1964), The detection of space-time interactions, Applied Statistics 13, 25–30.
    Benjamini and Hochberg (1995), JRSS B 57, 289–300.
    """
    known = rings[rings["ratio"].notna()].sort_values(["metres_from", "days_from"])
    known = known.assign(stands=keep_at_fdr(known["p_upper"].fillna(1).tolist(),
                                            rate=chance_limit))
    cells = known.set_index(["metres_from", "days_from"])
    table = cells["ratio"].unstack()  # noqa: PD010
    stands = cells["stands"].unstack().fillna(value=False)  # noqa: PD010
    values = table.to_numpy(float)
    top = max(float(np.nanmax(values)), 1.5)
    ax.imshow(values, cmap=ramp(), norm=Normalize(0.5, top), aspect="auto")
    for (row, column), value in np.ndenumerate(values):
        bold = bool(stands.iloc[row, column])
        ink = ink_on(ramp()(Normalize(0.5, top)(value)))
        ax.text(column, row, words.number(value, 3) + ("*" if bold else ""), ha="center",
                va="center", color=ink, fontweight="bold" if bold else "normal")
    ax.set_xticks(range(table.shape[1]), _edges(rings, "days", table.columns, words))
    ax.set_yticks(range(table.shape[0]), _edges(rings, "metres", table.index, words))
    ax.set(xlabel=words("fig.rings_x"), ylabel=words("fig.rings_y"))
    ax.grid(visible=False)
    sure = known[known["stands"] & (known["ratio"] > 1)]
    near: Any = sure.sort_values("ratio").iloc[-1] if len(sure) else known.max(numeric_only=True)
    facts = {name: words.whole(near[name])
             for name in ("metres_from", "metres_to", "days_from", "days_to")}
    facts |= {"ratio": words.number(near["ratio"], 3),
              "pairs": words.whole(rings["observed"].sum()), "limit": words.share(chance_limit)}
    key = "rings_more" if len(sure) else "rings_none"
    return finish(ax, figure_text(words, key, **facts), titled=titled)


def _edges(rings: pd.DataFrame, unit: str, starts: pd.Index, words: Words) -> list[str]:
    ends = rings.groupby(f"{unit}_from")[f"{unit}_to"].first()
    return [f"{words.whole(start)}–{words.whole(ends[start])}" for start in starts]


def forecast_check(checks: pd.DataFrame, *, ax: Axes, words: Words, time_zone: str = "UTC",
                   titled: bool = True) -> FigureText:
    """Draw what was forecast before each period, with its range, against what came.

    Parameters
    ----------
    checks
        Table ``report_forecast_checks``.
    time_zone
        The calendar that the starts are written on.
    """
    line = checks.sort_values("period_start")
    rows = np.arange(len(line))
    ax.vlines(rows, line["low"], line["high"], color=TEAL, alpha=0.35, linewidth=9,
              label=words("fig.check_range"))
    ax.plot(rows, line["expected"], "_", color=TEAL, markersize=14, markeredgewidth=2.2,
            label=words("fig.check_expected"))
    ax.plot(rows, line["observed"], "D", color=OCHRE, markeredgecolor=INK, markersize=6,
            label=words("fig.check_observed"))
    step = max(1, int(np.ceil(len(line) / (3 if is_narrow(ax) else 7))))
    starts = [start.date() for start in line["period_start"].dt.tz_convert(time_zone)]
    ax.set_xticks(rows[::step], [
        f"{day.day} {words(f'month.{day.month}')[:3]} {day.year}" for day in starts[::step]],
        fontsize=8)
    shortest, longest = (words.whole(line["days"].agg(end)) for end in ("min", "max"))
    days = shortest if shortest == longest else words.span(shortest, longest)
    ax.set(xlabel=words("fig.check_x", days=days),
           ylabel=words("fig.check_y"))
    ax.set_ylim(0, float(line[["high", "observed"]].max().max()) * 1.08)
    ax.yaxis.set_major_formatter(in_words(words))
    legend_below(ax, ncols=1 if is_narrow(ax) else 3)
    inside = int(((line["observed"] >= line["low"]) & (line["observed"] <= line["high"])).sum())
    facts = {"inside": inside, "n": len(line), "last": words.day(starts[-1]),
             "expected": words.number(line["expected"].iloc[-1], 2),
             "observed": words.whole(line["observed"].iloc[-1])}
    return finish(ax, figure_text(words, "check", **facts), titled=titled)
