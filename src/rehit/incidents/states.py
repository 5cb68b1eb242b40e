"""Where each report stands: open, cleared, closed without a usable date, or not known."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rehit.incidents.ledger import Ledger
from rehit.incidents.times import Times

# Outcomes after which the case is closed though nobody cleaned the surface.
NOT_CLEANED = ("private_owner", "referred")
CLOSED_OUTCOMES = ("cleared", "not_found", *NOT_CLEANED)


def settle_states(rows: pd.DataFrame, meaning: dict[str, pd.DataFrame], times: Times, *,
                  ledger: Ledger) -> pd.DataFrame:
    """Weigh status word, outcome and clearing date against each other.

    A usable clearing date says more than a status word that may be stale. A closing date of a case
    that was referred, or left to a private owner, is not a clearing. "Not found" counts as clean
    when the crew came.

    Parameters
    ----------
    rows
        From :func:`rehit.incidents.rows.prepare`.
    meaning
        From :func:`rehit.incidents.meaning.read_meaning`.
    times
        From :func:`rehit.incidents.times.read_times`.
    ledger
        Takes an entry for every contradiction settled.

    Returns
    -------
    pandas.DataFrame
        ``status``, ``outcome``, ``cleared_at`` and ``closed_at`` (end of the case, cleaned or
        not).
    """
    word = meaning["status"]["code"].to_numpy(dtype=object)
    outcome = meaning["outcome"]["code"].to_numpy(dtype=object).copy()
    cleared = times.cleared_at
    not_cleaned = np.isin(outcome, NOT_CLEANED)
    ledger.add(not_cleaned & cleared.notna(), column="cleared", before=rows["cleared"], after=None,
               rule="closed_not_cleaned")
    cleared = cleared.mask(not_cleaned)
    dated = cleared.notna().to_numpy()
    ledger.add(dated & (word == "open"), column="status", before=rows["status"], after="cleared",
               rule="open_with_clearing_date")
    written = rows["cleared"].notna().to_numpy()
    closed = np.isin(word, ("cleared", "closed")) | np.isin(outcome, CLOSED_OUTCOMES)
    still_open = (word == "open") | (outcome == "pending")
    state = np.full(len(rows), "unknown", dtype=object)
    if times.has_clearings:
        # A log that writes clearing dates, and has none here, says that the case is open.
        silent = rows["status"].isna().to_numpy() & ~written
        # A time it stood open, that nothing calls closed, leaves it open whether it still does.
        silent &= rows[["days_open", "hours_open"]].isna().all(axis=1).to_numpy()
        state[silent] = "open"
        state[written & ~dated] = "closed_undated"
        ledger.add(silent & ~closed & ~still_open, column="status", before=None, after="open",
                   rule="open_by_missing_clearing")
    state[still_open] = "open"
    state[closed] = "closed_undated"
    state[dated] = "cleared"
    outcome = _outcome(outcome, word, state)
    return pd.DataFrame({"status": pd.array(state, dtype="str"),
                         "outcome": pd.array(outcome, dtype="str"), "cleared_at": cleared,
                         "closed_at": times.cleared_at})


def _outcome(outcome: np.ndarray, word: np.ndarray, state: np.ndarray) -> np.ndarray:
    """Fill an outcome that the log leaves open from the state, where that follows."""
    unsaid = outcome == "unknown"
    outcome[unsaid & (state == "open")] = "pending"
    outcome[unsaid & (word == "cleared")] = "cleared"
    # A date in the column of clearings, with no word against it, is a clearing.
    outcome[unsaid & (state == "cleared") & (word != "closed")] = "cleared"
    outcome[(outcome == "pending") & (state == "cleared")] = "cleared"
    return outcome
