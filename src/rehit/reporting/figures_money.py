"""Figures about methods and money: mix, cost over the years, break-even, budget."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from rehit.reporting.drawing import (
    FigureText,
    figure_text,
    finish,
    in_words,
    is_narrow,
    legend_below,
)
from rehit.reporting.palette import DASHES, INK, OCHRE, PAPER, SERIES, TEAL
from rehit.reporting.words import Words


def method_mix(methods: pd.Series, *, ax: Axes, words: Words, titled: bool = True) -> FigureText:
    """Draw how many incidents each method fits, most frequent on top.

    Parameters
    ----------
    methods
        Method code per incident.
    """
    counts = methods.value_counts().sort_values(kind="stable")
    rows = np.arange(len(counts))
    ax.barh(rows, counts.to_numpy(), color=TEAL, height=0.62)
    for row, count in zip(rows, counts, strict=True):
        ax.annotate(f"{words.whole(count)} ({words.share(count / len(methods))})", (count, row),
                    (4, 0), textcoords="offset points", va="center", fontsize=8.5)
    ax.set_yticks(rows, [words.code("method", m) for m in counts.index])
    ax.set(xlabel=words("fig.mix_x"), xlim=(0, counts.max() * (1.45 if is_narrow(ax) else 1.2)))
    ax.xaxis.set_major_formatter(in_words(words))
    ax.xaxis.set_major_locator(MaxNLocator(5))
    ax.grid(visible=False, axis="y")
    listed = "; ".join(f"{words.code('method', m)} {words.whole(c)}"
                       for m, c in counts.iloc[::-1].items())
    facts = {"method": words.code("method", counts.index[-1]), "list": listed,
             "share": words.share(counts.iloc[-1] / len(methods)),
             "total": words.whole(len(methods))}
    key = "mix_inspect" if counts.index[-1] == "inspect" else "mix"
    return finish(ax, figure_text(words, key, **facts), titled=titled)


def cost_over_years(cost_years: pd.DataFrame, *, ax: Axes, words: Words, currency: str,
                    allowed: dict[str, int] | None = None, titled: bool = True) -> FigureText:
    """Draw the cost so far of each strategy over the years, with its interval as a band.

    Parameters
    ----------
    cost_years
        Table ``report_cost_years``.
    currency
        Code in front of amounts.
    allowed
        At how many of the places each strategy is allowed; at all of them where not given.
    """
    strategies = list(dict.fromkeys(cost_years["strategy"]))
    n_places = int(cost_years["n_places"].iloc[0])
    barred = {s: n for s, n in (allowed or {}).items() if n < n_places}
    ends: dict[str, float] = {}
    for number, strategy in enumerate(strategies):
        line = cost_years[cost_years["strategy"] == strategy].sort_values("year")
        style = number % len(SERIES)
        ax.fill_between(line["year"], line["cost_low"], line["cost_high"], color=SERIES[style],
                        alpha=0.13, linewidth=0)
        ax.plot(line["year"], line["cost_mean"], color=SERIES[style], linestyle=DASHES[style],
                label=_way(words, strategy, barred.get(strategy)))
        ends[strategy] = float(line["cost_mean"].iloc[-1])
    ax.xaxis.set_major_formatter(in_words(words, "given"))
    ax.set(xlabel=words("fig.years_x"), ylabel=words("fig.years_y", currency=currency))
    ax.set_xlim(0, float(cost_years["year"].max()))
    ax.set_ylim(bottom=0)
    ax.yaxis.set_major_formatter(in_words(words))
    legend_below(ax, ncols=1 if is_narrow(ax) else 2)
    order = sorted(ends, key=lambda s: ends[s])
    best, other = order[0], order[min(1, len(order) - 1)]
    facts = {"best": words.code("strategy", best), "other": words.code("strategy", other),
             "best_cost": words.money(ends[best], currency),
             "other_cost": words.money(ends[other], currency),
             "years": words.number(float(cost_years["year"].max()), 2),
             "places": words.whole(n_places), "allowed": words.whole(barred.get(best, n_places)),
             "n": len(strategies), "currency": currency}
    key = "years_part" if best in barred else "years"
    return finish(ax, figure_text(words, key, **facts), titled=titled)


def _way(words: Words, strategy: str, allowed_at: int | None) -> str:
    name = words.code("strategy", strategy)
    return name if allowed_at is None else words("fig.years_allowed", way=name,
                                                 n=words.whole(allowed_at))


def breakeven_curve(rate_costs: pd.DataFrame, *, ax: Axes, words: Words, currency: str,
                    pays: bool = True, titled: bool = True) -> FigureText:
    """Draw the yearly cost of each strategy against the re-hit rate; the crossings are marked.

    Parameters
    ----------
    rate_costs
        Table ``report_rate_costs``; the first strategy is the one compared with.
    currency
        Code in front of amounts.
    pays
        Whether a coating is cheapest anywhere, so that the place drawn is like those.
    """
    strategies = list(dict.fromkeys(rate_costs["strategy"]))
    table = rate_costs.pivot_table(index="rate_per_year", columns="strategy", values="annual_cost")
    table = table.interpolate(method="index")
    rates = table.index.to_numpy(float)
    base = table[strategies[0]].to_numpy()
    crossings: dict[str, float] = {}
    for number, strategy in enumerate(strategies):
        style, cost = number % len(SERIES), table[strategy].to_numpy()
        ax.plot(rates, cost, color=SERIES[style], linestyle=DASHES[style],
                label=words.code("strategy", strategy))
        crossing = first_crossing(rates, cost - base) if number else None
        if crossing is not None:
            crossings[strategy] = crossing
            ax.plot([crossing], [np.interp(crossing, rates, base)], "o", color=SERIES[style],
                    markeredgecolor=INK, markersize=7)
    ax.xaxis.set_major_formatter(in_words(words, "given"))
    ax.set(xlabel=words("fig.rate_x"), ylabel=words("fig.rate_y", currency=currency))
    ax.set_xlim(0, float(rates.max()))
    ax.set_ylim(bottom=0)
    ax.yaxis.set_major_formatter(in_words(words))
    legend_below(ax, ncols=1 if is_narrow(ax) else 2)
    facts = {"base": words.code("strategy", strategies[0]), "currency": currency,
             "n": len(strategies), "highest": words.number(float(rates.max()), 2),
             "surface": words.number(float(rate_costs["surface_m2"].iloc[0]), 2)}
    if not crossings:
        return finish(ax, figure_text(words, "rate_none", **facts), titled=titled)
    strategy = min(crossings, key=lambda s: crossings[s])
    facts |= {"strategy": words.code("strategy", strategy),
              "rate": words.number(crossings[strategy], 2)}
    return finish(ax, figure_text(words, "rate" if pays else "rate_plain", **facts), titled=titled)


def first_crossing(x: np.ndarray, difference: np.ndarray) -> float | None:
    """Return where a difference first falls from above zero to zero or below; None if never.

    Examples
    --------
    >>> first_crossing(np.array([0.0, 1.0, 2.0]), np.array([3.0, 1.0, -1.0]))
    1.5
    """
    falls = np.flatnonzero((difference[:-1] > 0) & (difference[1:] <= 0))
    if not len(falls):
        return None
    i = int(falls[0])
    part = difference[i] / (difference[i] - difference[i + 1])
    return float(x[i] + part * (x[i + 1] - x[i]))


def budget_sweep(sweep: pd.DataFrame, *, ax: Axes, words: Words, currency: str,
                 titled: bool = True) -> FigureText:
    """Draw the yearly saving of the best programme at each budget, with its interval.

    Parameters
    ----------
    sweep
        Table ``report_budget_sweep``.
    currency
        Code in front of amounts.
    """
    line = sweep.sort_values("budget")
    budget, saving = line["budget"].to_numpy(float), line["saving_per_year"].to_numpy(float)
    if line["saving_low"].notna().any():
        ax.fill_between(budget, line["saving_low"], line["saving_high"], color=TEAL, alpha=0.15,
                        linewidth=0, label=words("fig.sweep_band"))
    ax.plot(budget, saving, color=TEAL, marker="o", markersize=4, label=words("fig.sweep_line"))
    chosen = line["chosen"].to_numpy(bool)
    pick = int(np.flatnonzero(chosen)[0]) if chosen.any() else len(line) - 1
    ax.plot([budget[pick]], [saving[pick]], "s", color=OCHRE, markeredgecolor=PAPER, markersize=9,
            label=words("fig.sweep_chosen" if chosen.any() else "fig.sweep_largest"))
    ax.set(xlabel=words("fig.sweep_x", currency=currency),
           ylabel=words("fig.sweep_y", currency=currency))
    ax.xaxis.set_major_formatter(in_words(words))
    ax.yaxis.set_major_formatter(in_words(words))
    ax.xaxis.set_major_locator(MaxNLocator(5))
    ax.set_ylim(bottom=min(0.0, float(np.nanmin(line["saving_low"].fillna(0)))))
    legend_below(ax, ncols=1 if is_narrow(ax) else 3)
    facts = {"budget": words.money(budget[pick], currency), "currency": currency,
             "saving": words.money(saving[pick], currency),
             "places": words.whole(line["n_places"].iloc[pick]), "n": len(line),
             "largest": words.money(budget[-1], currency),
             "largest_saving": words.money(saving[-1], currency)}
    return finish(ax, figure_text(words, "sweep", **facts), titled=titled)
