"""How figures are drawn: one look, the same bytes every time, a text for those who cannot see."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, cast

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap, Normalize, to_rgb
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator
from matplotlib.transforms import blended_transform_factory
from scipy import stats

from rehit.files.safe_text import neutralise_table
from rehit.messages import message
from rehit.observed import STRETCHES, places_for_half, ranked_places
from rehit.report.document import Picture
from rehit.report.measures import compare_curves, keep_at_fdr
from rehit.report.say import Say

# Colours of our own choosing, told apart by colour-blind readers, never the sole carrier.
#
# A test simulates the three kinds of colour blindness and holds the distances.

INK = "#1c2b36"
QUIET = "#5a6772"
LINE = "#c9d0d4"
PAPER = "#ffffff"
TEAL = "#0b6b67"
OCHRE = "#b86a00"
PLUM = "#6b3a78"
SKY = "#5aa9d6"
RUST = "#9c2f1f"
SAND = "#d8c48a"

#: In the order in which series take them; each also gets its own line style.
SERIES = (TEAL, OCHRE, PLUM, SKY, RUST, SAND, INK)
DASHES = ("-", (0, (5, 2)), (0, (1, 1.4)), (0, (7, 2, 1.5, 2)), (0, (3, 1.5)),
          (0, (9, 1.5, 1, 1.5, 1, 1.5)), (0, (1, 3)))

_RAMP_LIGHT = (0.96, 0.02, 95.0)
_RAMP_DARK = (0.36, 0.10, 195.0)


def ramp_colours(steps: int) -> list[str]:
    """Return `steps` colours from light sand to dark teal, evenly spaced in perceived lightness.

    Lightness, chroma and hue go in straight lines in Oklab's polar form.

    References
    ----------
    Ottosson (2020), A perceptual color space for image processing (Oklab), whose matrices these
    are.
    """
    share = np.linspace(0.0, 1.0, steps)[:, None]
    points = np.array(_RAMP_LIGHT) * (1 - share) + np.array(_RAMP_DARK) * share
    light, chroma, hue = points[:, 0], points[:, 1], np.radians(points[:, 2])
    rgb = _oklab_to_srgb(np.column_stack([light, chroma * np.cos(hue), chroma * np.sin(hue)]))
    return ["#" + "".join(f"{round(float(v) * 255):02x}" for v in row) for row in rgb]


def ink_on(colour: tuple[float, float, float, float]) -> str:
    """Return the dark or the white ink, whichever stands out more from a background.

    References
    ----------
    W3C, Web Content Accessibility Guidelines 2.2, relative luminance and contrast ratio.

    Examples
    --------
    >>> ink_on((1.0, 1.0, 1.0, 1.0)) == INK, ink_on((0.0, 0.2, 0.2, 1.0)) == PAPER
    (True, True)
    """
    def luminance(rgb: tuple[float, ...]) -> float:
        v = np.array(rgb[:3])
        linear = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    back, dark = luminance(colour), luminance(to_rgb(INK))
    return INK if (back + 0.05) / (dark + 0.05) >= 1.05 / (back + 0.05) else PAPER


def ramp() -> LinearSegmentedColormap:
    """Return the ramp as a matplotlib colour map."""
    return LinearSegmentedColormap.from_list("rehit_ramp", ramp_colours(33))


def diverging() -> LinearSegmentedColormap:
    """Return a colour map for ratios: teal for fewer, white for as many, ochre for more."""
    return LinearSegmentedColormap.from_list("rehit_ratio", [TEAL, "#8fb5b2", PAPER, "#e0b878",
                                                             OCHRE])


def _oklab_to_srgb(lab: np.ndarray) -> np.ndarray:
    to_lms = np.array([[1.0, 0.3963377774, 0.2158037573],
                       [1.0, -0.1055613458, -0.0638541728],
                       [1.0, -0.0894841775, -1.2914855480]])
    to_rgb = np.array([[4.0767416621, -3.3077115913, 0.2309699292],
                       [-1.2684380046, 2.6097574011, -0.3413193965],
                       [-0.0041960863, -0.7034186147, 1.7076147010]])
    linear = np.clip((lab @ to_lms.T) ** 3 @ to_rgb.T, 0.0, 1.0)
    found: np.ndarray = (
        np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055))
    return found


WIDE = (7.0, 3.9)
NARROW = (3.5, 3.3)
#: Distance of the legend below the axes, past ticks and label [font sizes].
_BELOW_LABEL = 4.4
_STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans", "font.size": 9.5, "text.color": INK, "axes.labelcolor": INK,
    "axes.edgecolor": QUIET, "axes.spines.top": False, "axes.spines.right": False,
    "xtick.color": INK, "ytick.color": INK, "axes.grid": True, "grid.color": LINE,
    "grid.linewidth": 0.6, "axes.axisbelow": True, "figure.facecolor": PAPER,
    "axes.facecolor": PAPER, "legend.frameon": False, "svg.hashsalt": "rehit",
    "svg.fonttype": "path", "lines.linewidth": 1.8, "hatch.linewidth": 0.7,
}


@dataclass(frozen=True)
class FigureText:
    """What a figure says in words: its finding, its source line, its alternative text."""

    title: str
    note: str
    alt: str


def figure_text(say: Say, key: str, **facts: object) -> FigureText:
    """Take a figure's three texts from the catalogue, the facts filled in."""
    title, note, alt = (say(f"fig.{key}_{part}", **facts) for part in ("title", "note", "alt"))
    return FigureText(title[:1].upper() + title[1:], note, alt)


