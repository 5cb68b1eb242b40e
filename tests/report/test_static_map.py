"""Maps on paper: streets kept whole, labels that stay apart, a scale bar of a round length."""

from __future__ import annotations

import io

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from matplotlib.figure import Figure
from report_tables import make_input

from rehit.parameters import load_parameters
from rehit.report import static_map
from rehit.report.measures import gather_facts
from rehit.report.say import Say
from rehit.report.static_map import name_streets, spread_labels, street_lines


def test_street_lines_keep_every_street() -> None:
    inputs = make_input(n=200)
    assert inputs.streets is not None
    lines = street_lines(inputs.streets, tolerance_m=0.0)
    length = sum(float(np.hypot(*np.diff(line, axis=0).T).sum()) for line in lines)
    assert length == pytest.approx(float(inputs.streets.length.sum()), rel=1e-9)


def test_labels_on_the_map_stay_apart_and_inside() -> None:
    crowd = np.vstack([np.full((30, 2), 2.0), [[50.0, 50.0]]])
    found = spread_labels(crowd, 5.0, inside=(0.0, 0.0, 100.0, 100.0))
    assert ((found >= 3.0) & (found <= 97.0)).all()
    gap = np.hypot(*(found[:, None] - found[None]).transpose(2, 0, 1))
    assert gap[np.triu_indices(31, 1)].min() > 4.0
    np.testing.assert_array_equal(found[-1], [50.0, 50.0])


def test_street_names_keep_clear_of_stops_and_those_driven_come_first() -> None:
    """Fault: the name of the very street with most stops lay under their numbers."""
    rows = {"Long Row": (500, 1000), "Driven Row": (510, 600), "Full Row": (100, 950),
            None: (9, 9)}
    streets = gpd.GeoDataFrame({"name": list(rows)}, geometry=[
        shapely.LineString([(0, y), (length, y)]) for y, length in rows.values()])
    axes = Figure(figsize=(7, 7)).add_axes((0, 0, 1, 1))
    axes.set(xlim=(0, 1000), ylim=(0, 1000))
    stops = [shapely.Point(300, 510), *(shapely.Point(x, 100) for x in range(0, 800, 100))]
    name_streets(axes, streets, way=streets.geometry[1],
                 marks=shapely.union_all(stops).buffer(20))
    where = {text.get_text(): text.get_position() for text in axes.texts}
    assert list(where) == ["Driven Row", "Long Row", "Full Row"]
    assert abs(where["Driven Row"][0] - 300) > 40
    assert abs(where["Long Row"][0] - where["Driven Row"][0]) > 60  # the two rows lie too close
    assert where["Full Row"][0] > 740


@pytest.mark.parametrize(("longest", "length"), [(870.0, 500.0), (1000.0, 1000.0), (19.0, 10.0),
                                                 (2300.0, 2000.0)])
def test_scale_bar_lengths(longest: float, length: float) -> None:
    assert Say("en").round_length(longest) == length


def test_a_scale_bar_in_feet_is_round_in_feet() -> None:
    # 870 m are more than half a mile of 1,609.344 m; 150 m are 492 feet of 0.3048 m.
    say = Say("en", units="imperial")
    assert say.length(say.round_length(870.0)) == "0.5\u00a0mi"
    assert say.round_length(150.0) == pytest.approx(200 * 0.3048)


def test_the_places_drawn_can_be_taken_as_a_table_the_highest_rate_first() -> None:
    inputs = make_input(n=300)
    assert inputs.repeats is not None
    table = pd.read_csv(io.StringIO(static_map._drawn_table(gather_facts(
        inputs, load_parameters()))))
    again = inputs.repeats[inputs.repeats["n_rehits"] > 0]
    assert table["rate_per_year"].iloc[0] == pytest.approx(again["rate_per_year"].max())
    assert table["place_name"].str.contains(r"\(").all()
    bare = gather_facts(make_input(n=100, full=False), load_parameters())
    assert static_map._drawn_table(bare) == ""


def test_routes_of_a_day_are_drawn_under_the_crews_names() -> None:
    lines = [shapely.LineString([(0, 0), (100, at)]) for at in (0, 50)]
    routes = gpd.GeoDataFrame({"route_id": ["v1", "v2"], "crew": ["Van A", "Trailer"]},
                              geometry=lines, crs="EPSG:32625")
    stops = gpd.GeoDataFrame({"kind": ["reported", "hotspot", "hotspot"]},
                             geometry=gpd.points_from_xy([0, 50, 100], [0, 0, 50]), crs=routes.crs)
    ax = Figure().add_subplot()
    text = static_map.day_routes(routes, stops, ax=ax, say=Say("en"))
    named = [label.get_text() for label in ax.get_legend().get_texts()]
    assert named == ["Van A", "Trailer", "1 reported job", "2 hotspots to look at"]
    assert text.title.startswith("2 crews go out")
    assert "Van A and Trailer" in text.note
    one = static_map.day_routes(routes.head(1), stops, ax=Figure().add_subplot(), say=Say("en"))
    assert one.title.startswith("One crew goes out")
