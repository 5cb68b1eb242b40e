"""Rows that only say how another report ended, such as those of a separate list of clearances."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rehit.incidents.ledger import Ledger
from rehit.incidents.rows import is_blank_id

REASON = "clearance_only"
# What the crew knows; where and when it was reported stands with the report.
_CARRIED = ("cleared", "status", "outcome", "asset_id", "asset_type", "substrate", "medium", "size",
            "priority")
_TELLING = ("cleared", "status", "outcome")


def carry_clearances(rows: pd.DataFrame, ledger: Ledger) -> tuple[pd.DataFrame, pd.Series]:
    """Give each report what a row without a report date says under the same number.

    Parameters
    ----------
    rows
        From :func:`rehit.incidents.rows.prepare`.
    ledger
        Takes an entry for each cell filled. Cells that the report fills itself are kept.

    Returns
    -------
    tuple
        The rows with their empty cells filled, and where a row only served to fill another.
    """
    late = rows["reported"].isna() & rows[list(_TELLING)].notna().any(axis=1)
    # Few rows lack a report date: only their numbers are looked at, not those of a whole log.
    ids = rows.loc[late, "report_id"]
    ids = ids[ids.notna() & ~is_blank_id(ids)]
    dated = rows["reported"].notna() & rows["report_id"].isin(ids)
    ids = ids[ids.isin(rows.loc[dated, "report_id"])]
    late = pd.Series(rows.index.isin(ids.index), index=rows.index)
    if not late.any():
        return rows, late
    filled = rows.copy(deep=False)
    for name in _CARRIED:
        # The rows are in an order of their content, so the first is the same in any file order.
        known = rows.loc[ids.index, name].dropna()
        known = known.set_axis(ids[known.index])
        given = rows.loc[dated, "report_id"].map(known[~known.index.duplicated()])
        given = given[rows.loc[given.index, name].isna() & given.notna()].reindex(rows.index)
        gained = given.notna()
        if gained.any():
            filled[name] = rows[name].where(~gained, given).astype("str")
            ledger.add(np.asarray(gained), column=name, before=None, after=given,
                       rule="from_row_of_same_number")
    return filled, late
