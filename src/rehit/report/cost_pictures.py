"""The pictures of what each way costs, with only those ways that are allowed somewhere."""

from __future__ import annotations

import pandas as pd

from rehit.report.document import Picture
from rehit.report.figures import breakeven_curve, cost_over_years, draw_picture
from rehit.report.measures import Facts

#: One way alone is no comparison.
FEWEST_WAYS = 2


def cost_pictures(facts: Facts) -> list[Picture]:
    """Draw cost over the years and cost against the rate; ways allowed nowhere are left out.

    A way that no owner allows, or that cannot be told before someone has looked at the surface,
    is no choice: drawn beside the others it would look like the cheapest one.
    """
    inputs, w = facts.inputs, facts.words
    years, rates = inputs.given("cost_years"), inputs.given("rate_costs")
    pictures = []
    if years is not None:
        places = _worst(facts, int(years["n_places"].iloc[0]))
        allowed = _allowed(facts, places)
        years = _open_ways(years, allowed)
        if years["strategy"].nunique() >= FEWEST_WAYS:
            pictures.append(draw_picture("cost_years", lambda ax: cost_over_years(
                years, ax=ax, words=w, currency=inputs.currency, allowed=allowed, titled=False)))
    if rates is not None:
        rates = _open_ways(rates, _allowed(facts, None))
        if rates["strategy"].nunique() >= FEWEST_WAYS:
            pictures.append(draw_picture("rate_costs", lambda ax: breakeven_curve(
                rates, ax=ax, words=w, currency=inputs.currency, pays=_coating_pays(facts),
                titled=False)))
    return pictures


def _worst(facts: Facts, n_places: int) -> pd.Series | None:
    """Return the places that the costs so far add up; the costing table is in that order."""
    costing = facts.inputs.given("costing")
    return None if costing is None else costing["place_id"].head(n_places)


def _allowed(facts: Facts, places: pd.Series | None) -> dict[str, int] | None:
    """Count at how many of `places` (all where None) each way is allowed; None where not known."""
    costs = facts.inputs.given("strategy_costs")
    if costs is None:
        return None
    rows = costs if places is None else costs[costs["place_id"].isin(places)]
    if rows.empty:
        return None
    return {str(way): int(n) for way, n in rows.groupby("strategy")["allowed"].sum().items()}


def _open_ways(table: pd.DataFrame, allowed: dict[str, int] | None) -> pd.DataFrame:
    if allowed is None:
        return table
    return table[[allowed.get(str(way), 1) > 0 for way in table["strategy"]]]


def _coating_pays(facts: Facts) -> bool:
    costs = facts.inputs.given("strategy_costs")
    return costs is None or bool((costs["cheapest"] & (costs["first_cost"] > 0)).any())
