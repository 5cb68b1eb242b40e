"""What the owner of the log should mend at the source, by count and by effect on the results."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import pandas as pd

from rehit.incidents.duplicates import Joins
from rehit.incidents.places import Points
from rehit.incidents.settings import CleanSettings
from rehit.incidents.times import Times

COLUMNS = ("code", "severity", "count", "effect", "advice")


@dataclass(frozen=True)
class Evidence:
    """Everything the findings are drawn from."""

    rows: pd.DataFrame
    incidents: gpd.GeoDataFrame
    set_aside: pd.DataFrame
    ledger: pd.DataFrame
    counts: pd.DataFrame
    points: Points
    judged: pd.DataFrame
    joins: Joins
    times: Times
    translations: pd.DataFrame
    settings: CleanSettings


def find_faults(evidence: Evidence) -> pd.DataFrame:
    """Return the table of findings."""
    return pd.DataFrame([], columns=list(COLUMNS)).astype({"count": "int64"})
