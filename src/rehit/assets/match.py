"""Attach incidents to the assets of the register, or to sites where it has none."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from rehit.assets.evidence import AGREES, DIFFERS, STREET, Features, features, score_places
from rehit.assets.given_numbers import match_numbers, match_without_letters
from rehit.assets.houses import match_houses
from rehit.assets.rival import unregistered_density
from rehit.assets.sites import derive_sites
from rehit.errors import TableError
from rehit.parameters import Parameters, load_parameters
from rehit.tables import check, require_projected

GOOD = ("surveyed", "address")
HECTARE_M2 = 10_000.0
SHOWN = 40  # letters of a written number that the evidence repeats


def place_incidents(incidents: gpd.GeoDataFrame, register: gpd.GeoDataFrame | None, *,
                    parameters: Parameters | None = None) -> gpd.GeoDataFrame:
    """Say for each incident which asset or site it belongs to, how sure that is and why.

    In order: the owner's number as written; then place, kind, surface and address weighed together
    (see :mod:`rehit.assets.evidence`); then the house number and street alone. A confidence below
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
    values = parameters or load_parameters()
    check(incidents, "incidents", where=where)
    frame = incidents.reset_index(drop=True)
    result = pd.DataFrame({
        "incident_id": frame["incident_id"], "asset": -1, "confidence": np.nan,
        "evidence": pd.Series(None, index=frame.index, dtype="object")})
    if register is not None:
        check(register, "register", where=where)
        _same_crs(incidents, register, where=where)
        _match_register(result, frame, register.reset_index(drop=True), values)
    placed = _with_sites(result, frame, register, values)
    placed.index = incidents.index
    check(placed, "placed", where=where)
    return placed


def unit_metres(frame: gpd.GeoDataFrame) -> float:
    """Return the length of the CRS's unit in metres."""
    return float(frame.crs.axis_info[0].unit_conversion_factor)


def _same_crs(incidents: gpd.GeoDataFrame, register: gpd.GeoDataFrame, *, where: str) -> None:
    require_projected(incidents, where=where)
    if incidents.crs != register.crs:
        raise TableError(where, got=f"incidents in {incidents.crs.to_string()}, register in "
                         f"{register.crs.to_string()}", allowed="one projected CRS for both",
                         remedy="reproject one of them with to_crs()")


def _match_register(result: pd.DataFrame, frame: gpd.GeoDataFrame, register: gpd.GeoDataFrame,
                    values: Parameters) -> None:
    """Fill the columns asset (row of the register), confidence and evidence of `result`."""
    metre = 1 / unit_metres(frame)
    log = features(frame, kind="asset_type_given", parameters=values, metre=metre)
    assets = features(register, kind="asset_type", parameters=values, metre=metre)
    pointed = frame["place_quality"].isin(GOOD).to_numpy() & ~(
        shapely.is_missing(log.geometry) | shapely.is_empty(log.geometry))
    far = _by_number(result, frame, register, log, assets, pointed, metre, values)
    _by_place(result, frame, register, log, assets, pointed, far, metre, values)
    _by_house(result, frame, register, log, assets, pointed, metre, values)


def _by_number(result: pd.DataFrame, frame: gpd.GeoDataFrame, register: gpd.GeoDataFrame,
               log: Features, assets: Features, pointed: np.ndarray, metre: float,
               values: Parameters) -> pd.Series:
    """Match by the written number; return the asset of each number whose place contradicts it."""
    row = match_numbers(frame["asset_id_given"].astype("str"), register["asset_id"])
    given = frame["asset_id_given"].notna()
    row, loose = _with_loose(row, frame, register, log, assets, pointed, metre, values)
    lost = given & row.lt(0)
    result.loc[lost, "evidence"] = (
        "number " + frame.loc[lost, "asset_id_given"].astype("object").str.slice(0, SHOWN)
        + " is not in the register")
    hit = row.ge(0).to_numpy()
    gap = np.full(len(frame), np.nan)
    both = hit & pointed
    gap[both] = shapely.distance(log.geometry[both], assets.geometry[row.to_numpy()[both]])
    far = gap > values["assets.id_far_m"] * metre
    sure = hit & ~far
    result.loc[sure, "asset"] = row[sure]
    result.loc[sure, "confidence"] = np.where(
        loose[sure], values["assets.id_letters_confidence"], values["assets.id_only_confidence"])
    result.loc[sure, "evidence"] = np.where(
        loose[sure], "number given in the log, its letters left aside", "number given in the log")
    names = register["asset_id"].to_numpy(object)
    result.loc[far, "evidence"] = [
        f"number given is {names[r]}, but the point is {g / metre:.0f} m from it"
        for r, g in zip(row[far], gap[far], strict=True)]
    return row.where(far, -1)


