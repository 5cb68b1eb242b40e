"""Maps for paper: the town with its hotspots and repeat places, and one crew's way of a day.

Both stand on the same streets, scale bar and north arrow; the interactive map is in ``maps.py``.
"""

from __future__ import annotations

import io
import math
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from pyproj import CRS

from rehit.files.safe_text import neutralise_table
from rehit.observed import STRETCHES
from rehit.patrol.day import Sheet
from rehit.report.document import Picture
from rehit.report.figures import (
    DASHES,
    INK,
    LINE,
    OCHRE,
    PAPER,
    PLUM,
    QUIET,
    RUST,
    SERIES,
    FigureText,
    figure_text,
    finish,
    house_style,
    is_narrow,
    ramp,
    to_png,
)
from rehit.report.measures import Facts, within
from rehit.report.say import Say

#: Width of the drawing and room below it for the legend, wide and narrow [inches].
SIZES = ((7.0, 1.1), (3.5, 1.5))


def overview_picture(facts: Facts) -> Picture:
    """Draw the overview map wide and narrow, with a title that states the finding."""
    pages = []
    for width, legend in SIZES:
        with house_style():
            height = width * min(max(_tallness(facts), 0.45), 1.25)
            figure = Figure(figsize=(width, height + legend), layout="constrained")
            draw_overview(facts, figure.add_subplot())
            pages.append(to_png(figure, dpi=170))
    title, note, alt = _texts(facts)
    return Picture("overview_map", title, note, alt, pages[0], pages[1], kind="png",
                   data=_drawn_table(facts),
                   traces=("H2",) if "H2" in facts.book.figures else ())


def _drawn_table(facts: Facts) -> str:
    """Return the places drawn as CSV, by address as well."""
    places = _places_drawn(facts)
    if places is None:
        return ""
    table = pd.DataFrame(places[["place_id", "n_rehits", "rate_per_year", "chance_above"]])
    table.insert(1, "place_name", table["place_id"].map(facts.named))
    return neutralise_table(table.assign(x=places.geometry.x, y=places.geometry.y)
                            ).iloc[::-1].to_csv(index=False)


def _texts(facts: Facts) -> tuple[str, str, str]:
    say = facts.say
    clusters = facts.inputs.given("clusters")
    drawn = facts.inputs.given("streets") is not None
    values = {"total": say.whole(facts.now.count), "crs": facts.inputs.crs,
              "top": int(facts.number("top_places"))}
    key = "map_plain"
    if clusters is not None and facts.now.count:
        inside = within(facts.now.incidents, gpd.GeoDataFrame(clusters))
        known = facts.now.incidents.geometry.notna() | facts.now.incidents.index.isin(inside.index)
        share = len(inside) / max(int(known.sum()), 1)
        facts.add_column("incidents", "in_hotspot", pd.Series(
            facts.inputs.incidents.index.isin(inside.index), index=facts.inputs.incidents.index))
        facts.add_column("incidents", "on_map", facts.inputs.incidents.index.to_series().isin(
            known.index[known]))
        facts.trace("H2", share, say.share(share), incidents=inside, n=len(clusters),
                    recipe="incidents.in_hotspot.sum() / (incidents.in_period & "
                           "incidents.on_map).sum()",
                    live="COUNTIF([incidents.in_hotspot],TRUE)/COUNTIFS("
                          "[incidents.in_period],TRUE,[incidents.on_map],TRUE)",
                    inside=len(inside), placed=int(known.sum()))
        values |= {"share": say.share(share), "n": len(clusters), "placed": say.whole(known.sum())}
        key = "map"
    text = figure_text(say, f"{key}_streets" if drawn else key, **values)
    return text.title, text.note, text.alt


def draw_map(facts: Facts, *, ax: Axes) -> FigureText:
    """Draw the overview map and return its text."""
    draw_overview(facts, ax)
    return FigureText(*_texts(facts))


