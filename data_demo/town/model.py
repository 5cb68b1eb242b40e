"""What a town is made of: its settings, and its tables in memory."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import pandas as pd

CRS = "EPSG:32625"
TIME_ZONE = "Europe/Lisbon"
HOLIDAYS = "PT"
PLACE_NAME = "Merrowby-on-Sea"
ORIGIN_XY = (500_000.0, 5_094_000.0)  # open Atlantic: no land within hundreds of kilometres
TILE_M = 5_000.0
START = pd.Timestamp("2023-01-01", tz=TIME_ZONE)


@dataclass(frozen=True)
class Settings:
    """Everything that may be turned about a town.

    Attributes
    ----------
    seed
        Same seed, same town.
    n_assets
        Assets in each tile of the town.
    years
        Whole years of log.
    near_repeat
        Whether a marking raises the risk around it.
    offspring
        Mean number of further markings that one marking sets off (only with `near_repeat`).
    ring_m, ring_days
        How far and how long the risk stays raised.
    coating_effect, lighting_effect
        True ratio of the rate after the measure to the rate before; 1 means no effect.
    n_coated, n_lit
        Assets with the measure; as many comparison assets are named.
    emerging_ratio
        True ratio of the rate around one spot in the last weeks of the log; 1 means none.
    season
        Half the relative swing of the rate over the year, highest in July.
    trend_per_year
        Ratio by which all rates change from one year to the next.
    rate_scale
        Multiplies every rate.
    tiles
        Copies of the street plan side by side, for large logs.
    holdout_days
        Days simulated after the extract's end, for the truth only.
    faults
        Whether the log's rows get the planted faults.
    """

    seed: int = 2026
    n_assets: int = 1600
    years: int = 3
    near_repeat: bool = True
    offspring: float = 0.35
    ring_m: float = 150.0
    ring_days: int = 21
    coating_effect: float = 0.5
    lighting_effect: float = 1.0
    n_coated: int = 40
    n_lit: int = 50
    emerging_ratio: float = 3.0
    season: float = 0.25
    trend_per_year: float = 1.0
    rate_scale: float = 1.0
    tiles: int = 1
    holdout_days: int = 91
    faults: bool = True

    @property
    def start(self) -> pd.Timestamp:
        """First instant of the log, in UTC."""
        return START.tz_convert("UTC")

    @property
    def end(self) -> pd.Timestamp:
        """Instant at which the extract was taken, in UTC."""
        return (START + pd.DateOffset(years=self.years)).tz_convert("UTC")

    @property
    def log_days(self) -> int:
        """Days between start and end."""
        return (self.end - self.start).days

    def when(self, years_after_start: float) -> pd.Timestamp:
        """Return the local midnight nearest to a number of years after the start, in UTC."""
        day = START.normalize() + pd.DateOffset(days=round(years_after_start * 365.25))
        return day.tz_convert("UTC")

    @property
    def coated_at(self) -> pd.Timestamp:
        """Day on which the coated assets got their coating."""
        return self.when(self.years * 0.5)

    @property
    def lit_at(self) -> pd.Timestamp:
        """Day on which the lighting was put up."""
        return self.when(self.years * 0.58)

    @property
    def emerging_from(self) -> pd.Timestamp:
        """Day from which the emerging spot is raised."""
        return self.end - pd.Timedelta(days=49)


@dataclass(frozen=True)
class Town:
    """A town in memory: what a council would hand over, and the truth behind it.

    Attributes
    ----------
    settings
        What it was made with.
    streets
        Lines with name, class, oneway, speed_kmh, length_m (projected).
    register
        One row per asset (projected points).
    log
        The council's incident log: text only, index = source row from 1.
    works, depots, vehicles, measures
        The other files of a project.
    incidents
        Truth: one row per true incident up to the extract's end.
    rows
        Truth: one row per log row.
    rates
        Truth: one row per asset.
    personal, hostile
        Truth: planted personal data, formulas and markup by log row.
    facts
        Truth: everything that is one number.
    """

    settings: Settings
    streets: gpd.GeoDataFrame
    register: gpd.GeoDataFrame
    log: pd.DataFrame
    works: pd.DataFrame
    depots: pd.DataFrame
    vehicles: pd.DataFrame
    measures: pd.DataFrame
    incidents: gpd.GeoDataFrame
    rows: pd.DataFrame
    rates: pd.DataFrame
    personal: pd.DataFrame
    hostile: pd.DataFrame
    facts: dict[str, Any] = field(default_factory=dict)