def _with_loose(row: pd.Series, frame: gpd.GeoDataFrame, register: gpd.GeoDataFrame,
                log: Features, assets: Features, pointed: np.ndarray, metre: float,
                values: Parameters) -> tuple[pd.Series, np.ndarray]:
    """Add numbers that fit but for their letters, and say where; a hint against them rules it out.

    Such a number is weaker than one as written: it is not taken where the point is far off or
    another kind of asset is named.
    """
    found = match_without_letters(frame["asset_id_given"].astype("str"), register["asset_id"])
    loose = (row.lt(0) & found.ge(0)).to_numpy(copy=True)
    at = found.to_numpy()[loose]
    other = (log.kind[loose] != "") & (assets.kind[at] != "") & (log.kind[loose] != assets.kind[at])
    gap = np.where(pointed[loose], shapely.distance(log.geometry[loose], assets.geometry[at]), 0.0)
    loose[loose] = ~other & ~(gap > values["assets.id_far_m"] * metre)
    return row.mask(loose, found), loose


def _by_place(result: pd.DataFrame, frame: gpd.GeoDataFrame, register: gpd.GeoDataFrame,
              log: Features, assets: Features, pointed: np.ndarray, far: pd.Series, metre: float,
              values: Parameters) -> None:
    open_rows = np.flatnonzero(result["asset"].lt(0).to_numpy() & pointed)
    error = np.where(frame["place_quality"].to_numpy()[open_rows] == "surveyed",
                     values["assets.surveyed_error_m"], values["assets.address_error_m"]) * metre
    scored = score_places(log.take(open_rows), assets, error=error, parameters=values)
    rival = unregistered_density(
        scored["total"].to_numpy(), n_incidents=len(open_rows), geometry=assets.geometry,
        hectare=HECTARE_M2 * metre**2, parameters=values)
    scored["confidence"] = scored["score"] / (scored["total"] + rival)
    scored["second_confidence"] = scored["second_score"] / (scored["total"] + rival)
    scored["row"] = open_rows[scored["row"].to_numpy(int)]
    accept = values["assets.accept_confidence"]
    sure = scored["confidence"].ge(accept)
    contradicted = far.to_numpy()[scored["row"]] >= 0
    names = register["asset_id"].to_numpy(object)
    good = scored[sure & ~contradicted]
    result.loc[good["row"], "asset"] = good["best"].to_numpy()
    result.loc[good["row"], "confidence"] = good["confidence"].round(3).to_numpy()
    _say(result, good["row"], [_reasons(*r, metre) for r in zip(
        good["distance"], good["kind"], good["substrate"], good["address"], strict=True)])
    rest = scored[~sure | contradicted]
    _say(result, rest["row"], [_unsure(names, *r, accept) for r in zip(
        rest["best"], rest["confidence"], rest["second"], rest["second_confidence"],
        rest["distance"] / metre, strict=True)])
    number = far.to_numpy()
    alone = (number >= 0) & ~np.isin(np.arange(len(frame)), scored.loc[sure, "row"])
    result.loc[alone, "asset"] = number[alone]
    result.loc[alone, "confidence"] = values["assets.id_far_confidence"]


