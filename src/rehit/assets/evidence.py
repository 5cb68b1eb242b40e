"""How well each nearby asset explains an incident: distance, kind, surface and address weighed.

Every candidate gets the ratio of how likely the evidence is if the marking is on it to how likely
it is on a surface that is not in the register. Ratios of independent pieces of evidence multiply
(Fellegi and Sunter 1969, "A theory for record linkage", JASA 64: 1183-1210). The distance enters as
a two-dimensional normal error; its rival is the density of unregistered surfaces
(:mod:`rehit.assets.rival`). Shares of the total are the confidence.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from rapidfuzz import fuzz, process

from rehit.addresses import address_table
from rehit.parameters import Parameters
from rehit.vocabulary import code_texts

CHUNK = 100_000
AGREES, SILENT, DIFFERS, STREET = 1, 0, -1, 2


@dataclass(frozen=True)
class Features:
    """What can be compared, one entry per row of an incidents or register table."""

    geometry: np.ndarray
    kind: np.ndarray
    substrate: np.ndarray
    address: np.ndarray
    street: np.ndarray
    number_low: np.ndarray
    number_high: np.ndarray
    spread: np.ndarray

    def take(self, rows: np.ndarray) -> Features:
        """Return the features of some rows."""
        return Features(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))


def features(frame: gpd.GeoDataFrame, *, kind: str, parameters: Parameters,
             metre: float) -> Features:
    """Collect what can be compared; text that is not known becomes an empty string.

    A long wall that the register gives as a point is hit anywhere along it: its ``spread`` is the
    standard deviation per axis of a place drawn evenly along a wall of unknown direction, length
    over the square root of 24, with the length taken from its area.
    """
    parts = address_table(frame["address_key"])
    substrate = frame["substrate"].astype("str").fillna("").replace("unknown", "")
    written = frame[kind].astype("str")
    code = code_texts(written, field="asset_type", otherwise="").replace("unknown", "")
    own = written.str.lower().fillna("").replace("unknown", "")
    return Features(
        frame.geometry.to_numpy(), code.where(code != "", own).to_numpy(object),
        substrate.to_numpy(object), frame["address_key"].astype("str").fillna("").to_numpy(object),
        frame["street_key"].astype("str").fillna("").to_numpy(object),
        parts["number_low"].fillna(-1).to_numpy(int), parts["number_high"].fillna(-1).to_numpy(int),
        _spread(frame, parameters=parameters, metre=metre))


def _spread(frame: gpd.GeoDataFrame, *, parameters: Parameters, metre: float) -> np.ndarray:
    if "wall_area_m2" not in frame:
        return np.zeros(len(frame))
    length = (frame["wall_area_m2"] / parameters["assets.wall_height_m"]).clip(
        upper=parameters["assets.wall_length_max_m"]).fillna(0.0).to_numpy(float)
    return np.where(frame.geom_type.eq("Point"), length / np.sqrt(24.0), 0.0) * metre


def score_places(incidents: Features, assets: Features, *, error: np.ndarray,
                 parameters: Parameters) -> pd.DataFrame:
    """Return the best asset of each incident, the runner-up and their scores.

    Parameters
    ----------
    incidents, assets
        Features of the two sides; geometries in one projected CRS.
    error
        Standard deviation of each incident's point, in CRS units.

    Returns
    -------
    pandas.DataFrame
        One row per incident that has a candidate: ``row, best, score, second, second_score,
        total`` (over all candidates; densities per square CRS unit), ``distance, kind, substrate,
        address`` (the last three say what agreed).
    """
    tree = shapely.STRtree(assets.geometry)
    parts = [_score_chunk(incidents, assets, tree, error=error, start=start, parameters=parameters)
             for start in range(0, max(len(error), 1), CHUNK)]
    return pd.concat(parts, ignore_index=True)


def _score_chunk(incidents: Features, assets: Features, tree: shapely.STRtree, *,
                 error: np.ndarray, start: int, parameters: Parameters) -> pd.DataFrame:
    rows = slice(start, start + CHUNK)
    widest = assets.spread.max(initial=0.0)
    reach = parameters["assets.search_sigmas"] * np.hypot(error[rows], widest)
    left, right = tree.query(incidents.geometry[rows], predicate="dwithin", distance=reach)
    left = left + start
    distance = shapely.distance(incidents.geometry[left], assets.geometry[right])
    sigma = np.hypot(error[left], assets.spread[right])
    near = distance <= parameters["assets.search_sigmas"] * sigma
    left, right, distance, sigma = left[near], right[near], distance[near], sigma[near]
    density = np.exp(-0.5 * (distance / sigma) ** 2) / (2 * np.pi * sigma**2)
    kind = _compare(incidents.kind[left], assets.kind[right])
    substrate = _compare(incidents.substrate[left], assets.substrate[right])
    address = compare_addresses(incidents.take(left), assets.take(right), parameters=parameters)
    score = density * _ratio(kind, "type", parameters) * _ratio(substrate, "substrate", parameters)
    score *= np.select(
        [address == AGREES, address == STREET, address == DIFFERS],
        [parameters["assets.address_agrees_ratio"], parameters["assets.street_agrees_ratio"],
         parameters["assets.street_differs_ratio"]], 1.0)
    return _best(left, right, score, distance, kind, substrate, address)


def _compare(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    known = (one != "") & (other != "")
    return np.where(known, np.where(one == other, AGREES, DIFFERS), SILENT)


def _ratio(agreement: np.ndarray, name: str, parameters: Parameters) -> np.ndarray:
    return np.select([agreement == AGREES, agreement == DIFFERS],
                     [parameters[f"assets.{name}_agrees_ratio"],
                      parameters[f"assets.{name}_differs_ratio"]], 1.0)


def compare_addresses(one: Features, other: Features, *, parameters: Parameters) -> np.ndarray:
    """Say for each pair whether the house agrees, only the street, neither, or nothing is known.

    A house agrees when the key is the same or the number ranges overlap in the same street. Two
    different numbers in one street say nothing: walls run along several houses.
    """
    known = (one.street != "") & (other.street != "")
    codes, names = pd.factorize(np.concatenate([one.street, other.street]))
    half = len(one.street)
    pairs = codes[:half].astype(np.int64) * max(len(names), 1) + codes[half:]
    unique, inverse = np.unique(pairs, return_inverse=True)
    width = max(len(names), 1)
    same = same_street([names[p // width] for p in unique], [names[p % width] for p in unique],
                       similarity=parameters["assets.street_similarity"])[inverse]
    numbered = (one.number_low >= 0) & (other.number_low >= 0)
    overlap = (one.number_low <= other.number_high) & (other.number_low <= one.number_high)
    house = known & same & numbered & overlap
    street = known & same & ~numbered
    return np.select([house, street, known & ~same], [AGREES, STREET, DIFFERS], SILENT)


def same_street(one: list[str], other: list[str], *, similarity: float) -> np.ndarray:
    """Say for each pair of street keys whether they name one street, slips of the pen forgiven.

    A crossing shares a street with each of its two; names that differ in a figure (5th, 6th) or
    in a compass point are different streets, however alike.
    """
    if not one:
        return np.empty(0, bool)
    score = process.cpdist(one, other, scorer=fuzz.ratio)
    alike = np.asarray(score) >= similarity
    for place in np.flatnonzero(alike | np.char.find(np.array(one, str), "&").astype(bool)):
        a, b = one[place], other[place]
        if a == b:
            alike[place] = True
        elif "&" in a or "&" in b:
            alike[place] = bool(set(a.split(" & ")) & set(b.split(" & ")))
        elif alike[place]:
            alike[place] = _telling(a) == _telling(b)
    return alike


def _telling(street: str) -> list[str]:
    compass = ("north", "south", "east", "west")
    return [w for w in street.split() if any(c.isdigit() for c in w) or w.startswith(compass)]


def _best(left: np.ndarray, right: np.ndarray, score: np.ndarray, distance: np.ndarray,
          kind: np.ndarray, substrate: np.ndarray, address: np.ndarray) -> pd.DataFrame:
    """Keep the best and the second candidate of each incident."""
    order = np.lexsort((right, -score, left))
    left, right, score = left[order], right[order], score[order]
    opens = np.ones(len(left), bool)
    opens[1:] = left[1:] != left[:-1]
    first = np.flatnonzero(opens)
    total = np.add.reduceat(score, first) if len(first) else score
    opens = np.append(opens, True)
    has_second = ~opens[first + 1]
    second = np.where(has_second, first + 1, first)
    picked = order[first]
    return pd.DataFrame({
        "row": left[first], "best": right[first], "score": score[first],
        "second": np.where(has_second, right[second], -1),
        "second_score": np.where(has_second, score[second], 0.0), "total": total,
        "distance": distance[picked], "kind": kind[picked], "substrate": substrate[picked],
        "address": address[picked],
    })
