"""The scan statistic against published zones, and what it calls emerging."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from rehit.hotspots.scan import log_likelihood_ratio, poisson_scan, scan_statistic
from rehit.observed import Window
from rehit.parameters import load_parameters
from rehit.tables import check

PUBLISHED = Path(__file__).parents[1] / "published"
FAST = load_parameters().override({"hotspots.scan_permutations": 39,
                                   "hotspots.scan_max_radius_m": 300})
FROM, TO = pd.Timestamp("2024-01-01", tz="UTC"), pd.Timestamp("2024-12-30", tz="UTC")


def test_scan_against_kulldorff_1997_on_north_carolina() -> None:
    # Same zones as Kulldorff 1997; likelihood ratios as run for checks/spatial (1503 deaths of
    # 752,354 births, circles on county seats), p .001 and .002 with 999 maps.
    table = pd.read_csv(PUBLISHED / "nc_sids_cressie_1991.csv", comment="#", index_col="county")
    deaths = (table["SID74"] + table["SID79"]).to_numpy()
    births = (table["BIR74"] + table["BIR79"]).to_numpy("float64")
    assert (deaths.sum(), births.sum()) == (1503, 752354)
    zones = poisson_scan(table[["east", "north"]].to_numpy("float64"), deaths, births,
                         rng=np.random.default_rng(1))
    first, second = zones.iloc[0], zones.iloc[1]
    names = [set(table.index[list(m)]) for m in zones["members"].iloc[:2]]
    assert names[0] == {"Robeson", "Bladen", "Columbus", "Hoke", "Scotland"}
    assert names[1] == {"Northampton", "Halifax", "Hertford"}
    assert (first["observed"], second["observed"]) == (139, 59)
    assert first["expected"] == pytest.approx(72.67, abs=5e-3)
    assert second["expected"] == pytest.approx(28.74, abs=5e-3)
    assert first["llr"] == pytest.approx(25.380685, abs=5e-7)
    assert second["llr"] == pytest.approx(12.484724, abs=5e-7)
    assert first["p_value"] == 0.001
    assert second["p_value"] <= 0.003


# Zones that the tests of R package smerc list for the New York leukaemia data (its tract numbers,
# the order of spData's NY8), with the people and cases in them and the log likelihood ratio.
SMERC = [
    ([49, 48, 50, 47, 1, 15, 51, 2, 13, 14, 3, 35, 16, 52, 36, 37, 12, 11, 5, 17, 10, 4, 6, 38, 18,
      9], 95_249, 85, 49.71, 11.577255),
    ([89, 88, 87, 84, 90, 86, 92, 85], 34_083, 38, 17.79, 9.019716),
    ([166, 159, 167], 8_839, 11, 4.61, 3.209485)]


@pytest.fixture(scope="module")
def new_york() -> pd.DataFrame:
    return pd.read_csv(PUBLISHED / "ny_leukaemia_waller_gotway_2004.csv", comment="#",
                       index_col="tract")


@pytest.mark.parametrize(("tracts", "people", "cases", "expected", "printed"), SMERC)
def test_likelihood_ratio_against_smerc_on_new_york_leukaemia(new_york, tracts, people, cases,
                                                              expected, printed) -> None:
    assert (new_york["cases"].sum(), new_york["population"].sum()) == (552, 1_057_673)
    zone = new_york.loc[tracts].sum()
    assert (zone["population"], zone["cases"]) == (people, cases)
    mean = 552 * people / 1_057_673
    assert mean == pytest.approx(expected, abs=5e-3)
    ratio = log_likelihood_ratio(np.array([float(cases)]), np.array([mean]), 552.0)[0]
    assert ratio == pytest.approx(printed, abs=5e-7)


def test_scan_finds_the_zone_of_smerc_that_its_coordinates_share_with_spdata(new_york) -> None:
    # smerc scans on tract points of its own, which are not printed; on spData's centroids the two
    # large zones take in other neighbours, the small one has the same tracts.
    zones = poisson_scan(new_york[["x", "y"]].to_numpy("float64"), new_york["cases"].to_numpy(),
                         new_york["population"].to_numpy("float64"), max_share=0.1,
                         permutations=1, rng=np.random.default_rng(1))
    tracts = [set(new_york.index[list(members)]) for members in zones["members"]]
    small = zones.iloc[tracts.index({159, 166, 167})]
    assert (small["observed"], small["llr"]) == (11, pytest.approx(3.209485, abs=5e-7))
    assert {49, 50, 51, 52} < tracts[0]
    assert zones["llr"].iloc[0] >= 11.577255


def test_no_excess_has_no_ratio() -> None:
    ratios = log_likelihood_ratio(np.array([3.0, 0.0, 2.0]), np.array([3.0, 1.0, 4.0]), 10.0)
    assert ratios.tolist() == [0.0, 0.0, 0.0]


def town(*, seed: int, extra: int) -> gpd.GeoDataFrame:
    """A steady town with busy and quiet places, and `extra` late incidents around one spot."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, 2000, (150, 2))
    rates = rng.gamma(0.5, 1.0, 150)
    pick = rng.choice(150, 900, p=rates / rates.sum())
    day = rng.uniform(0, 364, 900)
    late_xy = np.array([500.0, 500.0]) + rng.normal(0, 60, (extra, 2))
    xy = np.concatenate([places[pick], late_xy])
    day = np.concatenate([day, rng.uniform(364 - 21, 364, extra)])
    return gpd.GeoDataFrame({"reported_at": FROM + pd.to_timedelta(day, unit="D")},
                            geometry=gpd.points_from_xy(*xy.T), crs=32630)