@contextmanager
def house_style() -> Iterator[None]:
    """Draw in the report's look inside the block; settings outside are left alone."""
    with mpl.rc_context(cast(Any, _STYLE)):
        yield


def legend_below(ax: Axes, *, ncols: int) -> None:
    """Put the legend under the axis label, where it cannot hide a line, from the picture's left."""
    handles, labels = ax.get_legend_handles_labels()
    if is_narrow(ax):
        labels = [textwrap.fill(label, 34) for label in labels]
    ax.legend(handles, labels, loc="upper left", ncols=ncols, fontsize=8.5, handlelength=3,
              bbox_to_anchor=(0.0, 0.0), borderaxespad=_BELOW_LABEL,
              bbox_transform=blended_transform_factory(
                  cast(Figure, ax.figure).transFigure, ax.transAxes))


def label_ends(ax: Axes, ends: Sequence[tuple[float, str, str]]) -> None:
    """Write each line's name beside its end, apart from one another; on a phone in a legend.

    Parameters
    ----------
    ends
        Height of the end [data], name and colour of each line.
    """
    if is_narrow(ax):
        legend_below(ax, ncols=1)
        return
    low, high = ax.get_ylim()
    at, gap = -np.inf, 0.065 * (high - low)
    for height, name, colour in sorted(ends):
        at = max(at + gap, height)
        ax.annotate(name, (1.0, at), (6, 0), xycoords=("axes fraction", "data"),
                    textcoords="offset points", va="center", fontsize=8.5, color=INK,
                    annotation_clip=False)
        ax.annotate("", (1.0, height), (1.012, at), xycoords=("axes fraction", "data"),
                    textcoords=("axes fraction", "data"), annotation_clip=False,
                    arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 1.4})


def finish(ax: Axes, text: FigureText, *, titled: bool) -> FigureText:
    """Put the finding above the axes and the source line below where `titled`; return the text."""
    if titled:
        width = int(cast(Figure, ax.figure).get_figwidth() * 10.5)
        # Wrapped where the picture ends: how far right the axes begin is known only when drawn.
        ax.set_title(text.title, loc="left", fontsize=11, fontweight="bold", wrap=True)
        legend = ax.get_legend()
        rows = 0 if legend is None else len(legend.get_texts())
        ax.annotate(textwrap.fill(text.note, int(width * 1.3)), (0, 0), (0, -38 - 14 * rows),
                    xycoords="axes fraction", textcoords="offset points", va="top",
                    fontsize=7.5, color=QUIET, annotation_clip=False)
    return text


def is_narrow(ax: Axes) -> bool:
    """Whether the drawing is for a phone."""
    return float(cast(Figure, ax.figure).get_figwidth()) < 5


def in_words(say: Say, kind: str = "whole") -> FuncFormatter:
    """Write the numbers of an axis in the language's manner: `whole`, `share` or `given`."""
    write = {"whole": say.whole, "given": say.given,
             "share": lambda v: say("format.percent", value=say.whole(v * 100))}[kind]
    return FuncFormatter(lambda value, _: write(value))  # type: ignore[no-untyped-call]


def draw_picture(name: str, draw: Callable[[Axes], FigureText], *, tall: float = 1.0,
                 data: pd.DataFrame | None = None) -> Picture:
    """Draw one figure wide and narrow and pack both with its texts.

    Parameters
    ----------
    name
        Id of the picture in the page.
    draw
        Draws on the axes it is given, without a title.
    tall
        Factor for the height, such as for long lists.
    data
        What is drawn, to be handed out as CSV.
    """
    drawn: list[tuple[FigureText, bytes]] = []
    for width, height in (WIDE, NARROW):
        with house_style():
            figure = Figure(figsize=(width, height * tall), layout="constrained")
            drawn.append((draw(figure.add_subplot()), to_svg(figure)))
    (text, wide), (_, narrow) = drawn
    table = "" if data is None else neutralise_table(pd.DataFrame(data)).to_csv(index=False)
    return Picture(name, text.title, text.note, text.alt, wide, narrow, data=table)


def to_svg(figure: Figure) -> bytes:
    """Write a figure as SVG with neither date nor program name in it."""
    page = io.BytesIO()
    figure.savefig(page, format="svg", metadata={"Date": None, "Creator": None})
    return page.getvalue()


def to_png(figure: Figure, *, dpi: int = 150) -> bytes:
    """Write a figure as PNG with no program name in it."""
    page = io.BytesIO()
    figure.savefig(page, format="png", dpi=dpi, metadata={"Software": None})
    return page.getvalue()


# Figures about methods and money: mix, cost over the years, break-even, budget.

