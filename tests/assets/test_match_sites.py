"""Sites: no chaining along a wall, one name per spot, the same next quarter."""

from __future__ import annotations

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from rehit.assets.match import derive_sites


def spots(xy: list[tuple[float, float]], seen: list[int] | None = None,
          house: list[str] | None = None) -> pd.DataFrame:
    return pd.DataFrame({"x": [p[0] for p in xy], "y": [p[1] for p in xy],
                         "seen": seen or list(range(len(xy))), "house": house or [""] * len(xy)})


def test_a_row_of_markings_is_not_one_site() -> None:
    """Thirty markings five metres apart: linking neighbours would make one site of 145 m."""
    names = derive_sites(spots([(5.0 * i, 0.0) for i in range(30)]), radius=12)
    extent = pd.Series(range(0, 150, 5)).groupby(names).agg(lambda v: v.max() - v.min())
    assert extent.max() <= 24
    assert 7 <= names.nunique() <= 14


def test_names_stay_when_new_rows_come() -> None:
    rng = np.random.default_rng(3)
    points = spots([tuple(p) for p in rng.uniform(0, 200, (300, 2))])
    before = derive_sites(points.iloc[:200], radius=12)
    after = derive_sites(points, radius=12)
    assert set(before) <= set(after)
    founders = before.drop_duplicates().index
    assert (after.loc[founders] == before.loc[founders]).all()


def test_two_houses_never_share_a_site_but_one_house_needs_no_point() -> None:
    points = spots([(0, 0), (2, 0), (np.nan, np.nan), (np.nan, np.nan), (np.nan, np.nan)],
                   house=["12 high street", "14 high street", "14 high street", "9 low road", ""])
    names = derive_sites(points, radius=12)
    assert names[0] != names[1]
    assert names[2] == names[1]
    assert names[3] == "site 9 low road"
    assert pd.isna(names[4])


def test_only_houses_or_nothing() -> None:
    points = spots([(np.nan, np.nan)] * 2, house=["9 low road", ""])
    assert derive_sites(points, radius=12).fillna("").tolist() == ["site 9 low road", ""]


def test_many_markings_on_one_wall_stay_cheap() -> None:
    """Two hundred thousand markings within 20 m would be 2e10 pairs if taken point by point."""
    rng = np.random.default_rng(1)
    n = 200_000
    points = pd.DataFrame({"x": rng.uniform(0, 20, n), "y": rng.uniform(0, 20, n),
                           "seen": np.arange(n), "house": ""})
    assert derive_sites(points, radius=12).nunique() <= 8


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(-50, 50), st.floats(-50, 50)), min_size=1, max_size=40),
       st.floats(3, 30))
def test_sites_are_small_and_founders_apart(xy: list[tuple[float, float]], radius: float) -> None:
    points = spots(xy)
    names = derive_sites(points, radius=radius)
    assert names.notna().all()
    reach = 2 * radius + radius / 6 * np.sqrt(2) + 1e-6
    for _, group in points.groupby(names):
        d = np.hypot(group["x"].to_numpy()[:, None] - group["x"].to_numpy(),
                     group["y"].to_numpy()[:, None] - group["y"].to_numpy())
        assert d.max() <= reach
    back = derive_sites(points.iloc[::-1], radius=radius)
    assert (back.sort_index() == names).all()


def test_against_greedy_by_hand() -> None:
    """Founders are those not within the radius of an earlier founder (plain loop)."""
    rng = np.random.default_rng(8)
    xy = np.round(rng.uniform(0, 120, (150, 2)) / 2) * 2  # on the grain of a radius of 12
    points = spots([tuple(p) for p in xy]).drop_duplicates(["x", "y"])
    founders: list[np.ndarray] = []
    for p in points[["x", "y"]].to_numpy():
        if all(np.hypot(*(p - f)) > 12 for f in founders):
            founders.append(p)
    names = derive_sites(points, radius=12)
    assert names.nunique() == len(founders)
    assert set(names) == {f"site-{f[0]:.0f}-{f[1]:.0f}" for f in founders}


def test_no_rows() -> None:
    assert derive_sites(spots([]), radius=12).empty
