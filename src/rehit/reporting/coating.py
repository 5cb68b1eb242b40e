"""Why a coating pays where it does: it is paid by the whole surface, a removal by the marking."""

from __future__ import annotations

from collections import Counter

import pandas as pd

from rehit.reporting.words import Words

#: Coating is rare among the places hit most where it pays on at most one of so many.
RARE = 4


def where_coating_pays(costing: pd.DataFrame, strategy_costs: pd.DataFrame, *, words: Words,
                       top: int, kinds: pd.Series | None = None) -> str:
    """Say at which surfaces a coating is cheapest, or nothing where size does not explain it.

    Parameters
    ----------
    costing
        Places, most hit first, with ``wall_area_m2`` [m²].
    strategy_costs
        Cost of each way at each place; a way with a first cost is a coating.
    words
        Language of the sentence.
    top
        Number of places hit most that they are set against.
    kinds
        Kind of asset by place, to name the most frequent ones.

    Returns
    -------
    str
        The sentences; empty where no coating pays, where it pays on many of the places hit most,
        or where these have no larger surfaces than those where it pays.
    """
    areas = costing.set_index("place_id")["wall_area_m2"].astype(float)
    coated = strategy_costs.loc[strategy_costs["cheapest"] & (strategy_costs["first_cost"] > 0),
                                "place_id"]
    worst = areas.head(top)
    small, large = areas[areas.index.isin(coated)].median(), worst.median()
    both = int(worst.index.isin(coated).sum())
    if coated.empty or not small * 2 < large or both * RARE > len(worst):
        return ""
    named = _kinds(kinds, coated, words)
    return words("cost.surfaces", n=len(coated), count=words.whole(len(coated)),
                 small=words.number(small, 2), large=words.number(large, 2), both=words.whole(both),
                 top=len(worst), kinds=f" ({named})" if named else "")


def _kinds(kinds: pd.Series | None, coated: pd.Series, words: Words) -> str:
    if kinds is None:
        return ""
    known = kinds.reindex(coated).dropna().map(words.thing)
    most = sorted(Counter(known).items(), key=lambda item: (-item[1], item[0]))[:3]
    return ", ".join(kind for kind, _ in most)