def method_mix(methods: pd.Series, *, ax: Axes, say: Say, titled: bool = True) -> FigureText:
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
        ax.annotate(f"{say.whole(count)} ({say.share(count / len(methods))})", (count, row),
                    (4, 0), textcoords="offset points", va="center", fontsize=8.5)
    ax.set_yticks(rows, [say.code("method", m) for m in counts.index])
    ax.set(xlabel=say("fig.mix_x"), xlim=(0, counts.max() * (1.45 if is_narrow(ax) else 1.2)))
    ax.xaxis.set_major_formatter(in_words(say))
    ax.xaxis.set_major_locator(MaxNLocator(5))
    ax.grid(visible=False, axis="y")
    listed = tuple(message("fig.mix_item", method=m, n=int(c))
                   for m, c in counts.iloc[::-1].items())
    facts = {"method": say.code("method", counts.index[-1]), "list": listed,
             "share": say.share(counts.iloc[-1] / len(methods)),
             "total": say.whole(len(methods))}
    key = "mix_inspect" if counts.index[-1] == "inspect" else "mix"
    return finish(ax, figure_text(say, key, **facts), titled=titled)


def cost_over_years(cost_years: pd.DataFrame, *, ax: Axes, say: Say, currency: str,
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
    labels: list[tuple[float, str, str]] = []
    for number, strategy in enumerate(strategies):
        line = cost_years[cost_years["strategy"] == strategy].sort_values("year")
        style = number % len(SERIES)
        ax.fill_between(line["year"], line["cost_low"], line["cost_high"], color=SERIES[style],
                        alpha=0.13, linewidth=0)
        ax.plot(line["year"], line["cost_mean"], color=SERIES[style], linestyle=DASHES[style],
                label=_way(say, strategy, barred.get(strategy)))
        ends[strategy] = float(line["cost_mean"].iloc[-1])
        labels.append((ends[strategy], _way(say, strategy, barred.get(strategy)), SERIES[style]))
    ax.xaxis.set_major_formatter(in_words(say, "given"))
    ax.set(xlabel=say("fig.years_x"), ylabel=say("fig.years_y", currency=currency))
    ax.set_xlim(0, float(cost_years["year"].max()))
    ax.set_ylim(bottom=0)
    ax.yaxis.set_major_formatter(in_words(say))
    label_ends(ax, labels)
    order = sorted(ends, key=lambda s: ends[s])
    best, other = order[0], order[min(1, len(order) - 1)]
    facts = {"best": say.code("strategy", best), "other": say.code("strategy", other),
             "best_cost": say.money(ends[best], currency),
             "other_cost": say.money(ends[other], currency),
             "years": say.number(float(cost_years["year"].max()), 2),
             "places": say.whole(n_places), "allowed": say.whole(barred.get(best, n_places)),
             "n": len(strategies), "currency": currency}
    key = "years_part" if best in barred else "years"
    return finish(ax, figure_text(say, key, **facts), titled=titled)


def _way(say: Say, strategy: str, allowed_at: int | None) -> str:
    name = say.code("strategy", strategy)
    return name if allowed_at is None else say("fig.years_allowed", way=name,
                                                 n=say.whole(allowed_at))


def breakeven_curve(rate_costs: pd.DataFrame, *, ax: Axes, say: Say, currency: str,
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
                label=say.code("strategy", strategy))
        crossing = first_crossing(rates, cost - base) if number else None
        if crossing is not None:
            crossings[strategy] = crossing
            ax.plot([crossing], [np.interp(crossing, rates, base)], "o", color=SERIES[style],
                    markeredgecolor=INK, markersize=7)
    ax.xaxis.set_major_formatter(in_words(say, "given"))
    ax.set(xlabel=say("fig.rate_x"), ylabel=say("fig.rate_y", currency=currency))
    ax.set_xlim(0, float(rates.max()))
    ax.set_ylim(bottom=0)
    ax.yaxis.set_major_formatter(in_words(say))
    legend_below(ax, ncols=1 if is_narrow(ax) else 2)
    facts = {"base": say.code("strategy", strategies[0]), "currency": currency,
             "n": len(strategies), "highest": say.number(float(rates.max()), 2),
             "surface": say.area(float(rate_costs["surface_m2"].iloc[0]))}
    if not crossings:
        return finish(ax, figure_text(say, "rate_none", **facts), titled=titled)
    strategy = min(crossings, key=lambda s: crossings[s])
    facts |= {"strategy": say.code("strategy", strategy),
              "rate": say.number(crossings[strategy], 2)}
    return finish(ax, figure_text(say, "rate" if pays else "rate_plain", **facts), titled=titled)


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


def budget_sweep(sweep: pd.DataFrame, *, ax: Axes, say: Say, currency: str,
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
                        linewidth=0, label=say("fig.sweep_band"))
    ax.plot(budget, saving, color=TEAL, marker="o", markersize=4, label=say("fig.sweep_line"))
    chosen = line["chosen"].to_numpy(bool)
    pick = int(np.flatnonzero(chosen)[0]) if chosen.any() else len(line) - 1
    ax.plot([budget[pick]], [saving[pick]], "s", color=OCHRE, markeredgecolor=PAPER, markersize=9,
            label=say("fig.sweep_chosen" if chosen.any() else "fig.sweep_largest"))
    ax.set(xlabel=say("fig.sweep_x", currency=currency),
           ylabel=say("fig.sweep_y", currency=currency))
    ax.xaxis.set_major_formatter(in_words(say))
    ax.yaxis.set_major_formatter(in_words(say))
    ax.xaxis.set_major_locator(MaxNLocator(5))
    ax.set_ylim(bottom=min(0.0, float(np.nanmin(line["saving_low"].fillna(0)))))
    legend_below(ax, ncols=1 if is_narrow(ax) else 3)
    facts = {"budget": say.money(budget[pick], currency), "currency": currency,
             "saving": say.money(saving[pick], currency),
             "places": say.whole(line["n_places"].iloc[pick]), "n": len(line),
             "largest": say.money(budget[-1], currency),
             "largest_saving": say.money(saving[-1], currency)}
    return finish(ax, figure_text(say, "sweep", **facts), titled=titled)


def bid_risk(risk: pd.DataFrame, *, ax: Axes, say: Say, titled: bool = True) -> FigureText:
    """Draw what a price risks: the chance of a loss and of less than the wanted margin, by price.

    Parameters
    ----------
    risk
        Table ``contract_risk``.
    """
    line = risk.sort_values("price_per_year")
    price, loss = line["price_per_year"].to_numpy(float), line["chance_of_loss"].to_numpy(float)
    missed = 1 - line["chance_margin_kept"].to_numpy(float)
    ax.plot(price, missed, color=TEAL, linestyle=DASHES[1], label=say("fig.risk_missed"))
    ax.plot(price, loss, color=RUST, label=say("fig.risk_loss"))
    at = int(np.flatnonzero(line["asked"].to_numpy(bool))[0])
    ax.axvline(price[at], color=INK, linestyle=DASHES[2], linewidth=1.2,
               label=say("fig.risk_asked", price=float(price[at])))
    ax.set(xlabel=say("fig.risk_x", currency=say.currency), ylabel=say("fig.risk_y"))
    ax.set_ylim(0, 1)
    ax.xaxis.set_major_formatter(in_words(say))
    ax.xaxis.set_major_locator(MaxNLocator(3 if is_narrow(ax) else 5))
    ax.yaxis.set_major_formatter(in_words(say, "share"))
    legend_below(ax, ncols=1)
    even = float(np.interp(-0.5, -loss, price))
    facts = {"price": float(price[at]), "loss": float(loss[at]), "even": even,
             "kept": float(1 - missed[at]), "low": float(price[0]), "high": float(price[-1])}
    return finish(ax, figure_text(say, "risk", **facts), titled=titled)


# Figures about places: who takes how much, how soon it comes back, how sure the rates are.

#: Day at which curves of cleared surfaces are compared [days].
SURVIVAL_DAY = 90.0
#: More curves in one picture cannot be told apart.
CURVES_DRAWN = 5
#: Years of the calendar, the latest of the log: more would not be legible.
YEARS_DRAWN = 4


def share_curve(repeats: pd.DataFrame, *, ax: Axes, say: Say,
                titled: bool = True) -> FigureText:
    """Draw how large a share of the incidents the worst places take (a Lorenz curve, worst first).

    Parameters
    ----------
    repeats
        Table ``repeats``; uses ``place_kind`` and ``n_incidents``. Streets are left out unless the
        log knows nothing better.
    ax
        Axes to draw on.
    say
        Language of the texts.
    titled
        Whether finding and source line are written on the axes.

    References
    ----------
    Lorenz (1905), Methods of measuring the concentration of wealth.
    """
    ranked, half = ranked_places(repeats), places_for_half(repeats)
    streets = bool(ranked["place_kind"].isin(STRETCHES).all())
    counts = np.sort(ranked["n_incidents"].to_numpy(float))[::-1]
    total, n_places = counts.sum(), len(counts)
    taken = np.concatenate([[0], counts.cumsum()]) / max(total, 1)
    places = np.arange(n_places + 1) / n_places
    ax.plot(places, taken, color=TEAL, label=say("fig.share_curve_line"))
    ax.plot([0, 1], [0, 1], color=QUIET, linestyle=DASHES[2], label=say("fig.share_curve_even"))
    ax.plot([places[half]], [taken[half]], "o", color=OCHRE, markersize=7)
    ax.annotate(say("fig.share_curve_mark", share=say.share(taken[half]),
                      n=half),
                (places[half], taken[half]), (12, -14), textcoords="offset points", color=INK,
                bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.5})
    ax.set(xlabel=say("fig.share_curve_x"), ylabel=say("fig.share_curve_y"),
           xlim=(0, 1), ylim=(0, 1.02))
    ax.xaxis.set_major_formatter(in_words(say, "share"))
    ax.yaxis.set_major_formatter(in_words(say, "share"))
    ax.legend(loc="lower right")
    facts = {"share": say.share(taken[half]), "n": half,
             "places": say.whole(n_places), "total": say.whole(total)}
    key = "share_curve_streets" if streets else "share_curve"
    return finish(ax, figure_text(say, key, **facts), titled=titled)