def draw_overview(facts: Facts, ax: Axes) -> None:
    """Draw the layers from the ground up, with scale bar, north arrow and legend.

    Parameters
    ----------
    facts
        The report's facts; all geometries in the project's CRS.
    ax
        Axes to draw on.
    """
    inputs, say = facts.inputs, facts.say
    handles: list[Any] = []
    if inputs.streets is not None and not inputs.streets.empty:
        draw_streets(ax, inputs.streets, tolerance_m=2.0, width=0.6)
        handles.append(Line2D([], [], color=LINE, label=say("map.layer_streets")))
    handles += _draw_areas(facts, ax)
    handles += _draw_places(facts, ax)
    _frame(facts, ax)
    draw_scale(ax, say=say, metres_per_unit=CRS.from_user_input(
        facts.inputs.crs).axis_info[0].unit_conversion_factor)
    draw_north(ax)
    if handles:
        ax.figure.legend(handles=handles, loc="outside lower center",
                         ncols=1 if is_narrow(ax) else 3, fontsize=8)


def day_routes(routes: gpd.GeoDataFrame, stops: gpd.GeoDataFrame, *, ax: Axes, say: Say,
               streets: gpd.GeoDataFrame | None = None, titled: bool = True) -> FigureText:
    """Draw the routes of a day, each crew in its own colour and dash, stops by kind.

    Parameters
    ----------
    routes
        A line per crew, by name: ``crew``; projected.
    stops
        ``kind``: reported, hotspot or another; projected as the routes.
    streets
        Lines of the base map.
    """
    if streets is not None:
        draw_streets(ax, streets, tolerance_m=1.0, width=0.7)
    for at, (name, line) in enumerate(zip(routes["crew"], routes.geometry, strict=True)):
        look: dict[str, Any] = {"color": SERIES[at % len(SERIES)],
                                "linestyle": DASHES[at % len(DASHES)]}
        for part in getattr(line, "geoms", [line]):
            ax.plot(*part.xy, linewidth=1.9, zorder=2, **look)
        ax.plot([], [], label=str(name), **look)
    for kind, marker, face in (("reported", "s", RUST), ("hotspot", "o", PAPER)):
        spots = stops[stops["kind"] == kind].geometry
        ax.scatter(spots.x, spots.y, marker=marker, s=26, facecolor=face, edgecolor=INK, zorder=3,
                   label=say(f"fig.route_{kind}", n=len(spots)))
    west, south, east, north = stops.total_bounds
    ax.set(xlim=(west - 200, east + 200), ylim=(south - 200, north + 200), aspect="equal")
    ax.set_axis_off()
    ax.legend(loc="upper center", bbox_to_anchor=(0.5, 0.0), ncols=2, fontsize=8)
    return finish(ax, figure_text(say, "route", n=len(routes), names=tuple(
        str(name) for name in routes["crew"])), titled=titled)


def _draw_areas(facts: Facts, ax: Axes) -> list[Any]:
    say = facts.say
    handles: list[Any] = []
    cells, clusters = facts.inputs.given("cells"), facts.inputs.given("clusters")
    if cells is not None and cells["hot"].any():
        hot = gpd.GeoDataFrame(cells[cells["hot"].astype(bool)])
        hot.plot(ax=ax, facecolor="none", edgecolor=PLUM, hatch="////", linewidth=0.8, zorder=2)
        handles.append(Patch(facecolor="none", edgecolor=PLUM, hatch="////",
                             label=say("map.layer_cells")))
    if clusters is not None:
        hulls = gpd.GeoSeries(clusters.geometry).buffer(8)
        hulls.plot(ax=ax, facecolor="none", edgecolor=OCHRE, linewidth=1.6, linestyle="--",
                   zorder=4)
        handles.append(Line2D([], [], color=OCHRE, linestyle="--", label=say("map.layer_clusters")))
    return handles


