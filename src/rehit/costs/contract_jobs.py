"""Past incidents as jobs with what each takes: minutes, materials, water, access."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rehit.parameters import Parameters, load_parameters
from rehit.tables import check

SIZES = ("small", "medium", "large")
COLUMNS = ("minutes", "materials", "water", "access", "traffic_control")
# What no lump sum should promise: the usual exclusions of the trade.
EXCLUSIONS = {
    "thrown paint": "thrown or tipped paint",
    "etched": "etched or scratched glass",
    "heritage stone": "heritage stone and brick",
    "specialist": "work referred to a specialist",
}
_STONE = ("stone", "brick")


def contract_jobs(incidents: pd.DataFrame, advice: pd.DataFrame, *,
                  parameters: Parameters | None = None) -> pd.DataFrame:
    """Return the `contract_jobs` table: one row per incident, priced at the rates in force.

    Parameters
    ----------
    incidents
        Incidents with ``place_id``, ``heritage``, ``access`` and ``traffic_control``.
    advice
        The `advice` table: the method of each incident.
    parameters
        Reads ``costs.*`` per method, ``contract.small_area_m2``, ``contract.large_area_m2``.

    Returns
    -------
    pandas.DataFrame
        Where no area is known, the mean of the method's known areas stands in. ``minutes`` is
        time on site, without driving. ``exclusion`` names why a job is not in the fixed price.
    """
    numbers = parameters or load_parameters()
    joined = incidents.merge(advice[["incident_id", "method"]], on="incident_id", how="left")
    jobs = pd.DataFrame({
        "incident_id": joined["incident_id"].astype("str"),
        "place_id": joined["place_id"].astype("str"),
        "reported_at": joined["reported_at"], "priority": joined["priority"].astype("str"),
        "method": joined["method"].astype("str").fillna("inspect"),
        "area_m2": joined["area_m2"].astype(float)})
    usual = jobs.groupby("method")["area_m2"].transform("mean")
    town = jobs["area_m2"].mean()
    town = numbers["pipeline.mark_area_m2"] if np.isnan(town) else town
    jobs["area_m2"] = jobs["area_m2"].fillna(usual).fillna(town)
    jobs["access_kind"] = joined["access"].astype("str").fillna("ground")
    jobs["needs_traffic_control"] = joined["traffic_control"].astype(bool)
    jobs["exclusion"] = _exclusions(joined, jobs["method"])
    jobs = with_effort(jobs, parameters=numbers)
    check(jobs, "contract_jobs", where="costs.contract_jobs")
    return jobs


def with_effort(jobs: pd.DataFrame, *, parameters: Parameters,
                area_ratio: float = 1.0) -> pd.DataFrame:
    """Return the jobs with their effort worked out again, areas times `area_ratio`."""
    new = jobs.copy()
    new["area_m2"] = new["area_m2"] * area_ratio
    edges = [0, parameters["contract.small_area_m2"], parameters["contract.large_area_m2"], np.inf]
    new["size_class"] = pd.cut(new["area_m2"], edges, labels=list(SIZES), right=False,
                               include_lowest=True).astype("str")
    area = new["area_m2"]
    new["minutes"] = (_rate(new, "minutes_per_visit", parameters)
                      + _rate(new, "minutes_per_m2", parameters) * area)
    new["materials"] = _rate(new, "materials_per_m2", parameters) * area
    new["water"] = (_rate(new, "water_l_per_m2", parameters) * area
                    * parameters["costs.water_per_l"])
    new["access"] = new["access_kind"].map({
        "ground": 0.0, "ladder": parameters["costs.access_ladder"],
        "platform": parameters["costs.access_platform"]}).fillna(0.0)
    new["traffic_control"] = np.where(new["needs_traffic_control"],
                                      parameters["costs.traffic_control"], 0.0)
    return new


def _rate(jobs: pd.DataFrame, rate: str, parameters: Parameters) -> pd.Series:
    known = {m: parameters[f"costs.{rate}_{m}"] for m in jobs["method"].unique()}
    return jobs["method"].map(known).astype(float)


def _exclusions(joined: pd.DataFrame, methods: pd.Series) -> pd.Series:
    reasons = pd.Series("", index=joined.index, dtype="str")
    reasons[methods == "refer"] = "specialist"
    stone = joined["substrate"].isin(_STONE) & (joined["finish"].astype("str") != "painted")
    reasons[joined["heritage"].astype(bool) & stone] = "heritage stone"
    reasons[(methods == "polish_or_replace") | (joined["medium"] == "etched")] = "etched"
    reasons[joined["medium"] == "house_paint"] = "thrown paint"
    return reasons
