"""Turns that the streets forbid are in no route."""

from __future__ import annotations

from itertools import pairwise, permutations, product
from pathlib import Path
from typing import NamedTuple

import geopandas as gpd
import networkx as nx
import numpy as np
import osmium
import pytest
from patrol_town import CRS, grid_streets
from pyproj import Transformer
from shapely.geometry import LineString

from rehit.parameters import Parameters
from rehit.patrol.travel import build_network, read_streets, travel_times, ways


def blocks(n: int, rng: np.random.Generator) -> gpd.GeoDataFrame:
    """A grid in which each block is a street of its own with a speed of its own."""
    pieces = [LineString(pair) for line in grid_streets(n).geometry
              for pair in pairwise(line.coords)]
    return gpd.GeoDataFrame({
        "speed_kmh": rng.uniform(10, 60, len(pieces)), "oneway": rng.random(len(pieces)) < 0.2,
        "street_id": [str(number) for number in range(len(pieces))]}, geometry=pieces, crs=CRS)


def middle_to_middle(lines: gpd.GeoDataFrame, share: float) -> nx.DiGraph:
    """A graph of drives: from the middle of one block to that of the next, where one may turn."""
    town = nx.DiGraph()
    drives = []
    for row in lines.itertuples():
        a, b = row.geometry.coords
        seconds = row.geometry.length / (row.speed_kmh * share / 3.6)
        drives += [(row.Index, a, b, seconds)] + [(row.Index, b, a, seconds)] * (not row.oneway)
    for (one, a, b, first), (other, c, d, second) in product(drives, drives):
        if b == c and str(other) not in lines["no_turns"][one].split(";"):
            town.add_edge((one, a, b), (other, c, d), seconds=(first + second) / 2)
    return town


def test_forbidden_turns_against_networkx_on_a_graph_of_drives(numbers: Parameters) -> None:
    """NetworkX knows no turns: its nodes are drives along a block, its edges the turns allowed."""
    rng = np.random.default_rng(8)
    lines = blocks(5, rng)
    meet = [[j for j in lines.index if i != j and lines.geometry[i].touches(lines.geometry[j])]
            for i in lines.index]
    lines["no_turns"] = [";".join(str(j) for j in near if rng.random() < 0.3) for near in meet]
    town = middle_to_middle(lines, numbers["patrol.speed_share"])
    found = travel_times(lines.geometry.interpolate(0.5, normalized=True), parameters=numbers,
                         network=build_network(lines, parameters=numbers)).seconds
    free = travel_times(lines.geometry.interpolate(0.5, normalized=True), parameters=numbers,
                        network=build_network(lines.drop(columns="no_turns"),
                                              parameters=numbers)).seconds
    drives: dict[int, list[tuple]] = {}
    for drive in town.nodes:
        drives.setdefault(drive[0], []).append(drive)
    reached = 0
    for i, starts in drives.items():
        want = {}
        for start in starts:
            for end, seconds in nx.single_source_dijkstra_path_length(
                    town, start, weight="seconds").items():
                want[end[0]] = min(seconds, want.get(end[0], np.inf))
        for j in drives.keys() - {i}:
            assert found[i, j] == pytest.approx(want.get(j, np.inf), abs=1e-6)
            reached += j in want
    assert reached > 1000
    assert (found >= free - 1e-9).all()
    assert (found > free + 1).sum() > 100


def test_a_place_at_the_corner_is_no_way_round_the_turn(numbers: Parameters) -> None:
    """South to west is forbidden at the crossing: on to the north, round at its end, and back."""
    lines = gpd.GeoDataFrame(
        {"speed_kmh": 36.0 / numbers["patrol.speed_share"], "street_id": list("abc"),
         "no_turns": ["b", "", ""]}, crs=CRS, geometry=[
            LineString([(500000, 5094000), (500000, 5094100)]),   # a, from the south
            LineString([(500000, 5094100), (499900, 5094100)]),   # b, to the west
            LineString([(500000, 5094100), (500000, 5094200)])])  # c, to the north
    spots = gpd.GeoSeries.from_xy([500000, 499950, 500000], [5094050, 5094100, 5094100], crs=CRS)
    travel = travel_times(spots, network=build_network(lines, parameters=numbers),
                          parameters=numbers)
    # To the middle of b: 50 m of a, 200 m on c and half of b, at 10 m a second.
    assert travel.seconds[0, 1] == pytest.approx(30.0, abs=1e-6)
    assert travel.seconds[1, 0] == pytest.approx(10.0, abs=1e-6)  # the other way is free
    assert travel.seconds[0, 2] == pytest.approx(5.0, abs=1e-6)
    line = ways(travel, [(0, 1)])[0]
    assert line.length == pytest.approx(300.0, abs=0.01)


