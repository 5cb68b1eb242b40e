"""The map page: a folium map with the library inside and the user's streets, no tile server."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import partial
from importlib.resources import files
from typing import Any, cast
from urllib.parse import urlsplit

import folium
import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from folium.utilities import JsCode
from jinja2 import Template
from markupsafe import Markup
from matplotlib.colors import to_rgba
from pyproj import CRS

from rehit.files.spatial import WGS84
from rehit.naming import real_addresses
from rehit.observed import STRETCHES
from rehit.report.figures import (
    INK,
    OCHRE,
    PLUM,
    QUIET,
    RUST,
    SAND,
    SKY,
    TEAL,
    ink_on,
    ramp_colours,
)
from rehit.report.inputs import each
from rehit.report.measures import Facts
from rehit.report.pages import environment, policy, refuse_external, resource, safe_json
from rehit.report.route_files import M_PER_KM
from rehit.report.runsheet import caution_words
from rehit.treatment.methods import caution_codes, load_cautions

#: Colours of the ramp on which the chance of exceeding the threshold is read.
RAMP_STEPS = 6
#: Texts of the log are cut to so many characters.
TEXT_LENGTH = 160
#: Places closer than this on screen are thinned, the highest rate stays [pixels].
APART_PX = 14
#: From the first zoom on which places are thinned to the one that shows them all.
THINNED_ZOOMS = range(9, 18)
STREET_COLOUR = "#aab4ba"
#: Of crews, those last that outlines of hotspots and squares have too; dashes [pixels] beside them.
CREW_COLOURS = (TEAL, RUST, SKY, INK, PLUM, SAND, OCHRE)
CREW_DASHES = ("", "12 6", "3 6", "14 5 3 5", "7 4", "16 4 2 4 2 4", "2 3")
#: A smaller circle stays visible, a larger one does not hide the streets [pixels].
RADII_PX = (3.5, 12.0)
HULL_MARGIN_M = 8
#: Pieces of a quarter of the circle around a hull's corner: a hand's breadth from round.
HULL_QUARTER = 4
#: Streets are drawn plainer by twice the tolerance, so often, before short ones are left out.
STREET_DOUBLINGS = 4
MOST_CELLS = 3000
_SOURCE_MAP = re.compile(r"//# sourceMappingURL=.*")


@dataclass(frozen=True)
class Layer:
    """One layer of the map: features with what each says, and how it is drawn.

    Parameters
    ----------
    name
        ``streets``, ``cells``, ``clusters``, ``incidents``, ``routes``, ``stops`` or ``places``.
    features
        GeoJSON features in WGS 84; ``properties`` hold ``t`` title, ``v`` values beside the
        layer's labels, and what the page's script reads.
    labels
        Codes below ``map.`` that name the values, in order.
    shown
        Whether the layer is on at the start.
    """

    name: str
    features: list[dict[str, Any]]
    labels: tuple[str, ...] = ()
    shown: bool = True
    marker: folium.Marker | folium.CircleMarker | None = None
    style: Callable[[dict[str, Any]], dict[str, Any]] | None = None
    options: dict[str, Any] = field(default_factory=dict)


def render_map(facts: Facts, *, report_name: str | None) -> str:
    """Write the map page: search and list of places first, map, layers, legend, details.

    Parameters
    ----------
    facts
        The report's facts; all geometries in the project's CRS [its own unit].
    report_name
        File name of the report beside it, or None.

    Raises
    ------
    TableError
        If anything in the page would load from elsewhere.
    """
    say, inputs = facts.say, facts.inputs
    layers = map_layers(facts)
    body, drawing = _folium_parts(facts, layers)
    library, own = leaflet_script(), resource("map.js")
    html = environment().get_template("map.html.j2").render(
        say=say, language=say.language, name=inputs.name,
        style=Markup(leaflet_style() + resource("report.css") + resource("map.css")),
        body=Markup(body), library=Markup(library), own=Markup(own), drawing=Markup(drawing),
        report_name=report_name, data=Markup(safe_json(_page_data(facts, layers))),
        policy=policy(scripts=[library, own, drawing], pictures=_origin(inputs.map_tiles)),
        swatches=ramp_colours(RAMP_STEPS), threshold=inputs.threshold_per_year,
        colours={"ochre": OCHRE, "plum": PLUM, "quiet": QUIET, "street": STREET_COLOUR},
        crews=_legend_of_crews(facts), shown=[layer.name for layer in layers],
        hidden=_hidden(facts))
    refuse_external(html, beside={report_name} if report_name else set())
    return html


def leaflet_script() -> str:
    """Return Leaflet's script as its package carries it, without the pointer to its source map."""
    path = files("xstatic.pkg.leaflet") / "data" / "leaflet.js"
    return _SOURCE_MAP.sub("", path.read_text(encoding="utf-8"))


