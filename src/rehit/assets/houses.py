"""Matching by house number and street alone, for incidents whose point does not decide."""

from __future__ import annotations

import numpy as np
import pandas as pd
from rapidfuzz import fuzz, process

from rehit.assets.evidence import Features, same_street


def match_houses(incidents: Features, assets: Features, *, names: np.ndarray,
                 similarity: float) -> pd.DataFrame:
    """Return for each incident the register row at its house number, and the evidence in words.

    Where several assets stand at one house, the kind of thing decides; where that leaves several,
    nothing does, and they are named as a tie.

    Parameters
    ----------
    incidents, assets
        Features of both sides; only rows with a house number are used.
    names
        The assets' numbers.
    similarity
        rapidfuzz ratio (0-100) from which two street names count as one.

    Returns
    -------
    pandas.DataFrame
        Columns ``asset`` (-1 for none) and ``evidence``; one row per incident, in order.
    """
    log = pd.DataFrame({"street": incidents.street, "low": incidents.number_low,
                        "high": incidents.number_high, "kind": incidents.kind})
    register = pd.DataFrame({"street": assets.street, "low": assets.number_low,
                             "high": assets.number_high, "kind": assets.kind})
    register = register[register["low"].ge(0) & register["street"].ne("")]
    result = pd.DataFrame({"asset": np.full(len(log), -1),
                           "evidence": pd.Series(None, index=log.index, dtype="object")})
    if log.empty or register.empty:
        return result
    streets = _streets(log["street"].unique(), register["street"].unique(), similarity)
    cases = log.drop_duplicates().assign(case=lambda t: np.arange(len(t)))
    near = cases.merge(streets, on="street").merge(
        register.rename_axis("asset").reset_index(), left_on="register_street",
        right_on="street", suffixes=("", "_asset"))
    near = near[near["low"].le(near["high_asset"]) & near["low_asset"].le(near["high"])]
    decided = _decide(near, names)
    case = log.merge(cases, on=["street", "low", "high", "kind"], how="left")["case"]
    return result.assign(asset=case.map(decided["asset"]).fillna(-1).astype(int),
                         evidence=case.map(decided["evidence"]).astype("object"))


def _decide(near: pd.DataFrame, names: np.ndarray) -> pd.DataFrame:
    """One line per case: the only asset, or the only one of the right kind, or a tie."""
    near = near.assign(same=near["kind"].eq(near["kind_asset"]) & near["kind"].ne(""),
                       exact=near["low"].eq(near["low_asset"])
                       & near["high"].eq(near["high_asset"]))
    for test in ("same", "exact"):
        near = near[near[test] | ~near.groupby("case")[test].transform("any")]
    near = near.sort_values(["case", "asset"])
    place = near.groupby("case").cumcount()
    first = near[place == 0].set_index("case")
    second = near[place == 1].set_index("case")["asset"].reindex(first.index)
    alone = second.isna()
    ids = pd.Series(names, dtype="object")
    words = "same house and street" + first["same"].map({True: "; same type", False: ""})
    tie = ("tie: " + first["asset"].map(ids).astype("str") + " or "
           + second.map(ids).astype("str") + " at the same address")
    return pd.DataFrame({"asset": first["asset"].where(alone, -1),
                         "evidence": words.where(alone, tie)})


def _streets(written: np.ndarray, known: np.ndarray, similarity: float) -> pd.DataFrame:
    """Pair each written street with the register's street of that name, slips forgiven."""
    pairs = {street: street for street in written if street in set(known)}
    strange = [s for s in written if s and s not in pairs]
    initials = pd.Series(known).groupby(pd.Series(known).str[:1])
    for initial, group in initials:
        mine = [s for s in strange if s[:1] == initial]
        if not mine:
            continue
        options = group.tolist()
        scores = process.cdist(mine, options, scorer=fuzz.ratio, score_cutoff=similarity)
        for place, street in enumerate(mine):
            best = int(scores[place].argmax())
            alone = int((scores[place] >= similarity).sum()) == 1
            if alone and same_street([street], [options[best]], similarity=similarity)[0]:
                pairs[street] = options[best]
    return pd.DataFrame({"street": list(pairs), "register_street": list(pairs.values())},
                        dtype="str")