def _places_drawn(facts: Facts) -> gpd.GeoDataFrame | None:
    """Return the recurring places on the map, the highest rate last; None without their table."""
    repeats = facts.inputs.given("repeats")
    if repeats is None:
        return None
    firm = repeats[~repeats["place_kind"].isin(STRETCHES)]
    again = firm[firm["n_rehits"] > 0] if len(firm) else repeats
    top = again[again.geometry.notna()].nlargest(150, "rate_per_year")
    return gpd.GeoDataFrame(top.iloc[::-1])


def _draw_places(facts: Facts, ax: Axes) -> list[Any]:
    say, top = facts.say, _places_drawn(facts)
    if top is None:
        points = facts.now.incidents
        shapes = gpd.GeoSeries(points.geometry[points.geometry.notna()])
        ax.plot(shapes.x, shapes.y, ".", color=QUIET, markersize=2, alpha=0.6, zorder=3)
        return [Line2D([], [], marker=".", color=QUIET, linestyle="none",
                       label=say("map.layer_incidents"))]
    if top.empty:
        return []
    biggest = float(top["rate_per_year"].max())
    dots = ax.scatter(top.geometry.x, top.geometry.y, s=8 + 90 * top["rate_per_year"] / biggest,
                      c=top["chance_above"], cmap=ramp(), vmin=0, vmax=1, edgecolors=INK,
                      linewidths=0.5, zorder=5)
    if facts.inputs.threshold_per_year is not None:
        bar = ax.figure.colorbar(dots, ax=ax, location="bottom", fraction=0.035, aspect=45,
                                 pad=0.01)
        bar.set_label(say("map.chance", threshold=say.given(facts.inputs.threshold_per_year)),
                      fontsize=8)
        bar.set_ticks([0, 0.5, 1], labels=[say.share(v) for v in (0.0, 0.5, 1.0)])
    shown = [Line2D([], [], marker="o", linestyle="none", markerfacecolor=PAPER,
                    markeredgecolor=INK, markersize=math.sqrt(8 + 90 * rate / biggest),
                    label=say("map.rate", rate=say.number(rate, 2)))
             for rate in (biggest, biggest / 4)]
    return list(shown)


def _extent(facts: Facts) -> tuple[float, float, float, float]:
    """Return where the incidents are; a few far outliers must not shrink the town to a dot."""
    points = facts.inputs.incidents.geometry
    x, y = points[points.notna()].x.to_numpy(), points[points.notna()].y.to_numpy()
    if not len(x):
        return 0.0, 1000.0, 0.0, 1000.0
    (x0, x1), (y0, y1) = np.percentile(x, [0.5, 99.5]), np.percentile(y, [0.5, 99.5])
    pad = 0.04 * max(x1 - x0, y1 - y0, 100)
    return float(x0 - pad), float(x1 + pad), float(y0 - 2 * pad), float(y1 + pad)


def _tallness(facts: Facts) -> float:
    x0, x1, y0, y1 = _extent(facts)
    return (y1 - y0) / (x1 - x0)


def _frame(facts: Facts, ax: Axes) -> None:
    x0, x1, y0, y1 = _extent(facts)
    ax.set_xlim(x0, x1)
    ax.set_ylim(y0, y1)
    ax.set_aspect("equal")
    ax.grid(visible=False)
    ax.set(xticks=[], yticks=[], xlabel="", ylabel="")
    for side in ax.spines.values():
        side.set_visible(True)
        side.set_color(LINE)


# One crew's way: streets in grey, the way as one strong line, numbered stops.

WAY = "#0b6b67"
REPORTED = "#9c2f1f"
HOTSPOT = "#ffffff"
ROUTE_SIZE_IN = (7.3, 4.3)
ROUTE_DPI = 200
MARGIN_SHARE = 0.08
CLOSE_SHARE = 0.034
STREET_NAMES = 24
NAME_SIZE_PT = 6.5
#: Where along a street its name may stand, from its middle outwards [share of its length].
NAME_PLACES = tuple(sorted(np.linspace(0.06, 0.94, 23).round(2).tolist(),
                           key=lambda share: abs(share - 0.5)))
