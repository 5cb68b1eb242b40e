"""For the council: prices received, compared on the same simulated years of work."""

from __future__ import annotations

from collections.abc import Hashable
from pathlib import Path

import numpy as np
import pandas as pd

from rehit.contract.cost import simulate_work, tail_mean
from rehit.contract.price import FORMS, Contract, schedule_of_rates
from rehit.contract.schedule import job_worth
from rehit.contract.volume import with_effort
from rehit.errors import InputFileError, ManyErrors, RehitError, TableError
from rehit.files.reader import read_table
from rehit.messages import Message, message
from rehit.words.numbers import plain_numbers

COLUMNS = ("tenderer", "form", "item", "value")
ITEMS = {
    "schedule_of_rates": ("visit",),
    "lump_sum": ("lump_sum_per_year",),
    "banded_lump_sum": ("lump_sum_per_year", "band_top_jobs", "rate_above_band"),
    "cost_plus": ("markup",),
}
MOST_MARKUP = 1.0  # a fee above the cost itself is a percentage that lacks its sign
_MOSTLY = 0.5


Group = tuple[tuple[Hashable, ...], pd.DataFrame]


def read_received(path: Path | str) -> pd.DataFrame:
    """Read the prices received: ``tenderer, form, item, value``, one row per figure.

    A CSV file with any separator, or a workbook.

    Items: ``lump_sum_per_year`` (lump sum); with it ``band_top_jobs`` and ``rate_above_band``
    (banded); a rate for each line of ``bid_rates.csv`` that has a quantity (schedule of rates);
    ``markup`` as a share of cost (cost-plus).

    Raises
    ------
    InputFileError
        If it is no such file.
    ManyErrors
        Listing every fault in it.
    """
    raw = read_table(path, has_header=True).filled()
    table = raw.table
    missing = [name for name in COLUMNS if name not in table.columns]
    if missing:
        raise InputFileError(str(path), "errors.no_column", names=tuple(missing),
                             known=tuple(COLUMNS))
    table = table[list(COLUMNS)].dropna(how="all")
    table.index += raw.rows_above  # rows as the file counts them
    for name in COLUMNS[:3]:
        table[name] = table[name].fillna("").str.strip()
    faults = _row_faults(table, str(path))
    if faults:
        raise ManyErrors(str(path), faults)
    return table.assign(value=plain_numbers(table["value"])).reset_index(drop=True)


def _row_faults(table: pd.DataFrame, where: str) -> list[RehitError]:
    faults: list[RehitError] = []
    for row, value in zip(table.index, plain_numbers(table["value"]), strict=True):
        if not np.isfinite(value) or value < 0:
            faults.append(TableError(message("where.row", file=where, row=row),
                                     "errors.not_a_price", value=table.loc[row, "value"]))
        elif table.loc[row, "item"] == "markup" and value > MOST_MARKUP:
            faults.append(TableError(message("where.row", file=where, row=row),
                                     "errors.markup_too_large", value=value, most=MOST_MARKUP))
    if table.empty or (table["tenderer"] == "").any():
        faults.append(TableError(where, "errors.no_tenderer"))
    if table.duplicated(["tenderer", "form", "item"]).any():
        faults.append(TableError(where, "errors.item_twice"))
    for (tenderer, form), rows in table.groupby(["tenderer", "form"]):
        here = f"{where}, {tenderer}"
        if form not in FORMS:
            faults.append(TableError(here, "errors.unknown_form", form=form, known=tuple(FORMS)))
            continue
        lacking = sorted(set(ITEMS[form]) - set(rows["item"]))
        if lacking:
            faults.append(TableError(here, "errors.items_lacking", items=tuple(lacking),
                                     needed=tuple(ITEMS[form])))
    return faults


