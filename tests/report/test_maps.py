"""The map page: nothing from outside, everything escaped, twenty thousand points small."""

from __future__ import annotations

import dataclasses
import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from report_tables import HOSTILE, make_input
from shapely import LineString, Point

from rehit.errors import TableError
from rehit.parameters import load_parameters
from rehit.report.inputs import ReportInput
from rehit.report.maps import (
    APART_PX,
    Layer,
    leaflet_style,
    map_layers,
    render_map,
    safe_json,
    zoom_that_shows,
)
from rehit.report.measures import gather_facts
from rehit.report.pages import policy, refuse_external


@pytest.mark.parametrize("bad", [
    '<img src="//tiles.example/1.png">', '<script src="x.js"></script>', '<a href="http://x">x</a>',
    '<link href="style.css">', "<style>a{background:url(pic.png)}</style>",
    '<p style="background:url(http://x)">', "<style>@import 'x.css';</style>",
    '<img srcset="a.png 2x">', '<form action="/send">', '<a href="javascript:alert(1)">x</a>'])
def test_any_outside_reference_is_refused(bad: str) -> None:
    with pytest.raises(TableError, match="outside"):
        refuse_external(bad, beside=set())


def test_inside_references_pass() -> None:
    page = '<a href="#x">x</a><a href="map.html#a">m</a><img src="data:image/png;base64,">'
    refuse_external(page, beside={"map.html"})


def test_policy_allows_only_the_scripts_given() -> None:
    """The hash of the empty text is SHA-256's published value in base64."""
    assert "'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='" in policy(scripts=[""])
    assert "script-src 'none'" in policy(scripts=[])
    assert "default-src 'none'" in policy(scripts=[])


def test_json_cannot_close_its_script() -> None:
    text = safe_json({"a": HOSTILE, "b": "<!--", "c": "\u2028"})
    assert "<" not in text
    assert json.loads(text) == {"a": HOSTILE, "b": "<!--", "c": "\u2028"}


def test_a_template_in_a_name_is_never_run() -> None:
    """folium reads what it draws as a template of Jinja, in which {{ }} runs Python."""
    inputs = make_input(n=60, full=True)
    inputs.repeats.loc[:, "asset_type"] = "{{ 6 * 7 }}{% raw %} Elm Street"
    page = render_map(gather_facts(inputs, load_parameters()), report_name=None)
    assert r"\u007b\u007b 6 * 7 }}\u007b% raw %} Elm Street" in page
    assert "42 Elm Street" not in page


def test_leaflet_style_points_to_no_picture() -> None:
    assert "url(" not in leaflet_style()


def _layer(layers: list[Layer], name: str) -> Layer:
    return next(layer for layer in layers if layer.name == name)


def test_feet_and_metres_come_to_the_same_degrees() -> None:
    """EPSG:2230 is EPSG:26946 in US survey feet: the same points, the same place on the earth."""
    plain = make_input(n=40, full=False)
    metres = plain.incidents.set_crs("EPSG:26946", allow_override=True)
    feet = metres.to_crs("EPSG:2230")
    assert feet.geometry.x.iloc[0] == pytest.approx(metres.geometry.x.iloc[0] * 3937 / 1200)
    at = [_layer(map_layers(gather_facts(make_input(incidents=rows, full=False, crs=crs),
                                         load_parameters())), "incidents").features[0]["geometry"]
          for rows, crs in ((metres, "EPSG:26946"), (feet, "EPSG:2230"))]
    assert at[0]["coordinates"] == pytest.approx(at[1]["coordinates"], abs=2e-6)


def test_no_more_points_than_the_limit_and_the_page_says_so() -> None:
    inputs = make_input(n=1500, full=False)
    parameters = load_parameters().override({"reporting.map_points": 1000})
    facts = gather_facts(inputs, parameters)
    assert len(_layer(map_layers(facts), "incidents").features) == 1000
    assert "The 1,000 latest incidents are drawn" in render_map(facts, report_name=None)


