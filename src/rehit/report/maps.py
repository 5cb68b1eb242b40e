"""The map page: Leaflet inlined from its package, the user's streets as base, no tile server."""

from __future__ import annotations

import json
import re
from importlib.resources import files
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from markupsafe import Markup
from pyproj import CRS
from shapely import get_coordinates, get_parts

from rehit.report.figures import OCHRE, PLUM, QUIET, SKY, TEAL, ramp_colours
from rehit.report.inputs import each
from rehit.report.measures import Facts, real_addresses
from rehit.report.pages import environment, policy, refuse_external, resource
from rehit.report.static_map import street_lines

RAMP_STEPS = 6
TEXT_LENGTH = 160
_SOURCE_MAP = re.compile(r"//# sourceMappingURL=.*")


def render_map(facts: Facts, *, report_name: str | None) -> str:
    """Write the map page: layers, search, details by keyboard and touch, own legend.

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
    layers = _layers(facts)
    library, own = leaflet_script(), resource("map.js")
    html = environment().get_template("map.html.j2").render(
        say=facts.say, language=facts.say.language, name=facts.inputs.name,
        style=Markup(leaflet_style() + resource("report.css") + resource("map.css")),
        library=Markup(library), own=Markup(own), report_name=report_name,
        data=Markup(safe_json(map_data(facts))), policy=policy(scripts=[library, own]),
        swatches=ramp_colours(RAMP_STEPS), has_threshold=facts.inputs.threshold_per_year,
        threshold=facts.say.given(facts.inputs.threshold_per_year or 0),
        shares=[facts.say.share(v) for v in (0.0, 0.5, 1.0)],
        colours={"teal": TEAL, "ochre": OCHRE, "plum": PLUM, "quiet": QUIET, "sky": SKY},
        layers=layers, shown=[name for name, _ in layers], hidden_incidents=_hidden(facts),
    )
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


def safe_json(value: object) -> str:
    r"""Write JSON that cannot end the script element it stands in.

    Examples
    --------
    >>> safe_json({"a": "</script>"})
    '{"a":"\\u003c/script\\u003e"}'
    """
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for sign in ("<", ">", "&", "\u2028", "\u2029"):
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def map_data(facts: Facts) -> dict[str, Any]:
    """Collect everything the map draws, in whole metres from the lower left corner."""
    inputs, say = facts.inputs, facts.say
    factor = CRS.from_user_input(inputs.crs).axis_info[0].unit_conversion_factor
    points = inputs.incidents[inputs.incidents.geometry.notna()]
    origin = (np.floor([points.geometry.x.min(), points.geometry.y.min()])
              if len(points) else np.zeros(2))
    grid = _Grid(origin, factor)
    labels = ("kind", "n_incidents", "n_rehits", "rate_year", "over", "address", "reported",
              "cleared", "state", "surface", "description", "z", "length", "stops", "minutes",
              "cluster", "cell", "incident", "route", "none_found", "zoom_in", "zoom_out")
    return {
        "words": {key: say(f"map.{key}") for key in labels}
        | {"found": say("map.found", n="#"), "per_year": say("map.per_year", rate="#")},
        "ramp": ramp_colours(RAMP_STEPS),
        "colours": {"street": "#aab4ba", "place": TEAL, "cluster": OCHRE, "cell": PLUM,
                    "incident": QUIET, "route": SKY},
        "streets": _streets(facts, grid),
        "places": _places(facts, grid), "incidents": _incidents(facts, grid, points),
        "clusters": _clusters(facts, grid), "cells": _cells(facts, grid),
        "routes": _routes(facts, grid),
    }


class _Grid:
    """Turns coordinates into whole metres from one corner."""

    def __init__(self, origin: np.ndarray, factor: float) -> None:
        self.origin, self.factor = origin, factor

    def flat(self, coordinates: np.ndarray) -> list[int]:
        moved = (coordinates - self.origin) * self.factor
        whole = np.rint(moved).astype(int)
        keep = np.ones(len(whole), bool)
        keep[1:] = (np.diff(whole, axis=0) != 0).any(axis=1)
        return [int(v) for v in whole[keep].ravel()]

    def pair(self, point: Any) -> list[int]:
        return [round(float((point.x - self.origin[0]) * self.factor)),
                round(float((point.y - self.origin[1]) * self.factor))]

    def rings(self, geometry: Any) -> list[list[int]]:
        return [self.flat(get_coordinates(part.exterior)) for part in get_parts(geometry)
                if part.geom_type == "Polygon"]


def _streets(facts: Facts, grid: _Grid) -> list[list[int]]:
    streets = facts.inputs.streets
    if streets is None or streets.empty:
        return []
    tolerance = facts.number("map_streets_tolerance_m") / grid.factor
    lines = (grid.flat(line) for line in street_lines(streets, tolerance_m=tolerance))
    return [line for line in lines if len(line) >= 4]


def _places(facts: Facts, grid: _Grid) -> list[list[Any]]:
    repeats = facts.inputs.given("repeats")
    if repeats is None:
        return []
    say = facts.say
    shown = repeats[(repeats["n_incidents"] > 0)].sort_values(["rank_mean", "place_id"])
    shown = shown[shown.geometry.notna()].head(int(facts.number("map_points")))
    firm = (shown["place_kind"] != "street").any()
    rows = facts.inputs.incidents
    address = real_addresses(rows["address"]).groupby(rows["place_id"]).first()
    return [[*grid.pair(row.geometry), str(row.place_id),
             "" if pd.isna(row.asset_type) else _text(say.thing(row.asset_type)),
             int(row.n_incidents), int(row.n_rehits), round(float(row.rate_per_year), 3),
             f"{say.number(row.rate_per_year, 2)} "
             f"({say.span(say.number(row.rate_low, 2), say.number(row.rate_high, 2))})",
             round(float(row.chance_above), 3), say.chance(row.chance_above),
             _text(address.get(row.place_id)), int(row.n_rehits > 0 or not firm)]
            for row in each(shown)]


def _incidents(facts: Facts, grid: _Grid, points: gpd.GeoDataFrame) -> dict[str, Any]:
    latest = points.sort_values(["reported_at", "incident_id"]).tail(
        int(facts.number("map_points")))
    moved = np.rint((get_coordinates(latest.geometry.to_numpy()) - grid.origin) * grid.factor)
    zone = facts.inputs.time_zone
    say = facts.say
    states = sorted(latest["status"].unique())
    surfaces = sorted(latest["substrate"].unique())
    return {
        "xy": [int(v) for v in moved.ravel()],
        "id": latest["incident_id"].astype(str).tolist(),
        "reported": latest["reported_at"].dt.tz_convert(zone).dt.strftime("%Y-%m-%d").tolist(),
        "cleared": latest["cleared_at"].dt.tz_convert(zone).dt.strftime("%Y-%m-%d")
        .fillna("").tolist(),
        "states": [say.code("status", s) for s in states],
        "state": [states.index(s) for s in latest["status"]],
        "surfaces": [say.code("substrate", s) for s in surfaces],
        "surface": [surfaces.index(s) for s in latest["substrate"]],
        "address": [_text(v) for v in real_addresses(latest["address"])],
        "text": [_text(v) for v in latest["description"]],
    }


def _hidden(facts: Facts) -> str:
    total = int(facts.inputs.incidents.geometry.notna().sum())
    limit = int(facts.number("map_points"))
    if total <= limit:
        return ""
    return facts.say("map.latest", n=facts.say.whole(limit), total=facts.say.whole(total))


def _clusters(facts: Facts, grid: _Grid) -> list[list[Any]]:
    clusters = facts.inputs.given("clusters")
    if clusters is None:
        return []
    say = facts.say
    return [[grid.rings(gpd.GeoSeries([row.geometry]).buffer(8 / grid.factor).iloc[0]),
             str(row.name_), say.whole(row.n_incidents), say.whole(row.n_rehits),
             say.number(row.incidents_per_year, 2)]
            for row in each(clusters.rename(columns={"name": "name_"}))]


def _cells(facts: Facts, grid: _Grid) -> list[list[Any]]:
    cells = facts.inputs.given("cells")
    if cells is None:
        return []
    hot = cells[cells["hot"].astype(bool)].sort_values("cell_id")
    return [[grid.rings(row.geometry), str(row.cell_id), facts.say.whole(row.n_incidents),
             "–" if pd.isna(row.z) else facts.say.number(float(row.z), 2)]
            for row in each(hot.head(3000))]


def _routes(facts: Facts, grid: _Grid) -> list[list[Any]]:
    routes = facts.inputs.given("routes")
    if routes is None:
        return []
    say = facts.say
    return [[[grid.flat(get_coordinates(part)) for part in get_parts(row.geometry)],
             str(row.route_id), say.whole(row.n_stops),
             "–" if pd.isna(row.length_km) else say.number(row.length_km, 2),
             "–" if pd.isna(row.minutes) else say.whole(row.minutes)]
            for row in each(routes)]


def _layers(facts: Facts) -> list[tuple[str, bool]]:
    given = facts.inputs.given
    hot = given("cells")
    present = {"streets": facts.inputs.streets is not None and not facts.inputs.streets.empty,
               "cells": hot is not None and bool(hot["hot"].any()),
               "clusters": given("clusters") is not None,
               "incidents": bool(len(facts.inputs.incidents)),
               "routes": given("routes") is not None, "places": given("repeats") is not None}
    start_on = {"streets", "clusters", "places", "routes"}
    if not present["places"]:
        start_on.add("incidents")
    return [(name, name in start_on) for name, there in present.items() if there]


def _text(value: object) -> str:
    if value is None or value is pd.NA or (isinstance(value, float) and np.isnan(value)):
        return ""
    text = str(value)
    return text if len(text) <= TEXT_LENGTH else text[:TEXT_LENGTH - 1] + "…"