def rehit_survival(survival: pd.DataFrame, *, ax: Axes, say: Say, grouping: str,
                   chance_limit: float = 0.05, titled: bool = True) -> FigureText:
    """Draw the share of cleared surfaces not yet marked again, by substrate or clearance speed.

    All groups are compared with each other; drawn are the two that the title names and the
    largest others.

    Parameters
    ----------
    survival
        Table ``report_survival``.
    grouping
        ``substrate`` or ``clearance_speed``.
    chance_limit
        Chance accepted of calling any two groups different that are not.

    References
    ----------
    Kaplan and Meier (1958), JASA 53, 457–481.
    """
    chosen = survival[(survival["grouping"] == grouping) & (survival["group"] != "unknown")]
    sizes = chosen.groupby("group")["n"].max().sort_values(ascending=False, kind="stable")
    found = compare_curves(chosen, day=SURVIVAL_DAY, level=0.95, chance_limit=chance_limit)
    best, worst = found.pairs[0] if found.pairs else (found.at.index[0], found.at.index[-1])
    named = [g for g in sizes.index if g in (best, worst)]
    groups = [*named, *(g for g in sizes.index if g not in named)][:CURVES_DRAWN]
    ends: list[tuple[float, str, str]] = []
    last = min(float(chosen["days"].max()), 730)
    for number, group in enumerate(groups):
        curve = chosen[chosen["group"] == group].sort_values("days")
        days = np.concatenate([[0], curve["days"].to_numpy(float)])
        share = np.concatenate([[1], curve["unmarked"].to_numpy(float)])
        label = say("fig.survival_series", group=say.code(grouping, group), n=sizes[group])
        ax.step(days, share, where="post", color=SERIES[number], linestyle=DASHES[number],
                label=label)
        ends.append((float(share[days <= last][-1]), label, SERIES[number]))
    ax.axvline(found.day, color=LINE, linewidth=1.2)
    ax.set(xlabel=say("fig.survival_x"), ylabel=say("fig.survival_y"), ylim=(0, 1.02))
    ax.set_xlim(0, last)
    ax.yaxis.set_major_formatter(in_words(say, "share"))
    label_ends(ax, ends)
    at = found.at
    facts = {"day": found.day, "best": say.code(grouping, best), "worst": say.code(grouping, worst),
             "n": len(found.pairs), "tested": found.tested, "limit": chance_limit,
             "groups": len(at), "total": int(sizes[at.index].sum()),
             **{f"{name}_{part}": float(at[column][group])
                for name, group in (("best", best), ("worst", worst))
                for part, column in (("share", "unmarked"), ("low", "low"), ("high", "high"))}}
    key = ("survival_one" if len(at) == 1 else
           f"survival_{grouping}" if found.pairs else f"survival_{grouping}_same")
    return finish(ax, figure_text(say, key, **facts), titled=titled)


