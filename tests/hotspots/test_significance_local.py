"""Gi* and local Moran's I against the values their authors and other programs print."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import geopandas as gpd
import libpysal
import numpy as np
import pandas as pd
import pytest
from scipy.sparse import csr_matrix
from scipy.spatial import distance_matrix

from rehit.hotspots.significance import gi_star, local_moran, standardised_rates

PUBLISHED = Path(__file__).parents[1] / "published"
TARGET = 119  # the authors' cell 120, counted from one


@pytest.mark.parametrize(("distance", "printed"), [
    (30, 1.450780), (60, 1.900559), (90, 2.096939), (120, 1.981907)])
def test_gi_star_against_getis_ord_1996(distance: float, printed: float) -> None:
    """16 x 16 remotely sensed values 30 m apart; printed in the help of spdep's localG."""
    table = pd.read_csv(PUBLISHED / "getis_ord_1996.csv", comment="#")
    xy, values = table[["x", "y"]].to_numpy("float64"), table["val"].to_numpy("float64")
    near = distance_matrix(xy, xy[[TARGET]])[:, 0] <= distance
    scores = gi_star(values, np.array([values[near].sum()]), np.array([near.sum()]))
    assert scores[0] == pytest.approx(printed, abs=5e-7)


def test_a_map_of_one_value_and_a_neighbourhood_of_all_have_no_score() -> None:
    assert np.isnan(gi_star(np.full(4, 2.0), np.array([4.0]), np.array([2]))).all()
    assert np.isnan(gi_star(np.arange(4.0), np.array([6.0]), np.array([4]))).all()


def moran(values: np.ndarray, weights: csr_matrix) -> float:
    """Global Moran's I as the mean of the local ones: the same where all have a neighbour."""
    number = np.asarray((weights > 0).sum(axis=1)).ravel()
    assert (number > 0).all()
    return float(local_moran(values, (weights > 0) @ values, number).mean())


def test_a_place_without_neighbours_has_no_local_index() -> None:
    found = local_moran(np.array([1.0, 4, 3]), np.array([4.0, 1, 0]), np.array([1, 1, 0]))
    assert np.isnan(found).tolist() == [False, False, True]


def shipped(name: str) -> tuple[gpd.GeoDataFrame, csr_matrix]:
    """A data set of the libpysal wheel with its own neighbour file."""
    with closing(libpysal.io.open(libpysal.examples.get_path(f"{name}.gal"))) as file:
        weights = file.read().sparse.tocsr()
    return gpd.read_file(libpysal.examples.get_path(f"{name}.shp")), weights


def test_moran_against_esda_on_columbus_crime() -> None:
    # Run there: row-standardised weights of the wheel's own neighbour file; 0.511 of Anselin 1988
    # uses other weights.
    frame, weights = shipped("columbus")
    assert moran(frame["CRIME"].to_numpy("float64"), weights) == pytest.approx(0.5001886, abs=5e-8)


def test_moran_against_spdep_on_columbus_crime() -> None:
    # Run there: 0.4857709 with spdep's neighbours col.gal.nb, which the libpysal wheel ships
    # as written out for another program (230 links, where its own neighbour file has 236).
    frame, _ = shipped("columbus")
    path = libpysal.examples.get_path("spdep_listw2WB_columbus")
    with closing(libpysal.io.open(path, "r", "geobugs_text")) as file:
        weights = file.read().sparse.tocsr()
    assert weights.nnz == 230
    assert moran(frame["CRIME"].to_numpy("float64"), weights) == pytest.approx(0.4857709, abs=5e-8)


def test_moran_against_anselin_1988_on_columbus_crime() -> None:
    # spdep's oldcol run there: 0.5109513; Anselin 1988 prints 0.511.
    table = pd.read_csv(PUBLISHED / "columbus_anselin_1988.csv", comment="#")
    near = table["neighbours"].str.split().explode().astype(int)
    weights = csr_matrix((np.ones(len(near)), (near.index, near - 1)), shape=(49, 49))
    assert weights.nnz == 232
    assert moran(table["crime"].to_numpy("float64"), weights) == pytest.approx(0.5109513, abs=5e-8)


def test_moran_of_standardised_rates_against_esda_on_sids() -> None:
    # esda docstring of Moran_Rate: 0.1662 for SID79 by BIR79 with the wheel's sids2 weights.
    frame, weights = shipped("sids2")
    rates = standardised_rates(frame["SID79"].to_numpy("float64"),
                               frame["BIR79"].to_numpy("float64"))
    assert moran(rates, weights) == pytest.approx(0.1662, abs=5e-5)
