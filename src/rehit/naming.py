"""What a place is called, so that a crew finds it: never by a made-up number alone.

An asset keeps its owner's number behind its address. A site is called by the address people write,
a crossing and a block as the log writes them. Where only a point is known the nearest street of the
street file names it, else the asset of the register it lies beside, else its coordinates.
"""

from __future__ import annotations

from collections import Counter

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.files.spatial import WGS84
from rehit.messages import Message, as_text, message
from rehit.parameters import Parameters, load_parameters
from rehit.words.addresses import address_table

_DECIMALS = 5  # of a degree: a metre


def name_places(incidents: pd.DataFrame, places: gpd.GeoDataFrame | None, *,
                streets: gpd.GeoDataFrame | None = None,
                parameters: Parameters | None = None) -> dict[str, Message]:
    """Return what to call each place.

    Parameters
    ----------
    incidents
        With ``place_id, place_kind, address``; without ``place_kind`` all are assets.
    places
        Table ``repeats``: ``place_id, place_kind`` and points (projected CRS); None for the
        addresses alone.
    streets
        Street lines with ``name``, in the same CRS.
    parameters
        Reads ``reporting.near_street_m``.

    Returns
    -------
    dict
        Place to the message that names it; no two places share a name.
    """
    parameters = parameters or load_parameters()
    written = _usual_addresses(incidents)
    if places is None:
        kinds = dict(zip(incidents["place_id"], incidents.get("place_kind", pd.Series(
            "asset", incidents.index)), strict=True))
        listed = pd.DataFrame({"place_id": list(written), "place_kind": [
            kinds.get(place) for place in written], "point": ""})
    else:
        listed = pd.DataFrame({"place_id": places["place_id"].astype("str").to_numpy(),
                               "place_kind": places["place_kind"].to_numpy(),
                               "point": map_points(places)})
    listed["near"] = "" if places is None else _nearest_streets(
        places, streets, reach_m=parameters["reporting.near_street_m"])
    beside = _usual_neighbours(incidents)
    named = {place: _name(place, kind, written.get(place), near, beside.get(place), point)
             for place, kind, near, point in zip(
                 *(listed[c].tolist() for c in ("place_id", "place_kind", "near", "point")),
                 strict=True)}
    times = Counter(map(as_text, named.values()))
    points = dict(zip(listed["place_id"].tolist(), listed["point"].tolist(), strict=True))
    return {place: told if times[as_text(told)] == 1 or not points[place]
            else message("place.at", name=told, point=points[place])
            for place, told in named.items()}


def map_points(places: gpd.GeoDataFrame) -> list[str]:
    """Return latitude and longitude (WGS 84) of each place as text; empty where there is none."""
    points = places.geometry.to_crs(WGS84).representative_point()
    return ["" if point is None or point.is_empty
            else f"{point.y:.{_DECIMALS}f}, {point.x:.{_DECIMALS}f}" for point in points]


def real_addresses(addresses: pd.Series) -> pd.Series:
    """Return addresses as written, without those that only say that there is none.

    Examples
    --------
    >>> real_addresses(pd.Series(["5 Elm Rd", "Not Recorded"])).tolist()
    ['5 Elm Rd', nan]
    """
    return addresses.where(address_table(addresses)["address_key"].notna())


def _usual_addresses(incidents: pd.DataFrame) -> dict[str, str]:
    """Return the address that each place is mostly reported under, where the log has one."""
    known = pd.DataFrame({"place_id": incidents["place_id"],
                          "address": real_addresses(incidents["address"])})
    return dict(most_frequent(known, "address"))


def most_frequent(rows: pd.DataFrame, column: str) -> pd.Series:
    """Return what each place has most often in a column; of several as frequent the first by name.

    Examples
    --------
    >>> rows = pd.DataFrame({"place_id": list("wwwv"), "method": ["wipe", "wash", "wipe", "wash"]})
    >>> most_frequent(rows, "method").to_dict()
    {'w': 'wipe', 'v': 'wash'}
    """
    counts = rows.groupby(["place_id", column]).size().reset_index(name="n")
    first = counts.sort_values(["n", column], ascending=[False, True]).drop_duplicates("place_id")
    found: pd.Series = first.set_index("place_id")[column]
    return found


def _usual_neighbours(incidents: pd.DataFrame) -> dict[str, str]:
    """Return the asset that each place mostly lies beside without being known to be it."""
    if "near_asset_id" not in incidents:
        return {}
    return dict(most_frequent(incidents, "near_asset_id"))


def _name(place: str, kind: str, address: str | None, near: str, beside: str | None,
          point: str) -> Message:
    if kind == "asset":
        return message("place.code", code=place) if address is None else message(
            "place.named", address=address, code=place)
    if address is not None:
        return message("place.block" if kind == "block" else "place.address", address=address)
    if kind in ("crossing", "block", "street"):
        return message("place.address", address=place.title())
    if near:
        return message("place.near", street=near)
    if beside:
        return message("place.beside", asset=beside)
    return message("place.point", point=point) if point else message("place.code", code=place)


def _nearest_streets(places: gpd.GeoDataFrame, streets: gpd.GeoDataFrame | None, *,
                     reach_m: float) -> list[str]:
    """Return the name of the nearest named street within reach of each place; empty for none."""
    found = np.full(len(places), "", dtype=object)
    if streets is None or "name" not in streets or not len(places):
        return list(found)
    lines = streets[streets["name"].fillna("").astype("str").str.strip() != ""]
    there = np.flatnonzero((places.geometry.notna() & ~places.geometry.is_empty).to_numpy())
    if len(lines) and len(there):
        mine, line = lines.sindex.nearest(places.geometry.to_numpy()[there], max_distance=reach_m,
                                          return_all=False)
        found[there[mine]] = lines["name"].astype("str").to_numpy()[line]
    return list(found)
