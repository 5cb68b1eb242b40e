"""Price forms of a contract: what to ask, what it earns, what can go wrong, who bears it.

Margin is profit as a share of the price; markup is profit as a share of the cost.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from rehit.costs.contract_aggregate import tail_mean
from rehit.errors import SettingError, TableError
from rehit.parameters import Parameters

LEVELS = (0.5, 0.8, 0.9)
FORMS = {
    "schedule_of_rates": "Rates per m² by method with a minimum charge",
    "lump_sum": "Lump sum a year",
    "banded_lump_sum": "Lump sum a year within a band of jobs, a rate per job above it",
    "cost_plus": "Cost as incurred plus a fee in proportion",
}
CARRIES = {
    "schedule_of_rates": "Council: volume and mix. Contractor: unit cost, idle crews, penalties.",
    "lump_sum": "Contractor: volume, mix, unit cost, penalties. Council: a price above need "
                "in a quiet year.",
    "banded_lump_sum": "Contractor: volume within the band, unit cost, penalties. Council: volume "
                       "above the band.",
    "cost_plus": "Council: volume, mix, unit cost. Contractor: penalties.",
}


def points(level: float) -> str:
    """Return a chance in hundredths, whole or not, as it stands in names such as P80.

    Examples
    --------
    >>> points(0.8), points(0.875), points(1 - 0.999)
    ('80', '87.5', '0.1')
    """
    return f"{100 * level:.6g}"


def margin_from_markup(markup: float) -> float:
    """Return profit over price from profit over cost.

    Examples
    --------
    >>> margin_from_markup(0.25)
    0.2
    """
    return markup / (1 + markup)


def markup_from_margin(margin: float) -> float:
    """Return profit over cost from profit over price.

    Examples
    --------
    >>> round(markup_from_margin(0.2), 9)
    0.25
    """
    _check(margin)
    return margin / (1 - margin)


def price_for_margin(cost: float, *, margin: float) -> float:
    """Return the price at which profit is that share of the price.

    Examples
    --------
    >>> round(price_for_margin(80_000, margin=0.2), 2)
    100000.0
    """
    _check(margin)
    return cost / (1 - margin)


def price_with_markup(cost: float, *, markup: float) -> float:
    """Return the price at which profit is that share of the cost."""
    return cost * (1 + markup)


def _check(margin: float) -> None:
    if not 0 <= margin < 1:
        raise SettingError("margin", got=f"{margin:g}", allowed="a share of the price from 0 to "
                           "below 1", remedy="a markup of 25 % on cost is a margin of 0.2")


@dataclass(frozen=True)
class Outlook:
    """Simulated costs of a contract and what each price form would pay at a factor of one.

    Attributes
    ----------
    cost
        Total cost: draws × years, money of each year.
    bases
        Form to revenue at factor 1: draws × years. A form's price is its base times one factor.
    lines
        Cost lines: name to draws × years.
    work
        Quantities of work: name to draws × years.
    band_top
        Jobs up to which the banded lump sum holds.
    above_rate
        Rate per job above it, at factor 1.
    index
        Multiplier on the price of each year: draws × years.
    """

    cost: np.ndarray
    bases: Mapping[str, np.ndarray]
    lines: Mapping[str, np.ndarray]
    work: Mapping[str, np.ndarray]
    band_top: float
    above_rate: float
    index: np.ndarray


def form_bases(work: Mapping[str, np.ndarray], lines: Mapping[str, np.ndarray],
               error: np.ndarray, index: np.ndarray, *,
               parameters: Parameters) -> tuple[dict[str, np.ndarray], float, float]:
    """Return each form's revenue at a factor of one, the band's top and the rate above it.

    The lump sums start from the mean first-year cost; the rate above the band is what one more
    job adds to the cost of the work on average.
    """
    first = sum(line[:, 0].mean() for line in lines.values())
    expected = float(work["jobs"][:, 0].mean())
    top = expected * (1 + parameters["contract.band"])
    above_rate = float(work["rate_value"][:, 0].sum() / max(1.0, work["jobs"][:, 0].sum()))
    penalties = lines["penalties"]
    return {
        "schedule_of_rates": work["rate_value"] * index,
        "lump_sum": first * index,
        "banded_lump_sum": (first + above_rate * np.maximum(0.0, work["jobs"] - top)) * index,
        "cost_plus": (sum(lines.values()) - penalties) * error,
    }, top, above_rate


def price_forms(outlook: Outlook, *, margin: float, parameters: Parameters) -> pd.DataFrame:
    """Return the `contract_prices` table: each form at P50, P80 and P90.

    The price at P80 is the one that leaves at least the wanted margin in 80 of 100 simulated
    contracts: its factor is the 80 % point of cost over base, divided by 1 - margin.

    Parameters
    ----------
    margin
        Wanted profit as a share of the price.

    Raises
    ------
    TableError
        If a form pays nothing in so many simulated contracts that no factor reaches a level.
    """
    _check(margin)
    cost = outlook.cost.sum(axis=1)
    tail = parameters["contract.tail_level"]
    levels = sorted({*LEVELS, parameters["contract.price_level"]})
    rows = []
    for form, meaning in FORMS.items():
        base = outlook.bases[form].sum(axis=1)
        for level in levels:
            factor = _factor(cost, base, form, level) / (1 - margin)
            price = factor * base
            rows.append({
                "form": form, "level": level, "factor": factor,
                "price_per_year": float(price.mean()) / outlook.cost.shape[1],
                "cost_per_year": float(cost.mean()) / outlook.cost.shape[1],
                "expected_margin": float((price - cost).mean() / price.mean()),
                "expected_markup": float((price - cost).mean() / cost.mean()),
                "chance_of_loss": float((cost > price).mean()),
                "chance_margin_kept": float((price - cost >= margin * price - 1e-9).mean()),
                "tail_loss_per_year": tail_mean(cost - price, tail) / outlook.cost.shape[1],
                "meaning": meaning, "who_carries": CARRIES[form]})
    return pd.DataFrame(rows)


def _factor(cost: np.ndarray, base: np.ndarray, form: str, level: float) -> float:
    """Return the point at `level` of cost over what the form pays at a factor of one."""
    paid = base > 0
    if paid.mean() <= level:
        raise TableError(
            f"price form {form.replace('_', ' ')}",
            got=f"{1 - paid.mean():.0%} of simulated contracts without a job to be paid for",
            allowed=f"fewer than {1 - level:.0%}, or no rate covers the crews that stand ready",
            remedy="price a larger patch or more years, or serve this one by quotation")
    ratio = np.full(len(cost), np.inf)
    ratio[paid] = cost[paid] / base[paid]
    ratio[~paid] = 2 * ratio[paid].max()
    return float(np.quantile(ratio, level))


def cost_summary(outlook: Outlook, *, parameters: Parameters) -> dict[str, float]:
    """Return mean, P50, P80, P90 and the conditional tail expectation of the first year's cost."""
    cost = outlook.cost[:, 0]
    tail = parameters["contract.tail_level"]
    return {"mean": float(cost.mean()), **{f"p{points(q)}": float(np.quantile(cost, q))
                                           for q in (0.1, *LEVELS)},
            f"cte{points(tail)}": tail_mean(cost, tail)}
