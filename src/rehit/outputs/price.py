"""Contract price from the chain's results, as tables, a workbook, a summary and sentences."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from rehit.chain import Chain
from rehit.contract.compare import compare_received, comparison_findings, read_received
from rehit.contract.crews import KINDS, MINUTES_PER_HOUR
from rehit.contract.price import (
    Contract,
    bid_information,
    check_margin,
    exact_work_cost,
    price_contract,
    reconciliation,
    risk_curve,
    schedule_of_rates,
    sensitivity,
    tender_figures,
)
from rehit.contract.volume import DAYS_PER_YEAR, contract_jobs
from rehit.errors import SettingError
from rehit.files.writing import write_csv
from rehit.messages import Message, message
from rehit.outputs.patrol import hop_hours
from rehit.parameters import Parameters
from rehit.patrol.travel import travel_times
from rehit.report.bid import bid_findings, bid_summary, short_log, steps_message
from rehit.report.bid_workbook import write_bid_workbook
from rehit.report.figures import bid_risk, draw_picture
from rehit.report.say import Say
from rehit.treatment.methods import caution_codes

#: The curve of chance by price, as drawn for a desk and for a phone.
RISK_PICTURES = ("bid_risk.svg", "bid_risk_narrow.svg")


def write_price(chain: Chain, stage: Path, *, margin: float | None, years: int,
                received: Path | None = None) -> dict[str, Any]:
    """Price the contract and write bid workbook, summary and tables into `stage`.

    Parameters
    ----------
    margin
        Wanted profit as a share of the price (default ``contract.margin``).
    years
        Length of the contract.
    received
        CSV of prices received, to be compared on the same simulated volumes.
    """
    _check(margin, years, chain.parameters)
    offers = None if received is None else read_received(received)
    contract = price_chain(chain, margin=margin, years=years)
    chain.step("step.price_sensitivity")
    moved = sensitivity(contract, rng=chain.rng("price sensitivity"))
    chain.step("step.writing")
    say, name = chain.say, chain.project.name
    limits = chain.say.all(_other_limits(chain, contract))
    steps = reconciliation(contract, chain.expected_work)
    priced = chain.advice[chain.advice["incident_id"].isin(contract.jobs["incident_id"])]
    write_bid_workbook(stage / "bid.xlsx", contract, say, name=name, steps=steps,
                       cautions=caution_codes(priced))
    (stage / "bid_summary.pdf").write_bytes(
        bid_summary(contract, moved, say, name=name, limits=limits))
    risk = risk_curve(contract)
    drawn = draw_picture("risk", lambda ax: bid_risk(
        risk, ax=ax, say=say, titled=False))
    for file, picture in zip(RISK_PICTURES, (drawn.wide, drawn.narrow), strict=True):
        (stage / file).write_bytes(picture)
    worth = bid_information(contract)
    told = [*bid_findings(contract, moved), steps_message(steps), *information_messages(worth)]
    tables = {**_tables(contract, moved, say), "bid_steps": steps, "bid_risk": risk,
              "bid_what_to_measure": say.columns(worth, {"cause": "cause"})}
    if offers is not None:
        compared = compare_received(contract, offers, rng=chain.rng("prices received"))
        tables["bid_received"] = compared
        told += comparison_findings(compared)
    for file, table in tables.items():
        write_csv(table, stage / f"{file}.csv")
    return {**_figures(chain, contract), "sentences": [*say.all(told), *limits]}


def information_messages(table: pd.DataFrame) -> list[Message]:
    """Return at which factor each cause turns the bid asked into a loss, the nearest first."""
    turns = table.dropna(subset=["flips_at"])
    if turns.empty:
        return [message("bid.nothing_flips")] if len(table) else []
    nearest = turns.iloc[(turns["flips_at"] - 1).abs().argsort()]
    return [message("bid.flips", cause=str(row["cause"]), factor=float(row["flips_at"]),
                    worth=float(row["worth"])) for _, row in nearest.iterrows()]


def _tables(contract: Contract, moved: pd.DataFrame, say: Say) -> dict[str, pd.DataFrame]:
    """Return the bid's tables, with words beside the codes that a bidder reads."""
    prices, offer = contract.prices, tender_figures(contract)
    known = offer["item"].where(offer["form"] != "schedule_of_rates", "rate")
    return {
        "bid": prices.assign(meaning=say.cells(prices["form"], "price_form_meaning"),
                             who_carries=say.cells(prices["form"], "carries")),
        "bid_volume": contract.volume_table(), "bid_crews": contract.crews,
        "bid_offer": offer.assign(meaning=say.cells(known, "tender_item")),
        "bid_rates": schedule_of_rates(contract), "bid_sensitivity": moved}


