"""One total for comparison, programme and bid; the log's yearly count is what it starts from."""

from __future__ import annotations

import pandas as pd
import pytest

from rehit.chain import Chain
from rehit.costs.expected import expected_counts, expected_work, scaled_to_expected
from rehit.costs.rates import cleaning_lines
from rehit.costs.strategies import load_strategies
from rehit.parameters import load_parameters

NUMBERS = load_parameters()
LOG = pd.DataFrame({
    "incident_id": [f"I{i}" for i in range(12)],
    # two assets of a register, a site hit three times, three sites hit once, two of no place
    "place_id": ["A1"] * 3 + ["A2"] + ["S1"] * 3 + ["S2", "S3", "S4"] + [None, None],
    "place_kind": ["asset"] * 4 + ["site"] * 6 + ["none"] * 2, "area_m2": 2.0, "access": "ground",
    "traffic_control": False})
ADVICE = pd.DataFrame({"incident_id": LOG["incident_id"], "method": "solvent_wipe"})


def test_classes_add_up_to_the_logs_yearly_count_by_hand() -> None:
    """Good 1953: three of six incidents on places of no register are alone on theirs."""
    counts = expected_counts(LOG, observed_years=2.0)
    assert counts["n_log"].to_dict() == {"known": 10, "new": 0, "unplaced": 2}
    assert counts["expected_per_year"].to_dict() == {"known": 3.5, "new": 1.5, "unplaced": 1.0}
    assert counts["log_per_year"].sum() == counts["expected_per_year"].sum() == 6.0


def test_total_against_total_comparison_starts_from_the_same_number(costing) -> None:
    """Fault: the report left out markings on places not yet seen, the bid had them in."""
    counts = expected_counts(LOG, observed_years=2.0)
    scaled = scaled_to_expected(costing, counts)
    assert (scaled["gamma_shape"] / scaled["gamma_rate_years"]).sum() == pytest.approx(3.5)
    work = expected_work(scaled, LOG, ADVICE, counts=counts, parameters=NUMBERS,
                         strategies=load_strategies(parameters=NUMBERS)).set_index("place_class")
    parts = work.drop("total")
    assert parts["expected_per_year"].sum() == work.loc["total", "expected_per_year"] == 6.0
    for column in ("cost_per_year", "labour", "present_value"):
        assert parts[column].sum() == pytest.approx(work.loc["total", column])
    # A new marking: 2 m2 wiped, its share of a call-out.
    base = load_strategies(parameters=NUMBERS)[0]
    one = costing.head(1).assign(method="solvent_wipe", mark_area_m2=2.0, access="ground",
                                 traffic_control=False)
    each = cleaning_lines(one, base, parameters=NUMBERS).sum()
    assert work.loc["new", "cost_per_marking"] == pytest.approx(each)
    assert work.loc["unplaced", "cost_per_year"] == pytest.approx(each)


def test_a_log_whose_places_are_all_new_still_costs_its_yearly_count() -> None:
    log = LOG.assign(place_id=[f"S{i}" for i in range(12)], place_kind="site")
    counts = expected_counts(log, observed_years=1.0)
    assert counts["expected_per_year"].to_dict() == {"known": 0.0, "new": 12.0, "unplaced": 0.0}


def test_the_demo_towns_totals_agree(demo_chain: Chain) -> None:
    work = demo_chain.expected_work.set_index("place_class")
    years = demo_chain.cleaned.window.years
    assert work.loc["total", "expected_per_year"] == pytest.approx(
        len(demo_chain.incidents) / years, rel=0.001)
    rates = demo_chain.costing["gamma_shape"] / demo_chain.costing["gamma_rate_years"]
    assert rates.sum() == pytest.approx(work.loc["known", "expected_per_year"])
