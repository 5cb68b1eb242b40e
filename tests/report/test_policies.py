"""What is said of policies, with data in which it is true and in which it is false."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from rehit.policy.answers import (
    MEASURES,
    OF_REPORTED,
    against_today,
    best_shares,
    by_year,
    flips,
    frontier,
    what_to_measure,
)
from rehit.policy.policies import Policy
from rehit.report.figures import cost_and_days
from rehit.report.policies import Tried, committee_paper, policy_messages
from rehit.report.say import Say

POLICIES = (Policy(name="today"), Policy(name="two_days"))
EN = Say("en", "€")


def tried(cost: list[float], days: list[float], *, effects_net: float = 1.0) -> Tried:
    """Return two years, two worlds; the policy's cost and days in each are given, today's are 100.
    """
    def measures(cost: list[float], days: list[float]) -> dict[str, np.ndarray]:
        halves = {name: np.ones((2, 2)) for name in (*MEASURES, *OF_REPORTED.values())}
        halves["cost"], halves["visible_days"] = (
            np.tile(np.array(values) / 2, (2, 1)) for values in (cost, days))
        return halves

    found = [measures([100, 100], [100, 100]), measures(cost, days)]
    return Tried(
        years=2, draws=2, by_year=by_year(found, POLICIES), against=against_today(found, POLICIES),
        frontier=frontier(found, POLICIES), best=best_shares(found, POLICIES, [0.0, 5.0]),
        unknowns=what_to_measure(found, {"level": np.array([0.0, 1.0])}, worth_of_day=0.0),
        flips=flips([1.0, 1.1], [[0.0, 5.0], [0.0, 5.0 * effects_net]], POLICIES),
        measured=False, doubts=())


@pytest.mark.parametrize(("cost", "days", "code"), [
    ([120, 130], [80, 90], "fewer_days_more_cost"), ([80, 90], [120, 130], "more_days_fewer_cost"),
    ([80, 90], [80, 90], "fewer_days_fewer_cost"), ([120, 130], [120, 130], "more_days_more_cost"),
    ([90, 120], [90, 120], "same_days_same_cost"), ([120, 130], [90, 120], "same_days_more_cost"),
    ([80, 90], [90, 120], "same_days_fewer_cost"), ([90, 120], [80, 90], "fewer_days_same_cost"),
    ([90, 120], [120, 130], "more_days_same_cost"), ([100, 100], [100, 100], "same_days_same_cost"),
])
def test_a_change_is_said_only_where_the_worlds_agree_on_its_sign(
        cost: list[float], days: list[float], code: str) -> None:
    told = policy_messages(tried(cost, days))
    assert told[1].code == f"policies.{code}"


def test_amounts_are_per_year() -> None:
    said = EN.all(policy_messages(tried([120, 120], [80, 80])))
    assert said[0].startswith("Today's practice: 1 markings a year")
    assert "10 fewer days a year that markings stand" in said[1]
    assert "€10 a year more" in said[1]


def test_the_best_policy_is_the_one_that_is_and_turns_with_the_worth_of_a_day() -> None:
    chosen = {each.facts["worth"]: each.facts["policy"]
              for each in policy_messages(tried([120, 120], [80, 80]))
              if each.code.startswith("policies.best_")}
    assert chosen == {0.0: "today", 5.0: "two_days"}


def test_quick_clearance_is_said_to_turn_a_choice_only_where_it_does() -> None:
    assert "policies.quick_assumed_no_flip" in {
        each.code for each in policy_messages(tried([120, 120], [80, 80]))}
    turned = tried([120, 120], [80, 80], effects_net=-1.0)
    flip = next(each for each in policy_messages(turned) if "quick" in each.code)
    assert (flip.code, flip.facts["ratio"]) == ("policies.quick_assumed_flip",
                                                pytest.approx(1.05))
    assert any(each.code == "policies.quick_measured_flip"
               for each in policy_messages(replace(turned, measured=True)))


def test_nothing_is_said_to_be_worth_knowing_where_nothing_turns_the_choice() -> None:
    certain = tried([120, 120], [80, 80])
    assert policy_messages(certain)[-1].code == "policies.measure_nothing"
    worth = pd.DataFrame({"unknown": ["level"], "worth": [40.0]})
    last = policy_messages(replace(certain, unknowns=worth))[-1]
    assert EN(last) == ("What to find out before deciding: how many markings come. Knowing it for "
                        "certain would be worth some €40.")


def test_the_picture_names_what_nothing_beats() -> None:
    for cost, said in ((120.0, "2 of 2 ways"), (80.0, "1 of 2 ways")):
        found = tried([cost, cost], [80, 80])
        text = cost_and_days(found.frontier, years=2, ax=Figure().subplots(), say=EN, currency="€")
        assert text.title.startswith(said)
        assert ("Today's practice" in text.alt) == (cost > 100)


@pytest.mark.parametrize("language", ["en", "es"])
def test_the_paper_has_two_pages_in_each_language(language: str) -> None:
    pdf = committee_paper(tried([120, 120], [80, 80]), Say(language, "€"), name="#x[<b>")
    assert pdf.startswith(b"%PDF")
    assert pdf.count(b"/Type /Page ") + pdf.count(b"/Type/Page/") + pdf.count(
        b"/Type /Page\n") in (0, 2)
