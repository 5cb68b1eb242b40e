from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import geopandas as gpd
import networkx as nx
import numpy as np
import osmium
import pytest
from patrol_town import CRS, EAST, NORTH, grid_streets
from shapely.geometry import LineString, Point

from rehit.errors import DataWarning, InputFileError, TableError
from rehit.parameters import Parameters
from rehit.patrol.travel import build_network, read_streets, travel_times, ways


def network(lines: gpd.GeoDataFrame, numbers: Parameters):
    return build_network(lines, parameters=numbers)


def places(*xy: tuple[float, float]) -> gpd.GeoSeries:
    return gpd.GeoSeries([Point(EAST + x, NORTH + y) for x, y in xy], crs=CRS)


def test_matrix_against_networkx_on_1000_random_pairs(numbers: Parameters) -> None:
    """NetworkX's Dijkstra on a graph built here from the same lines, one arc at a time."""
    rng = np.random.default_rng(3)
    lines = grid_streets(12)
    lines["speed_kmh"] = rng.uniform(10, 60, len(lines))
    lines["oneway"] = rng.random(len(lines)) < 0.3
    town = nx.MultiDiGraph()
    share = numbers["patrol.speed_share"]
    for line, speed, single in zip(lines.geometry, lines["speed_kmh"], lines["oneway"],
                                   strict=True):
        for a, b in zip(line.coords[:-1], line.coords[1:], strict=True):
            seconds = np.hypot(a[0] - b[0], a[1] - b[1]) / (speed * share / 3.6)
            town.add_edge(a, b, seconds=seconds)
            if not single:
                town.add_edge(b, a, seconds=seconds)
    corners = sorted(town.nodes)
    points = gpd.GeoSeries([Point(c) for c in corners], crs=CRS)
    found = travel_times(points, network=network(lines, numbers), parameters=numbers).seconds
    for _ in range(1000):
        i, j = rng.integers(0, len(corners), 2)
        try:
            want = nx.dijkstra_path_length(town, corners[i], corners[j], weight="seconds")
        except nx.NetworkXNoPath:
            want = np.inf
        # Snapping puts a microsecond between a place and the corner it stands on.
        assert found[i, j] == pytest.approx(want, abs=1e-4)


def test_two_places_on_one_street_are_joined_directly(numbers: Parameters) -> None:
    lines = gpd.GeoDataFrame({"speed_kmh": [36.0]}, crs=CRS, geometry=[
        LineString([(EAST, NORTH), (EAST + 1000, NORTH)])])
    found = travel_times(places((200, 0), (700, 0)), network=network(lines, numbers),
                         parameters=numbers).seconds
    assert found[0, 1] == pytest.approx(500 / (10 * numbers["patrol.speed_share"]), abs=1e-4)


def test_one_way_street_is_driven_only_as_drawn(numbers: Parameters) -> None:
    lines = gpd.GeoDataFrame({"speed_kmh": [36.0], "oneway": ["yes"]}, crs=CRS, geometry=[
        LineString([(EAST, NORTH), (EAST + 1000, NORTH)])])
    travel = travel_times(places((200, 0), (700, 0)), network=network(lines, numbers),
                          parameters=numbers)
    assert np.isfinite(travel.seconds[0, 1])
    assert np.isinf(travel.seconds[1, 0])


def test_parallel_streets_take_the_faster_not_the_sum(numbers: Parameters) -> None:
    way = [(EAST, NORTH), (EAST + 1000, NORTH)]
    lines = gpd.GeoDataFrame({"speed_kmh": [18.0, 36.0]}, crs=CRS,
                             geometry=[LineString(way), LineString(way)])
    found = travel_times(places((0, 0), (1000, 0)), network=network(lines, numbers),
                         parameters=numbers).seconds
    assert found[0, 1] == pytest.approx(1000 / (10 * numbers["patrol.speed_share"]), abs=1e-4)


def test_crossing_without_a_shared_vertex_is_a_bridge(numbers: Parameters) -> None:
    lines = gpd.GeoDataFrame(crs=CRS, geometry=[
        LineString([(EAST, NORTH), (EAST + 200, NORTH)]),
        LineString([(EAST + 100, NORTH - 100), (EAST + 100, NORTH + 100)])])
    travel = travel_times(places((10, 0), (100, 90)), network=network(lines, numbers),
                          parameters=numbers)
    assert np.isinf(travel.seconds[[0, 1], [1, 0]]).all()


@pytest.mark.parametrize(("word", "kind"), [
    ("motorway", "fast_road"), ("primary", "main_road"), ("residential", "street"),
    ("service", "lane"), ("a word of their own", "street")])
