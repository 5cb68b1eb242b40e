"""What the cost rooms need to know of each place, gathered from the rooms before them."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.hotspots.grid import POOR_PLACES
from rehit.parameters import Parameters
from rehit.tables import check
from rehit.treatment.choose import choose_methods

REGISTER_COLUMNS = ["asset_type", "heritage", "coating_allowed", "access", "traffic_control",
                    "wall_area_m2", "owner"]
COST_NAMES = {"wash_water_l_per_m2": "water_l_per_m2"}
NO_REGISTER = {"heritage": False, "coating_allowed": True, "access": "ground",
               "traffic_control": False}


def with_register(incidents: gpd.GeoDataFrame,
                  register: gpd.GeoDataFrame | None) -> gpd.GeoDataFrame:
    """Return the incidents with the register's columns joined and its surface facts preferred.

    The register's owner has seen the surface; whoever filed the report may have guessed. So a
    known substrate, finish or address of the register replaces the log's. An incident that the log
    ties to its asset by number but gives no point of its own stands at the asset's, or clusters
    and cells would miss what the ranking of places counts.
    """
    joined = incidents.copy()
    if register is None:
        for column in REGISTER_COLUMNS:
            joined[column] = NO_REGISTER.get(column)
    else:
        facts = register.set_index("asset_id").reindex(joined["asset_id"])
        for column in REGISTER_COLUMNS:
            values = facts[column].to_numpy()
            joined[column] = pd.Series(values, index=joined.index, dtype=facts[column].dtype)
            if column in NO_REGISTER:
                joined[column] = joined[column].fillna(NO_REGISTER[column])
        for column in ("substrate", "finish"):
            known = pd.Series(facts[column].to_numpy(), index=joined.index)
            joined[column] = known.where(known.notna() & (known != "unknown"), joined[column])
        # Whoever drives there wants the one address of the register, not each caller's spelling.
        address = pd.Series(facts["address"].to_numpy(), index=joined.index)
        joined["address"] = address.where(address.notna(), joined["address"]).astype("str")
        joined = _at_their_assets(joined, register)
    for column in ("heritage", "coating_allowed", "traffic_control"):
        joined[column] = joined[column].astype(bool)
    for column in ("asset_type", "access", "owner"):
        joined[column] = joined[column].astype("str")
    joined["wall_area_m2"] = joined["wall_area_m2"].astype(float)
    return joined


def _at_their_assets(joined: gpd.GeoDataFrame, register: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Give incidents of a numbered asset that lack a point of their own the asset's."""
    numbered = joined["asset_id"].notna() & joined["asset_id_given"].notna()
    lacking = numbered & joined["place_quality"].isin(POOR_PLACES)
    points = register.set_index("asset_id").geometry.representative_point()
    there = points.reindex(joined["asset_id"])
    there.index = joined.index
    geometry = joined.geometry.where(~lacking, there)
    quality = joined["place_quality"].where(~lacking, "surveyed")
    return joined.assign(place_quality=quality).set_geometry(geometry)


def costing_table(repeats: pd.DataFrame, incidents: pd.DataFrame, advice: pd.DataFrame,
                  register: pd.DataFrame | None, *, methods: pd.DataFrame | Path | None = None,
                  parameters: Parameters) -> pd.DataFrame:
    """Return the `costing` table: one row per repeat place.

    A place's mean marked area is blended with the town's mean, weighted by how many of its
    incidents have an area; its usual method is the most frequent one advised there, and at an
    asset never marked in the log the one that `methods` gives for spray paint on its surface.
    """
    per_place = incidents[["incident_id", "place_id", "area_m2"]].merge(
        advice[["incident_id", "method"]], on="incident_id", how="left")
    table = repeats[["place_id", "gamma_shape", "gamma_rate_years"]].copy()
    table["mark_area_m2"] = _blended_area(per_place, table["place_id"], parameters)
    spare = None if register is None else _method_for_spray(register, methods, parameters)
    table["method"] = _usual_method(per_place, table["place_id"], spare)
    facts = _surface_facts(table["place_id"], register)
    table = table.join(facts)
    # Nobody coats a street: a place known only to its street keeps removal as its sole strategy.
    table.loc[repeats["place_kind"].to_numpy() == "street", "coating_allowed"] = False
    default = parameters["pipeline.site_wall_area_m2"]
    table["wall_area_m2"] = np.maximum(table["wall_area_m2"].fillna(default), table["mark_area_m2"])
    result = pd.DataFrame(table).reset_index(drop=True)
    check(result, "costing", where="pipeline.costing_table")
    return result