def leaflet_style() -> str:
    """Return Leaflet's style sheet with its picture references taken out; none is used here."""
    path = files("xstatic.pkg.leaflet") / "data" / "leaflet.css"
    return re.sub(r"url\([^)]*\)", "none", path.read_text(encoding="utf-8"))


def map_layers(facts: Facts) -> list[Layer]:
    """Return the layers that have something to draw, from the ground up."""
    layers = [_streets(facts), _cells(facts), _clusters(facts), _incidents(facts),
              *_routes(facts), _places(facts)]
    return [layer for layer in layers if layer is not None and layer.features]


#: Stands for a brace while folium works; a sign of the private use area, which no log has.
_BRACE = "\ue000"
_NO_FIELD = re.compile(r"\{(?![a-z]\})")  # {x}, {y}, {z} and {s} are fields of a tile's address


class _Start(folium.MacroElement):
    """Hands the map and its layers to the page's own script once all are there."""

    _template = Template(
        "{% macro script(this, kwargs) %}rehit.start({{ this.chart }}, {{ '{' }}"
        "{% for name in this.names %}{{ name }}: geo_json_{{ name }}, {% endfor %}"
        "{{ '}' }}, layer_control_layers);{% endmacro %}")

    def __init__(self, chart: str, names: list[str]) -> None:
        super().__init__()  # type: ignore[no-untyped-call]
        self._name, self._id, self.chart, self.names = "Start", "start", chart, names


def _folium_parts(facts: Facts, layers: list[Layer]) -> tuple[str, str]:
    """Return the map's element and the script that draws it, the same text each time."""
    chart = folium.Map(tiles=None, prefer_canvas=True, zoom_control=False, max_zoom=20,
                       attribution_control=False, zoom_animation=False, fade_animation=False,
                       zoom_snap=0.5, keyboard_pan_delta=110)
    chart._id = "rehit"
    for layer in layers:
        drawn = folium.GeoJson(
            {"type": "FeatureCollection", "features": _braces_hidden(layer.features)},
            name=facts.say(f"map.layer_{layer.name}"), show=layer.shown, marker=layer.marker,
            style_function=layer.style, on_each_feature=JsCode("rehit.tell"), **layer.options)
        drawn._id = layer.name
        drawn.add_to(chart)
    tiles = facts.inputs.map_tiles
    if tiles is not None:
        host = urlsplit(tiles := _NO_FIELD.sub("%7b", tiles)).netloc
        offered = folium.TileLayer(tiles, attr=host, overlay=True, show=False,
                                   name=facts.say("map.layer_tiles", host=host))
        offered._id = "tiles"
        offered.add_to(chart)
    control = folium.LayerControl(position="topright", collapsed=False)
    control._id = "layers"
    control.add_to(chart)
    _Start(chart.get_name(), [layer.name for layer in layers]).add_to(chart)
    page = cast(Any, chart.get_root())
    page.render()
    return str(page.html.render()), str(page.script.render()).replace(
        _BRACE.encode("unicode_escape").decode(), r"\u007b").replace(_BRACE, r"\u007b")