def test_speed_is_that_of_the_road_class_where_none_is_signed(
        numbers: Parameters, word: str, kind: str) -> None:
    lines = gpd.GeoDataFrame({"class": [word], "speed_kmh": [np.nan]}, crs=CRS, geometry=[
        LineString([(EAST, NORTH), (EAST + 1000, NORTH)])])
    found = travel_times(places((0, 0), (1000, 0)), network=network(lines, numbers),
                         parameters=numbers).seconds
    speed = numbers[f"patrol.speed_{kind}_kmh"] * numbers["patrol.speed_share"] / 3.6
    assert found[0, 1] == pytest.approx(1000 / speed, abs=1e-4)


def test_place_off_the_street_is_walked_to(numbers: Parameters) -> None:
    found = travel_times(places((50, 0), (50, 20)), network=network(grid_streets(2), numbers),
                         parameters=numbers).seconds
    assert found[0, 1] == pytest.approx(20 / (numbers["patrol.walk_speed_kmh"] / 3.6), abs=1e-4)


def test_far_and_empty_places_are_unreachable(numbers: Parameters) -> None:
    spots = gpd.GeoSeries([Point(EAST, NORTH), Point(EAST - 5000, NORTH), None, Point()], crs=CRS)
    travel = travel_times(spots, network=network(grid_streets(3), numbers), parameters=numbers)
    assert np.isinf(travel.seconds[~np.eye(4, dtype=bool)]).all()


def test_straight_line_uses_the_detour_factor(numbers: Parameters) -> None:
    found = travel_times(places((0, 0), (300, 400)), network=None, parameters=numbers).seconds
    speed = numbers["patrol.straight_speed_kmh"] / 3.6
    assert found[0, 1] == pytest.approx(500 * numbers["patrol.detour_factor"] / speed)


def test_ways_follow_the_streets(numbers: Parameters) -> None:
    travel = travel_times(places((0, 0), (500, 500)), network=network(grid_streets(), numbers),
                          parameters=numbers)
    (line,) = ways(travel, [(0, 1)])
    assert line.length == pytest.approx(1000)


def test_degrees_are_refused(numbers: Parameters) -> None:
    with pytest.raises(TableError, match="projected"):
        build_network(grid_streets().to_crs(4326), parameters=numbers)


def test_geojson_and_geopackage_read_alike(tmp_path: Path) -> None:
    lines = grid_streets(3)
    lines.to_file(tmp_path / "s.gpkg", driver="GPKG")
    lines.to_crs(4326).to_file(tmp_path / "s.geojson", driver="GeoJSON")
    a, b = (read_streets(tmp_path / name, crs=CRS) for name in ("s.gpkg", "s.geojson"))
    assert len(a) == len(b) == 6
    assert a.length.sum() == pytest.approx(b.length.sum(), abs=0.1)


def test_osm_extract_gives_roads_speeds_and_one_ways(tmp_path: Path) -> None:
    file = tmp_path / "town.osm.pbf"
    with osmium.SimpleWriter(str(file)) as writer:
        for i in range(4):
            writer.add_node(osmium.osm.mutable.Node(id=i + 1, location=(-33.0 + i / 1000, 46.0)))
        way = osmium.osm.mutable.Way
        writer.add_way(way(id=1, nodes=[1, 2], tags={"highway": "residential", "name": "Low Row",
                                                      "maxspeed": "20 mph"}))
        writer.add_way(way(id=2, nodes=[2, 3], tags={"highway": "primary", "oneway": "-1"}))
        writer.add_way(way(id=3, nodes=[3, 4], tags={"highway": "footway"}))
        writer.add_way(way(id=4, nodes=[3, 4], tags={"building": "yes"}))
    roads = read_streets(file, crs=CRS)
    assert roads["name"].tolist() == ["Low Row", ""]
    assert roads["speed_kmh"].iloc[0] == pytest.approx(32.18688)
    assert np.isnan(roads["speed_kmh"].iloc[1])
    assert roads["oneway"].tolist() == [False, True]
    x = [point[0] for point in roads.geometry.iloc[1].coords]
    assert x[0] > x[-1]


@pytest.mark.parametrize("content", [b"", b"not a map at all"])
def test_broken_files_are_named(tmp_path: Path, content: bytes) -> None:
    for name in ("s.gpkg", "s.geojson", "s.osm.pbf"):
        (tmp_path / name).write_bytes(content)
        with pytest.raises(InputFileError, match=name):
            read_streets(tmp_path / name, crs=CRS)


def test_a_street_of_one_point_is_left_out_and_counted(tmp_path: Path) -> None:
    """Fault: the library refused the whole file in a traceback."""
    file = tmp_path / "s.geojson"
    grid_streets(3).to_crs(4326).to_file(file)
    streets = json.loads(file.read_text(encoding="utf-8"))
    whole = len(streets["features"])
    for number, corners in ((0, streets["features"][0]["geometry"]["coordinates"][:1]), (2, [])):
        streets["features"][number]["geometry"]["coordinates"] = corners
    file.write_text(json.dumps(streets), encoding="utf-8")
    with pytest.warns(DataWarning, match=r"2 rows of s\.geojson"):
        read = read_streets(file, crs=CRS)
    assert len(read) == whole - 2
    assert read.geometry.length.min() > 0


