"""Every place's own clock of time at risk: for mean cumulative functions and power-law trends."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd

from rehit.hotspots.exposure import known_places, time_at_risk, timeline, window_days
from rehit.parameters import Parameters, load_parameters


def risk_clock(placed_incidents: gpd.GeoDataFrame, *, register: pd.DataFrame | None = None,
               observed_from: pd.Timestamp, observed_to: pd.Timestamp,
               parameters: Parameters | None = None) -> tuple[pd.DataFrame, pd.Series]:
    """Return when on its place's clock of days at risk each incident on a clean surface came.

    Assumptions: as in :func:`rehit.hotspots.exposure.timeline`; the clock stands still while the
    place waits to be cleared.

    Parameters
    ----------
    placed_incidents
        Incidents with the placed columns.
    register
        The owner's assets; those never hit are then watched too.
    observed_from, observed_to
        Period the log covers, UTC.
    parameters
        Numbers in force.

    Returns
    -------
    tuple
        Incidents: ``incident_id, place_id, days_at_risk``; and the days at risk of every place by
        the end of the window, indexed by ``place_id``.

    Examples
    --------
    >>> day = pd.Timestamp("2024-01-01", tz="UTC") + pd.to_timedelta([10, 30], unit="D")
    >>> log = pd.DataFrame({"incident_id": ["a", "b"], "place_id": "w", "place_kind": "site",
    ...     "reported_at": day, "cleared_at": day + pd.Timedelta(days=5), "status": "cleared"})
    >>> times, ends = risk_clock(log, observed_from=pd.Timestamp("2024-01-01", tz="UTC"),
    ...                          observed_to=pd.Timestamp("2024-02-10", tz="UTC"))
    >>> times["days_at_risk"].tolist(), float(ends["w"])
    ([10.0, 25.0], 30.0)
    """
    numbers = load_parameters() if parameters is None else parameters
    length = window_days(observed_from, observed_to)
    known = known_places(placed_incidents)
    laid = timeline(known, observed_from=observed_from, observed_to=observed_to,
                    parameters=numbers)
    known = known.loc[laid.index]
    summed = time_at_risk(laid, length_days=length, parameters=numbers)
    names = known["place_id"].to_numpy()[laid["first"].to_numpy()]
    ends = pd.Series(summed["exposure_years"].to_numpy() * 365.25, index=names, dtype="float64",
                     name="days_at_risk").rename_axis("place_id").round(9)
    if register is not None:
        listed = register["asset_id"].astype("str")
        unhit = listed[~listed.isin(ends.index)]
        ends = pd.concat([ends, pd.Series(length, index=unhit)]).rename_axis("place_id")
    clean = laid["at_risk"].to_numpy()
    at = (laid["reported"] - laid["waiting_before"]).to_numpy()[clean]
    times = pd.DataFrame({
        "incident_id": known["incident_id"].to_numpy()[clean],
        "place_id": known["place_id"].to_numpy()[clean], "days_at_risk": at.round(9)})
    # A place nearly always waiting is credited some exposure, never less than its last incident.
    last = times.groupby("place_id")["days_at_risk"].max().reindex(ends.index).fillna(0.0)
    return times, ends.clip(lower=last)