def _blended_area(per_place: pd.DataFrame, places: pd.Series, parameters: Parameters) -> np.ndarray:
    areas = per_place.dropna(subset=["area_m2"])
    town = areas["area_m2"].mean() if len(areas) else parameters["pipeline.mark_area_m2"]
    sums = areas.groupby("place_id")["area_m2"].agg(["sum", "count"]).reindex(places).fillna(0.0)
    weight = parameters["pipeline.mark_area_weight"]
    blended = (sums["sum"] + weight * town) / (sums["count"] + weight).replace(0, np.nan)
    return blended.fillna(town).to_numpy(float)


def _method_for_spray(register: pd.DataFrame, methods: pd.DataFrame | Path | None,
                      parameters: Parameters) -> pd.Series:
    """Return the method by asset for a marking of spray paint whose size is not known."""
    surfaces = pd.DataFrame(register)[["asset_id", "asset_type", "substrate", "finish",
                                       "heritage"]].rename(columns={"asset_id": "incident_id"})
    advice = choose_methods(surfaces.assign(medium="spray", area_m2=np.nan), methods=methods,
                            parameters=parameters)
    return advice.set_index("incident_id")["method"]


def _usual_method(per_place: pd.DataFrame, places: pd.Series,
                  spare: pd.Series | None) -> np.ndarray:
    counts = per_place.groupby(["place_id", "method"]).size().rename("n").reset_index()
    usual = (counts.sort_values(["place_id", "n", "method"], ascending=[True, False, True])
             .drop_duplicates("place_id").set_index("place_id")["method"])
    found = usual.reindex(places)
    if spare is not None:
        found = found.fillna(spare)
    return found.fillna("inspect").to_numpy()


def _surface_facts(places: pd.Series, register: pd.DataFrame | None) -> pd.DataFrame:
    columns = ["wall_area_m2", "coating_allowed", "access", "traffic_control"]
    if register is None:
        facts = pd.DataFrame(index=places.index, columns=columns)
    else:
        facts = pd.DataFrame(register).set_index("asset_id")[columns].reindex(places)
        facts.index = places.index
    facts["wall_area_m2"] = facts["wall_area_m2"].astype(float)
    facts["access"] = facts["access"].astype("str").fillna("ground")
    facts["coating_allowed"] = facts["coating_allowed"].astype("boolean").fillna(True).astype(bool)
    facts["traffic_control"] = facts["traffic_control"].astype("boolean").fillna(False).astype(bool)
    return facts


def with_calibration(parameters: Parameters, estimates: pd.DataFrame) -> Parameters:
    """Return the cost numbers with minutes and water per method taken from the works log.

    A number the user set in the project file stays: they know something the log does not. An
    estimate outside a number's allowed range is held at its limit.

    Parameters
    ----------
    parameters
        Numbers in force.
    estimates
        ``method, quantity, calibrated`` as the calibration gives them.
    """
    values: dict[str, float] = {}
    columns = (estimates[name].tolist() for name in ("method", "quantity", "calibrated"))
    for method, quantity, calibrated in zip(*columns, strict=True):
        name = f"costs.{COST_NAMES.get(quantity, quantity)}_{method}"
        if name in parameters and not parameters.row(name).overridden:
            limits = parameters.row(name)
            values[name] = min(max(float(calibrated), limits.low), limits.high)
    return parameters.override(values, where="works log")
