"""One tiny file for every fault, named for it, with the exact code that cleaning must give.

`faults/expected.csv` says for each file which code stands in which table for which row:
``set_aside`` its reason, ``ledger`` a rule, ``incidents`` a value at the incident's own row,
``joined`` the row it was joined into, ``findings`` and ``counts`` a number.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest

from rehit.incidents.clean import clean_incidents
from rehit.incidents.rows import Cleaned, CleanSettings

FOLDER = Path(__file__).parent / "faults"
EXPECTED = pd.read_csv(FOLDER / "expected.csv", dtype={"expected": "str"})
FAULTS = sorted(EXPECTED["fault"].unique())
SETTINGS = CleanSettings(time_zone="Europe/Lisbon", crs="EPSG:32625",
                         study_area=(-33.0220, 45.9970, -32.9780, 46.0184))


def clean(fault: str) -> tuple[Cleaned, int]:
    text = pd.read_csv(FOLDER / f"{fault}.csv", dtype="str", keep_default_na=False,
                       skip_blank_lines=False)
    text["source_row"] = range(1, len(text) + 1)
    if "source_file" not in text:
        text["source_file"] = "log.csv"
    return clean_incidents(text, mapping=None, settings=SETTINGS), len(text)


def shown(incident: pd.Series, column: str) -> str:
    value = incident[column]
    if pd.isna(value):
        return "none"
    if column == "geometry":
        point = gpd.GeoSeries([value], crs=SETTINGS.crs).to_crs("EPSG:4326").iloc[0]
        return f"{point.x:.4f} {point.y:.4f}"
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d %H:%M}"
    return f"{value:.4f}" if column == "area_m2" else str(value)


def own_row(cleaned: Cleaned, row: int) -> pd.Series:
    at = cleaned.incidents["source_rows"].str.split(";").str[0].str.endswith(f"#{row}")
    assert at.sum() == 1, cleaned.incidents["source_rows"].tolist()
    return cleaned.incidents[at].iloc[0]


def found(cleaned: Cleaned, table: str, row: int, column: str) -> list[str]:
    if table == "set_aside":
        return cleaned.set_aside.query("source_row == @row")["reason"].tolist()
    if table == "ledger":
        return cleaned.ledger.query("source_row == @row")["rule"].tolist()
    if table == "ledger_any":
        return cleaned.ledger["rule"].tolist()
    if table == "findings":
        counts = cleaned.findings.set_index("code")["count"]
        return [str(counts.get(column, 0))]
    if table == "counts":
        return [str(cleaned.counts[column].sum())]
    if table == "joined":
        rows = cleaned.incidents["source_rows"].str.split(";")
        return [r[0].split("#")[1] for r in rows if str(row) in [x.split("#")[1] for x in r[1:]]]
    return [shown(own_row(cleaned, row), column)]


def test_every_fault_has_its_file_and_every_file_its_fault() -> None:
    files = {path.stem for path in FOLDER.glob("*.csv")} - {"expected"}
    assert files == set(FAULTS)
    assert len(FAULTS) >= 60


@pytest.mark.parametrize("fault", FAULTS)
def test_fault_gives_its_code(fault: str) -> None:
    cleaned, rows = clean(fault)
    for line in EXPECTED[EXPECTED["fault"] == fault].itertuples():
        if line.table == "set_aside_without":
            assert line.expected not in cleaned.set_aside["original"].iloc[0]
            continue
        assert line.expected in found(cleaned, line.table, line.row, line.column), line
    counts = cleaned.counts
    assert counts["rows_in"].sum() == rows
    assert (counts["rows_in"] == counts["rows_kept"] + counts["rows_joined"]
            + counts["rows_set_aside"] + counts["rows_other_service"]).all()
