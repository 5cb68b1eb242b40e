"""What joining needs to know of every row, as columns of numbers."""

from __future__ import annotations

import numpy as np
import pandas as pd
from pyproj import CRS

from rehit.incidents.place_quality import EXACT_KINDS
from rehit.incidents.places import Points
from rehit.incidents.repeats import NEVER, Reports
from rehit.incidents.times import Times
from rehit.incidents.vocabulary import Words, plain_words

# Families within which people mistake one surface for the other.
SURFACE_FAMILY = {"brick": 0, "stone": 0, "concrete": 0, "render": 0, "tile": 0, "metal": 1,
                  "powder_coated": 1, "sign_face": 1, "plastic": 1, "timber": 2, "glass": 3,
                  "asphalt": 0}


def read_reports(rows: pd.DataFrame, *, times: Times, states: pd.DataFrame, points: Points,
                 judged: pd.DataFrame, substrate: pd.Series, words: Words, crs: str) -> Reports:
    """Put what joining needs of all rows into columns of numbers.

    Parameters
    ----------
    rows
        From :func:`rehit.incidents.rows.prepare`.
    times, states, points, judged
        What was made of times, states and places of these rows.
    substrate
        Code of the surface.
    words
        Vocabulary of kinds of thing.
    crs
        Projected CRS of the points.
    """
    plane = CRS.from_user_input(crs)
    metre = plane.axis_info[0].unit_conversion_factor if plane.axis_info else 1.0
    exact = judged["place_quality"].isin(("surveyed", "address")).to_numpy()
    address = judged["address_key"].where(judged["address_kind"].isin(EXACT_KINDS))
    kind = _kinds_of_thing(rows["asset_type"], words)
    surface = substrate.map(SURFACE_FAMILY).fillna(-1)
    waiting = (states["status"] == "open").to_numpy()
    return Reports(
        seconds=in_seconds(times.reported_at, 0), by_day=_is_day(times.precision),
        cleared=in_seconds(states["cleared_at"], NEVER),
        closed=in_seconds(states["closed_at"], NEVER),
        closed_by_day=_is_day(times.cleared_precision), waiting=waiting,
        asset=_codes(_loose_ids(rows["asset_id"])), address=_codes(address), kind=_codes(kind),
        surface=surface.to_numpy(dtype=np.int64),
        x=np.where(exact, points.x * metre, np.nan),
        y=np.where(exact, points.y * metre, np.nan))


def _kinds_of_thing(texts: pd.Series, words: Words) -> pd.Series:
    """Return the kind of thing under one name; a word that is not known stands for itself."""
    codes, unique = pd.factorize(texts, use_na_sentinel=True)
    kinds: list[str | None] = []
    for text in unique:
        hits = words.find(text)
        kind = hits[0].code if hits else " ".join(plain_words(text))
        kinds.append(None if kind in ("unknown", "") else kind)
    return pd.Series(pd.array([*kinds, None], dtype="str").take(codes), index=texts.index)


def _loose_ids(ids: pd.Series) -> pd.Series:
    """Return asset ids without case, and without punctuation where letters keep them apart."""
    folded = ids.str.casefold()
    lettered = folded.str.contains(r"[^\W\d_]", regex=True).fillna(False).astype(bool)
    return folded.mask(lettered, folded.str.replace(r"[\W_]+", "", regex=True))


def in_seconds(times: pd.Series, missing: int) -> np.ndarray:
    """Return UTC times as whole seconds since 1970, `missing` where there is none."""
    whole = times.to_numpy(dtype="datetime64[s]").astype(np.int64)
    return np.where(times.isna(), missing, whole)


def _is_day(precision: pd.Series) -> np.ndarray:
    return (precision == "day").to_numpy(dtype=bool)


def _codes(values: pd.Series) -> np.ndarray:
    return pd.factorize(values, use_na_sentinel=True)[0].astype(np.int64)
