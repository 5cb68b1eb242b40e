"""Cleaned incidents as a log again, so that cleaned tables of several quarters can be put together.

Cleaning such a log gives the same incidents with the same names.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.incidents.rows import Cleaned, CleanSettings
from rehit.incidents.times import iso
from rehit.tables import table


def as_fields(cleaned: Cleaned, *, settings: CleanSettings,
              source_file: str = "cleaned") -> pd.DataFrame:
    """Return the incidents as a ``fields`` table.

    Parameters
    ----------
    cleaned
        From :func:`rehit.incidents.clean.clean_incidents`.
    settings
        Those it was cleaned with; they tell the zone of days without a clock.
    source_file
        Name of the new log.

    Returns
    -------
    pandas.DataFrame
        One row per incident, named by its ``incident_id``; times in ISO 8601, codes as words,
        places in the project's CRS (as easting and northing).
    """
    incidents: gpd.GeoDataFrame = cleaned.incidents
    fields = pd.DataFrame(index=incidents.index, columns=table("fields").names, dtype="str")
    fields["source_file"] = source_file
    fields["source_row"] = np.arange(1, len(incidents) + 1)
    fields["report_id"] = incidents["incident_id"]
    by_day = incidents["reported_precision"] == "day"
    fields["reported"] = _written(incidents["reported_at"], by_day, settings.time_zone)
    fields["cleared"] = iso(incidents["cleared_at"])
    for name in ("outcome", "priority", "medium", "place_quality", "address",
                 "description"):
        fields[name] = incidents[name]
    fields["asset_id"] = incidents["asset_id_given"]
    fields["asset_type"] = incidents["asset_type_given"]
    finish = (" " + incidents["finish"]).where(incidents["finish"] != "unknown", "")
    fields["substrate"] = incidents["substrate"] + finish
    # "cleared" as a status word would say the outcome too.
    unsaid = (incidents["status"] == "cleared") & (incidents["outcome"] == "unknown")
    fields["status"] = incidents["status"].mask(unsaid, "closed")
    fields["size"] = _sizes(incidents)
    there = ~incidents.geometry.isna()
    fields["easting"] = incidents.geometry.x.map(repr).where(there)
    fields["northing"] = incidents.geometry.y.map(repr).where(there)
    return fields


def _written(times: pd.Series, by_day: pd.Series, zone: str) -> pd.Series:
    days = times.dt.tz_convert(zone).dt.strftime("%Y-%m-%d")
    return days.where(by_day, iso(times)).astype("str")


def _sizes(incidents: gpd.GeoDataFrame) -> pd.Series:
    number = incidents["area_m2"].map(repr).astype("str") + " m2"
    by_class = incidents["area_basis"] == "size_class"
    return ("size class " + number).where(by_class, number).where(incidents["area_m2"].notna())