def extract(file: Path, *rules: tuple[int, int, str]) -> Path:
    """A crossing of four ways at node 5, and rules from a way into a way."""
    ends = {1: (0, -1), 2: (1, 0), 3: (0, 1), 4: (-1, 0), 5: (0, 0)}
    with osmium.SimpleWriter(str(file)) as writer:
        for node, (x, y) in ends.items():
            writer.add_node(osmium.osm.mutable.Node(
                id=node, location=(-33.0 + x / 1000, 46.0 + y / 1000)))
        for way in range(1, 5):
            writer.add_way(osmium.osm.mutable.Way(
                id=way, nodes=[way, 5], tags={"highway": "residential"}))
        for number, (start, into, kind) in enumerate(rules, start=1):
            writer.add_relation(osmium.osm.mutable.Relation(
                id=number, tags={"type": "restriction", "restriction": kind},
                members=[("w", start, "from"), ("n", 5, "via"), ("w", into, "to")]))
    return file


def test_turn_rules_of_an_extract_are_read(tmp_path: Path) -> None:
    """OpenStreetMap's relation "restriction": what is forbidden, or the only way allowed."""
    roads = read_streets(extract(tmp_path / "a.osm.pbf", (1, 4, "no_left_turn"),
                                 (2, 4, "only_straight_on"), (3, 3, "no_u_turn"),
                                 (4, 2, "hgv_rule")), crs=CRS)
    assert dict(zip(roads["street_id"], roads["no_turns"], strict=True)) == {
        "1": "4@1", "2": "1@1;3@1", "3": "", "4": ""}


class Drive(NamedTuple):
    """One block of a way driven in one direction, from node to node."""

    way: int
    start: int
    end: int


