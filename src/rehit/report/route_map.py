"""The map on a run sheet: streets in grey, the way as one strong line, numbered stops."""

from __future__ import annotations

import io

import geopandas as gpd
import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from rehit.patrol.day import Sheet
from rehit.report.figures import INK
from rehit.report.say import Say
from rehit.report.static_map import draw_north, draw_scale, draw_streets, name_streets

WAY = "#0b6b67"
REPORTED = "#9c2f1f"
HOTSPOT = "#ffffff"
SIZE_IN = (7.3, 4.3)
DPI = 200
MARGIN_SHARE = 0.08
CLOSE_SHARE = 0.034
STREET_NAMES = 14
SCALE_SHARE = 0.06


def draw_map(sheet: Sheet, *, say: Say, streets: gpd.GeoDataFrame | None) -> bytes:
    """Return a PNG of one crew's way with numbered stops; arrows show the direction.

    Reported jobs are filled squares, hotspots open circles, the depot a house-like pentagon, so
    that nothing hangs on colour alone. Labels that would lie on each other are moved apart and
    tied to their place by a line.
    """
    figure = Figure(figsize=SIZE_IN, dpi=DPI)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_axis_off()
    box = _extent(sheet)
    axes.set_xlim(box[0], box[2])
    axes.set_ylim(box[1], box[3])
    axes.set_aspect("equal")
    if streets is not None and len(streets):
        near = gpd.GeoDataFrame(streets[streets.intersects(shapely.box(*box))])
        draw_streets(axes, near, tolerance_m=0.0, width=1.3)
        name_streets(axes, near, most=STREET_NAMES)
    for leg in sheet.legs:
        _draw_leg(axes, leg, box)
    _draw_stops(axes, sheet, box, say)
    draw_scale(axes)
    draw_north(axes)
    picture = io.BytesIO()
    figure.savefig(picture, format="png", metadata={"Software": None})
    return picture.getvalue()


def _extent(sheet: Sheet) -> tuple[float, float, float, float]:
    xy = shapely.get_coordinates([*sheet.legs, *sheet.rows.geometry])
    low, high = xy.min(axis=0), xy.max(axis=0)
    low[1] -= SCALE_SHARE * (high[1] - low[1])  # room for the scale below the southernmost place
    middle = (low + high) / 2
    half = np.maximum((high - low) / 2 * (1 + 2 * MARGIN_SHARE), 150.0)
    ratio = SIZE_IN[0] / SIZE_IN[1]
    half = np.array([max(half[0], half[1] * ratio), max(half[1], half[0] / ratio)])
    return (*(middle - half), *(middle + half))


def _draw_leg(axes: Axes, leg: shapely.LineString, box: tuple[float, ...]) -> None:
    xy = shapely.get_coordinates(leg)
    axes.plot(*xy.T, color=WAY, linewidth=2.6, zorder=2, solid_joinstyle="round", alpha=0.9)
    if leg.length < (box[2] - box[0]) * 0.04:
        return
    a = leg.interpolate(0.5, normalized=True)
    b = leg.interpolate(leg.length * 0.5 + (box[2] - box[0]) * 0.004)
    axes.annotate("", xy=(b.x, b.y), xytext=(a.x, a.y), zorder=3,
                  arrowprops={"arrowstyle": "-|>", "color": WAY, "lw": 2.0, "mutation_scale": 17})


def _draw_stops(axes: Axes, sheet: Sheet, box: tuple[float, ...], say: Say) -> None:
    home = sheet.rows.geometry.iloc[-1]
    _draw_mark(axes, home, "p", say("sheet.map_depot"))
    if sheet.since_min is not None:
        _draw_mark(axes, sheet.rows.geometry.iloc[0], "^", say("sheet.map_here"))
    stops = sheet.stops
    xy = np.column_stack([stops.geometry.x, stops.geometry.y])
    apart = (box[2] - box[0]) * CLOSE_SHARE
    labels = spread_labels(np.vstack([xy, [[home.x, home.y]]]), apart, inside=box)[:-1]
    for (x, y), (tx, ty), row in zip(xy, labels, stops.to_dict("records"), strict=True):
        if np.hypot(tx - x, ty - y) > 1.0:
            axes.plot([x, tx], [y, ty], color=INK, linewidth=0.8, zorder=4)
            axes.plot(x, y, marker="o", markersize=4, color=INK, zorder=4)
        reported = row["kind"] == "reported"
        axes.plot(tx, ty, marker="s" if reported else "o", markersize=16,
                  color=REPORTED if reported else HOTSPOT, markeredgecolor=INK,
                  markeredgewidth=1.3, zorder=6)
        axes.annotate(str(row["number"]), (tx, ty), ha="center", va="center_baseline", fontsize=9.5,
                      weight="bold", color="white" if reported else INK, zorder=7)


def _draw_mark(axes: Axes, point: shapely.Point, marker: str, word: str) -> None:
    axes.plot(point.x, point.y, marker=marker, markersize=17, color=INK, zorder=5,
              markeredgecolor="white")
    axes.annotate(word, (point.x, point.y), xytext=(0, -17), textcoords="offset points",
                  ha="center", va="center", fontsize=9, weight="bold", color=INK, zorder=6,
                  bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.85})


def spread_labels(xy: np.ndarray, distance: float, *, inside: tuple[float, ...],
                  rounds: int = 200) -> np.ndarray:
    """Return label positions near `xy`, pushed apart until no two are closer than `distance`.

    The last row stays where it is; the others stay inside the box of west, south, east, north.
    """
    labels = xy.astype(float).copy()
    # Each label's own bounds differ a little, so that no two end on the same spot in a corner.
    own = distance * (0.6 + 1e-3 * np.arange(len(labels) - 1)[:, None] * [1.0, 1.7])
    low, high = np.array(inside[:2]) + own, np.array(inside[2:]) - own
    # Two stops on one spot need some direction to part in: the golden angle, by their order.
    angle = np.arange(len(labels)) * np.pi * (3 - np.sqrt(5))
    labels[:-1] += 1e-3 * np.column_stack([np.cos(angle), np.sin(angle)])[:-1]
    for _ in range(rounds):
        step = labels[:, None] - labels[None]
        gap = np.hypot(*step.transpose(2, 0, 1))
        np.fill_diagonal(gap, np.inf)
        push = np.clip(distance - gap, 0, None) / 2
        if not push.any():
            break
        move = (step / gap[..., None] * push[..., None]).sum(axis=1)
        move[-1] = 0.0
        labels[:-1] = np.clip((labels + move)[:-1], low, high)
    return labels
