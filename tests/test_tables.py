"""Every table's contract is whole, and is held at the door."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from shapely import Point

from rehit.errors import ManyErrors, TableError
from rehit.tables import check, empty, require_projected, table

SOURCE = Path(__file__).parents[1] / "src" / "rehit"
NAMES = sorted(path.stem for path in (SOURCE / "schemas").glob("*.csv"))
KINDS = {"text", "code", "number", "whole", "flag", "time", "day", "point", "line", "polygon",
         "geometry"}


@pytest.mark.parametrize("name", NAMES)
def test_every_contract_names_kind_and_meaning(name: str) -> None:
    contract = table(name)
    assert len(set(contract.names)) == len(contract.names) > 0
    assert all(len(column.meaning) > 3 for column in contract.columns)
    assert {column.kind for column in contract.columns} <= KINDS


@pytest.mark.parametrize("name", NAMES)
def test_a_table_without_rows_keeps_its_contract(name: str) -> None:
    check(empty(name, crs="EPSG:32625" if table(name).spatial else None), name, where="test")


def test_every_fault_of_a_table_comes_in_one_error() -> None:
    wrong = pd.DataFrame({"place_id": ["A", "A"], "gamma_shape": ["x", "y"]})
    with pytest.raises(ManyErrors) as caught:
        check(wrong, "costing", where="test")
    said = str(caught.value)
    assert "column 'gamma_shape': got type" in said
    assert "'mark_area_m2': got no such column" in said
    assert "twice" in said


def test_degrees_are_refused_where_metres_are_needed() -> None:
    point = gpd.GeoSeries([Point(-9, 38)], crs=4326)
    with pytest.raises(TableError, match="degrees"):
        require_projected(point, where="test")
    require_projected(point.to_crs("EPSG:32629"), where="test")