def test_emerging_scan_finds_the_planted_spot_and_its_start() -> None:
    zones = scan_statistic(town(seed=1, extra=25), window=Window(FROM, TO),
                           parameters=FAST, rng=np.random.default_rng(1))
    check(zones, "scan", where="test")
    first = zones.iloc[0]
    assert first["p_permuted"] == 1 / 40
    # 364 days, of which 160 lie before the first past date and 8 weeks after the last: 22 dates.
    assert first["past_dates"] == 22
    assert first["p_value"] == 1 / 23
    assert first["busiest_day_share"] < 0.2
    assert first.geometry.distance(gpd.points_from_xy([500], [500])[0]) == 0
    assert pd.Timedelta(days=14) <= first["to_time"] - first["from_time"] <= pd.Timedelta(days=28)


def test_emerging_scan_is_not_fooled_by_places_that_were_always_busy() -> None:
    p = [scan_statistic(town(seed=s, extra=0), window=Window(FROM, TO),
                        parameters=FAST, rng=np.random.default_rng(s))["p_value"].iloc[0]
         for s in range(5)]
    assert sum(value <= 0.05 for value in p) <= 1


def test_one_round_that_files_a_whole_quarter_on_one_day_is_not_emerging() -> None:
    """Thirty places around one spot on one of the last days; elsewhere likewise every 24 days."""
    log = town(seed=1, extra=0)
    rng = np.random.default_rng(7)
    rounds = [gpd.GeoDataFrame(
        {"reported_at": [FROM + pd.Timedelta(days=day)] * 30},
        geometry=gpd.points_from_xy(*(at + rng.normal(0, 80, (30, 2))).T), crs=32630)
        for day, at in zip(range(25, 364, 24), rng.uniform(300, 1700, (15, 2)), strict=True)]
    zones = scan_statistic(pd.concat([log, *rounds], ignore_index=True), window=Window(FROM, TO),
                           parameters=FAST, rng=np.random.default_rng(1))
    first = zones.iloc[0]
    assert first["busiest_day_share"] > 0.8
    assert first["p_value"] > 0.05


def test_several_reports_of_one_place_and_day_count_once() -> None:
    log = town(seed=1, extra=25)
    twice = pd.concat([log, log], ignore_index=True)
    a, b = (scan_statistic(each, window=Window(FROM, TO), parameters=FAST,
                           rng=np.random.default_rng(1)) for each in (log, twice))
    pd.testing.assert_frame_equal(pd.DataFrame(a), pd.DataFrame(b))


def test_scan_in_space_weighs_incidents_by_the_assets_there() -> None:
    # Twenty times the incidents where there are twenty times the assets is no excess.
    rng = np.random.default_rng(2)
    xy = np.concatenate([rng.uniform(0, 300, (400, 2)), rng.uniform(0, 2000, (200, 2))])
    register = gpd.GeoDataFrame({"asset_id": range(600)}, geometry=gpd.points_from_xy(*xy.T),
                                crs=32630)
    hit = xy[rng.choice(600, 500)]
    log = gpd.GeoDataFrame({"reported_at": [FROM] * 500}, geometry=gpd.points_from_xy(*hit.T),
                           crs=32630)
    by_area = scan_statistic(log, window=Window(FROM, TO), emerging=False,
                             rng=np.random.default_rng(1))
    by_assets = scan_statistic(log, window=Window(FROM, TO), emerging=False,
                               register=register, rng=np.random.default_rng(1))
    assert by_area["p_value"].iloc[0] == 0.01
    assert by_assets["p_value"].iloc[0] > 0.01
    assert by_assets["llr"].iloc[0] < 0.1 * by_area["llr"].iloc[0]


def test_zones_share_no_cell() -> None:
    xy = np.column_stack([np.arange(30.0), np.zeros(30)])
    counts = np.ones(30, dtype=int)
    counts[[3, 4, 15, 16, 26]] = 9
    zones = poisson_scan(xy, counts, np.ones(30), permutations=19, rng=np.random.default_rng(1))
    members = [m for zone in zones["members"] for m in zone]
    assert len(members) == len(set(members))
    assert len(zones) >= 3


def test_an_empty_log_has_no_zone() -> None:
    zones = scan_statistic(town(seed=1, extra=0).iloc[:0], window=Window(FROM, TO),
                           rng=np.random.default_rng(1))
    assert len(zones) == 0
    check(zones, "scan", where="test")