def rate_caterpillar(repeats: pd.DataFrame, *, ax: Axes, say: Say, top: int = 20,
                     threshold_per_year: float | None = None, sure: float = 0.9,
                     names: Mapping[str, str] | None = None,
                     titled: bool = True) -> FigureText:
    """Draw the worst places' rates in the year to come, one line per place, worst on top.

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
    names
        What a place is called; its number where not given.
    """
    called = names or {}
    worst = repeats.sort_values(["rank_mean", "place_id"]).head(top).iloc[::-1]
    rows = np.arange(len(worst))
    over = np.asarray(worst["chance_above"] >= sure, bool)
    ax.hlines(rows, worst["now_low"], worst["now_high"], color=QUIET, linewidth=1.6)
    if threshold_per_year is None:
        over = np.ones(len(worst), bool)
    for flag, marker, face in ((True, "o", TEAL), (False, "D", "white")):
        if threshold_per_year is None and not flag:
            continue
        pick = over == flag
        if not pick.any():
            continue
        ax.plot(worst["now_per_year"].to_numpy()[pick], rows[pick], marker, color=TEAL,
                markerfacecolor=face, markersize=5.5, linestyle="none",
                label=say("fig.caterpillar_rate") if threshold_per_year is None else say(
                    f"fig.caterpillar_{'over' if flag else 'unsure'}", sure=say.share(sure)))
    if threshold_per_year is not None:
        ax.axvline(threshold_per_year, color=OCHRE, linestyle=DASHES[1],
                   label=say("fig.caterpillar_line", rate=say.given(threshold_per_year)))
    ax.set_yticks(rows, _place_labels([called.get(str(p), str(p)) for p in worst["place_id"]],
                                      narrow=is_narrow(ax)))
    ax.xaxis.set_major_formatter(in_words(say, "given"))
    ax.set_xlabel(say("fig.caterpillar_x"), loc="right")  # the names leave little room below
    ax.set_ylim(-0.7, len(worst) - 0.3)
    ax.set_xlim(left=0)
    legend_below(ax, ncols=1 if is_narrow(ax) else 3)
    first = worst.iloc[-1]
    facts = {"n_over": int(over.sum()), "n": int(over.sum()), "top": len(worst),
             "place": called.get(str(first["place_id"]), str(first["place_id"])),
             "rate": say.number(first["now_per_year"], 2),
             "low": say.number(first["now_low"], 2), "high": say.number(first["now_high"], 2),
             "total": say.whole(len(repeats)), "sure": say.share(sure)}
    key = "caterpillar" if threshold_per_year is None or not over.any() else "caterpillar_over"
    if key == "caterpillar_over":
        key = "caterpillar_all" if over.all() else key
        facts["threshold"] = say.given(float(threshold_per_year or 0))
    return finish(ax, figure_text(say, key, **facts), titled=titled)