def _braces_hidden(value: Any) -> Any:
    """Return data in which no text holds a brace, for folium reads what it draws as a template.

    ``{{ ... }}`` in the address of a log would run as a program on this machine.
    """
    if isinstance(value, str):
        return value.replace("{", _BRACE)
    if isinstance(value, dict):
        return {_braces_hidden(key): _braces_hidden(held) for key, held in value.items()}
    return [_braces_hidden(held) for held in value] if isinstance(value, list | tuple) else value


def _origin(tiles: str | None) -> str:
    return "" if tiles is None else f"https://{urlsplit(tiles).netloc}"


def _page_data(facts: Facts, layers: list[Layer]) -> dict[str, Any]:
    """Collect what the page's script needs beside the layers: words, labels, the area."""
    say = facts.say
    texts = ("zoom_in", "zoom_out", "close", "map_label", "none_found", "layers", "cautions")
    return {"words": {key: say(f"map.{key}") for key in texts}
            | {"found": say("map.found", n="#"), "thinned": say("map.thinned", n="#", all="##")},
            "labels": {layer.name: [say(f"map.{code}") for code in layer.labels]
                       for layer in layers},
            "cautions": _cautions(facts)[1],
            "area": _area(facts), "imperial": facts.say.units == "imperial"}


def _area(facts: Facts) -> list[list[float]]:
    """Return the corners that hold nearly all places; a few far ones must not shrink the town."""
    repeats = facts.inputs.given("repeats")
    points = facts.inputs.incidents if repeats is None else gpd.GeoDataFrame(repeats)
    points = points[points.geometry.notna()]
    if points.empty:
        return [[-60.0, -170.0], [70.0, 170.0]]
    at = points.geometry.to_crs(WGS84)
    low, high = ([float(np.percentile(v, q)) for v in (at.y, at.x)] for q in (0.5, 99.5))
    return [[low[0] - 0.0003, low[1] - 0.0003], [high[0] + 0.0003, high[1] + 0.0003]]


