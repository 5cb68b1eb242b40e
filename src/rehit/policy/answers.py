"""What the policies came to: by year and in all, against today's practice, and how sure it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rehit.policy.patch import Patch
from rehit.policy.policies import Policy
from rehit.policy.simulate import Lived

Numbers = NDArray[np.float64]
LEVELS = (0.1, 0.9)
#: What is shown of each policy, in this order.
MEASURES = ("markings", "rehits", "markings_offensive", "visible_days", "visible_days_offensive",
            "days_visible_each", "share_in_time", "share_in_time_offensive", "reports", "looks",
            "found_by_looks", "cost", "cash", "crew_hours", "spare_hours", "litres",
            "standing_at_end")
#: Shares, and of what.
OF_REPORTED = {"share_in_time": "reported", "share_in_time_offensive": "reported_offensive"}
#: Degree of the curve through which one unknown is looked at alone.
DEGREE = 3


@dataclass(frozen=True)
class Prices:
    """What things cost at each place; the last row stands for places not known before.

    Attributes
    ----------
    cleaning, cleaning_coated
        Cost lines of a cleaning as it is done today, and once coated: places × lines.
    labour
        Which of the lines is labour.
    cover
        Cost lines of covering a wall.
    life_years, life_cleanings
        What a cover stands, for each place.
    cover_hours
        Crew hours of covering.
    litres, litres_coated
        Wash water of a cleaning to be captured, as it is and once coated.
    factors
        Factor on each line of a cleaning and of a covering in each world: lines × draws.
    pay_per_hour
        Pay of a crew for an hour, all its people together.
    """

    cleaning: Numbers
    cleaning_coated: Numbers
    labour: int
    cover: Numbers
    life_years: Numbers
    life_cleanings: Numbers
    cover_hours: Numbers
    litres: Numbers
    litres_coated: Numbers
    factors: Numbers
    cover_factors: Numbers
    pay_per_hour: float


def measured(lived: Lived, patch: Patch, prices: Prices) -> dict[str, Numbers]:
    """Return each of `MEASURES` of one policy, years × draws; what stands at the end by draw.

    ``cost`` counts the hours worked, ``cash`` the hours the crews are paid for.
    """
    sums, policy = lived.sums, lived.policy
    coated = np.append(patch.coated_by(policy), False)
    lines = np.where(coated[:, None], prices.cleaning_coated, prices.cleaning)
    litres = np.where(coated, prices.litres_coated, prices.litres)
    each = np.column_stack([lines, litres])
    # Year by year, since there may be very many places: years × draws × lines.
    totals = np.stack([year.astype(float) @ each for year in lived.cleanings])
    by_line = totals[..., :-1] * prices.factors.T
    renewed = renewals(lived.cleanings[:, :, :-1], coated[:-1], prices)
    covering = (renewed @ prices.cover[coated[:-1]]) * prices.cover_factors.T
    look_hours = lived.looks[:, None] * patch.practice.look_h
    hours = sums["hours"] + look_hours + renewed @ prices.cover_hours[coated[:-1]]
    looking = look_hours * prices.pay_per_hour * prices.factors[prices.labour]
    cost = by_line.sum(axis=2) + covering.sum(axis=2) + looking + policy.cost_per_year
    paid = patch.paid_hours(policy)
    labour = by_line[..., prices.labour] + covering[..., prices.labour] + looking
    cash = cost - labour + paid * prices.pay_per_hour * prices.factors[prices.labour]
    share, offends = (_share(sums[f"in_time{kind}"], sums[f"reported{kind}"])
                      for kind in ("", "_offensive"))
    return {
        **{name: sums[name] for name in (
            *OF_REPORTED.values(), "markings", "rehits", "markings_offensive", "visible_days",
            "visible_days_offensive")},
        "days_visible_each": sums["visible_days"] / np.maximum(sums["markings"], 1),
        "share_in_time": share, "share_in_time_offensive": offends,
        "reports": sums["reported"] + patch.further_per_day * sums["waiting_days"],
        "looks": np.broadcast_to(lived.looks[:, None], cost.shape),
        "found_by_looks": sums["found"], "cost": cost, "cash": cash, "crew_hours": hours,
        "spare_hours": paid - hours,
        "litres": totals[..., -1],
        "standing_at_end": lived.standing[None, :]}


def _share(part: Numbers, whole: Numbers) -> Numbers:
    return np.asarray(np.where(whole > 0, part / np.maximum(whole, 1), np.nan))


def renewals(cleanings: NDArray[np.int16], coated: NDArray[np.bool_], prices: Prices) -> Numbers:
    """Return how often each coated wall is covered in each year: years × draws × coated walls.

    At the start, and again in the year after its cover's years or cleanings are used up.
    """
    own = cleanings[:, :, coated].astype(float)
    life_years, most = prices.life_years[coated], prices.life_cleanings[coated]
    found = np.zeros(own.shape)
    age, used = np.full(own.shape[1:], np.inf), np.zeros(own.shape[1:])
    for year, cleaned in enumerate(own):
        due = (age >= life_years) | (used >= most)
        found[year] = due
        age, used = np.where(due, 0.0, age) + 1, np.where(due, 0.0, used) + cleaned
    return found


def by_year(found: Sequence[dict[str, Numbers]], policies: Sequence[Policy]) -> pd.DataFrame:
    """Return mean and 80 % interval of each measure by policy and year, and in all.

    Days each and shares are those of all years together; ``year`` 0 stands for all.
    """
    rows: list[tuple[object, ...]] = []
    for policy, measures in zip(policies, found, strict=True):
        for name in MEASURES:
            values = measures[name]
            rows.append((policy.name, 0, name, *_spread(in_all(measures, name))))
            if len(values) > 1:
                rows += [(policy.name, year + 1, name, *_spread(values[year]))
                         for year in range(len(values))]
    return pd.DataFrame(rows, columns=["policy", "year", "measure", "average", "low", "high"])


def in_all(measures: dict[str, Numbers], name: str) -> Numbers:
    """Return one measure over all years, by draw."""
    if name == "days_visible_each":
        return np.asarray(measures["visible_days"].sum(axis=0)
                          / np.maximum(measures["markings"].sum(axis=0), 1))
    if name in OF_REPORTED:
        reported = measures[OF_REPORTED[name]]
        return _share(np.nan_to_num(measures[name] * reported).sum(axis=0), reported.sum(axis=0))
    return np.asarray(measures[name].sum(axis=0))


def _spread(values: Numbers) -> tuple[float, float, float]:
    known = values[np.isfinite(values)]  # a world without offensive markings has no share of them
    if not len(known):
        return np.nan, np.nan, np.nan
    low, high = np.quantile(known, LEVELS)
    return float(known.mean()), float(low), float(high)


def against_today(found: Sequence[dict[str, Numbers]],
                  policies: Sequence[Policy]) -> pd.DataFrame:
    """Return what each policy adds to today's practice, over all years, world by world.

    The interval holds the difference in 80 of 100 worlds; ``sure`` is the share of worlds in which
    the sign is that of the mean.
    """
    rows = []
    for policy, measures in list(zip(policies, found, strict=True))[1:]:
        for name in MEASURES:
            change = in_all(measures, name) - in_all(found[0], name)
            mean, low, high = _spread(change)
            rows.append((policy.name, name, mean, low, high,
                         float((np.sign(change) == np.sign(mean)).mean())
                         if mean and np.isfinite(mean) else 1.0))
    return pd.DataFrame(rows, columns=["policy", "measure", "average", "low", "high", "sure"])


def net_cost(measures: dict[str, Numbers], worth_of_day: float) -> Numbers:
    """Return cost and what the days that markings stand are worth, by draw."""
    return in_all(measures, "cost") + worth_of_day * in_all(measures, "visible_days")


def best_shares(found: Sequence[dict[str, Numbers]], policies: Sequence[Policy],
                worths: Sequence[float]) -> pd.DataFrame:
    """Return in which share of the worlds each policy is best, by the worth of a day.

    ``chosen`` is the one best on average, which is what to choose without knowing the world.
    """
    rows = []
    for worth in worths:
        net = np.array([net_cost(measures, worth) for measures in found])
        best, chosen = net.argmin(axis=0), int(net.mean(axis=1).argmin())
        rows += [(worth, policy.name, float((best == at).mean()), float(net[at].mean()),
                  at == chosen) for at, policy in enumerate(policies)]
    return pd.DataFrame(rows, columns=["worth_of_day", "policy", "best_in", "net_cost", "chosen"])


def frontier(found: Sequence[dict[str, Numbers]], policies: Sequence[Policy]) -> pd.DataFrame:
    """Return cost and visible days of each policy on average, and which nothing beats in both.

    ``worth_of_day``: from which worth of a day on the policy is better than today's practice, where
    it costs more; up to which, where it costs less but lets markings stand.
    """
    cost, days = (np.array([in_all(each, name).mean() for each in found])
                  for name in ("cost", "visible_days"))
    beaten = [bool(((cost <= cost[at]) & (days <= days[at])
                    & ((cost < cost[at]) | (days < days[at]))).any()) for at in range(len(cost))]
    with np.errstate(divide="ignore", invalid="ignore"):
        worth = (cost - cost[0]) / (days[0] - days)
    return pd.DataFrame({
        "policy": [policy.name for policy in policies], "cost": cost, "visible_days": days,
        "undominated": ~np.array(beaten),
        "worth_of_day": np.where((worth > 0) & np.isfinite(worth), worth, np.nan)})


def what_to_measure(found: Sequence[dict[str, Numbers]], unknowns: dict[str, Numbers], *,
                    worth_of_day: float) -> pd.DataFrame:
    """Return what knowing each unknown for certain would be worth before deciding.

    The expected gain of choosing with it known over choosing without, each policy's net cost looked
    at as a smooth curve of that unknown alone.

    References
    ----------
    Strong, Oakley and Brennan 2014, Medical Decision Making 34, 311-326: partial perfect
    information by regression on the draws.
    """
    net = np.array([net_cost(measures, worth_of_day) for measures in found])
    rows = []
    for name, values in unknowns.items():
        spread = values.std()
        if spread <= 0:
            continue
        base = np.vander((values - values.mean()) / spread, DEGREE + 1)
        fitted = base @ np.linalg.lstsq(base, net.T, rcond=None)[0]
        rows.append((name, float(fitted.mean(axis=0).min() - fitted.min(axis=1).mean())))
    table = pd.DataFrame(rows, columns=["unknown", "worth"])
    return table.assign(worth=table["worth"].clip(lower=0.0)).sort_values(
        "worth", ascending=False, ignore_index=True)


def flips(effects: Sequence[float], nets: Sequence[Sequence[float]],
          policies: Sequence[Policy]) -> pd.DataFrame:
    """Return from which effect of quick clearance on a policy is better, or worse, than today's.

    Parameters
    ----------
    effects
        Effects tried, ascending.
    nets
        Mean net cost at each: effects × policies.
    policies
        Today's first.

    Returns
    -------
    pandas.DataFrame
        One row per policy and effect: what it adds to today's net cost (``added``), and
        ``flips_at``, the effect nearest to none at which that changes sign; none if it does not.
    """
    added = np.asarray(nets) - np.asarray(nets)[:, :1]
    rows = []
    for at, policy in list(enumerate(policies))[1:]:
        values = added[:, at]
        change = np.flatnonzero(np.sign(values[1:]) * np.sign(values[:-1]) < 0)
        tried = np.asarray(effects)
        crossings = [tried[k] + (tried[k + 1] - tried[k]) * values[k]
                     / (values[k] - values[k + 1]) for k in change]
        nearest = min(crossings, key=lambda each: abs(np.log(each)), default=np.nan)
        rows += [(policy.name, effect, float(value), nearest)
                 for effect, value in zip(effects, values, strict=True)]
    return pd.DataFrame(rows, columns=["policy", "clearance_ratio", "added", "flips_at"])