def incident_calendar(incidents: pd.DataFrame, *, ax: Axes, say: Say, time_zone: str,
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
    last = int(days.max().year)  # a year without an incident has a strip too
    years = list(range(max(int(days.min().year), last - YEARS_DRAWN + 1), last + 1))
    earlier = int((days.dt.year < years[0]).sum())
    days = days[days.dt.year >= years[0]]
    grid = np.full((len(years) * 8 - 1, 54), np.nan)
    span = pd.date_range(days.min(), days.max(), freq="D")
    new_year = pd.to_datetime(span.year.astype(str) + "-01-01")
    week = (span.day_of_year + new_year.day_of_week - 1) // 7
    line = np.array([years.index(y) * 8 for y in span.year]) + span.day_of_week
    grid[line, week] = counts.reindex(span, fill_value=0).to_numpy(float)
    image = ax.imshow(grid, cmap=ramp(), aspect="auto", interpolation="none", vmin=0)
    bar = ax.figure.colorbar(image, ax=ax, location="bottom", fraction=0.06, aspect=40)
    bar.set_label(say("fig.calendar_scale"))
    ax.set_yticks([i * 8 + 3 for i in range(len(years))], [str(y) for y in years])
    months = [1, 4, 7, 10] if is_narrow(ax) else list(range(1, 13))
    ax.set_xticks([(m - 1) * 30.44 / 7 + 2 for m in months],
                  [say.month(m, short=True) for m in months])
    ax.grid(visible=False)
    ax.tick_params(length=0)
    for side in ax.spines.values():
        side.set_visible(False)
    by_month = days.dt.to_period("M").value_counts().sort_index()
    by_weekday = days.dt.day_of_week.value_counts().reindex(range(7), fill_value=0)
    even = stats.chisquare(by_weekday).pvalue >= chance_limit
    top = by_month.idxmax()
    facts = {"month": say.month(top.month), "year": top.year,
             "count": say.whole(by_month.max()),
             "weekday": say.weekday(int(by_weekday.idxmax())),
             "weekday_share": say.share(by_weekday.max() / len(days)),
             "total": say.whole(len(days)),
             "earlier": earlier}
    key = "calendar_even" if even else "calendar"
    key = f"{key}_latest" if earlier else key
    return finish(ax, figure_text(say, key, **facts), titled=titled)


def _place_labels(names: Sequence[str], *, narrow: bool) -> list[str]:
    """Shorten names of places; on a phone their codes go where the names alone tell them apart."""
    bare = [name.rpartition(" (")[0] or name for name in names]
    shown = bare if narrow and len(set(bare)) == len(bare) else names
    return [short(name, 23 if narrow else 36) for name in shown]


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


# Figures about near repeats and forecasts.

def ring_table(rings: pd.DataFrame, *, ax: Axes, say: Say, chance_limit: float = 0.05,
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
    # A ratio of 2 and one of a half are equally far from 1, where there is no effect.
    reach = max(float(np.nanmax(np.abs(np.log(np.clip(values, 0.1, 10))))), np.log(1.5))
    norm = Normalize(-reach, reach)
    ax.imshow(np.log(np.clip(values, 0.1, 10)), cmap=diverging(), norm=norm, aspect="auto")
    for (row, column), value in np.ndenumerate(values):
        bold = bool(stands.iloc[row, column])
        ink = ink_on(diverging()(norm(np.log(min(max(value, 0.1), 10)))))
        ax.text(column, row, say.number(value, 3) + ("*" if bold else ""), ha="center",
                va="center", color=ink, fontweight="bold" if bold else "normal")
    ax.set_xticks(range(table.shape[1]), _edges(rings, "days", table.columns, say.whole))
    ax.set_yticks(range(table.shape[0]), _edges(rings, "metres", table.index, say.length))
    ax.set(xlabel=say("fig.rings_x"), ylabel=say("fig.rings_y"))
    ax.grid(visible=False)
    sure = known[known["stands"] & (known["ratio"] > 1)]
    near: Any = sure.sort_values("ratio").iloc[-1] if len(sure) else known.max(numeric_only=True)
    facts = {name: say.whole(near[name]) for name in ("days_from", "days_to")}
    facts |= {name: say.length(near[name]) for name in ("metres_from", "metres_to")}
    facts |= {"ratio": say.number(near["ratio"], 3),
              "pairs": say.whole(rings["observed"].sum()), "limit": say.share(chance_limit)}
    key = "rings_more" if len(sure) else "rings_none"
    return finish(ax, figure_text(say, key, **facts), titled=titled)


def _edges(rings: pd.DataFrame, unit: str, starts: pd.Index,
           write: Callable[[float], str]) -> list[str]:
    ends = rings.groupby(f"{unit}_from")[f"{unit}_to"].first()
    return [f"{write(start)}–{write(ends[start])}" for start in starts]


def forecast_check(checks: pd.DataFrame, *, ax: Axes, say: Say, time_zone: str = "UTC",
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
              label=say("fig.check_range"))
    ax.plot(rows, line["expected"], "_", color=TEAL, markersize=14, markeredgewidth=2.2,
            label=say("fig.check_expected"))
    ax.plot(rows, line["observed"], "D", color=OCHRE, markeredgecolor=INK, markersize=6,
            label=say("fig.check_observed"))
    step = max(1, int(np.ceil(len(line) / (3 if is_narrow(ax) else 7))))
    starts = [start.date() for start in line["period_start"].dt.tz_convert(time_zone)]
    ax.set_xticks(rows[::step], [
        say("format.short_day", day=day.day, month=say.month(day, short=True), year=day.year)
        for day in starts[::step]],
        fontsize=8)
    shortest, longest = (say.whole(line["days"].agg(end)) for end in ("min", "max"))
    days = shortest if shortest == longest else say.span(shortest, longest)
    ax.set(xlabel=say("fig.check_x", days=days),
           ylabel=say("fig.check_y"))
    ax.set_ylim(0, float(line[["high", "observed"]].max().max()) * 1.08)
    ax.yaxis.set_major_formatter(in_words(say))
    legend_below(ax, ncols=1 if is_narrow(ax) else 3)
    inside = int(((line["observed"] >= line["low"]) & (line["observed"] <= line["high"])).sum())
    facts = {"inside": inside, "n": len(line), "last": say.day(starts[-1]),
             "expected": say.number(line["expected"].iloc[-1], 2),
             "observed": say.whole(line["observed"].iloc[-1])}
    return finish(ax, figure_text(say, "check", **facts), titled=titled)


def funnel(found: pd.DataFrame, limits: Callable[..., tuple[np.ndarray, np.ndarray]], *, ax: Axes,
           say: Say, name: str, titled: bool = True) -> FigureText:
    """Draw each area's share against its size, between the limits that chance alone explains.

    Parameters
    ----------
    found
        Areas: ``area, part, whole, share, standing``.
    limits
        Gives the limits of shares of areas of given sizes, with the keyword ``level``.
    ax
        Axes to draw on.
    say
        Language of the texts.
    name
        What is compared: ``in_time`` or ``rehits``.
    titled
        Whether finding and source line are written on the axes.

    References
    ----------
    Spiegelhalter 2005, Statistics in Medicine 24: 1185-1202.
    """
    seen = found[found["whole"] > 0]
    # Whole counts: the exact limits know no others.
    sizes = np.unique(np.linspace(max(seen["whole"].min() * 0.5, 1), seen["whole"].max() * 1.08,
                                  200).round())
    for level, dash in ((0.95, DASHES[1]), (0.998, DASHES[0])):
        for number, edge in enumerate(limits(sizes, level=level)):
            ax.plot(sizes, edge, color=QUIET, linestyle=dash, linewidth=1,
                    label=say("fig.funnel_limit", level=level) if number == 0 else None)
    ax.axhline(seen["part"].sum() / seen["whole"].sum(), color=INK, linewidth=1,
               label=say("fig.funnel_all"))
    far = seen["standing"].isin(["far_low", "far_high"])
    ax.plot(seen["whole"][~far], seen["share"][~far], "o", color=TEAL, markersize=5)
    ax.plot(seen["whole"][far], seen["share"][far], "D", color=RUST, markersize=7)
    for row in seen[far].itertuples():
        ax.annotate(short(str(row.area), 24), (row.whole, row.share), (6, 6),
                    textcoords="offset points", color=INK, parse_math=False)
    ax.set(xlabel=say(f"fig.funnel_{name}_x"), ylabel=say(f"fig.funnel_{name}_y"))
    ax.set_ylim(max(seen["share"].min() - 0.1, 0), min(seen["share"].max() + 0.12, 1.02))
    ax.yaxis.set_major_formatter(in_words(say, "share"))
    legend_below(ax, ncols=3)
    text = figure_text(say, f"funnel_{name}", n=int(far.sum()), areas=len(seen))
    return finish(ax, text, titled=titled)


#: Mark, line and colour of each group of an evaluated measure.
GROUP_LOOKS = {"treated": ("o", "-", "#0b5394"), "comparison": ("s", "--", "#b45f06"),
               "displaced": ("^", ":", "#38761d"), "displaced_comparison": ("v", "-.", "#666666")}


def rate_steps(steps: pd.DataFrame, *, ax: Axes, say: Say) -> Axes:
    """Draw each group's rate step by step, with intervals and the start of the measure.

    Groups differ by mark and line as well as by colour.

    Parameters
    ----------
    steps
        ``group, step_from, step_to, started_at, rate_per_year, rate_low, rate_high``.
    ax
        Where to draw.
    say
        Words of the legend and axis.
    """
    for group, part in steps.groupby("group", sort=False):
        mark, line, colour = GROUP_LOOKS[str(group)]
        middle = part["step_from"] + (part["step_to"] - part["step_from"]) / 2
        rate = part["rate_per_year"].to_numpy()
        spread = [rate - part["rate_low"].to_numpy(), part["rate_high"].to_numpy() - rate]
        ax.errorbar(middle.dt.tz_localize(None).to_numpy(), rate, yerr=spread, marker=mark,
                    linestyle=line, color=colour, label=say.code("evaluated", group), markersize=4,
                    linewidth=1.2, elinewidth=0.6)
    if len(steps):
        begun = steps["started_at"].iloc[0].tz_localize(None)
        ax.axvline(begun, color="black", linewidth=1)
        ax.annotate(say("evaluate.step_begins"), (begun, 1.0), xycoords=("data", "axes fraction"),
                    xytext=(3, -10), textcoords="offset points", fontsize=8)
        ax.legend(frameon=False, fontsize=8)
    ax.set_ylim(bottom=0)
    ax.set_ylabel(say("evaluate.step_rate"))
    return ax


# What a bid rests on.

def year_costs(simulated: pd.DataFrame, *, ax: Axes, say: Say, currency: str, asked: float,
               titled: bool = True) -> FigureText:
    """Draw what the first year of a contract may cost, with the price asked.

    Parameters
    ----------
    simulated
        A row per simulated year: ``cost`` [currency].
    currency
        Code or sign in front of amounts.
    asked
        Lump sum asked for a year [currency].
    """
    cost = simulated["cost"]
    ax.hist(cost, bins=60, color=TEAL)
    ax.axvline(asked, color=INK, linestyle="--", label=say("fig.year_asked"))
    ax.set(xlabel=say("fig.year_x", currency=currency), ylabel=say("fig.year_y"))
    ax.xaxis.set_major_formatter(in_words(say))
    ax.xaxis.set_major_locator(MaxNLocator(6))
    legend_below(ax, ncols=1)
    low, high = cost.quantile([0.1, 0.9])
    return finish(ax, figure_text(
        say, "year", low=say.money(low, currency), high=say.money(high, currency),
        asked=say.money(asked, currency), share=float((cost > asked).mean()),
        n=len(cost)), titled=titled)


def price_swings(moved: pd.DataFrame, *, ax: Axes, say: Say, currency: str,
                 titled: bool = True) -> FigureText:
    """Draw how far each assumption moves the price, the widest on top.

    Parameters
    ----------
    moved
        ``words, price, price_low, price_high, swing``; the widest first.
    currency
        Code or sign in front of amounts.
    """
    turned = moved.iloc[::-1]
    ax.barh(turned["words"], turned["price_high"] - turned["price_low"],
            left=turned["price_low"], color=TEAL)
    ax.axvline(float(moved["price"].iloc[0]), color=INK, linewidth=0.8)
    ax.set(xlabel=say("fig.swing_x", currency=currency))
    ax.xaxis.set_major_formatter(in_words(say))
    ax.xaxis.set_major_locator(MaxNLocator(5))
    first = moved.iloc[0]
    return finish(ax, figure_text(
        say, "swing", word=str(first["words"]), swing=float(first["swing"]),
        low=say.money(min(first["price_low"], first["price_high"]), currency),
        high=say.money(max(first["price_low"], first["price_high"]), currency),
        words=tuple(moved["words"])), titled=titled)


# Policies beside today's practice.

def cost_and_days(policies: pd.DataFrame, *, years: int, ax: Axes, say: Say, currency: str,
                  titled: bool = True) -> FigureText:
    """Draw each policy as a point of cost and visible days, with what nothing beats joined.

    Parameters
    ----------
    policies
        ``policy, cost`` [currency], ``visible_days, undominated``, over all years; today's
        practice first.
    years
        Years they are the sums of.
    currency
        Code or sign in front of amounts.
    """
    days, cost = (policies[name].to_numpy(float) / years for name in ("visible_days", "cost"))
    best = policies["undominated"].to_numpy(bool)
    order = np.flatnonzero(best)[np.argsort(days[best])]
    ax.plot(days[order], cost[order], color=LINE, linewidth=2, zorder=1)
    colours = np.where(best, TEAL, OCHRE)
    ax.scatter(days[1:], cost[1:], s=60, c=colours[1:], zorder=2)
    ax.scatter(days[:1], cost[:1], s=60, c=INK, marker="s", zorder=3)
    ax.set(xlabel=say("fig.trade_x"), ylabel=say("fig.trade_y", currency=currency))
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_formatter(in_words(say))
        axis.set_major_locator(MaxNLocator(6))
    ax.margins(x=0.25, y=0.2)
    names = [say.code("policy", policy) for policy in policies["policy"]]
    _name_points(ax, names, days, cost)
    return finish(ax, figure_text(
        say, "trade", n=int(best.sum()), of=len(best), names=say.list([
            name for name, kept in zip(names, best, strict=True) if kept])), titled=titled)


def _name_points(ax: Axes, names: list[str], x: np.ndarray, y: np.ndarray) -> None:
    """Write each point's name beside it, one above the other where points lie close together."""
    figure = ax.get_figure(root=True)
    assert figure is not None
    figure.canvas.draw()  # the layout is not settled before
    points = ax.transData.transform(np.column_stack([x, y]))
    line, middle = 13 * figure.dpi / 72, float(np.mean(ax.bbox.intervalx))
    lowest = -np.inf
    for at in np.argsort(points[:, 1], kind="stable"):
        lowest = max(points[at, 1], lowest + line)
        side = -1 if points[at, 0] > middle else 1
        ax.annotate(
            names[at], (x[at], y[at]), textcoords="offset pixels", fontsize=9, color=INK,
            xytext=(side * 2 * line, lowest - points[at, 1]), va="center",
            ha="right" if side < 0 else "left",
            arrowprops={"arrowstyle": "-", "color": LINE, "shrinkA": 1, "shrinkB": 4})
