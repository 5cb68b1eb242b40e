"""A contract priced as a whole."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import contract_town
import numpy as np
import pandas as pd
import pytest

from rehit.contract.compare import compare_received, read_received
from rehit.contract.cost import MOVES
from rehit.contract.crews import simulate_queue
from rehit.contract.price import (
    Contract,
    bid_information,
    exact_work_cost,
    expected_year,
    reconciliation,
    risk_curve,
    schedule_of_rates,
    sensitivity,
    tender_figures,
)
from rehit.contract.schedule import turnover_shares
from rehit.errors import ManyErrors
from rehit.outputs.price import information_messages
from rehit.report.say import Say
from rehit.tables import check


@pytest.fixture(scope="module")
def contract() -> Contract:
    return contract_town.priced(years=2, margin=0.15)


def test_jobs_outside_the_price_are_named(contract) -> None:
    table, _ = contract_town.incidents()
    assert len(contract.jobs) + len(contract.excluded) == len(table)
    counts = contract.excluded["exclusion"].value_counts()
    assert counts["thrown_paint"] == (table["medium"] == "house_paint").sum()
    assert counts["etched"] == (table["medium"] == "etched").sum()
    assert contract.jobs["area_m2"].notna().all()


def test_every_table_keeps_its_contract(contract) -> None:
    check(contract.prices, "contract_prices", where="test")
    check(contract.crews, "contract_crews", where="test")
    check(contract.volume_table(), "contract_volume", where="test")
    check(schedule_of_rates(contract), "contract_rates", where="test")
    check(tender_figures(contract), "contract_offer", where="test")


def test_the_risk_of_a_price_is_counted_over_the_simulated_contracts(contract) -> None:
    """At the price asked it is what the table of prices says; a margin's loss needs a lower one."""
    risk, offer = risk_curve(contract), contract.price("lump_sum")
    check(risk, "contract_risk", where="test")
    asked = risk[risk["asked"]].iloc[0]
    for name in ("price_per_year", "chance_of_loss", "chance_margin_kept"):
        assert asked[name] == pytest.approx(offer[name])
    assert risk["price_per_year"].is_monotonic_increasing
    assert risk["chance_of_loss"].is_monotonic_decreasing
    assert (risk["chance_of_loss"].iloc[0], risk["chance_margin_kept"].iloc[-1]) == (
        pytest.approx(0.999, abs=0.001), pytest.approx(0.999, abs=0.001))
    one = risk.iloc[len(risk) // 2]
    factor = one["price_per_year"] / risk["price_per_year"].iloc[0] * (
        np.quantile(contract.outlook.cost.sum(1) / contract.outlook.bases["lump_sum"].sum(1), 0.001)
        / (1 - sum(turnover_shares(contract.parameters).values())))
    paid = factor * contract.outlook.bases["lump_sum"].sum(axis=1)
    kept = paid * (1 - sum(turnover_shares(contract.parameters).values()))
    lost = (kept < contract.outlook.cost.sum(axis=1)).mean()
    assert one["chance_of_loss"] == pytest.approx(lost, abs=1e-9)


def test_found_jobs_are_smaller_and_shift_the_mix(contract) -> None:
    """Areas times 0.6: what is reported as medium from 1 to 1.67 m² is found as small."""
    table, plain = contract.volume_table(), contract.volume.table()
    assert table["expected"].sum() == pytest.approx(plain["expected"].sum())
    assert table["found"].sum() == pytest.approx(plain["found"].sum())
    small = table.set_index("size_class").loc["small", "found"].sum()
    assert small > 1.3 * plain.set_index("size_class").loc["small", "found"].sum()
    jobs, numbers = contract.jobs, contract.parameters
    limit = numbers["contract.small_area_m2"] / numbers["contract.found_area_ratio"]
    share = (jobs["area_m2"] < limit).mean()
    assert small / table["found"].sum() == pytest.approx(share, abs=0.02)


def test_crews_chosen_keep_the_standards_and_fewer_do_not(contract) -> None:
    share = contract.parameters["contract.standard_share"]
    assert contract.queue.meets(share)
    fewer = contract.crews[contract.crews["crews"] < contract.queue.crews]
    assert (fewer[["in_time_offensive", "in_time_ordinary"]].min(axis=1) < share).all()


def test_cost_lines_of_the_expected_year_by_hand(contract) -> None:
    numbers, lines = contract.parameters, expected_year(contract, year=2)
    paid = contract.queue.team.persons * contract.capacity.paid_hours
    assert lines["mobilisation"] == 0
    assert lines["labour"] == pytest.approx(paid * numbers["costs.labour_per_hour"] * 1.03)
    assert lines["materials"] == pytest.approx(
        contract.outlook.work["materials"][:, 0].mean() * 1.025)
    others = sum(lines.values()) - lines["penalties"] - lines["overhead"]
    assert lines["overhead"] == pytest.approx(others * numbers["contract.overhead_share"])


def test_schedule_of_rates_earns_the_price_it_says(contract) -> None:
    """Each line's quantity at its price is what the form pays in the first year."""
    rates = schedule_of_rates(contract)
    paid = rates["section"].isin(["job", "area", "once"])
    value = (rates["quantity"] * rates["price"])[paid].sum()
    factor = contract.price("schedule_of_rates")["factor"]
    assert value == pytest.approx(factor * contract.outlook.bases["schedule_of_rates"][:, 0].mean(),
                                  rel=0.005)


def test_schedule_of_rates_has_the_lines_of_a_tender(contract) -> None:
    """It had a rate per m² and a minimum charge: no visit, size, height, call-out or share."""
    rates = schedule_of_rates(contract).set_index("item")
    assert {"visit", "paint_out.small.ladder", "traffic_control", "call_out", "inspection_only",
            "ghost_return", "colour_match", "mobilisation", "supervision", "bond",
            "vat"} <= set(rates.index)
    small, large = (rates.loc[f"paint_out.{size}.ladder", "price"] for size in ("small", "large"))
    assert small > large
    numbers, factor = contract.parameters, contract.price("schedule_of_rates")["factor"]
    hired = rates.loc["traffic_control"]
    assert hired["direct"] == numbers["costs.traffic_control"]
    assert hired["price"] == pytest.approx(
        hired["direct"] * (1 + numbers["contract.overhead_share"]) * factor)
    assert np.isnan(rates.loc["supervision", "price"])


def test_exact_and_simulated_cost_of_work_agree_on_p80(contract) -> None:
    exact, simulated = exact_work_cost(contract, rng=np.random.default_rng(9))
    share = (simulated <= exact.quantile(0.8)).mean()
    assert share == pytest.approx(0.8, abs=4 * np.sqrt(0.16 / len(simulated)) + 0.01)


def test_sensitivity_has_the_right_signs(contract) -> None:
    table = sensitivity(contract, rng=np.random.default_rng(2))
    check(table, "contract_sensitivity", where="test")
    rows = table.set_index("assumption")
    for name in ("labour_cost", "materials", "wanted_margin", "volume", "overhead"):
        assert rows.loc[name, "price_low"] < rows.loc[name, "price"] < rows.loc[name, "price_high"]
    assert table["range"].is_monotonic_decreasing


def test_sensitivity_is_about_the_price_asked_and_moves_even_small_numbers_of_jobs(
        contract) -> None:
    """Found jobs are a few in a class: rounded to whole jobs a fifth more of them was none."""
    table = sensitivity(contract, rng=np.random.default_rng(2))
    asked = contract.price("lump_sum")["price_per_year"]
    assert table["price"].to_numpy() == pytest.approx(asked)
    rows = table.set_index("assumption")
    margin, off = contract.margin, sum(turnover_shares(contract.parameters).values())
    assert rows.loc["wanted_margin", "price_high"] == pytest.approx(
        asked * (1 - margin - off) / (1 - 1.2 * margin - off))
    found, volume = (rows.loc[name] for name in ("jobs_found", "volume"))
    assert found["price_low"] < asked < found["price_high"]
    # Patrols find a twentieth of what is reported, and smaller: no more than its part of volume.
    assert found["range"] < 0.1 * volume["range"]


def test_what_a_cause_is_worth_to_a_bidder_and_where_it_turns_the_bid(contract) -> None:
    """Near cost, dearer pay turns the bid where its part of the cost has eaten the profit."""
    asked = bid_information(contract)
    check(asked, "value_of_information", where="test")
    outlook, off = contract.outlook, sum(turnover_shares(contract.parameters).values())
    price = contract.price("lump_sum")["factor"] * outlook.bases["lump_sum"].sum(axis=1).mean()
    cost = outlook.cost.sum(axis=1).mean()
    near = bid_information(contract, price_ratio=1.01 * cost / ((1 - off) * price)).set_index(
        "cause")
    paid = sum(outlook.lines[name].sum(axis=1).mean() for name, cause in MOVES.items()
               if cause == "labour") * (1 + contract.parameters["contract.overhead_share"])
    mean = contract.doubt.of("labour").mean()
    assert near.loc["labour", "flips_at"] == pytest.approx(mean + 0.01 * cost / paid, abs=0.01)
    assert near.loc["labour", "worth"] > 0
    assert asked.set_index("cause").loc["labour", "worth"] < near.loc["labour", "worth"]
    told = Say("en", "€").all(information_messages(near.reset_index()))
    assert any("if pay comes to 1.0 times" in line for line in told)


def received(tmp_path: Path, rows: list[str]) -> Path:
    path = tmp_path / "received.csv"
    path.write_text("\n".join(["tenderer,form,item,value", *rows]), encoding="utf-8")
    return path


def test_prices_received_are_compared_on_the_same_volumes(contract, tmp_path) -> None:
    table = schedule_of_rates(contract)
    rates = table[table["section"].isin(["job", "area", "once"])].set_index("item")["price"]
    low, high = (contract.prices["price_per_year"].min() * f for f in (0.5, 3))
    path = received(tmp_path, [
        f"A,lump_sum,lump_sum_per_year,{high}", f"B,lump_sum,lump_sum_per_year,{low}",
        *(f"C,schedule_of_rates,{item},{rate}" for item, rate in rates.items()),
        "D,cost_plus,markup,0.2"])
    table = compare_received(contract, read_received(path), rng=np.random.default_rng(4))
    check(table, "contract_received", where="test")
    rows = table.set_index("tenderer")
    assert rows["chance_cheapest"].sum() == pytest.approx(1)
    assert rows.loc["B", "chance_cheapest"] == 1
    assert rows.loc["B", "below_cost"] == 1
    expected = contract.outlook.bases["schedule_of_rates"][:, 0].mean() * contract.price(
        "schedule_of_rates")["factor"]
    assert rows.loc["C", "mean"] == pytest.approx(expected, rel=0.01)
    assert rows.loc["D", "mean"] == pytest.approx(
        1.2 * contract.outlook.bases["cost_plus"][:, 0].mean())


def test_figures_for_the_tender_pay_what_the_prices_say(contract, tmp_path) -> None:
    """Read back as prices received, each form pays its mean price of the first year."""
    path = tmp_path / "bid_offer.csv"
    tender_figures(contract).to_csv(path, index=False)
    table = compare_received(contract, read_received(path), rng=np.random.default_rng(4))
    paid = table.set_index("form")["mean"]
    for form in ("lump_sum", "banded_lump_sum", "cost_plus"):
        first = contract.outlook.bases[form][:, 0].mean() * contract.price(form)["factor"]
        assert paid[form] == pytest.approx(first, rel=1e-9)
    above = contract.outlook.work["jobs"][:, 0] > contract.outlook.band_top
    assert 0 < above.mean() < 0.5
    assert paid["banded_lump_sum"] > tender_figures(contract)["value"].iloc[1]
    # Two years: the first is below the mean of both, which are adjusted.
    first = tender_figures(contract)["value"].iloc[0]
    assert first < contract.price("lump_sum")["price_per_year"] < 1.05 * first


def test_a_level_that_is_no_whole_percentage_keeps_its_name(contract) -> None:
    """P87.5 was shown as P88, and the years above P99.9 as those above P100."""
    fine = replace(contract, parameters=contract.parameters.override(
        {"contract.tail_level": 0.999}))
    assert "cte99.9" in fine.cost_summary()


def test_faults_of_prices_received_are_all_listed(contract, tmp_path) -> None:
    path = received(tmp_path, ["A,lump_sum,lump_sum_per_year,cheap", "B,barter,goats,3",
                               "C,banded_lump_sum,lump_sum_per_year,5"])
    with pytest.raises(ManyErrors) as caught:
        read_received(path)
    text = str(caught.value)
    assert all(word in text for word in ("cheap", "barter", "band_top_jobs, rate_above_band"))
    partly = read_received(received(tmp_path, ["A,schedule_of_rates,visit,5",
                                               "A,schedule_of_rates,paint_out.small.ground,5"]))
    with pytest.raises(ManyErrors, match=r"no rate for .*hot_wash\.large"):
        compare_received(contract, partly, rng=np.random.default_rng(4))


def test_prices_are_read_as_a_council_saves_them_and_a_percentage_is_no_share(tmp_path) -> None:
    """A spreadsheet saves semicolons in much of Europe; a markup of 12 was taken for 1,200 %."""
    path = received(tmp_path, [])
    path.write_text("tenderer;form;item;value\nA;lump_sum;lump_sum_per_year;180000.5\n",
                    encoding="utf-8")
    assert read_received(path)["value"].tolist() == [180000.5]
    sheet = tmp_path / "received.xlsx"
    pd.DataFrame({"tenderer": ["B"], "form": ["cost_plus"], "item": ["markup"],
                  "value": [0.12]}).to_excel(sheet, index=False)
    assert read_received(sheet)["value"].tolist() == [0.12]
    with pytest.raises(ManyErrors, match=r"row 2: got a markup of 12; .*write 12\xa0% as 0.12"):
        read_received(received(tmp_path, ["A,cost_plus,markup,12"]))


def test_more_margin_asks_more_and_one_year_is_not_indexed(contract) -> None:
    assert (contract.outlook.index[:, 0] == 1).all()
    assert contract.outlook.index[:, 1].mean() > 1
    later = contract.outlook.cost.mean(axis=0)
    assert later[1] > later[0]
    assert isinstance(contract.prices, pd.DataFrame)


def test_bid_and_comparison_start_from_the_same_markings(contract) -> None:
    """The report told 130 for ten years and the bid 48,717 for one, of the same log."""
    years = contract.volume.observed_years
    log = (len(contract.jobs) + len(contract.excluded)) / years
    expected = pd.DataFrame({"place_class": ["known", "new", "unplaced", "total"],
                             "expected_per_year": [log - 30, 20.0, 10.0, log],
                             "cost_per_year": [50 * (log - 30), 1000.0, 500.0, 50 * log]})
    steps = reconciliation(contract, expected)
    check(steps, "contract_steps", where="test")
    rows = steps.set_index("step")
    jobs, money = rows["jobs"], rows["money"]
    assert jobs["outside"] == pytest.approx(-len(contract.excluded) / years)
    assert jobs["first_year"] == pytest.approx(contract.outlook.work["jobs"][:, 0].mean())
    assert jobs["first_year"] == pytest.approx(jobs[:"found"].sum())
    asked = tender_figures(contract)["value"].iloc[0]
    assert money["lump_sum"] == pytest.approx(asked)
    assert money["lump_sum"] == pytest.approx(money.drop(["first_year", "lump_sum"]).sum())
    assert money["risk_and_margin"] > contract.margin * asked * 0.5


def test_an_assumption_hardly_moved_hardly_moves_the_price(contract) -> None:
    """A bid with spare crews was held against crews looked for again: both ends lay on one side."""
    base = contract.parameters.override({"contract.sensitivity_swing": 0.01})
    counts = tuple(2 * n for n in contract.queue.team.counts)
    spare = simulate_queue(contract.demand, replace(contract.queue.team, counts=counts), years=2,
                           rng=np.random.default_rng(1))
    rows = sensitivity(replace(contract, parameters=base, queue=spare),
                       rng=np.random.default_rng(2)).set_index("assumption")
    for name in ("volume", "jobs_found"):
        assert rows.loc[name, ["price_low", "price_high"]].to_numpy(float) == pytest.approx(
            rows.loc[name, "price"], rel=0.05)


def test_sensitivity_looks_for_the_crews_again(monkeypatch) -> None:
    """Crews and late shares stayed as bid whatever the volume: a second crew never came up."""
    monkeypatch.setattr(contract_town, "NUMBERS", contract_town.NUMBERS.override({
        "contract.sensitivity_swing": 0.6, "contract.crew_step": 1, "contract.travel_minutes": 90,
        "contract.overtime_hours": 0}))
    town = contract_town.priced()
    rows = sensitivity(town, rng=np.random.default_rng(2)).set_index("assumption")
    volume, pay = rows.loc["volume"], rows.loc["labour_cost"]
    assert volume["crews_low"] <= town.queue.crews < volume["crews_high"]
    assert pay["crews_low"] == pay["crews_high"] == town.queue.crews
    fewer = rows.loc["crews_provided"]
    assert fewer["crews_high"] == pytest.approx(1.6 * town.queue.crews)
