"""Attach incidents to the assets of the register, or to sites where it has none."""

from __future__ import annotations

import re
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from rapidfuzz import fuzz, process
from scipy.spatial import cKDTree

from rehit.errors import TableError
from rehit.messages import Message, as_text, message
from rehit.parameters import Parameters, load_parameters
from rehit.tables import check, require_projected
from rehit.words.addresses import house_numbers, plain
from rehit.words.vocabulary import code_texts

# How well each nearby asset explains an incident: distance, kind, surface and address weighed.
#
# Every candidate gets the ratio of how likely the evidence is if the marking is on it to how
# likely it is on a surface that is not in the register. Ratios of independent pieces of evidence
# multiply (Fellegi and Sunter 1969, "A theory for record linkage", JASA 64: 1183-1210). The
# distance enters as a two-dimensional normal error; its rival is the density of unregistered
# surfaces (:mod:`rehit.assets.match`). Shares of the total are the confidence.

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
    parts = house_numbers(frame["address_key"])
    substrate = frame["substrate"].astype("str").fillna("").replace("unknown", "")
    written = frame[kind].astype("str")
    code = code_texts(written, kind="asset_type", otherwise="").replace("unknown", "")
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


# Repeat places derived from the log where the register has none.
#
# The first marking seen at a spot founds a site; later ones within the radius belong to the nearest
# founder. So a site is never wider than two radii however many markings lie along a wall (linking
# neighbour to neighbour would chain a whole street into one), and its name stays the same when next
# quarter's rows are added.

GRAINS = 6


def derive_sites(points: pd.DataFrame, *, radius: float) -> pd.Series:
    """Name the site of each row.

    Parameters
    ----------
    points
        Columns ``x, y`` (CRS units; NaN where only the address is known), ``seen`` (time of the
        report) and ``house`` (address key with a house number where the point was made from it or
        is missing, else empty).
    radius
        Radius of a site in CRS units.

    Returns
    -------
    pandas.Series
        Site id by the index of `points`; empty where a row has neither point nor house.

    Notes
    -----
    Points are first rounded to a sixth of the radius, so that ten thousand markings on one wall
    cost no more than the spots they fall on; a site is at most two radii and a third wide.
    Points made from two different house numbers never share a site. A row with a house number but
    no point joins the site where that house was first seen, or founds one named by the address.
    Founders are the greedy maximal independent set in order of first report, found by rounds of
    local minima (Luby 1986), so row order makes no difference.

    Examples
    --------
    >>> points = pd.DataFrame({"x": [0.0, 5.0, 100.0], "y": 0.0, "seen": [1, 2, 3], "house": ""})
    >>> derive_sites(points, radius=12).tolist()
    ['site-0-0', 'site-0-0', 'site-100-0']
    """
    spots = points.dropna(subset=["x", "y"])
    grain = radius / GRAINS
    spots = spots.assign(x=(spots["x"] / grain).round() * grain,
                         y=(spots["y"] / grain).round() * grain)
    named = pd.Series(None, index=points.index, dtype="str")
    if len(spots):
        key = ["x", "y", "house"]
        nodes = spots.groupby(key, sort=True)["seen"].min().reset_index()
        founder = _founders(nodes, radius)
        names = _names(nodes, founder)
        nodes["site"] = names[founder]
        named.loc[spots.index] = spots[key].merge(nodes, on=key, how="left", sort=False)[
            "site"].to_numpy()
        by_house = nodes[nodes["house"] != ""].sort_values(["seen", "x", "y"])
        homes = by_house.drop_duplicates("house").set_index("house")["site"]
    else:
        homes = pd.Series(dtype="str")
    lone = named.isna() & points["house"].ne("")
    houses = points.loc[lone, "house"].astype("str")
    named.loc[lone] = houses.map(homes).astype("str").fillna("site " + houses).to_numpy()
    return named


