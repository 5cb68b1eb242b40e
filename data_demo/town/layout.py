"""The street plan: an old core by the sea, a railway, a canal, estates, a hill and docks.

Streets are drawn as long lines, then cut wherever they meet, so that the result is a network.
"""

from __future__ import annotations

from collections.abc import Iterator

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely.geometry import LineString

from town.model import CRS, ORIGIN_XY, TILE_M
from town.names import (
    CLOSES,
    CORE_ALONG,
    CORE_UP,
    DOCK_ALONG,
    DOCK_UP,
    HILL,
    ONE_WAY,
    ROWS,
    SPINES,
    WARD_FIRST,
    WARD_LAST,
)

Drawn = tuple[str, str, LineString]
SPEEDS_KMH = {"main": 50.0, "street": 30.0, "lane": 20.0, "promenade": 30.0, "estate": 30.0,
              "dock": 40.0, "bridge": 40.0}
STUB_M = 32.0  # shorter loose ends are left-overs of the drawing


def coast_y(x: np.ndarray) -> np.ndarray:
    """Return the northing of the shore: a wide bay."""
    return 190.0 * (x / 1400.0) ** 2 + 18.0 * np.sin(x / 210.0)


def street_plan() -> gpd.GeoDataFrame:
    """Return the network of one tile in local metres: name, class, oneway, speed_kmh, length_m."""
    drawn = [*_promenade(), *_core(), *_hill(), *_main_roads(), *_estates(), *_docks()]
    pieces = _cut(drawn)
    pieces["speed_kmh"] = pieces["class"].map(SPEEDS_KMH)
    pieces["oneway"] = pieces["name"].isin(ONE_WAY) & ~_dangling(pieces)
    pieces["length_m"] = pieces.length.round(1)
    return pieces.sort_values(["name", "length_m"], kind="stable").reset_index(drop=True)


