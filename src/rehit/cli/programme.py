"""`rehit programme`: which places to coat, in which year, under a budget."""

from __future__ import annotations

import argparse

from rehit.cli.common import Answer, add_measured_effect, add_project_arguments, run_command

HELP = "choose which places to coat under a yearly budget"
DESCRIPTION = """\
Chooses which places to coat, and in which year, so that a yearly budget saves most. Places whose
owner forbids a coating are never chosen. Shows the plain best-first ranking beside the optimum
and what more or less budget would buy."""
EXAMPLE = "rehit programme my_town --budget-per-year 20000 --years 5"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the command its options."""
    add_project_arguments(parser)
    parser.add_argument("--budget-per-year", type=float, metavar="MONEY",
                        help="money for coatings each year (default: costs.programme_budget)")
    parser.add_argument("--years", type=int, metavar="N",
                        help="years of the programme (default: costs.programme_years)")
    parser.add_argument("--robust", action="store_true",
                        help="choose what saves most in the worse of two cases, all rates lower or "
                             "higher than thought (costs.rate_scenario_low and _high), not on "
                             "average")
    add_measured_effect(parser)


def run(args: argparse.Namespace) -> Answer:
    """Choose the programme and say what it saves."""
    from rehit.pipeline.costing import write_programme

    return run_command(
        args, label="Programme", steps=9, open_first=["programme.csv"],
        work=lambda chain, stage: write_programme(
            chain, stage, budget_per_year=args.budget_per_year, years=args.years,
            measured=args.measured_effect, robust=args.robust))
