"""Clusters against scikit-learn's DBSCAN, their names, hulls, stability and street logs."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from sklearn.cluster import DBSCAN

from rehit.errors import SettingError, TableError
from rehit.hotspots.clusters import (
    dense_groups,
    find_clusters,
    find_neighbours,
    resampled_stability,
    suggest_radius,
    suggest_radius_from,
)
from rehit.observed import Window
from rehit.tables import check

FROM, TO = pd.Timestamp("2023-01-01", tz="UTC"), pd.Timestamp("2025-01-01", tz="UTC")


@pytest.fixture
def piles() -> np.ndarray:
    """Points in blobs and scatter, a third of them on equal coordinates."""
    rng = np.random.default_rng(3)
    blobs = np.concatenate([rng.normal(c, 12, (60, 2)) for c in ((0, 0), (300, 40), (80, 400))])
    scatter = rng.uniform(-200, 600, (120, 2))
    every = np.concatenate([blobs, scatter])
    return np.concatenate([every, every[rng.integers(0, len(every), 150)]])


@pytest.mark.parametrize(("radius", "least"), [(15.0, 5), (25.0, 10), (60.0, 8)])
def test_weighted_points_give_the_clusters_of_all_points(piles, radius, least) -> None:
    neighbours = find_neighbours(piles, radius=radius)
    assert len(neighbours.xy) == 300
    labels = dense_groups(neighbours, weights=neighbours.weights, least=least)
    mine = labels[neighbours.member_of]
    theirs = DBSCAN(eps=radius, min_samples=least).fit(piles)
    assert np.array_equal(mine < 0, theirs.labels_ < 0)
    core = np.zeros(len(piles), dtype=bool)
    core[theirs.core_sample_indices_] = True
    # Core points must agree up to the names of the labels; a border point may fall to either side.
    pairs = set(zip(mine[core], theirs.labels_[core], strict=True))
    assert len(pairs) == len({a for a, _ in pairs}) == len({b for _, b in pairs})


def test_clusters_do_not_depend_on_the_order_of_rows(piles) -> None:
    def found(xy: np.ndarray) -> set[frozenset[tuple[float, float]]]:
        n = find_neighbours(xy, radius=20.0)
        labels = dense_groups(n, weights=n.weights, least=8)
        return {frozenset(map(tuple, n.xy[labels == k].round(6)))
                for k in range(labels.max() + 1)}

    assert found(piles) == found(piles[::-1])


def test_dense_piles_are_folded_before_their_pairs_fill_the_memory(piles, monkeypatch) -> None:
    monkeypatch.setattr("rehit.hotspots.clusters.PAIR_LIMIT", 500)
    folded = find_neighbours(piles, radius=25.0)
    assert len(folded.xy) < 300
    assert folded.weights.sum() == len(piles)
    labels = dense_groups(folded, weights=folded.weights, least=10)[folded.member_of]
    theirs = DBSCAN(eps=25.0, min_samples=10).fit(piles).labels_
    assert np.mean((labels < 0) == (theirs < 0)) > 0.97


def test_stability_tells_solid_from_accidental_clusters() -> None:
    rng = np.random.default_rng(8)
    solid = rng.normal(0, 5, (80, 2))
    loose = np.column_stack([np.arange(500, 610, 10.0), np.zeros(11)])
    neighbours = find_neighbours(np.concatenate([solid, loose]), radius=11.0)
    labels = dense_groups(neighbours, weights=neighbours.weights, least=3)
    assert labels.max() == 1
    stability = resampled_stability(neighbours, labels, least=3, draws=40,
                                    rng=np.random.default_rng(1))
    assert stability[0] > 0.95  # Hennig 2007: above 0.75 stable, below 0.5 dissolved
    assert stability[1] < 0.75


def test_bend_is_found_where_the_curve_turns_up() -> None:
    curve = np.concatenate([np.full(50, 10.0), 10.0 + np.arange(1, 11) ** 2])
    assert 10.0 <= suggest_radius_from(curve, low=5, high=150) <= 20.0
    assert suggest_radius_from(np.full(5, 400.0), low=5, high=150) == 150
    assert suggest_radius_from(np.array([]), low=5, high=150) == 150


def placed(xy: np.ndarray, streets: list[str], **columns: object) -> gpd.GeoDataFrame:
    n = len(xy)
    reported = FROM + pd.to_timedelta(np.linspace(1, 700, n), unit="D")
    base = {"incident_id": [f"I{i}" for i in range(n)], "reported_at": reported,
            "cleared_at": reported + pd.Timedelta(days=2), "status": "cleared",
            "place_id": [f"{x:.0f}/{y:.0f}" for x, y in xy], "place_kind": "site",
            "place_quality": "surveyed", "street_key": streets}
    return gpd.GeoDataFrame(base | columns, geometry=gpd.points_from_xy(*xy.T), crs=32630)


@pytest.fixture
def two_streets() -> gpd.GeoDataFrame:
    """Twelve incidents on four walls of Mill Lane, sixteen on High Street, three far off."""
    mill = np.tile([[0.0, 0], [10, 0], [20, 0], [30, 0]], (3, 1))
    high = np.tile([[500.0, 0], [510, 0], [520, 0], [530, 10]], (4, 1))
    far = np.array([[2000.0, 0], [3000, 0], [4000, 0]])
    streets = ["mill lane"] * 12 + ["high street"] * 14 + ["mill lane"] * 2 + ["far road"] * 3
    return placed(np.concatenate([mill, high, far]), streets)


def test_clusters_are_counted_named_and_measured(two_streets) -> None:
    found = find_clusters(two_streets, radius=30, window=Window(FROM, TO),
                          rng=np.random.default_rng(1))
    check(found, "clusters", where="test")
    assert found["cluster_id"].tolist() == ["C001", "C002"]
    assert found["name"].tolist() == ["High Street", "Mill Lane"]
    assert found["streets"].tolist() == ["High Street; Mill Lane", "Mill Lane"]
    assert found["n_incidents"].tolist() == [16, 12]
    assert found["n_places"].tolist() == [4, 4]
    assert found["n_rehits"].tolist() == [12, 8]
    years = 731 / 365.25
    assert found["incidents_per_year"].tolist() == pytest.approx([16 / years, 12 / years])
    # A line of 30 m widened by half the radius: 30 x 30 and a disc of 15 m radius.
    assert found["area_m2"].iloc[1] == pytest.approx(900 + np.pi * 15**2, rel=0.01)
    assert found["stability"].between(0.5, 1).all()
    assert set(found["places"].iloc[1].split("; ")) == {"0/0", "10/0", "20/0", "30/0"}


def test_two_clusters_of_one_street_get_names_of_their_own(two_streets) -> None:
    log = two_streets.assign(street_key="high street")
    found = find_clusters(log, radius=30, window=Window(FROM, TO),
                          rng=np.random.default_rng(1))
    assert found["name"].tolist() == ["High Street", "High Street (2)"]


def test_a_cluster_without_a_street_is_named_by_its_worst_place(two_streets) -> None:
    """Neither a phantom street nor the word for no address: seen on two published logs."""
    log = two_streets.assign(address="Not Recorded", street_key=np.nan)
    log.loc[log.index[:16], "place_id"] = ["0/0"] * 8 + ["10/0"] * 4 + ["500/0"] * 4
    found = find_clusters(log, radius=30, window=Window(FROM, TO),
                          rng=np.random.default_rng(1))
    assert found["name"].tolist() == ["500/0", "0/0"]
    assert found["streets"].tolist() == ["", ""]
    some = log.assign(address=["N/A"] * 11 + ["Mill Lane"] + ["Not known"] * 19)
    named = find_clusters(some, radius=30, window=Window(FROM, TO),
                          rng=np.random.default_rng(1))
    assert named["name"].tolist() == ["500/0", "Mill Lane"]


def test_streets_without_a_name_stay_apart_by_their_number() -> None:
    log = placed(np.tile([[0.0, 0], [900.0, 0]], (12, 1)), [""] * 24, place_kind="street",
                 place_quality="street").assign(street_key=np.nan)
    log["place_id"] = ["ST-1", "ST-2"] * 12
    found = find_clusters(log, window=Window(FROM, TO), rng=np.random.default_rng(1))
    assert found["name"].tolist() == ["ST-1", "ST-2"]
    nowhere = log.assign(place_id=pd.NA, place_kind=pd.NA)
    assert find_clusters(nowhere, window=Window(FROM, TO),
                         rng=np.random.default_rng(1)).empty


def test_one_wall_alone_is_no_cluster() -> None:
    log = placed(np.zeros((40, 2)), ["high street"] * 40)
    found = find_clusters(log, window=Window(FROM, TO), rng=np.random.default_rng(1))
    assert len(found) == 0
    check(found, "clusters", where="test")


def test_a_log_without_any_group_has_no_clusters() -> None:
    """Twelve incidents far apart, and none at all: an empty table, not a fault."""
    few = placed(np.column_stack([np.arange(12) * 900.0, np.zeros(12)]), ["Mill Road"] * 12)
    for rows in (few, few.iloc[:0]):
        found = find_clusters(rows, window=Window(FROM, TO),
                              rng=np.random.default_rng(1))
        check(found, "clusters", where="test")
        assert found.empty


def test_a_street_centroid_log_is_clustered_by_street() -> None:
    xy = np.repeat([[0.0, 0], [15, 0], [900, 0]], [30, 12, 4], axis=0)
    streets = ["long road"] * 30 + ["short row"] * 12 + ["quiet end"] * 4
    log = placed(xy, streets, place_kind="street", place_quality="street")
    found = find_clusters(log, window=Window(FROM, TO), rng=np.random.default_rng(1))
    check(found, "clusters", where="test")
    # Distance would have lumped the first two streets into one dense spot.
    assert found["name"].tolist() == ["Long Road", "Short Row"]
    assert found["n_incidents"].tolist() == [30, 12]
    assert (found["kind"] == "street").all()
    assert found["stability"].isna().all()
    assert (found["n_rehits"] == 0).all()


def test_incidents_outside_the_window_are_left_out(two_streets) -> None:
    half = find_clusters(two_streets, radius=30,
                         window=Window(FROM, FROM + pd.Timedelta(days=280)),
                         rng=np.random.default_rng(1))
    assert half["name"].tolist() == ["Mill Lane"]


def test_suggested_radius_keeps_clusters_from_running_together() -> None:
    rng = np.random.default_rng(9)
    centre = np.column_stack([rng.uniform(0, 4000, 2500), rng.uniform(0, 800, 2500)])
    suggestion = suggest_radius(placed(centre, ["x"] * 2500))
    assert suggestion.radius_m < suggestion.bend_m
    assert suggestion.k_distances_m.tolist() == sorted(suggestion.k_distances_m.tolist())
    assert suggestion.least == 10


def test_same_seed_same_clusters_and_input_left_alone(two_streets) -> None:
    before = two_streets.copy()
    first, second = (find_clusters(two_streets, window=Window(FROM, TO),
                                   rng=np.random.default_rng(5)) for _ in range(2))
    assert first.equals(second)
    assert two_streets.equals(before)


def test_bad_input_is_refused(two_streets) -> None:
    with pytest.raises(SettingError, match="radius"):
        find_clusters(two_streets, radius=-1, window=Window(FROM, TO),
                      rng=np.random.default_rng(1))
    with pytest.raises(TableError, match="to_crs"):
        find_clusters(two_streets.to_crs(4326), window=Window(FROM, TO),
                      rng=np.random.default_rng(1))