def tiled_plan(tiles: int) -> gpd.GeoDataFrame:
    """Return `tiles` copies of the plan in the town's CRS; copies after the first are wards.

    A ward's name stands in front of its street names, so that addresses stay unique.
    """
    plan = street_plan()
    side = int(np.ceil(np.sqrt(tiles)))
    copies = []
    for tile in range(tiles):
        copy = plan.copy()
        copy["geometry"] = copy.translate(ORIGIN_XY[0] + TILE_M * (tile % side),
                                          ORIGIN_XY[1] + TILE_M * (tile // side))
        copy["tile"] = tile
        copy["name"] = ward(tile) + copy["name"]
        copies.append(copy)
    streets = gpd.GeoDataFrame(pd.concat(copies, ignore_index=True), geometry="geometry", crs=CRS)
    streets["edge_id"] = np.arange(1, len(streets) + 1)
    return streets[["edge_id", "name", "class", "oneway", "speed_kmh", "length_m", "tile",
                    "geometry"]]


def ward(tile: int) -> str:
    """Return the invented name in front of a ward's streets: none for the first.

    Examples
    --------
    >>> ward(0), ward(1), ward(150)
    ('', 'Ashwick ', 'Ashley Nether ')
    """
    if tile == 0:
        return ""
    number = tile - 1
    first = WARD_FIRST[number // len(WARD_LAST) % len(WARD_FIRST)]
    again = number // (len(WARD_LAST) * len(WARD_FIRST))
    return f"{first}{WARD_LAST[number % len(WARD_LAST)]} " + "Nether " * again


def _smooth(points: list[tuple[float, float]]) -> LineString:
    """Round the corners of a line by two passes of corner cutting (Chaikin)."""
    xy = np.array(points, dtype=float)
    for _ in range(2):
        quarter = 0.75 * xy[:-1] + 0.25 * xy[1:]
        three = 0.25 * xy[:-1] + 0.75 * xy[1:]
        inner = np.stack([quarter, three], axis=1).reshape(-1, 2)
        xy = np.vstack([xy[:1], inner[1:-1], xy[-1:]])
    return LineString(xy)


def _promenade() -> Iterator[Drawn]:
    x = np.arange(-1400.0, 521.0, 40.0)
    yield "Promenade", "promenade", LineString(np.column_stack([x, coast_y(x) + 25.0]))
    x = np.arange(640.0, 1401.0, 40.0)
    yield "Mole Road", "dock", LineString(np.column_stack([x, coast_y(x) + 35.0]))


def _core() -> Iterator[Drawn]:
    along_y = [105.0, 180.0, 262.0, 350.0, 430.0, 525.0, 610.0]
    for name, y in zip(CORE_ALONG, along_y, strict=True):
        kind = "main" if name == "High Street" else "street"
        bend = 14.0 if y > 300 else -10.0
        yield name, kind, _smooth([(-520, y + 22), (-200, y + bend), (120, y + 4), (500, y - 26)])
    for n, (name, x) in enumerate(zip(CORE_UP, np.linspace(-470.0, 470.0, len(CORE_UP)),
                                      strict=True)):
        top = 640.0 if n % 3 else 580.0
        lean = 22.0 if n % 2 else -6.0
        kind = "lane" if name.endswith(("Lane", "Passage", "Steps")) else "street"
        yield name, kind, _smooth([(x - 12, 10), (x, 230), (x + lean, 430), (x + 30, top)])


def _hill() -> Iterator[Drawn]:
    for n, name in enumerate(HILL[:5]):
        y = (202.0, 284.0, 372.0, 452.0, 547.0)[n]  # where the core's streets end
        yield name, "street", _smooth([(-520, y), (-720, y + 55), (-950, y + 20),
                                       (-1180, y + 70), (-1360, y + 10 + 12 * n)])
    for n, name in enumerate(HILL[5:]):
        x = -640.0 - 170.0 * n
        yield name, "lane", _smooth([(x, 15), (x - 30, 260), (x + 25, 470), (x - 20, 690)])
    yield "Coombe Road", "main", _smooth([(-1340, 160), (-1385, 420), (-1330, 700), (-1260, 870)])


def _main_roads() -> Iterator[Drawn]:
    yield "Station Road", "main", _smooth([(-470, 545), (-250, 700), (20, 690), (300, 650),
                                           (500, 600)])
    yield "Cutting Road", "street", _smooth([(-1345, 640), (-900, 668), (-640, 655), (-465, 540)])
    yield "Low Arch", "bridge", LineString([(-200, 660), (-205, 875)])
    yield "Signal Bridge", "bridge", LineString([(330, 630), (345, 880)])
    yield "Coombe Crossing", "bridge", LineString([(-900, 645), (-905, 880)])
    yield "Northgate Road", "main", _smooth([(-1300, 865), (-900, 860), (-500, 872), (-200, 860),
                                             (150, 875), (480, 865)])
    yield "Lock Bridge", "bridge", LineString([(450, 120), (720, 132)])
    yield "Basin Bridge", "bridge", LineString([(485, 497), (720, 510)])
    yield "Top Bridge", "bridge", LineString([(440, 865), (740, 880)])
    yield "Towpath", "lane", _smooth([(545, 95), (528, 300), (530, 500), (525, 700), (500, 868),
                                      (525, 1200), (505, 1600)])


def _estates() -> Iterator[Drawn]:
    closes = iter(CLOSES)
    for n, name in enumerate(SPINES):
        x = -1180.0 + 270.0 * n
        top = 1620.0 + 170.0 * np.sin(n * 1.7)
        spine = _smooth([(x, 845), (x + 45, 1050), (x - 40, 1350), (x + 20, top)])
        yield name, "estate", spine
        for k in range(5):
            base = spine.interpolate(0.17 + 0.17 * k, normalized=True)
            side = 1.0 if (k + n) % 2 else -1.0
            reach = side * (88.0 + 9.0 * ((k * 3 + n) % 4))
            yield next(closes), "estate", _smooth(
                [(base.x - side * 2, base.y), (base.x + reach * 0.6, base.y + 12),
                 (base.x + reach, base.y + 48)])
    for y, name in zip((1010.0, 1330.0, 1580.0), ROWS, strict=True):
        yield name, "estate", _smooth([(-1290, y + 10), (-800, y - 35), (-250, y + 25),
                                       (200, y - 15), (535, y + 5)])


def _docks() -> Iterator[Drawn]:
    for name, y in zip(DOCK_ALONG, (132.0, 320.0, 510.0, 700.0, 880.0), strict=True):
        yield name, "dock", LineString([(650, y), (980, y + 8), (1340, y - 6)])
    for name, x in zip(DOCK_UP, (690.0, 870.0, 1060.0, 1240.0), strict=True):
        yield name, "dock", LineString([(x, 50), (x + 14, 500), (x + 6, 905)])


def _cut(drawn: list[Drawn]) -> gpd.GeoDataFrame:
    """Cut the drawn lines at their crossings and drop stubs and whatever hangs loose."""
    names = [name for name, _, _ in drawn]
    lines = shapely.set_precision(np.array([line for _, _, line in drawn]), 0.1)
    whole = shapely.union_all(lines, grid_size=0.1)
    merged = shapely.get_parts(shapely.line_merge(whole))
    tree = shapely.STRtree(lines)
    owner = np.array([int(tree.nearest(part.interpolate(0.5, normalized=True)))
                      for part in merged])
    pieces = gpd.GeoDataFrame({"name": [names[k] for k in owner],
                               "class": [drawn[k][1] for k in owner]}, geometry=list(merged))
    pieces = pieces[~(_dangling(pieces) & (pieces.length.to_numpy() < STUB_M))]
    pieces["geometry"] = [_along(piece, lines[k]) for piece, k in
                          zip(pieces.geometry, owner[pieces.index], strict=True)]
    return _largest_part(pieces.reset_index(drop=True))


def _along(piece: LineString, street: LineString) -> LineString:
    """Turn a piece so that it runs the way its street was drawn: one-way means that way."""
    start, end = (street.project(shapely.Point(piece.coords[k])) for k in (0, -1))
    return piece if start <= end else piece.reverse()


def _dangling(pieces: gpd.GeoDataFrame) -> np.ndarray:
    """Tell which pieces end in a dead end."""
    ends = _ends(pieces)
    degree = np.bincount(ends.reshape(-1))
    return np.asarray((degree[ends] == 1).any(axis=1))


def _ends(pieces: gpd.GeoDataFrame) -> np.ndarray:
    """Return the numbers of the two end nodes of each piece."""
    ends = np.array([[line.coords[0], line.coords[-1]] for line in pieces.geometry])
    keys = np.round(ends * 10).astype(np.int64).reshape(-1, 2)
    return np.unique(keys, axis=0, return_inverse=True)[1].reshape(-1, 2)


def _largest_part(pieces: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    ends = _ends(pieces)
    size = int(ends.max()) + 1
    graph = coo_array((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(size, size))
    label = connected_components(graph, directed=False)[1][ends[:, 0]]
    biggest = np.bincount(label).argmax()
    return pieces[label == biggest].reset_index(drop=True)