SCALE_SHARE = 0.06


def draw_route(sheet: Sheet, *, say: Say, streets: gpd.GeoDataFrame | None) -> bytes:
    """Return a PNG of one crew's way with numbered stops; arrows show the direction.

    Reported jobs are filled squares, hotspots open circles, the depot a house-like pentagon, so
    that nothing hangs on colour alone. Labels that would lie on each other are moved apart and
    tied to their place by a line.
    """
    figure = Figure(figsize=ROUTE_SIZE_IN, dpi=ROUTE_DPI)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_axis_off()
    box = _route_extent(sheet)
    axes.set_xlim(box[0], box[2])
    axes.set_ylim(box[1], box[3])
    axes.set_aspect("equal")
    if streets is not None and len(streets):
        near = gpd.GeoDataFrame(streets[streets.intersects(shapely.box(*box))])
        draw_streets(axes, near, tolerance_m=0.0, width=1.3)
    for leg in sheet.legs:
        _draw_leg(axes, leg, box)
    marks = _draw_stops(axes, sheet, box, say)
    if streets is not None and len(streets):
        name_streets(axes, near, way=shapely.union_all(sheet.legs), marks=marks)
    draw_scale(axes, say=say)
    draw_north(axes)
    picture = io.BytesIO()
    figure.savefig(picture, format="png", metadata={"Software": None})
    return picture.getvalue()


def _route_extent(sheet: Sheet) -> tuple[float, float, float, float]:
    xy = shapely.get_coordinates([*sheet.legs, *sheet.rows.geometry])
    low, high = xy.min(axis=0), xy.max(axis=0)
    low[1] -= SCALE_SHARE * (high[1] - low[1])  # room for the scale below the southernmost place
    middle = (low + high) / 2
    half = np.maximum((high - low) / 2 * (1 + 2 * MARGIN_SHARE), 150.0)
    ratio = ROUTE_SIZE_IN[0] / ROUTE_SIZE_IN[1]
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


def _draw_stops(axes: Axes, sheet: Sheet, box: tuple[float, ...], say: Say) -> shapely.Geometry:
    """Draw depot and numbered stops, and return the ground that their marks cover."""
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
    # The depot's word stands below its mark.
    words = shapely.box(home.x - apart, home.y - 1.4 * apart, home.x + apart, home.y + apart / 2)
    return shapely.union_all([words, *shapely.buffer(shapely.points(labels), apart / 2)])


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


# The ground of both.


def draw_streets(ax: Axes, streets: gpd.GeoDataFrame, *, tolerance_m: float,
                 width: float) -> None:
    """Draw street lines of a `width` [points] in quiet grey under everything else."""
    ax.add_collection(LineCollection(street_lines(streets, tolerance_m=tolerance_m),
                                     colors=LINE, linewidths=width, zorder=1))


