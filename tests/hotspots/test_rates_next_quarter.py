"""Is the ranking right next quarter too? Rates fitted on the past against a real log's future."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from rehit.hotspots.rates import rank_repeats
from rehit.observed import Window

LOG = Path(__file__).parents[3] / "shared" / "data" / "san_diego" / "SDGraffiti3.csv"
SPLIT = pd.Timestamp("2018-01-01", tz="UTC")


@pytest.fixture(scope="module")
def log() -> gpd.GeoDataFrame:
    if not LOG.exists():
        pytest.skip("the public logs in ../shared are not here")
    raw = pd.read_csv(LOG, parse_dates=["requested_datetime", "closed_date"])
    raw = raw.dropna(subset=["requested_datetime", "lat", "long"])
    points = gpd.GeoSeries(gpd.points_from_xy(raw["long"], raw["lat"]), crs=4326).to_crs(26911)
    return gpd.GeoDataFrame({
        "incident_id": raw.index.astype("str"), "place_kind": "site",
        "place_id": raw["lat"].round(4).astype("str") + " " + raw["long"].round(4).astype("str"),
        "reported_at": raw["requested_datetime"].dt.tz_localize("UTC"),
        "cleared_at": raw["closed_date"].dt.tz_localize("UTC"), "status": "cleared",
        "priority": "ordinary"}, geometry=points.to_numpy(), crs=26911)


def test_rates_of_repeat_sites_hold_in_the_months_after(log):
    """Sites (11 m squares) hit three times or more by the split: what came, what was expected."""
    first, last = log["reported_at"].min(), log["reported_at"].max()
    ranked = rank_repeats(log, window=Window(first, SPLIT),
                          rng=np.random.default_rng(1))
    busy = ranked[ranked["n_at_risk"] >= 3].set_index("place_id")
    assert len(busy) > 90
    later = rank_repeats(log, window=Window(SPLIT, last),
                         rng=np.random.default_rng(1)).set_index("place_id")
    came = later["n_at_risk"].reindex(busy.index).fillna(0).sum()
    years = later["exposure_years"].reindex(busy.index).fillna((last - SPLIT).days / 365.25)
    expected = (busy["rate_per_year"] * years).sum()
    raw = (busy["n_at_risk"] / busy["exposure_years"] * years).sum()
    # 44 came, 30 were expected (2.7 standard deviations off: rates drift); raw rates promised
    # several times too many.
    assert abs(np.log(expected / came)) < np.log(1.6)
    assert raw > 3 * came, raw