def _features(shapes: gpd.GeoSeries, properties: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return shapes as GeoJSON features in WGS 84, to about a tenth of a metre."""
    degrees = shapes.to_crs(WGS84).to_numpy()
    rounded = shapely.transform(degrees, partial(np.round, decimals=6))
    return [{"type": "Feature", "id": str(number), "properties": told,
             "geometry": json.loads(text)}
            for number, (text, told) in enumerate(
                zip(shapely.to_geojson(rounded), properties, strict=True))]


def _metres(facts: Facts) -> float:
    """Return how many metres one unit of the project's CRS is."""
    return float(CRS.from_user_input(facts.inputs.crs).axis_info[0].unit_conversion_factor)


def _streets(facts: Facts) -> Layer | None:
    streets = facts.inputs.streets
    if streets is None or streets.empty:
        return None
    tolerance = facts.number("map_streets_tolerance_m") / _metres(facts)
    shapes = streets.geometry.simplify(tolerance)
    names = (streets["name"].fillna("").astype(str) if "name" in streets
             else pd.Series("", index=streets.index))
    lines = _within_corners(gpd.GeoDataFrame({"name": names}, geometry=shapes).dissolve("name"),
                            most=int(facts.number("map_street_points")), tolerance=tolerance)
    return Layer("streets", _features(lines.geometry, ({"t": _text(name)} for name in lines.index)),
                 style=lambda _: {"color": STREET_COLOUR, "weight": 2, "interactive": False})


def _within_corners(lines: gpd.GeoDataFrame, *, most: int, tolerance: float) -> gpd.GeoDataFrame:
    """Return streets of so many corners at most: drawn more plainly first, then the longest."""
    shapes = lines.geometry
    for doubling in range(1, 1 + STREET_DOUBLINGS):
        if shapely.get_num_coordinates(shapes.to_numpy()).sum() <= most:
            break
        shapes = lines.geometry.simplify(tolerance * 2**doubling)
    longest = shapes.length.sort_values(ascending=False, kind="stable").index
    corners = pd.Series(shapely.get_num_coordinates(shapes.loc[longest].to_numpy()), index=longest)
    kept = corners.index[corners.cumsum() <= most]
    return lines.set_geometry(shapes)[lines.index.isin(kept)]


def _cells(facts: Facts) -> Layer | None:
    cells = facts.inputs.given("cells")
    if cells is None:
        return None
    say = facts.say
    hot = gpd.GeoDataFrame(cells[cells["hot"].astype(bool)]).sort_values("cell_id")
    hot = hot.head(MOST_CELLS)
    told = ({"t": say("map.title_cell", name=row.cell_id),
             "v": [say.whole(row.n_incidents), "" if pd.isna(row.z) else say.number(row.z, 2)]}
            for row in each(hot))
    return Layer("cells", _features(hot.geometry, told), ("n_incidents", "z"), shown=False,
                 style=lambda _: {"color": PLUM, "weight": 1.5, "dashArray": "2 3",
                                  "fillColor": PLUM, "fillOpacity": 0.14})


def _clusters(facts: Facts) -> Layer | None:
    clusters = facts.inputs.given("clusters")
    if clusters is None:
        return None
    say = facts.say
    clusters = clusters.sort_values("n_rehits", ascending=False, kind="stable").head(
        int(facts.number("map_clusters"))).sort_index()
    shapes = gpd.GeoDataFrame(clusters).geometry.buffer(HULL_MARGIN_M / _metres(facts),
                                                        quad_segs=HULL_QUARTER)
    told = ({"t": say("map.title_cluster", name=name),
             "v": [say.whole(row.n_incidents), say.whole(row.n_rehits),
                   say.number(row.incidents_per_year, 2)]}
            for name, row in zip(clusters["name"], each(clusters), strict=True))
    return Layer("clusters", _features(shapes, told), ("n_incidents", "n_rehits", "rate_year"),
                 style=lambda _: {"color": OCHRE, "weight": 2.5, "dashArray": "8 5",
                                  "fillOpacity": 0.0})


def _incidents(facts: Facts) -> Layer | None:
    say, inputs = facts.say, facts.inputs
    points = inputs.incidents[inputs.incidents.geometry.notna()]
    latest = points.sort_values(["reported_at", "incident_id"]).tail(
        int(facts.number("map_points")))
    zone = inputs.time_zone
    days = {column: latest[column].dt.tz_convert(zone).dt.strftime("%Y-%m-%d").fillna("")
            for column in ("reported_at", "cleared_at")}
    values = zip(days["reported_at"], days["cleared_at"],
                 say.cells(latest["status"], "status"), say.cells(latest["substrate"], "substrate"),
                 real_addresses(latest["address"]).map(_text), latest["description"].map(_text),
                 strict=True)
    titles = [say("map.title_incident", name=name) for name in latest["incident_id"]]
    return Layer("incidents", _features(latest.geometry, (
        {"t": title, "v": list(row)} for title, row in zip(titles, values, strict=True))),
        ("reported", "cleared", "state", "surface", "address", "description"),
        shown=inputs.given("repeats") is None,
        marker=folium.CircleMarker(radius=3, weight=0, fill=True, fill_color=QUIET,
                                   fill_opacity=0.75))


def _routes(facts: Facts) -> list[Layer | None]:
    """Draw each crew in its own colour and dashes, its stops numbered in the order driven."""
    routes = facts.inputs.given("routes")
    if routes is None:
        return []
    say, routes = facts.say, gpd.GeoDataFrame(routes)
    lines, stops = routes[routes["what"] == "route"], routes[routes["what"] == "stop"]
    crews = list(lines["route_id"])
    told = ({"t": say("map.title_route", name=row.route_id), "c": crews.index(row.route_id),
             "v": [say.whole(row.n_stops),
                   "" if pd.isna(row.length_km) else say.length(row.length_km * M_PER_KM),
                   "" if pd.isna(row.minutes) else say.whole(row.minutes)]}
            for row in each(lines))
    shown = Layer("routes", _features(lines.geometry, told), ("stops", "length", "minutes"),
                  style=lambda f: _crew_line(f["properties"]["c"]))
    stops = stops[stops["route_id"].isin(crews)]
    marks = ({"t": say("map.title_stop", number=int(row.number), name=_text(row.name_)),
              "v": [str(row.route_id)], "n": int(row.number), "c": crews.index(row.route_id)}
             for row in each(stops.rename(columns={"name": "name_"})))
    return [shown, Layer(
        "stops", _features(stops.geometry, marks), ("route",), style=_stop_mark,
        marker=folium.Marker(icon=folium.DivIcon(icon_size=(24, 24)), keyboard=False))]


def _crew_line(number: int) -> dict[str, Any]:
    return {"color": CREW_COLOURS[number % len(CREW_COLOURS)], "weight": 4, "opacity": 0.85,
            "dashArray": CREW_DASHES[number % len(CREW_DASHES)]}


def _stop_mark(feature: dict[str, Any]) -> dict[str, Any]:
    told = feature["properties"]
    return {"html": f"{int(told['n'])}", "className": f"stop crew{told['c'] % len(CREW_COLOURS)}"}


def _legend_of_crews(facts: Facts) -> list[dict[str, Any]]:
    routes = facts.inputs.given("routes")
    if routes is None:
        return []
    return [{"name": name, "number": number % len(CREW_COLOURS), **_crew_line(number),
             "ink": ink_on(to_rgba(CREW_COLOURS[number % len(CREW_COLOURS)]))}
            for number, name in enumerate(routes.loc[routes["what"] == "route", "route_id"])]


def _places(facts: Facts) -> Layer | None:
    repeats = facts.inputs.given("repeats")
    if repeats is None:
        return None
    shown = gpd.GeoDataFrame(repeats[_can_be_drawn(repeats)].sort_values(
        ["rank_mean", "place_id"]).head(int(facts.number("map_points"))))
    if shown.empty:
        return None
    firm = (~shown["place_kind"].isin(STRETCHES)).any()
    drawn = (shown["n_rehits"] > 0).to_numpy() | (not firm)
    zooms = zoom_that_shows(shown.geometry.to_crs(WGS84), drawn)
    top = float(shown["rate_per_year"].max())
    work, _ = _cautions(facts)
    told = [_place(facts, row, work.get(row.place_id, ("", []))) | {
        "z": int(zoom), "d": int(there), "k": min(int(row.chance_above * RAMP_STEPS),
                                                  RAMP_STEPS - 1),
        "r": round(2 * (RADII_PX[0] + RADII_PX[1] * (row.rate_per_year / top) ** 0.5)) / 2}
        for row, zoom, there in zip(each(shown), zooms, drawn, strict=True)]
    colours = ramp_colours(RAMP_STEPS)
    return Layer(
        "places", _features(shown.geometry, told),
        ("code", "kind", "n_incidents", "n_rehits", "rate_year", "over", "do"),
        marker=folium.CircleMarker(color="#1c2b36", weight=0.8, fill=True, fill_opacity=1),
        style=lambda f: {"radius": f["properties"]["r"],
                         "fillColor": colours[f["properties"]["k"]]})


def _cautions(facts: Facts) -> tuple[dict[str, tuple[str, list[int]]], list[str]]:
    """Return the method and cautions of each place's last marking, and the cautions in full.

    Cautions are numbers in the list of texts, so that each text stands in the page once.
    """
    advice = facts.inputs.given("advice")
    if advice is None:
        return {}, []
    say = facts.say
    # The report's tables hold short words; the user's own cautions have no longer ones.
    full = {say.code("caution", code): caution_words(code, say)
            for code in load_cautions()["code"]}
    numbers = {word: number for number, word in enumerate(caution_codes(advice))}
    last = facts.inputs.incidents[["incident_id", "place_id", "reported_at"]].sort_values(
        ["reported_at", "incident_id"]).merge(advice, on="incident_id").drop_duplicates(
            "place_id", keep="last")
    at_place = {row.place_id: (say.code("do", row.method), [
        numbers[word] for word in str(row.cautions).split("; ") if word in numbers])
                for row in each(last)}
    return at_place, [full.get(word, word) for word in numbers]


def _place(facts: Facts, row: Any, work: tuple[str, list[int]]) -> dict[str, Any]:
    say = facts.say
    kind = "" if pd.isna(row.asset_type) else _text(say.thing(row.asset_type))
    return {"t": facts.named(row.place_id), "s": say(
                "map.place_line", rate=say.number(row.rate_per_year, 2), kind=kind)
            if kind else say("map.per_year", rate=say.number(row.rate_per_year, 2)),
            "v": [str(row.place_id), kind, say.whole(row.n_incidents), say.whole(row.n_rehits),
                  say.ranged(row.rate_per_year, row.rate_low, row.rate_high),
                  say.chance(row.chance_above), work[0]], "a": work[1]}


def zoom_that_shows(points: gpd.GeoSeries, drawn: np.ndarray) -> np.ndarray:
    """Return from which zoom on each point is drawn, so that circles do not pile up.

    Parameters
    ----------
    points
        In WGS 84, the most important first.
    drawn
        Which are drawn at all.

    Returns
    -------
    numpy.ndarray
        Zoom levels of the Web Mercator scheme (256 px at zoom 0); of points that share a square
        of :data:`APART_PX` the first one is shown.
    """
    radians = np.radians(points.y.to_numpy())
    x = (points.x.to_numpy() + 180) / 360
    y = (1 - np.arcsinh(np.tan(radians)) / np.pi) / 2
    zooms = np.full(len(points), THINNED_ZOOMS.stop)
    for zoom in THINNED_ZOOMS:
        squares = pd.DataFrame({"x": x, "y": y}) * (256 * 2**zoom / APART_PX)
        squares = squares.astype("int64").assign(later=zooms > zoom, at=np.arange(len(points)))
        first = squares[drawn].sort_values(["later", "at"]).drop_duplicates(["x", "y"])
        new = first.loc[first["later"], "at"].to_numpy()
        zooms[new] = zoom
    return zooms


def _can_be_drawn(repeats: pd.DataFrame) -> pd.Series:
    """Flag places that were marked and whose point is known."""
    return (repeats["n_incidents"] > 0) & repeats.geometry.notna()


def _hidden(facts: Facts) -> list[str]:
    """Say what is too much to be drawn: each kind of which the map holds a part."""
    inputs, points = facts.inputs, int(facts.number("map_points"))
    repeats, clusters = inputs.given("repeats"), inputs.given("clusters")
    places = 0 if repeats is None else int(_can_be_drawn(repeats).sum())
    held = {"latest": (points, int(inputs.incidents.geometry.notna().sum())),
            "worst_places": (points, places),
            "largest_clusters": (int(facts.number("map_clusters")),
                                 0 if clusters is None else len(clusters))}
    return [facts.say(f"map.{code}", n=limit, total=total)
            for code, (limit, total) in held.items() if total > limit]


def _text(value: object) -> str:
    if value is None or value is pd.NA or (isinstance(value, float) and np.isnan(value)):
        return ""
    text = str(value)
    return text if len(text) <= TEXT_LENGTH else text[:TEXT_LENGTH - 1] + "…"
