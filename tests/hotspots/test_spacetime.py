"""The Knox test and the ring table against published values and a planted ring."""

from __future__ import annotations

from itertools import permutations
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from rehit.errors import SettingError, TableError
from rehit.hotspots import spacetime
from rehit.hotspots.spacetime import (
    Events,
    count_by_slices,
    count_tail,
    knox_rings,
    permuted_moments,
    ring_degrees,
    wait_degrees,
)
from rehit.parameters import load_parameters

PUBLISHED = Path(__file__).parents[1] / "published"


@pytest.fixture(scope="module")
def burkitt() -> tuple[np.ndarray, np.ndarray]:
    table = pd.read_csv(PUBLISHED / "burkitt_1978.csv", comment="#")
    return table[["X", "Y"]].to_numpy("float64"), table["T"].to_numpy("float64")


def knox(xy: np.ndarray, days: np.ndarray, *, distance: float,
         interval: float) -> tuple[tuple[int, int, int], float]:
    """Pairs near in space, in time and in both, and those expected in both: a table of one ring."""
    order = np.argsort(days, kind="stable")
    events = Events(xy[order], np.rint(days[order] * 86_400).astype("int64"),
                    np.full(len(days), -1))
    rings, waits = np.array([0.0, distance]), np.array([0.0, interval])
    near, soon = ring_degrees(events, rings), wait_degrees(events.second, waits)
    both = count_by_slices(events, rings, waits).item()
    expected = permuted_moments(near, soon)[0].item()
    return (int(near.sum() / 2), int(soon.sum() / 2), both), expected


def poisson_tail(observed: int, expected: float) -> float:
    """The chance of so many pairs where the variance is the mean."""
    return count_tail(np.array([observed]), np.array([expected]), np.array([expected])).item()


def test_knox_against_pointpats_and_surveillance_on_burkitt(burkitt) -> None:
    # pointpats tests (delta 20, tau 5) and R surveillance; the printed 0.1462456 is P(X > 13).
    pairs, expected = knox(*burkitt, distance=20, interval=5)
    assert pairs == (3429, 52, 13)
    assert expected == pytest.approx(10.143816, abs=5e-7)
    assert poisson_tail(14, expected) == pytest.approx(0.1462455820, abs=5e-11)
    assert poisson_tail(13, expected) == pytest.approx(0.2222667, abs=5e-8)


def test_the_log_is_left_alone_so_that_the_next_test_is_right() -> None:
    # pointpats' deprecated knox shuffles the times in place.
    log = planted_log(seed=5, offspring=0.2)
    before = log.copy(deep=True)
    knox_rings(log, ring_edges_m=RINGS, wait_edges_days=WAITS, rng=np.random.default_rng(1))
    pd.testing.assert_frame_equal(log, before)


def test_poisson_tail_against_knox_1964() -> None:
    """96 cases, 25 pairs near in space, 152 in time, 5 in both: P(X >= 5) = .001684 (from memory).

    A map with those counts: 25 couples of neighbours and 46 alone; moments shared by 17 (of them
    five couples), 6 and 2 cases, which makes 136 + 15 + 1 pairs, and one apart for each other case.
    """
    xy = np.column_stack([1000.0 * np.arange(96), np.zeros(96)])
    xy[25:50] = xy[:25] + np.array([0.5, 0.0])
    times = 100.0 * np.arange(96)
    together = [*range(5), *range(25, 30), *range(50, 57)]
    for group in (together, range(57, 63), range(63, 65)):
        times[list(group)] = times[group[0]]
    pairs, expected = knox(xy, times, distance=1.0, interval=1.0)
    assert pairs == (25, 152, 5)
    assert expected == pytest.approx(0.8333, abs=5e-5)
    assert poisson_tail(5, expected) == pytest.approx(0.001684, abs=5e-7)


def planted_log(*, seed: int, offspring: float) -> gpd.GeoDataFrame:
    """Random markings, some of which set off another within 100 m and 14 days."""
    rng = np.random.default_rng(seed)
    n = 1500
    x, y, t = rng.uniform(0, 4000, n), rng.uniform(0, 4000, n), rng.uniform(0, 700, n)
    parent = np.flatnonzero(rng.uniform(size=n) < offspring)
    angle = rng.uniform(0, 2 * np.pi, len(parent))
    far = 100 * np.sqrt(rng.uniform(0, 1, len(parent)))
    x = np.concatenate([x, x[parent] + far * np.cos(angle)])
    y = np.concatenate([y, y[parent] + far * np.sin(angle)])
    t = np.concatenate([t, t[parent] + rng.uniform(0, 14, len(parent))])
    start = pd.Timestamp("2024-01-01", tz="UTC")
    return gpd.GeoDataFrame({"reported_at": start + pd.to_timedelta(t, unit="D")},
                            geometry=gpd.points_from_xy(x, y), crs=32630)