def name_streets(ax: Axes, streets: gpd.GeoDataFrame, *, way: shapely.Geometry,
                 marks: shapely.Geometry) -> None:
    """Write names of streets along them, inside the axes' limits.

    Uses the column ``name`` where there is one. The streets that `way` follows come first, then the
    longest; a name is written once, where no other name and none of the `marks` is.
    """
    if "name" not in streets:
        return
    (x0, x1), (y0, y1) = ax.get_xlim(), ax.get_ylim()
    inside = gpd.GeoDataFrame(streets[["name", "geometry"]]).clip(
        (x0, y0, x1, y1)).explode(ignore_index=True)
    named = inside[inside["name"].fillna("").astype("str").str.strip() != ""]
    width_in = ax.bbox.width / ax.figure.dpi
    metres_per_pt = (x1 - x0) / (width_in * 72)
    corridor = way.buffer(metres_per_pt)  # the way lies on its streets
    along = named.assign(length_m=named.length, driven_m=0.0)
    near = named.index[named.sindex.query(corridor, predicate="intersects")]
    along.loc[near, "driven_m"] = named.loc[near].intersection(corridor).length
    order = along.groupby("name")[["driven_m", "length_m"]].sum().sort_values(
        ["driven_m", "length_m"], ascending=False).index[:4 * STREET_NAMES]
    taken, frame, written = marks, shapely.box(x0, y0, x1, y1), 0
    for name in order:
        line = along[along["name"] == name].nlargest(1, "length_m").geometry.iloc[0]
        found = _free_ground(line, len(str(name)), NAME_SIZE_PT * metres_per_pt, frame - taken)
        if found is None:
            continue
        ground, at, turn = found
        taken, written = taken.union(ground), written + 1
        ax.text(at[0], at[1], str(name), fontsize=NAME_SIZE_PT, color=INK, ha="center", va="center",
                zorder=3, rotation=(math.degrees(turn) + 90) % 180 - 90, rotation_mode="anchor",
                bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.5, "alpha": 0.75})
        if written == STREET_NAMES:
            return


def _free_ground(line: shapely.LineString, letters: int, size: float, free: shapely.Geometry
                 ) -> tuple[shapely.Geometry, np.ndarray, float] | None:
    """Return ground for a name along a line or beside it, its middle and direction [radians]."""
    for aside in (0.0, 1.3 * size, -1.3 * size):
        for share in NAME_PLACES:
            a, b, at = (line.interpolate(share + step, normalized=True)
                        for step in (-0.03, 0.03, 0.0))
            turn = math.atan2(b.y - a.y, b.x - a.x)
            ahead = np.array([math.cos(turn), math.sin(turn)])
            middle = np.array([at.x, at.y]) + aside * np.array([-ahead[1], ahead[0]])
            half = 0.32 * size * letters * ahead
            ground = shapely.LineString([middle - half, middle + half]).buffer(
                0.6 * size, cap_style="flat")
            if free.contains(ground):
                return ground, middle, turn
    return None


def street_lines(streets: gpd.GeoDataFrame, *, tolerance_m: float) -> list[np.ndarray]:
    """Return the streets as coordinate arrays, simplified to `tolerance_m` [m]."""
    known = streets.geometry[streets.geometry.notna()]
    lines = shapely.get_parts(known.simplify(tolerance_m).to_numpy())
    if len(lines) < 200:
        lines = shapely.get_parts(np.atleast_1d(shapely.line_merge(shapely.union_all(lines))))
    return [shapely.get_coordinates(line) for line in lines if line.geom_type.startswith("Line")]


def draw_scale(ax: Axes, *, say: Say, metres_per_unit: float = 1.0) -> None:
    """Draw a scale bar at the lower left; the axes' limits must be set before."""
    (x0, x1), (y0, y1) = ax.get_xlim(), ax.get_ylim()
    length_m = say.round_length((x1 - x0) * metres_per_unit / 4)
    length = length_m / metres_per_unit
    left, low, high = x0 + 0.03 * (x1 - x0), y0 + 0.03 * (y1 - y0), 0.008 * (y1 - y0)
    ax.fill_between([left, left + length / 2], low, low + high, color=INK, linewidth=0, zorder=7)
    ax.fill_between([left + length / 2, left + length], low, low + high, facecolor=PAPER,
                    edgecolor=INK, linewidth=0.8, zorder=7)
    ax.text(left, low + 1.8 * high, f"0 – {say.length(length_m)}", fontsize=8, color=INK, zorder=7,
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1, "alpha": 0.8})


def draw_north(ax: Axes) -> None:
    """Draw the arrow to the north at the upper right."""
    ax.annotate("N", (0.965, 0.975), (0.965, 0.885), xycoords="axes fraction", ha="center",
                va="center", fontsize=10, color=INK, zorder=8,
                arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 1.4})


