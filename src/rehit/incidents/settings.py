"""What the cleaning is told, and what it gives back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import geopandas as gpd
import pandas as pd
from pyproj import CRS
from pyproj.exceptions import CRSError

from rehit.errors import SettingError
from rehit.parameters import Parameters, load_parameters

EXACT_DUPLICATE_CHOICES = ("keep", "join")


@dataclass(frozen=True)
class CleanSettings:
    """Facts about the place and choices of the user that a log does not carry itself.

    Attributes
    ----------
    time_zone
        IANA name of the zone of the log's clock.
    crs
        Projected CRS of the project, for the incidents' geometry.
    study_area
        West, south, east, north in degrees (WGS 84). Without it a study area is derived from the
        bulk of the log's own coordinates, and no row is set aside for lying outside it.
    extract_end
        Date (or date and time) at which the extract was made. Estimated from the log if not given.
    vocabulary
        Path, or paths, of the user's own word tables: CSV with the columns
        ``kind, word, code, language, reason``.
    parameters
        Numbers of ``defaults/incidents.csv``.
    exact_duplicates
        ``keep``: rows that are equal in every cell, have no request number and no place known well
        enough to tell, stay incidents of their own; ``join``: they become one. Both counts are
        given in the findings either way.
    keep_marking_text
        Whether to keep what the marking itself says where a description quotes it.
    translations_in_ledger
        Whether each row whose words were put into codes gets a ledger entry.
    """

    time_zone: str
    crs: str
    study_area: tuple[float, float, float, float] | None = None
    extract_end: str | None = None
    vocabulary: Path | str | Sequence[Path | str] | None = None
    parameters: Parameters = field(default_factory=load_parameters)
    exact_duplicates: str = "keep"
    keep_marking_text: bool = False
    translations_in_ledger: bool = True

    def __post_init__(self) -> None:
        try:
            projected = CRS.from_user_input(self.crs).is_projected
        except CRSError:
            projected = False
        if not projected:
            raise SettingError("crs", got=repr(self.crs), allowed="a projected CRS in metres",
                               remedy="give the code of a projected CRS, such as EPSG:27700")
        if self.exact_duplicates not in EXACT_DUPLICATE_CHOICES:
            raise SettingError("exact_duplicates", got=repr(self.exact_duplicates),
                               allowed=" or ".join(EXACT_DUPLICATE_CHOICES),
                               remedy="choose one of the two")
        if self.study_area is not None:
            west, south, east, north = self.study_area
            if not (-180 <= west < east <= 180 and -90 <= south < north <= 90):
                raise SettingError("study_area", got=repr(self.study_area),
                                   allowed="west, south, east, north in degrees",
                                   remedy="give the four limits in that order")


@dataclass(frozen=True)
class Cleaned:
    """Everything that cleaning gives; the tables keep the contracts of ``schemas``.

    Attributes
    ----------
    incidents, set_aside, ledger
        The tables of those names.
    counts
        One row per file: ``source_file, rows_in, rows_kept, rows_joined, rows_set_aside``.
    findings
        What the owner of the log should mend: ``code, severity, count, effect, advice``.
    observed_from, observed_to
        First report and end of the extract (UTC).
    translations
        Each different word that was put into a code: ``field, before, after, rule, count``.
    """

    incidents: gpd.GeoDataFrame
    set_aside: pd.DataFrame
    ledger: pd.DataFrame
    counts: pd.DataFrame
    findings: pd.DataFrame
    observed_from: pd.Timestamp
    observed_to: pd.Timestamp
    translations: pd.DataFrame