def _by_house(result: pd.DataFrame, frame: gpd.GeoDataFrame, register: gpd.GeoDataFrame,
              log: Features, assets: Features, pointed: np.ndarray, metre: float,
              values: Parameters) -> None:
    tied = result["evidence"].astype("str").str.contains("tie: ", regex=False, na=False)
    rows = np.flatnonzero(result["asset"].lt(0).to_numpy() & (log.number_low >= 0)
                          & ~tied.to_numpy() & frame["address_key"].map(_is_house).to_numpy(bool))
    found = match_houses(log.take(rows), assets, names=register["asset_id"].to_numpy(object),
                         similarity=values["assets.street_similarity"])
    asset = found["asset"].to_numpy(int)
    gap = np.full(len(rows), 0.0)
    both = (asset >= 0) & pointed[rows]
    gap[both] = shapely.distance(log.geometry[rows[both]], assets.geometry[asset[both]])
    near = gap <= values["assets.id_far_m"] * metre
    good = (asset >= 0) & near
    result.loc[rows[good], "asset"] = asset[good]
    result.loc[rows[good], "confidence"] = values["assets.address_only_confidence"]
    said = found["evidence"].notna().to_numpy()
    _say(result, pd.Series(rows[said & near]), found["evidence"][said & near].tolist())


def _is_house(key: object) -> bool:
    return isinstance(key, str) and key[:1].isdigit() and " block " not in key


def _reasons(distance: float, kind: int, substrate: int, address: int, metre: float) -> str:
    words = [f"{distance / metre:.0f} m away"]
    for name, agreement in (("type", kind), ("substrate", substrate), ("address", address)):
        if agreement == AGREES:
            words.append(f"same {name}")
        elif agreement == STREET:
            words.append("same street")
        elif agreement == DIFFERS:
            words.append(f"other {name if name != 'address' else 'street'}")
    return "; ".join(words)


def _unsure(names: np.ndarray, best: int, confidence: float, second: int,
            second_confidence: float, distance: float, accept: float) -> str:
    if second >= 0 and confidence + second_confidence >= accept > confidence:
        return (f"tie: {names[best]} ({confidence:.2f}) or {names[second]} "
                f"({second_confidence:.2f})")
    if confidence >= accept:
        return f"the place says {names[best]} ({confidence:.2f})"
    return f"{names[best]} at {distance:.0f} m is too unsure ({confidence:.2f})"


def _say(result: pd.DataFrame, rows: pd.Series, words: list[str]) -> None:
    """Add words to the evidence of some rows."""
    if not words:
        return
    before = result.loc[rows, "evidence"].tolist()
    result.loc[rows, "evidence"] = [
        new if not isinstance(old, str) else f"{old}; {new}"
        for old, new in zip(before, words, strict=True)]


def _with_sites(result: pd.DataFrame, frame: gpd.GeoDataFrame, register: gpd.GeoDataFrame | None,
                values: Parameters) -> gpd.GeoDataFrame:
    quality = frame["place_quality"].to_numpy()
    matched = result["asset"].ge(0).to_numpy()
    good = np.isin(quality, GOOD) & ~matched
    points = frame.geometry
    house = frame["address_key"].astype("str").where(frame["address_key"].map(_is_house), "")
    missing = (points.isna() | points.is_empty).to_numpy()
    spots = pd.DataFrame({
        "x": points.x, "y": points.y, "seen": frame["reported_at"],
        "house": house.fillna("").where((quality == "address") | missing, "")})[good]
    radius = values["assets.site_radius_m"] / unit_metres(frame) if good.any() else 1.0
    site = pd.Series(None, index=frame.index, dtype="str")
    site[good] = derive_sites(spots, radius=radius)
    ids = np.array([None], object) if register is None else np.r_[
        register["asset_id"].to_numpy(object), None]
    asset = pd.Series(ids[result["asset"].to_numpy(int)], index=frame.index, dtype="str")
    street = frame["street_key"].astype("str").where(
        np.isin(quality, ("street", "default")) & ~matched)
    kind = np.select([matched, site.notna(), street.notna()], ["asset", "site", "street"], "none")
    return gpd.GeoDataFrame({
        "incident_id": frame["incident_id"], "asset_id": asset, "site_id": site,
        "place_id": asset.fillna(site).fillna(street), "place_kind": pd.Series(kind, dtype="str"),
        "match_confidence": result["confidence"].astype(float),
        "match_evidence": result["evidence"].astype("str")}, geometry=frame.geometry)