def test_a_column_name_that_is_no_text_is_named(tmp_path: Path) -> None:
    """Fault: a byte of no alphabet in a property's name ended in a traceback."""
    grid_streets(3).assign(kind="street").to_crs(4326).to_file(tmp_path / "s.geojson")
    content = (tmp_path / "s.geojson").read_bytes()
    assert b'"kind"' in content
    (tmp_path / "s.geojson").write_bytes(content.replace(b'"kind"', b'"kin\x89"'))
    with pytest.raises(InputFileError, match=r"s\.geojson"):
        read_streets(tmp_path / "s.geojson", crs=CRS)


def _town_by_itself(lines: gpd.GeoDataFrame, spots: list[tuple[float, float]],
                    share: float, walk_m_per_s: float) -> nx.MultiDiGraph:
    """A NetworkX graph in which each place is cut into the stretch it is nearest to."""
    town = nx.MultiDiGraph()
    pieces = []
    for line, speed, single in zip(lines.geometry, lines["speed_kmh"], lines["oneway"],
                                   strict=True):
        pieces += [(a, b, speed * share / 3.6, single)
                   for a, b in zip(line.coords[:-1], line.coords[1:], strict=True)]
    cut: dict[int, list[tuple[float, tuple[float, float]]]] = {}
    for number, spot in enumerate(spots):
        gaps = [LineString([a, b]).distance(Point(spot)) for a, b, _, _ in pieces]
        at = int(np.argmin(gaps))
        along = LineString(pieces[at][:2]).project(Point(spot))
        node = (f"street {number}",)
        cut.setdefault(at, []).append((along, node))
        for a, b in ((("place", number), node), (node, ("place", number))):
            town.add_edge(a, b, seconds=gaps[at] / walk_m_per_s)
    for at, (a, b, speed, single) in enumerate(pieces):
        length = float(np.hypot(a[0] - b[0], a[1] - b[1]))
        chain = [(0.0, a), *sorted(cut.get(at, [])), (length, b)]
        for (near, first), (far, second) in pairwise(chain):
            town.add_edge(first, second, seconds=(far - near) / speed)
            if not single:
                town.add_edge(second, first, seconds=(far - near) / speed)
    return town


def test_times_between_places_against_networkx_on_1000_random_pairs(numbers: Parameters) -> None:
    """Places anywhere along or beside slanting streets, each joining both directions."""
    rng = np.random.default_rng(5)
    lines = grid_streets(9)
    lines.geometry = lines.geometry.rotate(17.3, origin=(EAST, NORTH))
    lines["speed_kmh"] = rng.uniform(10, 60, len(lines))
    lines["oneway"] = rng.random(len(lines)) < 0.25
    chosen = rng.integers(0, len(lines), 80)
    spots = []
    for line, along in zip(lines.geometry.iloc[chosen], rng.uniform(20, 780, 80), strict=True):
        point = line.interpolate(along)
        aside = rng.uniform(-8, 8, 2)
        spots.append((point.x + aside[0], point.y + aside[1]))
    town = _town_by_itself(lines, spots, numbers["patrol.speed_share"],
                           numbers["patrol.walk_speed_kmh"] / 3.6)
    found = travel_times(gpd.GeoSeries([Point(s) for s in spots], crs=CRS),
                         network=network(lines, numbers), parameters=numbers).seconds
    reached = 0
    for i, j in rng.integers(0, len(spots), (1000, 2)):
        try:
            want = nx.dijkstra_path_length(town, ("place", i), ("place", j), weight="seconds")
            reached += i != j
        except nx.NetworkXNoPath:
            want = np.inf
        assert found[i, j] == pytest.approx(want, abs=1e-6)
    assert reached > 900


def test_a_place_joins_both_directions_of_a_two_way_street(numbers: Parameters) -> None:
    """On a slanting street the two directions are not equally near to the last bit."""
    rng = np.random.default_rng(2)
    line = LineString([(EAST, NORTH), (EAST + 871.3, NORTH + 317.9)])
    lines = gpd.GeoDataFrame({"speed_kmh": [36.0]}, crs=CRS, geometry=[line])
    spots = [line.interpolate(at) for at in rng.uniform(10, 900, 300)]
    found = travel_times(gpd.GeoSeries(spots, crs=CRS), network=network(lines, numbers),
                         parameters=numbers).seconds
    np.testing.assert_allclose(found, found.T, atol=1e-6)
    assert np.isfinite(found).all()
