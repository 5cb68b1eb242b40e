"""A log without any report date still says where reports gather, and nothing over time."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from rehit.chain import Chain
from rehit.errors import SettingError
from rehit.outputs.hotspots import write_hotspots
from rehit.outputs.start import start_project
from rehit.project import load_project


def test_reports_are_counted_at_each_place_and_nothing_else_is_told(tmp_path: Path) -> None:
    """Six, three and one report at three houses, each house at a point of its own."""
    rows = [f"{n},{house} Mill Lane,{53.80012 + house / 9970:.5f},{-1.55037 - house / 9910:.5f}"
            for n, house in enumerate([5] * 6 + [9] * 3 + [14])]
    (tmp_path / "log.csv").write_text("\n".join(["ID,Address,Lat,Lon", *rows]) + "\n")
    start_project(tmp_path / "town", logs=[tmp_path / "log.csv"])
    chain = Chain(load_project(tmp_path / "town"))
    (tmp_path / "out").mkdir()
    told = write_hotspots(chain, tmp_path / "out")
    counted = pd.read_csv(tmp_path / "out" / "counts.csv")
    assert counted["n_reports"].tolist() == [6, 3, 1]
    assert counted["place_name"].tolist() == ["5 Mill Lane", "9 Mill Lane", "14 Mill Lane"]
    assert (told["n_places"], told["n_reports"]) == (3, 10)
    assert told["sentences"][0].facts == {"n": 10, "places": 3, "half": 1}
    assert (tmp_path / "out" / "hotspots.gpkg").exists()
    # Ten reports at three doors of one lane, 50 m from door to door: one cluster, and no rate.
    assert told["n_clusters"] == 1
    (cluster,) = pd.read_csv(tmp_path / "out" / "clusters.csv").to_dict("records")
    assert (cluster["n_reports"], cluster["n_places"]) == (10, 3)
    assert not {"n_rehits", "incidents_per_year"} & set(cluster)
    with pytest.raises(SettingError) as refused:
        _ = chain.repeats
    assert "without a date of report" in str(refused.value)