def _founders(nodes: pd.DataFrame, radius: float) -> np.ndarray:
    """Return for each node the node that founds its site."""
    n = len(nodes)
    tree = cKDTree(nodes[["x", "y"]].to_numpy(float))
    pairs = tree.query_pairs(radius, output_type="ndarray")
    house = pd.factorize(nodes["house"])[0]
    blank = (nodes["house"] == "").to_numpy()
    a, b = pairs[:, 0], pairs[:, 1]
    joined = blank[a] | blank[b] | (house[a] == house[b])
    a, b = np.r_[a[joined], b[joined]], np.r_[b[joined], a[joined]]
    rank = np.empty(n, int)
    rank[np.lexsort((nodes["house"], nodes["y"], nodes["x"], nodes["seen"]))] = np.arange(n)
    is_founder = _first_seen(rank, a, b)
    founder = np.where(is_founder, np.arange(n), -1)
    links = is_founder[b] & ~is_founder[a]
    a, b = a[links], b[links]
    xy = nodes[["x", "y"]].to_numpy(float)
    gap = np.hypot(*(xy[a] - xy[b]).T)
    order = np.lexsort((rank[b], gap, a))
    first = order[np.r_[True, a[order][1:] != a[order][:-1]]] if len(order) else order
    founder[a[first]] = b[first]
    return founder