RINGS, WAITS = (0, 100, 200, 300, 400), (0, 14, 28, 42)


def test_ring_table_finds_the_planted_ring_and_nothing_else() -> None:
    log = planted_log(seed=5, offspring=0.2)
    table = knox_rings(log, ring_edges_m=RINGS, wait_edges_days=WAITS,
                       rng=np.random.default_rng(1))
    raised = table.loc[table["raised"], ["to_m", "to_days"]].to_numpy().tolist()
    assert raised == [[100.0, 14.0]]
    first = table.iloc[0]
    assert first["ratio"] > 3
    assert first["p_upper"] < 1e-6
    assert first["p_permuted"] == 1 / (load_parameters()["hotspots.knox_permutations"] + 1)


def test_rings_inside_the_outermost_can_be_raised_and_it_cannot() -> None:
    """The same planted within 100 m, in finer rings; against itself the outermost is no news."""
    table = knox_rings(planted_log(seed=5, offspring=0.2), ring_edges_m=(0, 50, 100, 400),
                       wait_edges_days=WAITS, rng=np.random.default_rng(1))
    raised = table.loc[table["raised"], ["to_m", "to_days"]].to_numpy().tolist()
    assert raised == [[50.0, 14.0], [100.0, 14.0]]
    assert (table["p_upper"] == 1).tolist() == (table["to_m"] == 400).tolist()


def test_ring_table_counts_every_pair_once() -> None:
    log = planted_log(seed=5, offspring=0.2)
    table = knox_rings(log, ring_edges_m=RINGS, wait_edges_days=WAITS,
                       rng=np.random.default_rng(1))
    xy = np.column_stack([log.geometry.x, log.geometry.y])
    days = (log["reported_at"] - log["reported_at"].min()) / pd.Timedelta(days=1)
    (_, _, both), _ = knox(xy, days.to_numpy(), distance=400, interval=42)
    assert table["pairs"].sum() == both


