"""Plot of the rates before and after a measure, to see whether the groups ran side by side."""

from __future__ import annotations

import pandas as pd
from matplotlib import pyplot as plt
from matplotlib.axes import Axes

LOOKS = {"treated": ("o", "-", "#0b5394"), "comparison": ("s", "--", "#b45f06"),
         "displaced": ("^", ":", "#38761d"), "displaced_comparison": ("v", "-.", "#666666")}
NAMES = {"treated": "with the measure", "comparison": "comparison",
         "displaced": "around the measure", "displaced_comparison": "around the comparison"}


def plot_steps(steps: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Draw each group's rate step by step, with intervals and the start of the measure.

    Groups differ by mark and line as well as by colour.

    Parameters
    ----------
    steps
        ``steps`` of an :class:`rehit.hotspots.evaluate.Evaluation`.
    ax
        Where to draw; default a new figure.

    Returns
    -------
    matplotlib.axes.Axes
    """
    axes = plt.figure(layout="constrained").add_subplot() if ax is None else ax
    for group, part in steps.groupby("group", sort=False):
        mark, line, colour = LOOKS[str(group)]
        middle = part["step_from"] + (part["step_to"] - part["step_from"]) / 2
        rate = part["rate_per_year"].to_numpy()
        spread = [rate - part["rate_low"].to_numpy(), part["rate_high"].to_numpy() - rate]
        axes.errorbar(middle.dt.tz_localize(None).to_numpy(), rate, yerr=spread, marker=mark,
                      linestyle=line, color=colour, label=NAMES[str(group)], markersize=4,
                      linewidth=1.2, elinewidth=0.6)
    if len(steps):
        begun = steps["started_at"].iloc[0].tz_localize(None)
        axes.axvline(begun, color="black", linewidth=1)
        axes.annotate("measure begins", (begun, 1.0), xycoords=("data", "axes fraction"),
                      xytext=(3, -10), textcoords="offset points", fontsize=8)
        axes.legend(frameon=False, fontsize=8)
    axes.set_ylim(bottom=0)
    axes.set_ylabel("incidents per place and year at risk\n(bars: what chance alone allows)")
    return axes
