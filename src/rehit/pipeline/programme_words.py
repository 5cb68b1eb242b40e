"""What a coating programme comes to, in a sentence."""

from __future__ import annotations

from rehit.costs.programme import Programme
from rehit.pipeline.amounts import amount
from rehit.pipeline.chain import Chain
from rehit.wording import counted


def programme_sentence(chain: Chain, found: Programme, *, years: int) -> str:
    """Say what the programme coats, costs and saves, or why it coats nothing.

    Parameters
    ----------
    chain
        The project's results.
    found
        The programme chosen.
    years
        Years the budget is given for [years].
    """
    numbers, money = chain.parameters, chain.project.currency
    budget = amount(numbers["costs.programme_budget"], money, exact=True)
    length = counted(years, "year")
    horizon = counted(numbers["costs.horizon_years"], "year")
    if len(found.table):
        return (f"{_places(len(found.table))} worth coating within {budget} a year "
                f"for {length}: that costs {amount(found.table['first_cost'].sum(), money)} and "
                f"saves about {amount(found.saving, money)} in present value over {horizon}.")
    allowed = int(chain.costing["coating_allowed"].sum())
    if not allowed:
        return (f"No coating can be planned: none of the {len(chain.costing):,} places is known to "
                "be a surface whose owner allows one. A register says so in coating_allowed.")
    known = int((chain.costing["coating_allowed"] & chain.costing["method"].ne("inspect")).sum())
    if not known:
        return (f"No coating can be planned: of none of the {allowed:,} places that allow one is "
                "the surface known. Look at the worst of them first.")
    costs = chain.strategy_costs
    pays = costs["cheapest"] & (costs["first_cost"] > 0)
    if pays.any():
        return (f"Nothing can be coated within {budget} a year for {length}, "
                f"though {_places(int(pays.sum()))} worth it: the budget is too small for any of "
                "them.")
    return (f"No coating pays: on none of the {known:,} places of known surface that allow one "
            f"does it cost less over {horizon} than the cheapest way without.")


def _places(n: int) -> str:
    return "1 place is" if n == 1 else f"{n:,} places are"