def test_a_whole_quarter_that_waxes_and_wanes_together_is_no_near_repeat() -> None:
    """Four quarters, each busy in its own month: near in time within them, but not nearer."""
    rng = np.random.default_rng(8)
    quarter = rng.integers(0, 4, 3000)
    x, y = rng.uniform(0, 900, (2, 3000))
    x, y = x + 3000 * (quarter % 2), y + 3000 * (quarter // 2)
    t = np.where(rng.uniform(size=3000) < 0.4, 90 + 150 * quarter + rng.uniform(0, 30, 3000),
                 rng.uniform(0, 700, 3000))
    log = gpd.GeoDataFrame({"reported_at": pd.Timestamp("2024-01-01", tz="UTC")
                            + pd.to_timedelta(t, unit="D")},
                           geometry=gpd.points_from_xy(x, y), crs=32630)
    table = knox_rings(log, ring_edges_m=RINGS, wait_edges_days=WAITS,
                       rng=np.random.default_rng(1))
    assert (table.loc[table["to_days"] == 14, "ratio"] > 1.3).all()
    assert not table["raised"].any()


def test_ring_table_raises_no_alarm_where_nothing_is_planted() -> None:
    alarms = [knox_rings(planted_log(seed=s, offspring=0.0), ring_edges_m=RINGS,
                         wait_edges_days=WAITS, rng=np.random.default_rng(s))["raised"].any()
              for s in range(6)]
    assert sum(alarms) <= 1


def test_one_wall_logged_metres_apart_is_no_near_repeat() -> None:
    """A wall marked three times in a fortnight, its points scattered as a phone gives them."""
    day = pd.Timestamp("2024-01-01", tz="UTC") + pd.to_timedelta([0, 5, 10, 200], unit="D")
    log = gpd.GeoDataFrame({"reported_at": day, "place_id": ["w", "w", "w", "v"]},
                           geometry=gpd.points_from_xy([0, 12, 5, 300], [0, 3, 9, 0]), crs=32630)
    table = knox_rings(log, rng=np.random.default_rng(1))
    own = table["to_m"] == 1
    assert table.loc[own, "pairs"].sum() == 3
    assert table.loc[~own & (table["to_m"] <= 50), "pairs"].sum() == 0


def test_ring_table_of_an_empty_log_says_nothing_is_raised() -> None:
    table = knox_rings(planted_log(seed=1, offspring=0).iloc[:1], rng=np.random.default_rng(1))
    assert not table["raised"].any()
    assert (table["pairs"] == 0).all()


def test_ring_edges_must_ascend_from_nought() -> None:
    with pytest.raises(SettingError, match="ring_edges_m"):
        knox_rings(planted_log(seed=1, offspring=0), ring_edges_m=(10, 5),
                   rng=np.random.default_rng(1))


def test_degrees_are_refused() -> None:
    with pytest.raises(TableError, match="to_crs"):
        knox_rings(planted_log(seed=1, offspring=0).to_crs(4326), rng=np.random.default_rng(1))


def test_moments_against_every_order_of_six_events() -> None:
    """All 720 orders counted: the mean and variance are exact, not approximate."""
    rng = np.random.default_rng(4)
    xy, second = rng.uniform(0, 10, (6, 2)), np.sort(rng.integers(0, 20, 6)) * 86_400
    events = Events(xy, second, np.array([0, 0, -1, 1, -1, -1]))
    rings, waits = np.array([0.0, 3, 5, 8]), np.array([0.0, 4, 9])
    tables = np.stack([count_by_slices(Events(xy[list(order)], second, events.place[list(order)]),
                                       rings, waits) for order in permutations(range(6))])
    mean, variance = permuted_moments(ring_degrees(events, rings), wait_degrees(second, waits))
    np.testing.assert_allclose(mean, tables.mean(axis=0), atol=1e-12)
    np.testing.assert_allclose(variance, tables.var(axis=0), atol=1e-12)


def test_slices_count_as_a_list_of_all_pairs_does(monkeypatch) -> None:
    monkeypatch.setattr(spacetime, "SLICE_EVENTS", 70)
    monkeypatch.setattr(spacetime, "SLICE_PAIRS", 900)
    rng = np.random.default_rng(6)
    n = 1200
    xy, second = rng.uniform(0, 900, (n, 2)), np.sort(rng.integers(0, 300, n)) * 86_400
    events = Events(xy, second, rng.integers(-1, 300, n))
    rings, waits = np.array([0.0, 1, 50, 100, 200]), np.array([0.0, 7, 14, 28])
    i, j, apart = spacetime.close_pairs(xy, distance=200)
    ring = np.clip(np.searchsorted(rings, apart, side="left") - 1, 0, None)
    ring[(events.place[i] == events.place[j]) & (events.place[i] >= 0)] = 0
    listed = spacetime.bin_pairs(ring, second, i, j, waits * 86_400, n_rings=4)
    assert count_by_slices(events, rings, waits).tolist() == listed.tolist()
    degrees = ring_degrees(events, rings)
    assert (degrees.sum(axis=1) / 2).tolist() == np.bincount(ring, minlength=4).tolist()


def test_a_band_ends_with_its_edge() -> None:
    """Two reports seven days apart to the second are within the first week, a second more is not.

    The edge belongs to the lower band on both ways of counting.
    """
    waits = np.array([0.0, 7.0, 14.0])
    for extra, bands in ((0, [1, 0]), (1, [0, 1])):
        second = np.array([0, 7 * 86_400 + extra])
        events = Events(np.zeros((2, 2)), second, np.array([-1, -1]))
        assert count_by_slices(events, np.array([0.0, 1.0]), waits).tolist() == [bands]
        assert wait_degrees(second, waits).sum(axis=1).tolist() == [2 * b for b in bands]


def test_a_log_with_too_many_pairs_to_list_is_judged_by_its_moments() -> None:
    log = planted_log(seed=5, offspring=0.2)
    few = load_parameters().override({"hotspots.knox_listed_pairs": 1000})
    judged, both = (knox_rings(log, ring_edges_m=RINGS, wait_edges_days=WAITS, parameters=numbers,
                               rng=np.random.default_rng(1)) for numbers in (few, None))
    assert judged["p_permuted"].isna().all()
    pd.testing.assert_frame_equal(judged.drop(columns="p_permuted"),
                                  both.drop(columns="p_permuted"))
    # The exact chance and the counted one agree where neither is at the counting's floor.
    events = spacetime._events(log)
    moments = permuted_moments(ring_degrees(events, np.array(RINGS, float)),
                               wait_degrees(events.second, np.array(WAITS, float)))
    assert both["expected"].to_numpy() == pytest.approx(moments[0].ravel())
    alone = spacetime.count_tail(both["pairs"].to_numpy(), *(m.ravel() for m in moments))
    seen = (both["p_permuted"] > 0.05).to_numpy()
    assert np.abs(alone - both["p_permuted"].to_numpy())[seen].max() < 0.12
    # Nearer rings are judged with the outermost one's excess taken out: never more surely.
    doubtful = alone < 0.1
    assert (both["p_upper"].to_numpy() >= alone)[doubtful].all()
