"""Names of files made from the names that users give to crews."""

from __future__ import annotations

import re

import pandas as pd


def file_names(crews: pd.DataFrame) -> dict[str, str]:
    """Return by ``crew_id`` a file name that no other crew has.

    Names may differ only in what a file name leaves out, such as letters beyond a to z.

    Examples
    --------
    >>> file_names(pd.DataFrame({"crew_id": ["V1", "V2"], "name": ["Öst", "Väst"]}))
    {'V1': 'st', 'V2': 'v_st'}
    >>> file_names(pd.DataFrame({"crew_id": ["V1", "V2"], "name": ["東", "西"]}))
    {'V1': 'crew_v1', 'V2': 'crew_v2'}
    """
    ids = crews["crew_id"].astype("str")
    found = crews["name"].map(file_name)
    same = found.duplicated(keep=False)
    found = found.where(~same, found + "_" + ids.map(file_name))
    number = pd.Series(range(1, len(found) + 1), index=found.index).astype("str")
    found = found.where(~found.duplicated(keep=False), found + "_" + number)
    return dict(zip(ids, found, strict=True))


def file_name(text: str) -> str:
    """Return a name safe on any file system.

    Examples
    --------
    >>> file_name("Hot-wash trailer C")
    'hot-wash_trailer_c'
    """
    return re.sub(r"[^a-z0-9-]+", "_", text.lower()).strip("_")[:40] or "crew"