def compare_received(contract: Contract, received: pd.DataFrame, *,
                     rng: np.random.Generator) -> pd.DataFrame:
    """Return the `contract_received` table: what each price costs the council, on equal volumes.

    Prices are compared over the first contract year, without indexation. A cost-plus price is
    reckoned on this tool's own simulated cost without deductions, the same for every tenderer.

    Parameters
    ----------
    contract
        The contract as priced: its simulated volumes are the common ground.
    received
        From :func:`read_received`.

    Raises
    ------
    ManyErrors
        Listing each line that a schedule of rates has no rate for, and items that are no line.
    """
    groups: list[Group] = list(
        received.groupby(["tenderer", "form"], sort=True))
    faults = [fault for key, rows in groups for fault in _schedule_faults(contract, key, rows)]
    if faults:
        raise ManyErrors("prices received", faults)
    worth = _rate_worth(contract, groups, rng)
    paid = np.column_stack([
        _paid(contract, str(form), dict(zip(rows["item"], rows["value"], strict=True)), worth,
              number)
        for number, ((_, form), rows) in enumerate(groups)])
    cheapest = np.bincount(paid.argmin(axis=1), minlength=len(groups)) / len(paid)
    rows = []
    for number, ((tenderer, form), _) in enumerate(groups):
        cost = paid[:, number]
        rows.append({"tenderer": tenderer, "form": form, "mean": float(cost.mean()),
                     **{f"p{q}": float(np.quantile(cost, q / 100)) for q in (10, 50, 80, 90)},
                     "tail_mean": tail_mean(cost, contract.parameters["contract.tail_level"]),
                     "chance_cheapest": float(cheapest[number]),
                     "below_cost": float((cost < contract.outlook.cost[:, 0]).mean())})
    return pd.DataFrame(rows).sort_values("mean", kind="stable").reset_index(drop=True)


def _schedule_faults(contract: Contract, key: tuple[Hashable, ...],
                     rows: pd.DataFrame) -> list[RehitError]:
    tenderer, form = str(key[0]), str(key[1])
    known, where = set(ITEMS[form]), f"prices received, {tenderer}"
    if form == "schedule_of_rates":
        needed = _priced_lines(contract)
        known = set(needed)
        lacking = [item for item in needed if item not in set(rows["item"])]
        if lacking:
            return [TableError(where, "errors.rates_lacking", items=tuple(lacking))]
        known |= set(schedule_of_rates(contract)["item"])
    strange = sorted(set(rows["item"]) - known)
    return [TableError(where, "errors.unknown_items", items=tuple(strange),
                       known=tuple(sorted(known)))] if (
        strange) else []


def _priced_lines(contract: Contract) -> list[str]:
    table = schedule_of_rates(contract)
    priced = table["section"].isin(["job", "area", "once"]) & (table["quantity"] > 0)
    return table.loc[priced, "item"].astype("str").tolist()


def _rate_worth(contract: Contract, groups: list[Group],
                rng: np.random.Generator) -> dict[int, np.ndarray]:
    """Return what each schedule of rates pays in every simulated year, all on the same jobs."""
    jobs, callout = contract.jobs, contract.callout
    smaller = with_effort(jobs, parameters=contract.parameters,
                          area_ratio=contract.parameters["contract.found_area_ratio"])
    extra, once = {}, {}
    for number, ((_, form), rows) in enumerate(groups):
        if form == "schedule_of_rates":
            rates = {str(item): float(value) for item, value in
                     zip(rows["item"], rows["value"], strict=True)}
            extra[str(number)] = np.array([
                job_worth(jobs, callout, rates),
                job_worth(smaller, np.zeros(len(jobs), bool), rates)])
            once[str(number)] = rates.get("mobilisation", 0.0)
    if not extra:
        return {}
    work = simulate_work(jobs, callout, contract.volume, parameters=contract.parameters, rng=rng,
                         extra=extra)
    return {int(name): work[name][:, 0] + once[name] for name in extra}


def _paid(contract: Contract, form: str, items: dict[str, float], worth: dict[int, np.ndarray],
          number: int) -> np.ndarray:
    jobs = contract.outlook.work["jobs"][:, 0]
    if form == "schedule_of_rates":
        return worth[number]
    if form == "cost_plus":
        return contract.outlook.bases["cost_plus"][:, 0] * (1 + items["markup"])
    fixed = np.full(len(jobs), items["lump_sum_per_year"])
    if form == "lump_sum":
        return fixed
    return fixed + items["rate_above_band"] * np.maximum(0.0, jobs - items["band_top_jobs"])


def comparison_findings(compared: pd.DataFrame) -> list[Message]:
    """Return which price is lowest on average, how surely, and which look too low."""
    best = compared.iloc[0]
    told = [message("bid.received", n=len(compared), tenderer=str(best["tenderer"]),
                    form=str(best["form"]), mean=float(best["mean"]),
                    chance=float(best["chance_cheapest"]))]
    low = compared.loc[compared["below_cost"] > _MOSTLY, "tenderer"]
    if len(low):
        told.append(message("bid.received_low", tenderers=tuple(map(str, low))))
    return told
