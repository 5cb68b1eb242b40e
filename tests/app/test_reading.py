"""Looking a place up by what people call it."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from rehit.app.reading import Tables


def test_a_place_is_found_by_its_name_and_by_its_code(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    pd.DataFrame({"place_id": ["A1", "B2"], "place_name": ["5 Elm Road", "Old Bridge"]}).to_parquet(
        tmp_path / "data" / "repeats.parquet")
    tables = Tables(tmp_path)
    assert tables.find("elm") == ["A1"]
    assert tables.find("b2") == ["B2"]
    assert tables.called("B2") == "Old Bridge"
    assert tables.find("") == ["A1", "B2"]
