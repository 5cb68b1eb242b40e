"""The map page: nothing from outside, everything escaped, twenty thousand points small."""

from __future__ import annotations

import dataclasses
import json

import pytest
from report_tables import HOSTILE, make_input
from shapely import Point

from rehit.errors import TableError
from rehit.parameters import load_parameters
from rehit.report.inputs import ReportInput
from rehit.report.maps import leaflet_style, map_data, render_map, safe_json
from rehit.report.measures import gather_facts
from rehit.report.pages import policy, refuse_external
from rehit.report.static_map import nice_length


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


def test_leaflet_style_points_to_no_picture() -> None:
    assert "url(" not in leaflet_style()


def test_coordinates_are_metres_from_one_corner() -> None:
    inputs = make_input(n=40)
    facts = gather_facts(inputs, load_parameters())
    data = map_data(facts)
    x0 = int(inputs.incidents.geometry.x.min() // 1)
    latest = inputs.incidents.sort_values(["reported_at", "incident_id"])
    assert data["incidents"]["xy"][0] == round(latest.geometry.x.iloc[0] - x0)
    assert len(data["incidents"]["xy"]) == 80


def test_feet_are_turned_to_metres() -> None:
    inputs = make_input(n=40, full=False)
    feet = inputs.incidents.set_geometry(
        [Point(p.x, p.y) for p in inputs.incidents.geometry], crs="EPSG:2230")
    data = map_data(gather_facts(make_input(incidents=feet, full=False, crs="EPSG:2230"),
                                 load_parameters()))
    span_feet = feet.geometry.x.max() - feet.geometry.x.min()
    xs = data["incidents"]["xy"][::2]
    assert max(xs) - min(xs) == pytest.approx(span_feet * 0.3048, abs=1.5)


def test_no_more_points_than_the_limit_and_the_page_says_so() -> None:
    inputs = make_input(n=1500, full=False)
    parameters = load_parameters().override({"reporting.map_points": 1000})
    facts = gather_facts(inputs, parameters)
    assert len(map_data(facts)["incidents"]["id"]) == 1000
    assert "The 1,000 latest incidents are drawn" in render_map(facts, report_name=None)


@pytest.mark.parametrize(("longest", "length"), [(870.0, 500.0), (1000.0, 1000.0), (19.0, 10.0),
                                                 (2300.0, 2000.0)])
def test_scale_bar_lengths(longest: float, length: float) -> None:
    assert nice_length(longest) == length


def test_legend_names_only_the_layers_that_are_there(full_input: ReportInput) -> None:
    without = dataclasses.replace(full_input, routes=None)
    for inputs, there in ((full_input, True), (without, False)):
        page = render_map(gather_facts(inputs, load_parameters()), report_name=None)
        legend = page[page.index('class="keys"'):page.index("</main>")]
        assert ("patrol routes" in legend) is there
        assert "recurring places" in legend


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
    assert facts.named(place) == f"{place} (7 Quay Lane)"