def test_the_worst_places_and_the_hotspots_with_most_re_hits_are_kept(
        full_input: ReportInput) -> None:
    repeats = pd.concat([full_input.repeats.assign(
        place_id=[f"{name}/{copy}" for name in full_input.repeats["place_id"]])
        for copy in range(1 + 1000 // len(full_input.repeats))], ignore_index=True)
    clusters = pd.concat([full_input.clusters] * 12, ignore_index=True).assign(
        n_rehits=lambda table: range(len(table)))
    inputs = dataclasses.replace(full_input, repeats=gpd.GeoDataFrame(repeats),
                                 clusters=gpd.GeoDataFrame(clusters))
    facts = gather_facts(inputs, load_parameters().override(
        {"reporting.map_points": 1000, "reporting.map_clusters": 10}))
    layers = map_layers(facts)
    outlined = [f["properties"]["v"][1] for f in _layer(layers, "clusters").features]
    assert sorted(map(int, outlined)) == list(range(len(clusters)))[-10:]
    assert len(_layer(layers, "places").features) == 1000
    page = render_map(facts, report_name=None)
    assert "The 1,000 worst of" in page
    assert "The 10 hotspots with most re-hits are outlined" in page


def test_streets_of_many_corners_are_drawn_plainer_and_the_short_ones_left_out(
        full_input: ReportInput) -> None:
    """600 wavy streets of 50 corners: plainer they have fewer, and still the long ones win."""
    along = np.linspace(0, 1, 50)
    lines = [LineString(np.column_stack([
        500_000 + along * (100 + 2 * n), 4_000_000 + 40 * n + 1.5 * np.sin(along * 40)]))
        for n in range(600)]
    streets = gpd.GeoDataFrame({"name": [f"Street {n}" for n in range(600)]}, geometry=lines,
                               crs=full_input.crs)
    inputs = dataclasses.replace(full_input, streets=streets)

    def drawn(most: int) -> list[dict]:
        numbers = load_parameters().override({"reporting.map_street_points": most})
        return _layer(map_layers(gather_facts(inputs, numbers)), "streets").features

    whole, few = drawn(100_000), drawn(1000)
    assert len(whole) == len(drawn(40_000)) == 600
    assert sum(len(each["geometry"]["coordinates"]) for each in few) <= 1000
    named = {int(each["properties"]["t"].split()[1]) for each in few}
    assert named == set(range(100, 600))  # two corners each, the 500 longest


def test_places_too_near_on_screen_are_thinned_the_first_stays() -> None:
    """At zoom z a pixel is 156,543 m / 2^z on the equator; points are 100 m apart."""
    points = gpd.GeoSeries([Point(0.0010, 0), Point(0.0019, 0), Point(0.5, 0)], crs="EPSG:4326")
    zooms = zoom_that_shows(points, np.ones(3, bool))
    assert (zooms[0], zooms[2]) == (9, 9)
    metres_at = {z: APART_PX * 156_543 / 2**z for z in range(9, 18)}
    assert metres_at[zooms[1] - 2] > 100
    assert zooms[1] > 10
    hidden = zoom_that_shows(points, np.array([False, True, True]))
    assert hidden[1] == 9


def test_the_page_is_the_same_each_time(full_input: ReportInput) -> None:
    first, second = (render_map(gather_facts(full_input, load_parameters()), report_name=None)
                     for _ in range(2))
    assert first == second


def test_crews_have_their_own_colours_dashes_and_numbered_stops(full_input: ReportInput) -> None:
    layers = map_layers(gather_facts(full_input, load_parameters()))
    routes, stops = _layer(layers, "routes"), _layer(layers, "stops")
    assert routes.style is not None
    assert stops.style is not None
    drawn = [routes.style(feature) for feature in routes.features]
    assert len({(d["color"], d["dashArray"]) for d in drawn}) == len(drawn) == 2
    assert [stops.style(feature)["html"] for feature in stops.features] == ["1"]
    assert stops.features[0]["properties"]["t"].startswith("Stop 1: 1 Mole Lane")


def test_no_crew_of_four_looks_like_the_outline_of_hotspots(full_input: ReportInput) -> None:
    """Fault: the second crew's way was dashed ochre like the outlines around hotspots."""
    layers = map_layers(gather_facts(full_input, load_parameters()))

    def colour(name: str, crew: int = 0) -> str:
        style = _layer(layers, name).style
        assert style is not None
        return str(style({"properties": {"c": crew}})["color"])

    outlines = {colour("clusters"), colour("cells")}
    assert len(outlines) == 2
    assert outlines.isdisjoint(colour("routes", crew) for crew in range(4))


def test_legend_names_only_the_layers_that_are_there(full_input: ReportInput) -> None:
    without = dataclasses.replace(full_input, routes=None)
    for inputs, there in ((full_input, True), (without, False)):
        page = render_map(gather_facts(inputs, load_parameters()), report_name=None)
        legend = page[page.index('class="keys"'):page.index("</main>")]
        assert ("Crew crew 1" in legend) is there
        assert "Place marked again" in legend


def test_an_address_that_says_there_is_none_is_no_address() -> None:
    given = make_input(n=300)
    place = given.incidents["place_id"].mode().iloc[0]
    there = given.incidents["place_id"] == place
    rows = given.incidents.assign(address=given.incidents["address"].where(
        ~there, "Not Recorded"))
    facts = gather_facts(dataclasses.replace(given, incidents=rows), load_parameters())
    assert "Not Recorded" not in render_map(facts, report_name="report.html")
    assert facts.named(place) == place
    some = rows.assign(address=rows["address"].where(rows.index != rows.index[there][0],
                                                     "7 Quay Lane"))
    facts = gather_facts(dataclasses.replace(given, incidents=some), load_parameters())
    assert facts.named(place) == f"7 Quay Lane ({place})"


def test_a_background_is_offered_only_where_the_project_names_one_and_is_off() -> None:
    """The page's own policy lets a browser ask that host for pictures, and no other."""
    inputs = make_input(n=60, full=False)
    plain = render_map(gather_facts(inputs, load_parameters()), report_name=None)
    assert "img-src data:; " in plain
    named = dataclasses.replace(inputs, map_tiles="https://tiles.example.org/{z}/{x}/{y}.png")
    page = render_map(gather_facts(named, load_parameters()), report_name=None)
    assert "img-src data: https://tiles.example.org;" in page
    assert "fetched from tiles.example.org when switched on" in page
    drawing = page.rpartition("<script>")[2]
    assert "L.tileLayer" in drawing
    assert "tile_layer_tiles.addTo(" not in drawing