def _figures(chain: Chain, contract: Contract) -> dict[str, Any]:
    """Return the figures of the summary."""
    exact, simulated = exact_work_cost(contract, rng=chain.rng("price check"))
    offer = contract.price("lump_sum")
    return {
        "project": chain.project.name, "years": contract.years, "margin": contract.margin,
        "level": contract.level,
        "jobs_per_year": round(float(contract.outlook.work["jobs"][:, 0].mean()), 1),
        "crews": contract.queue.crews, "persons": contract.queue.team.persons,
        "arrangement": contract.capacity.arrangement, "crews_needed": crews_needed(contract),
        "cost_first_year": {k: round(v, 2) for k, v in contract.cost_summary().items()},
        "lump_sum_per_year": round(float(offer["price_per_year"]), 2),
        "chance_of_loss": float(offer["chance_of_loss"]),
        "crew_options": contract.crews.to_dict("records"),
        "prices": contract.prices.to_dict("records"),
        "check_cost_of_work_p80": {"exact": round(exact.quantile(0.8), 2),
                                   "simulated": round(float(np.quantile(simulated, 0.8)), 2)},
    }


def price_chain(chain: Chain, *, margin: float | None = None, years: int = 1) -> Contract:
    """Price a contract on the chain's incidents, methods, rates and posteriors."""
    _check(margin, years, chain.parameters)
    places = chain.repeats
    numbers = with_travel(chain)
    jobs = with_changes(contract_jobs(chain.incidents, chain.advice, parameters=numbers), chain)
    chain.step("step.pricing")
    return price_contract(
        jobs, places, window=chain.cleaned.window, time_zone=chain.project.time_zone,
        region=chain.project.holidays, years=years, margin=margin, vehicles=_vehicles(chain),
        doubt=chain.doubt, parameters=numbers, rng=chain.rng("price"))


def _vehicles(chain: Chain) -> pd.DataFrame | None:
    """Return the project's vehicles, if it names them and their depots."""
    if chain.project.path("vehicles") is None or chain.project.path("depots") is None:
        return None
    team, _ = chain.crews
    return pd.DataFrame(team)[["crew_size", "methods"]]


def with_changes(jobs: pd.DataFrame, chain: Chain) -> pd.DataFrame:
    """Return the jobs with the measures known to have been taken at their places, and when.

    Only measures that start within the log and name each place once can be read.
    """
    measures = chain.measures
    if measures is None:
        return jobs
    inside = measures["started_at"].between(chain.cleaned.window.start,
                                            chain.cleaned.window.end, inclusive="neither")
    treated = (measures[(measures["role"] == "treated") & inside]
               .drop_duplicates("asset_id").set_index("asset_id"))
    if treated.empty:
        return jobs
    return jobs.assign(change=jobs["place_id"].map(treated["measure"]),
                       changed_at=jobs["place_id"].map(treated["started_at"]))


def with_travel(chain: Chain) -> Parameters:
    """Return the numbers in force, the driving time measured between places of the log.

    The drive to a job is taken as the mean drive between near neighbours among the jobs of a
    day, along the project's streets or else by straight line as the patrol room has it. A number
    the user set stays.
    """
    numbers, row = chain.cost_parameters, chain.parameters.row("contract.travel_minutes")
    sampled = int(numbers["contract.travel_places"])
    known = chain.incidents[~chain.incidents.geometry.is_empty & chain.incidents.geometry.notna()]
    if row.overridden or len(known) < sampled:
        return numbers
    sample = known.sample(sampled, random_state=chain.rng("travel")).geometry
    chain.step("step.measuring_drives")
    days = (chain.cleaned.window.end - chain.cleaned.window.start) / pd.Timedelta("1D")
    working = days * numbers["contract.working_days_per_year"] / DAYS_PER_YEAR
    # Where the patch has more jobs a day than fill one crew's, they lie closer together.
    per_day = round(len(known) / max(1.0, working))
    day = min(max(int(numbers["contract.crew_day_jobs"]), per_day), sampled)
    minutes = []
    for first in range(0, sampled - day + 1, day):
        part = sample.iloc[first:first + day]
        travel = travel_times(pd.concat([part.iloc[:1], part]), network=chain.network,
                              parameters=numbers)
        hours = hop_hours(travel, neighbours=int(numbers["patrol.hop_neighbours"]))
        minutes.append(MINUTES_PER_HOUR * float(np.mean(hours)))
    found = float(np.mean(minutes)) + numbers["patrol.setup_minutes"]
    found /= chain.incidents_per_stop
    return numbers.override({row.name: min(max(found, row.low), row.high)},
                            where="driving times")


def _other_limits(chain: Chain, contract: Contract) -> tuple[Message, ...]:
    """Return the log's limits; a short log only where the bid does not say that itself."""
    if not short_log(contract):
        return chain.limits
    return tuple(each for each in chain.limits
                 if each.code not in ("limits.short_log", "limits.very_short_log"))


def crews_needed(contract: Contract) -> dict[str, float | None]:
    """Return the fewest crews looked at that keep each standard.

    None where none of them does, or the log flags no marking as offensive.
    """
    share = contract.parameters["contract.standard_share"]
    needed: dict[str, float | None] = {}
    for kind in KINDS:
        if kind == "offensive" and not contract.queue.years["offensive"].sum():
            needed[kind] = None
            continue
        enough = contract.crews.loc[contract.crews[f"in_time_{kind}"] >= share, "crews"]
        needed[kind] = float(enough.min()) if len(enough) else None
    return needed


def _check(margin: float | None, years: int, numbers: Parameters) -> None:
    longest = int(numbers["contract.longest_years"])
    if margin is not None:
        check_margin(margin)
    if not 1 <= years <= longest:
        raise SettingError("--years", "errors.contract_too_long", years=years, most=longest)