def _first_seen(rank: np.ndarray, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Greedy maximal independent set by rank, over the undirected edges a-b given both ways."""
    n = len(rank)
    founder = np.zeros(n, bool)
    undecided = np.ones(n, bool)
    while undecided.any():
        lowest = np.full(n, n)
        np.minimum.at(lowest, a, rank[b])
        new = undecided & (rank < lowest)
        founder |= new
        covered = a[new[b]]
        undecided[covered] = False
        undecided &= ~new
        keep = undecided[a] & undecided[b]
        a, b = a[keep], b[keep]
    return founder


def _names(nodes: pd.DataFrame, founder: np.ndarray) -> np.ndarray:
    """Name founders by their whole-unit coordinates, with a letter where two would share it."""
    own = np.flatnonzero(founder == np.arange(len(nodes)))
    stem = ("site-" + nodes["x"].round().astype("int64").astype("str") + "-"
            + nodes["y"].round().astype("int64").astype("str"))
    order = nodes.iloc[own].assign(stem=stem.iloc[own]).sort_values(["seen", "x", "y", "house"])
    place = order.groupby("stem").cumcount()
    names = pd.Series("", index=nodes.index, dtype="object")
    names.loc[order.index] = order["stem"].where(
        place == 0, order["stem"] + "-" + (place + 1).astype("str"))
    return names.to_numpy(object)


# The rival of every match: a surface that gets marked but is not in the register.
#
# An incident comes either from one of the M registered assets or, with chance w, from anywhere in
# the area A they stand in. The log itself says how large w is: it is estimated by expectation
# maximisation of this two-part mixture (Dempster, Laird and Rubin 1977, J. R. Stat. Soc. B 39:
# 1-38), started from and held by the default ``assets.unregistered_per_hectare``.

ROUNDS = 200
CLOSE = 1e-6


def unregistered_density(totals: np.ndarray, *, n_incidents: int, geometry: np.ndarray,
                         hectare: float, parameters: Parameters) -> float:
    """Estimate the density of unregistered surfaces, per square CRS unit.

    Parameters
    ----------
    totals
        Summed scores of the incidents that have a candidate.
    n_incidents
        Incidents looked at, those without a candidate included.
    geometry
        The assets' geometries; their convex hull is the area.
    hectare
        Area of a hectare in CRS units.
    parameters
        ``assets.unregistered_per_hectare`` (start, and limits) and
        ``assets.unregistered_prior_incidents`` (how many incidents the start counts for).

    Examples
    --------
    >>> from rehit.parameters import load_parameters
    >>> unregistered_density(np.empty(0), n_incidents=0, geometry=np.array([shapely.Point(0, 0)]),
    ...                      hectare=1e4, parameters=load_parameters()) * 1e4
    1.0
    """
    row = parameters.row("assets.unregistered_per_hectare")
    start = row.value / hectare
    area = float(shapely.convex_hull(shapely.geometrycollections(geometry)).area)
    if area <= 0 or n_incidents == 0:
        return start
    registered = len(geometry) / area
    prior = start / (start + registered)
    weight = parameters["assets.unregistered_prior_incidents"]
    empty = n_incidents - len(totals)
    share = prior
    for _ in range(ROUNDS):
        rival = share / (1 - share) * registered
        outside = empty + float((rival / (totals + rival)).sum())
        new = (weight * prior + outside) / (weight + n_incidents)
        done, share = abs(new - share) < CLOSE, min(new, 1 - CLOSE)
        if done:
            break
    return float(np.clip(share / (1 - share) * registered, row.low / hectare, row.high / hectare))


# How near an asset stands by chance, where the register lists one kind of thing only.
#
# A bin within metres of a marking need not be what was marked: bins stand where people, and
# markings, are. The log's own points, moved a little way off in eight directions, keep that pattern
# but lose the asset; how many of them come as near is the share that does so by chance (the local
# false discovery rate of Efron 2004, "Large-scale simultaneous hypothesis testing", JASA 99:
# 96-104, with moved points as the null).

_BANDS = 12
_DIRECTIONS = 8
ONE_KIND = 0.95


def lists_one_kind(kinds: np.ndarray) -> bool:
    """Whether nearly all assets are of one kind, or of none that is said."""
    return len(kinds) > 1 and bool(pd.Series(kinds).value_counts(normalize=True).iloc[0]
                                   >= ONE_KIND)


def chance_near(points: np.ndarray, assets: np.ndarray, distance: np.ndarray, *, reach: float,
                shift: float) -> np.ndarray:
    """Return how likely an asset stands as near as `distance` by chance alone.

    Parameters
    ----------
    points, assets
        Geometries of all incidents looked at, and of the register.
    distance
        Distances to judge, in CRS units.
    reach
        Farthest distance of interest.
    shift
        How far the points are moved.

    Returns
    -------
    numpy.ndarray
        From 0 to 1, never falling with distance.

    Examples
    --------
    >>> bins = shapely.points(np.arange(20) * 500.0, 0.0)
    >>> chance_near(bins, bins, np.array([0.0]), reach=24.0, shift=60.0).tolist()
    [0.0]
    """
    tree, edges = shapely.STRtree(assets), np.linspace(0.0, reach, _BANDS + 1)
    seen = _histogram(tree, points, edges)
    angles = 2 * np.pi * np.arange(_DIRECTIONS) / _DIRECTIONS
    x, y = shapely.get_x(shapely.centroid(points)), shapely.get_y(shapely.centroid(points))
    moved = sum(_histogram(tree, shapely.points(x + shift * np.cos(a), y + shift * np.sin(a)),
                           edges) for a in angles) / _DIRECTIONS
    share = np.divide(moved, seen, out=np.ones(_BANDS), where=seen > 0)
    rising = np.maximum.accumulate(np.clip(share, 0.0, 1.0))
    band = np.clip(np.searchsorted(edges, distance, side="right") - 1, 0, _BANDS - 1)
    chance: np.ndarray = rising[band]
    return chance


def _histogram(tree: shapely.STRtree, points: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """Count points by the distance to their nearest asset."""
    left, distance = tree.query_nearest(points, max_distance=edges[-1], return_distance=True,
                                        all_matches=False)
    return np.histogram(distance[np.unique(left[0], return_index=True)[1]], edges)[0].astype(float)


# Matching by the owner's number, as written in the log.

_NOT_ALNUM = re.compile(r"[\W_]+")
_LETTERED = re.compile(r"([^\W\d_]*)[\W_]*?0*(\d+)")
_NOUGHTS = re.compile(r"(?<!\d)0+(?=\d)")


def match_numbers(given: pd.Series, register_ids: pd.Series) -> pd.Series:
    """Return the register row of each number written in the log; -1 where there is none.

    Case and spaces make no difference. Where that finds nothing, punctuation and leading noughts
    are ignored too (spreadsheets eat them), as long as only one asset fits.

    Examples
    --------
    >>> match_numbers(pd.Series(["a-001", "A1 ", "B2", None]), pd.Series(["A-1", "B-3"])).tolist()
    [0, 0, -1, -1]
    """
    written = given.dropna().unique()
    found: dict[str, int] = {}
    for loosen in (_same, _bare):
        rows: dict[str, int] = {}
        for row, number in enumerate(register_ids):
            key = loosen(number)
            rows[key] = -1 if key in rows else row
        for text in written:
            if found.get(text, -1) < 0:
                key = loosen(text)
                found[text] = rows.get(key, -1) if key else -1
    return given.map(found).fillna(-1).astype(int)


def match_without_letters(given: pd.Series, register_ids: pd.Series) -> pd.Series:
    """Return the register row of each number that fits but for letters one side leaves out.

    "MUR-0001" in the log is "1" in the register, or the reverse, where that number stands for one
    asset only and the side that writes letters puts no others before it: two kinds of letters
    before one number are two things, and which of them the bare number means is not known.

    Examples
    --------
    >>> match_without_letters(pd.Series(["MUR-0001", "W-2", None]), pd.Series(["1", "2"])).tolist()
    [0, 1, -1]
    >>> match_without_letters(pd.Series(["BAN-1", "MUR-1"]), pd.Series(["1", "2"])).tolist()
    [-1, -1]
    """
    parts = {text: _parts(text) for text in given.dropna().unique()}
    letters: dict[str, set[str]] = {}
    for prefix, number in parts.values():
        letters.setdefault(number, set()).add(prefix)
    rows: dict[str, list[tuple[str, int]]] = {}
    for row, text in enumerate(register_ids):
        prefix, number = _parts(text)
        rows.setdefault(number, []).append((prefix, row))
    found: dict[str, int] = {}
    for text, (prefix, number) in parts.items():
        fits = rows.get(number, []) if number else []
        one_sided = len(fits) == 1 and bool(prefix) != bool(fits[0][0])
        if one_sided and len((letters[number] | {fits[0][0]}) - {""}) == 1:
            found[text] = fits[0][1]
    return given.map(found).fillna(-1).astype(int)


def _parts(text: object) -> tuple[str, str]:
    """Return the letters before a number, and the number without leading noughts; else nothing."""
    split = _LETTERED.fullmatch(_same(str(text)))
    return (split[1], split[2]) if split else ("", "")


def _same(text: str) -> str:
    return plain(str(text))


def _bare(text: str) -> str:
    return _NOUGHTS.sub("", _NOT_ALNUM.sub("", _same(text)))


# Matching by house number and street alone, for incidents whose point does not decide.

def match_houses(incidents: Features, assets: Features, *, names: np.ndarray,
                 similarity: float) -> pd.DataFrame:
    """Return for each incident the register row at its house number, and the evidence.

    Where several assets stand at one house, the kind of thing decides; where that leaves several,
    nothing does, and they are named as a tie.

    Parameters
    ----------
    incidents, assets
        Features of both sides; only rows with a house number are used.
    names
        The assets' numbers.
    similarity
        rapidfuzz ratio (0-100) from which two street names count as one.

    Returns
    -------
    pandas.DataFrame
        Columns ``asset`` (-1 for none) and ``evidence`` (a tuple of messages, or None); one row
        per incident, in order.
    """
    log = pd.DataFrame({"street": incidents.street, "low": incidents.number_low,
                        "high": incidents.number_high, "kind": incidents.kind})
    register = pd.DataFrame({"street": assets.street, "low": assets.number_low,
                             "high": assets.number_high, "kind": assets.kind})
    register = register[register["low"].ge(0) & register["street"].ne("")]
    result = pd.DataFrame({"asset": np.full(len(log), -1),
                           "evidence": pd.Series(None, index=log.index, dtype="object")})
    if log.empty or register.empty:
        return result
    streets = _streets(log["street"].unique(), register["street"].unique(), similarity)
    cases = log.drop_duplicates().assign(case=lambda t: np.arange(len(t)))
    near = cases.merge(streets, on="street").merge(
        register.rename_axis("asset").reset_index(), left_on="register_street",
        right_on="street", suffixes=("", "_asset"))
    near = near[near["low"].le(near["high_asset"]) & near["low_asset"].le(near["high"])]
    decided = _decide(near, names)
    case = log.merge(cases, on=["street", "low", "high", "kind"], how="left")["case"]
    return result.assign(asset=case.map(decided["asset"]).fillna(-1).astype(int),
                         evidence=case.map(decided["evidence"]).astype("object"))


def _decide(near: pd.DataFrame, names: np.ndarray) -> pd.DataFrame:
    """One line per case: the only asset, or the only one of the right kind, or a tie."""
    near = near.assign(same=near["kind"].eq(near["kind_asset"]) & near["kind"].ne(""),
                       exact=near["low"].eq(near["low_asset"])
                       & near["high"].eq(near["high_asset"]))
    for test in ("same", "exact"):
        near = near[near[test] | ~near.groupby("case")[test].transform("any")]
    near = near.sort_values(["case", "asset"])
    place = near.groupby("case").cumcount()
    first = near[place == 0].set_index("case")
    second = near[place == 1].set_index("case")["asset"].reindex(first.index)
    alone = second.isna()
    told = [_house_evidence(names, one, other, same) for one, other, same in zip(
        first["asset"], second, first["same"], strict=True)]
    return pd.DataFrame({"asset": first["asset"].where(alone, -1),
                         "evidence": pd.Series(told, index=first.index, dtype="object")})


def _house_evidence(names: np.ndarray, one: int, other: float, same: bool) -> tuple[Message, ...]:
    if not np.isnan(other):
        return (message(_TIE_ADDRESS, one=names[one], other=names[int(other)]),)
    return (message("match.same_house"), *((message("match.same_type"),) if same else ()))


def _streets(written: np.ndarray, known: np.ndarray, similarity: float) -> pd.DataFrame:
    """Pair each written street with the register's street of that name, slips forgiven."""
    registered = set(known)
    pairs = {street: street for street in written.tolist() if street in registered}
    strange = [s for s in written.tolist() if s and s not in pairs]
    initials = pd.Series(known).groupby(pd.Series(known).str[:1])
    for initial, group in initials:
        mine = [s for s in strange if s[:1] == initial]
        if not mine:
            continue
        options = group.tolist()
        scores = process.cdist(mine, options, scorer=fuzz.ratio, score_cutoff=similarity)
        for place, street in enumerate(mine):
            best = int(scores[place].argmax())
            alone = int((scores[place] >= similarity).sum()) == 1
            if alone and same_street([street], [options[best]], similarity=similarity)[0]:
                pairs[street] = options[best]
    return pd.DataFrame({"street": list(pairs), "register_street": list(pairs.values())},
                        dtype="str")


GOOD = ("surveyed", "address")
_TIE, _TIE_ADDRESS = "match.tie", "match.tie_address"
HECTARE_M2 = 10_000.0
SHOWN = 40  # letters of a written number that the evidence repeats


def place_incidents(incidents: gpd.GeoDataFrame, register: gpd.GeoDataFrame | None, *,
                    parameters: Parameters | None = None) -> gpd.GeoDataFrame:
    """Say for each incident which asset or site it belongs to, how sure that is and why.

    In order: the owner's number as written; then place, kind, surface and address weighed together
    (see :mod:`rehit.assets.match`); then the house number and street alone. A confidence below
    ``assets.accept_confidence`` is no match: two assets that explain an incident about equally
    well leave it unmatched, both named in the evidence. What is known only to the street, or has a
    default point, is never given to an asset by distance and never makes a site.

    Parameters
    ----------
    incidents
        The `incidents` table, in a projected CRS.
    register
        The `register` table in the same CRS, or None.
    parameters
        Numbers of the room ``assets``.

    Returns
    -------
    geopandas.GeoDataFrame
        The `placed` table, in the order and with the index of `incidents`.

    Raises
    ------
    ManyErrors, TableError
        If a table breaks its contract or the two CRSs differ.
    """
    where = "place_incidents"
    parameters = parameters or load_parameters()
    check(incidents, "incidents", where=where)
    frame = incidents.reset_index(drop=True)
    result = pd.DataFrame({
        "incident_id": frame["incident_id"], "asset": -1, "near": -1, "confidence": np.nan,
        "evidence": pd.Series([()] * len(frame), index=frame.index, dtype="object")})
    if register is not None:
        check(register, "register", where=where)
        _same_crs(incidents, register, where=where)
        _match_register(result, frame, register.reset_index(drop=True), parameters)
    placed = _with_sites(result, frame, register, parameters)
    placed.index = incidents.index
    check(placed, "placed", where=where)
    return placed


def unit_metres(frame: gpd.GeoDataFrame) -> float:
    """Return the length of the CRS's unit in metres."""
    return float(frame.crs.axis_info[0].unit_conversion_factor)


def _same_crs(incidents: gpd.GeoDataFrame, register: gpd.GeoDataFrame, *, where: str) -> None:
    require_projected(incidents, where=where)
    if incidents.crs != register.crs:
        raise TableError(where, "errors.two_projections", incidents=incidents.crs.to_string(),
                         register=register.crs.to_string())


def _match_register(result: pd.DataFrame, frame: gpd.GeoDataFrame, register: gpd.GeoDataFrame,
                    parameters: Parameters) -> None:
    """Fill the columns asset (row of the register), confidence and evidence of `result`."""
    metre = 1 / unit_metres(frame)
    log = features(frame, kind="asset_type_given", parameters=parameters, metre=metre)
    assets = features(register, kind="asset_type", parameters=parameters, metre=metre)
    pointed = frame["place_quality"].isin(GOOD).to_numpy() & ~(
        shapely.is_missing(log.geometry) | shapely.is_empty(log.geometry))
    far = _by_number(result, frame, register, log, assets, pointed, metre, parameters)
    _by_place(result, frame, register, log, assets, pointed, far, metre, parameters)
    _by_house(result, frame, register, log, assets, pointed, metre, parameters)


def _by_number(result: pd.DataFrame, frame: gpd.GeoDataFrame, register: gpd.GeoDataFrame,
               log: Features, assets: Features, pointed: np.ndarray, metre: float,
               parameters: Parameters) -> pd.Series:
    """Match by the written number; return the asset of each number whose place contradicts it."""
    row = match_numbers(frame["asset_id_given"].astype("str"), register["asset_id"])
    given = frame["asset_id_given"].notna()
    row, loose = _with_loose(row, frame, register, log, assets, pointed, metre, parameters)
    lost = given & row.lt(0)
    _say(result, np.flatnonzero(lost), [
        (message("match.number_unknown", number=text[:SHOWN]),)
        for text in frame.loc[lost, "asset_id_given"]])
    hit = row.ge(0).to_numpy()
    gap = np.full(len(frame), np.nan)
    both = hit & pointed
    gap[both] = shapely.distance(log.geometry[both], assets.geometry[row.to_numpy()[both]])
    far = gap > parameters["assets.id_far_m"] * metre
    sure = hit & ~far
    result.loc[sure, "asset"] = row[sure]
    result.loc[sure, "confidence"] = np.where(
        loose[sure], parameters["assets.id_letters_confidence"],
        parameters["assets.id_only_confidence"])
    _say(result, np.flatnonzero(sure), [
        (message("match.number_bare" if bare else "match.number"),) for bare in loose[sure]])
    names = register["asset_id"].to_numpy(object)
    _say(result, np.flatnonzero(far), [
        (message("match.number_far", asset=names[r], metres=round(g / metre)),)
        for r, g in zip(row[far], gap[far], strict=True)])
    return row.where(far, -1)


def _with_loose(row: pd.Series, frame: gpd.GeoDataFrame, register: gpd.GeoDataFrame,
                log: Features, assets: Features, pointed: np.ndarray, metre: float,
                parameters: Parameters) -> tuple[pd.Series, np.ndarray]:
    """Add numbers that fit but for their letters, and say where; a hint against them rules it out.

    Such a number is weaker than one as written: it is not taken where the point is far off or
    another kind of asset is named.
    """
    found = match_without_letters(frame["asset_id_given"].astype("str"), register["asset_id"])
    loose = (row.lt(0) & found.ge(0)).to_numpy(copy=True)
    at = found.to_numpy()[loose]
    other = (log.kind[loose] != "") & (assets.kind[at] != "") & (log.kind[loose] != assets.kind[at])
    gap = np.where(pointed[loose], shapely.distance(log.geometry[loose], assets.geometry[at]), 0.0)
    loose[loose] = ~other & ~(gap > parameters["assets.id_far_m"] * metre)
    return row.mask(loose, found), loose


def _by_place(result: pd.DataFrame, frame: gpd.GeoDataFrame, register: gpd.GeoDataFrame,
              log: Features, assets: Features, pointed: np.ndarray, far: pd.Series, metre: float,
              parameters: Parameters) -> None:
    open_rows = np.flatnonzero(result["asset"].lt(0).to_numpy() & pointed)
    error = metre * np.where(
        frame["place_quality"].to_numpy()[open_rows] == "surveyed",
        parameters["assets.surveyed_error_m"], parameters["assets.address_error_m"])
    scored = score_places(log.take(open_rows), assets, error=error, parameters=parameters)
    rival = unregistered_density(
        scored["total"].to_numpy(), n_incidents=len(open_rows), geometry=assets.geometry,
        hectare=HECTARE_M2 * metre**2, parameters=parameters)
    scored["confidence"] = scored["score"] / (scored["total"] + rival)
    scored["second_confidence"] = scored["second_score"] / (scored["total"] + rival)
    scored["row"] = open_rows[scored["row"].to_numpy(int)]
    scored = _less_chance(scored, log.geometry[open_rows], assets, metre, parameters)
    accept = parameters["assets.accept_confidence"]
    sure = scored["confidence"].ge(accept)
    contradicted = far.to_numpy()[scored["row"]] >= 0
    names = register["asset_id"].to_numpy(object)
    good = scored[sure & ~contradicted]
    result.loc[good["row"], "asset"] = good["best"].to_numpy()
    result.loc[good["row"], "confidence"] = good["confidence"].round(3).to_numpy()
    _say(result, good["row"].to_numpy(), [_reasons(*r, metre) for r in zip(
        good["distance"], good["kind"], good["substrate"], good["address"], strict=True)])
    rest = scored[~sure | contradicted]
    _say(result, rest["row"].to_numpy(), [(_unsure(names, *r, accept),) for r in zip(
        rest["best"], rest["confidence"], rest["second"], rest["second_confidence"],
        rest["distance"] / metre, strict=True)])
    result.loc[rest["row"], "near"] = rest["best"].to_numpy()
    told = scored[scored["chance"] > 0]
    _say(result, told["row"].to_numpy(), [
        (message("match.by_chance", chance=round(float(chance), 2)),)
        for chance in told["chance"]])
    number = far.to_numpy()
    alone = (number >= 0) & ~np.isin(np.arange(len(frame)), scored.loc[sure, "row"])
    result.loc[alone, "asset"] = number[alone]
    result.loc[alone, "confidence"] = parameters["assets.id_far_confidence"]


def _less_chance(scored: pd.DataFrame, points: np.ndarray, assets: Features, metre: float,
                 parameters: Parameters) -> pd.DataFrame:
    """Take from the confidence what stands as near by chance, where nothing else speaks for it.

    A register of many kinds covers most of what can be marked, so that its nearest asset is a
    good guess; one of a single kind does not.
    """
    alone = scored["kind"].ne(AGREES) & ~scored["address"].isin([AGREES, STREET])
    if not lists_one_kind(assets.kind) or scored.empty or not alone.any():
        return scored.assign(chance=0.0)
    reach = parameters["assets.search_sigmas"] * parameters["assets.surveyed_error_m"] * metre
    chance = np.where(alone, chance_near(
        points, assets.geometry, scored["distance"].to_numpy(), reach=reach,
        shift=parameters["assets.chance_shift_m"] * metre), 0.0)
    return scored.assign(chance=chance, confidence=scored["confidence"] * (1 - chance),
                         second_confidence=scored["second_confidence"] * (1 - chance))


def _by_house(result: pd.DataFrame, frame: gpd.GeoDataFrame, register: gpd.GeoDataFrame,
              log: Features, assets: Features, pointed: np.ndarray, metre: float,
              parameters: Parameters) -> None:
    tied = np.array([any(each.code == _TIE for each in told) for told in result["evidence"]], bool)
    rows = np.flatnonzero(result["asset"].lt(0).to_numpy() & (log.number_low >= 0)
                          & ~tied & frame["address_key"].map(_is_house).to_numpy(bool))
    found = match_houses(log.take(rows), assets, names=register["asset_id"].to_numpy(object),
                         similarity=parameters["assets.street_similarity"])
    asset = found["asset"].to_numpy(int)
    gap = np.full(len(rows), 0.0)
    both = (asset >= 0) & pointed[rows]
    gap[both] = shapely.distance(log.geometry[rows[both]], assets.geometry[asset[both]])
    near = gap <= parameters["assets.id_far_m"] * metre
    good = (asset >= 0) & near
    result.loc[rows[good], "asset"] = asset[good]
    result.loc[rows[good], "confidence"] = parameters["assets.address_only_confidence"]
    said = found["evidence"].notna().to_numpy()
    _say(result, rows[said & near], found["evidence"][said & near].tolist())


def _is_house(key: object) -> bool:
    return isinstance(key, str) and key[:1].isdigit() and " block " not in key


def _reasons(distance: float, kind: int, substrate: int, address: int,
             metre: float) -> tuple[Message, ...]:
    told = [message("match.near", metres=round(distance / metre))]
    for name, agreement in (("type", kind), ("substrate", substrate), ("address", address)):
        if agreement == AGREES:
            told.append(message(f"match.same_{name}"))
        elif agreement == STREET:
            told.append(message("match.same_street"))
        elif agreement == DIFFERS:
            told.append(message(f"match.other_{name if name != 'address' else 'street'}"))
    return tuple(told)


def _unsure(names: np.ndarray, best: int, confidence: float, second: int,
            second_confidence: float, distance: float, accept: float) -> Message:
    sure = round(confidence, 2)
    if second >= 0 and confidence + second_confidence >= accept > confidence:
        return message(_TIE, one=names[best], one_sure=sure, other=names[second],
                       other_sure=round(second_confidence, 2))
    if confidence >= accept:
        return message("match.place_says", asset=names[best], sure=sure)
    return message("match.unsure", asset=names[best], metres=round(distance), sure=sure)


def _say(result: pd.DataFrame, rows: np.ndarray, told: list[tuple[Message, ...]]) -> None:
    """Add messages to the evidence of some rows, given by position."""
    evidence = result["evidence"].tolist()
    for row, messages in zip(rows, told, strict=True):
        evidence[row] += messages
    result["evidence"] = pd.Series(evidence, index=result.index, dtype="object")


def _evidence_text(told: tuple[Message, ...]) -> str | None:
    """Return all that speaks for a match as the text of one message."""
    if not told:
        return None
    return as_text(told[0] if len(told) == 1 else message("match.evidence", told=told))


def _many_surfaces(frame: gpd.GeoDataFrame, quality: np.ndarray,
                   matched: np.ndarray) -> tuple[pd.Series, pd.Series, pd.Series]:
    """Name the crossing, block or street of incidents whose place is known no better.

    A point that the log surveyed on the spot is better than the crossing it is written under.
    """
    key = frame["address_key"].astype("str")
    street = frame["street_key"].astype("str")
    area = frame["locality"].astype("str") if "locality" in frame else key.mask(key.notna())
    whole = street.where(area.isna(), street + ", " + area.fillna(""))
    crossed = street.str.contains(" & ", regex=False).fillna(False).to_numpy(bool)
    crossing = key.where((quality == "address") & crossed & ~matched)
    block = key.where((quality == "block") & ~matched)
    poor = np.isin(quality, ("block", "street", "default")) & block.isna().to_numpy()
    return crossing, block, whole.where(poor & ~matched)


def _with_sites(result: pd.DataFrame, frame: gpd.GeoDataFrame, register: gpd.GeoDataFrame | None,
                parameters: Parameters) -> gpd.GeoDataFrame:
    quality = frame["place_quality"].to_numpy()
    matched = result["asset"].ge(0).to_numpy()
    good = np.isin(quality, GOOD) & ~matched
    points = frame.geometry
    house = frame["address_key"].astype("str").where(frame["address_key"].map(_is_house), "")
    missing = (points.isna() | points.is_empty).to_numpy()
    spots = pd.DataFrame({
        "x": points.x, "y": points.y, "seen": frame["reported_at"],
        "house": house.fillna("").where((quality == "address") | missing, "")})[good]
    radius = parameters["assets.site_radius_m"] / unit_metres(frame) if good.any() else 1.0
    site = pd.Series(None, index=frame.index, dtype="str")
    site[good] = derive_sites(spots, radius=radius)
    ids = np.array([None], object) if register is None else np.r_[
        register["asset_id"].to_numpy(object), None]
    asset = pd.Series(ids[result["asset"].to_numpy(int)], index=frame.index, dtype="str")
    crossing, block, street = _many_surfaces(frame, quality, matched)
    site = site.mask(crossing.notna())
    kind = np.select([matched, site.notna(), crossing.notna(), block.notna(), street.notna()],
                     ["asset", "site", "crossing", "block", "street"], "none")
    evidence = pd.Series(map(_evidence_text, result["evidence"]), index=frame.index, dtype="str")
    return gpd.GeoDataFrame({
        "incident_id": frame["incident_id"], "asset_id": asset, "site_id": site,
        "place_id": asset.fillna(site).fillna(crossing).fillna(block).fillna(street),
        "place_kind": pd.Series(kind, dtype="str"),
        "near_asset_id": pd.Series(ids[result["near"].to_numpy(int)], index=frame.index,
                                   dtype="str").where(~matched),
        "match_confidence": result["confidence"].astype(float),
        "match_evidence": evidence}, geometry=frame.geometry)