class RealTown(NamedTuple):
    """What a file of a town says, kept beside it: nodes, ways of nodes, their tags, turn rules."""

    nodes: dict[int, tuple[float, float]]
    ways: dict[int, tuple[list[int], dict[str, str]]]
    rules: set[tuple[int, int, int, str]]

    @classmethod
    def drawn(cls, rng: np.random.Generator, n: int = 7) -> RealTown:
        """Rows and columns cut into ways of one to three blocks, and crescents off the rows."""
        # Degrees as a file keeps them: seven decimals.
        nodes = {n * y + x: (round(-33 + (x + rng.uniform(-0.2, 0.2)) / 900, 7),
                             round(46 + (y + rng.uniform(-0.2, 0.2)) / 1300, 7))
                 for y in range(n) for x in range(n)}
        lines = [[n * a + b for b in range(n)] for a in range(n)]
        pieces = []
        for line in lines + [list(column) for column in zip(*lines, strict=True)]:
            cuts = [0, *np.cumsum(rng.integers(1, 4, n)).tolist()]
            pieces += [line[a:b + 1] for a, b in pairwise(cuts) if a < n - 1]
        for at in rng.choice(n * (n - 2), 12, replace=False).tolist():
            outside = len(nodes)
            nodes[outside] = (round(nodes[at][0] + 0.0003, 7), round(nodes[at][1] + 0.0004, 7))
            pieces.append([at, outside, at + n])  # meets the column's way at both of its ends
        ways = {number: (piece, {
            "highway": "residential", "maxspeed": str(rng.integers(10, 60)),
            "oneway": str(rng.choice(["no", "no", "no", "no", "yes", "-1"]))})
            for number, piece in enumerate(pieces, start=1)}
        ends = {at: [w for w, (piece, _) in ways.items() if at in (piece[0], piece[-1])]
                for at in nodes}
        rules = set()
        for at, meeting in ends.items():
            for origin, into in permutations(meeting, 2):
                if rng.random() < 0.15 and not any(r[:2] == (origin, at) for r in rules):
                    kind = str(rng.choice(["no_left_turn", "no_right_turn", "only_straight_on"]))
                    rules.add((origin, at, into, kind))
        return cls(nodes, ways, rules)

    def write(self, file: Path) -> Path:
        with osmium.SimpleWriter(str(file)) as writer:
            for number, location in self.nodes.items():
                writer.add_node(osmium.osm.mutable.Node(id=number + 1, location=location))
            for number, (piece, tags) in self.ways.items():
                writer.add_way(osmium.osm.mutable.Way(
                    id=number, nodes=[node + 1 for node in piece], tags=tags))
            for number, (origin, at, into, kind) in enumerate(sorted(self.rules), start=1):
                writer.add_relation(osmium.osm.mutable.Relation(
                    id=number, tags={"type": "restriction", "restriction": kind},
                    members=[("w", origin, "from"), ("n", at + 1, "via"), ("w", into, "to")]))
        return file

    def drives(self) -> list[Drive]:
        found = []
        for number, (piece, tags) in self.ways.items():
            for a, b in pairwise(piece):
                found += [Drive(number, a, b)] * (tags["oneway"] != "-1")
                found += [Drive(number, b, a)] * (tags["oneway"] != "yes")
        return found

    def allowed(self, one: Drive, other: Drive) -> bool:
        if one.end != other.start or one.way == other.way:
            return one.end == other.start
        for origin, at, into, kind in self.rules:
            if (origin, at) == (one.way, one.end) and (into == other.way) == kind.startswith("no_"):
                return False
        return True


def test_an_extract_against_networkx_on_1000_pairs_of_places(
        tmp_path: Path, numbers: Parameters) -> None:
    """One-ways and turn rules from an ``.osm.pbf``; NetworkX on a graph whose nodes are drives."""
    rng = np.random.default_rng(4)
    town = RealTown.drawn(rng)
    transform = Transformer.from_crs(4326, CRS, always_xy=True)
    xy = {node: np.array(transform.transform(*at)) for node, at in town.nodes.items()}
    drives = town.drives()
    seconds = {d: float(np.hypot(*(xy[d.end] - xy[d.start]))) * 3.6 / numbers["patrol.speed_share"]
               / float(town.ways[d.way][1]["maxspeed"]) for d in drives}
    roads = nx.DiGraph()
    before: dict[Drive, list[Drive]] = {drive: [] for drive in drives}
    for one, other in product(drives, drives):
        if town.allowed(one, other):
            roads.add_edge(one, other, seconds=seconds[other])
            before[other].append(one)
    at = []
    blocks = sorted({(d.way, *sorted(d[1:])) for d in drives})
    for number, block in enumerate(rng.choice(len(blocks), 40, replace=False).tolist()):
        share, (way, a, b) = float(rng.uniform(0.2, 0.8)), blocks[block]
        at.append(xy[a] + share * (xy[b] - xy[a]))
        for drive, done in ((Drive(way, a, b), share), (Drive(way, b, a), 1 - share)):
            if drive in seconds:
                roads.add_edge(("from", number), drive, seconds=(1 - done) * seconds[drive])
                for one in before[drive]:
                    roads.add_edge(one, ("to", number), seconds=done * seconds[drive])
    streets = read_streets(town.write(tmp_path / "town.osm.pbf"), crs=CRS)
    found = travel_times(gpd.GeoSeries.from_xy(*np.array(at).T, crs=CRS), parameters=numbers,
                         network=build_network(streets, parameters=numbers)).seconds
    compared = 0
    for i in range(len(at)):
        want = nx.single_source_dijkstra_path_length(roads, ("from", i), weight="seconds")
        for j in range(len(at)):
            if i != j:
                assert found[i, j] == pytest.approx(want.get(("to", j), np.inf), abs=1e-6)
                compared += ("to", j) in want
    assert compared >= 1000
