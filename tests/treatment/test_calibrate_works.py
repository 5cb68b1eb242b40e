"""A works log as crews keep it becomes the works table."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from rehit.errors import ManyErrors
from rehit.tables import check
from rehit.treatment.calibrate import read_works


def test_units_words_and_bad_cells(tmp_path: Path) -> None:
    path = tmp_path / "w.csv"
    pd.DataFrame({
        "Job No": ["1", "1", None, "4"], "Case Ref": ["R1", "R2", None, "R4"],
        "Work done": ["Painted out", "jet wash", "sang to it", "Solvent"],
        "Area sqft": ["100", "", "x", "10"], "Hours": ["0.5", "1,5", "-2", ""],
        "Paint (L)": ["0,4", "", "", ""], "Cost": ["€1,234.50", "12", "", "=1+1"],
    }).to_csv(path, index=False)
    works = read_works(path, columns={"paint_l": "Paint (L)"})
    check(works, "works", where="test")
    assert works["work_id"].tolist() == ["1", "1 row 2", "row 3", "4"]
    assert works["method"].fillna("").tolist() == ["paint_out", "hot_wash", "", "solvent_wipe"]
    assert works["area_m2"].round(6).fillna(-1).tolist() == [9.290304, -1, -1, 0.92903]
    assert works["minutes"].fillna(-1).tolist() == [30, 90, -1, -1]
    assert works["paint_l"].fillna(-1).tolist() == [0.4, -1, -1, -1]
    assert works["cost"].fillna(-1).tolist()[:3] == [1234.5, 12.0, -1.0]
    assert any("sang to it" in note for note in works.attrs["notes"])


def test_no_method_column(tmp_path: Path) -> None:
    path = tmp_path / "w.csv"
    pd.DataFrame({"a": [1]}).to_csv(path, index=False)
    with pytest.raises(ManyErrors, match="method"):
        read_works(path)


def test_demo_works_log_is_understood() -> None:
    works = read_works(Path(__file__).parents[2] / "data_demo" / "works_log.csv")
    assert works["method"].notna().all()
    assert works[["area_m2", "minutes", "paint_l", "cost"]].notna().all().all()
