"""Autocorrelation statistics against the values their authors and other programs print."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import geopandas as gpd
import libpysal
import numpy as np
import pandas as pd
import pytest
from scipy.sparse import csr_matrix
from scipy.special import ndtri

from rehit.errors import SettingError
from rehit.hotspots.significance import (
    critical_score,
    distance_weights,
    gi,
    gi_star,
    moran,
    row_standardised,
    standardised_rates,
)

PUBLISHED = Path(__file__).parents[1] / "published"


@pytest.fixture(scope="module")
def remote_sensing() -> tuple[np.ndarray, np.ndarray]:
    """Getis and Ord 1996: 16 x 16 remotely sensed values 30 m apart."""
    table = pd.read_csv(PUBLISHED / "getis_ord_1996.csv", comment="#")
    return table[["x", "y"]].to_numpy("float64"), table["val"].to_numpy("float64")


GI = {30: 1.221979, 60: 1.748098, 90: 1.986135, 120: 1.893374}
GI_STAR = {30: 1.450780, 60: 1.900559, 90: 2.096939, 120: 1.981907}
TARGET = 119  # the authors' cell 120, counted from one


@pytest.mark.parametrize("distance", GI)
def test_gi_against_getis_ord_1996(remote_sensing, distance) -> None:
    # spdep help of localG and esda (transform="B"), both run; binary weights.
    xy, values = remote_sensing
    scores = gi(values, distance_weights(xy, distance=distance, include_self=False))
    assert scores[TARGET] == pytest.approx(GI[distance], abs=5e-7)


@pytest.mark.parametrize("distance", GI_STAR)
def test_gi_star_against_getis_ord_1996(remote_sensing, distance) -> None:
    # Values printed in the help of spdep's localG, equation 14.2.
    xy, values = remote_sensing
    scores = gi_star(values, distance_weights(xy, distance=distance, include_self=True))
    assert scores[TARGET] == pytest.approx(GI_STAR[distance], abs=5e-7)


def test_gi_star_with_the_variance_printed_on_page_267(remote_sensing) -> None:
    xy, values = remote_sensing
    weights = distance_weights(xy, distance=30, include_self=True)
    scores = gi_star(values, weights, book_variance=True)
    assert scores[TARGET] == pytest.approx(1.447943, abs=5e-7)


def test_gi_star_needs_squared_weights_where_they_are_not_binary(remote_sensing) -> None:
    # Ord and Getis 1995: the scale of the weights cancels only if their squares are summed.
    xy, values = remote_sensing
    weights = distance_weights(xy, distance=60, include_self=True)
    doubled = weights * 2.0
    assert gi_star(values, doubled) == pytest.approx(gi_star(values, weights), rel=1e-12)


def test_gi_refuses_a_place_that_is_its_own_neighbour(remote_sensing) -> None:
    xy, values = remote_sensing
    with pytest.raises(SettingError, match="gi_star"):
        gi(values, distance_weights(xy, distance=30, include_self=True))


def test_islands_and_flat_maps_have_no_score() -> None:
    xy = np.array([[0.0, 0], [1, 0], [2, 0], [90, 0]])
    weights = distance_weights(xy, distance=1.0, include_self=False)
    assert np.isnan(gi(np.array([1.0, 4, 2, 3]), weights)[3])
    star = distance_weights(xy, distance=1.0, include_self=True)
    assert np.isnan(gi_star(np.full(4, 2.0), star)).all()


def shipped(name: str) -> tuple[gpd.GeoDataFrame, csr_matrix]:
    """A data set of the libpysal wheel with its own neighbour file."""
    with closing(libpysal.io.open(libpysal.examples.get_path(f"{name}.gal"))) as file:
        weights = file.read().sparse.tocsr()
    return gpd.read_file(libpysal.examples.get_path(f"{name}.shp")), weights


def test_moran_against_esda_on_columbus_crime() -> None:
    # checks/spatial: I 0.5001886, z under randomisation 5.58938, row-standardised weights of the
    # wheel's own neighbour file; 0.511 of Anselin 1988 uses other weights.
    frame, weights = shipped("columbus")
    statistic, z = moran(frame["CRIME"].to_numpy("float64"), row_standardised(weights))
    assert statistic == pytest.approx(0.5001886, abs=5e-8)
    assert z == pytest.approx(5.58938, abs=5e-6)


def test_moran_against_spdep_on_columbus_crime() -> None:
    # checks/spatial: I 0.4857709 with spdep's neighbours col.gal.nb, which the libpysal wheel ships
    # as written out for another program (230 links, where its own neighbour file has 236).
    frame, _ = shipped("columbus")
    path = libpysal.examples.get_path("spdep_listw2WB_columbus")
    with closing(libpysal.io.open(path, "r", "geobugs_text")) as file:
        weights = file.read().sparse.tocsr()
    assert weights.nnz == 230
    statistic, _ = moran(frame["CRIME"].to_numpy("float64"), row_standardised(weights))
    assert statistic == pytest.approx(0.4857709, abs=5e-8)


def test_moran_against_anselin_1988_on_columbus_crime() -> None:
    # spdep's oldcol run there: 0.5109513; Anselin 1988 prints 0.511.
    table = pd.read_csv(PUBLISHED / "columbus_anselin_1988.csv", comment="#")
    near = table["neighbours"].str.split().explode().astype(int)
    weights = csr_matrix((np.ones(len(near)), (near.index, near - 1)), shape=(49, 49))
    assert weights.nnz == 232
    statistic, _ = moran(table["crime"].to_numpy("float64"), row_standardised(weights))
    assert statistic == pytest.approx(0.5109513, abs=5e-8)


def test_moran_of_standardised_rates_against_esda_on_sids() -> None:
    # esda docstring of Moran_Rate: 0.1662 for SID79 by BIR79 with the wheel's sids2 weights.
    frame, weights = shipped("sids2")
    rates = standardised_rates(frame["SID79"].to_numpy("float64"),
                               frame["BIR79"].to_numpy("float64"))
    assert moran(rates, row_standardised(weights))[0] == pytest.approx(0.1662, abs=5e-5)


@pytest.mark.parametrize(("n", "printed"), [(1, 1.645), (50, 3.083)])
def test_critical_score_against_ord_getis_1995(n, printed) -> None:
    assert critical_score(n, alpha=0.05) == pytest.approx(printed, abs=5e-4)


@pytest.mark.parametrize(("n", "printed"), [(100, 3.289), (1000, 3.886)])
def test_ord_getis_1995_lies_between_sidak_and_bonferroni(n, printed) -> None:
    # The authors' table is neither to its last digit for larger n; both bounds are exact.
    assert critical_score(n, alpha=0.05) < printed < ndtri(1 - 0.05 / n)
