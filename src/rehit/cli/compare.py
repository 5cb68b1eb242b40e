"""`rehit compare`: what each way of looking after each place costs over the years."""

from __future__ import annotations

import argparse

from rehit.cli.common import Answer, add_measured_effect, add_project_arguments, run_command

HELP = "compare removing, repainting and coating over the years"
DESCRIPTION = """\
Works out, for each place, what it costs over the horizon to remove each marking, to paint each
one out, or to coat the surface, with the uncertainty of the re-hit rate carried through. Also
writes one place worked by hand as a spreadsheet with live formulas, and which number to go and
measure because the decision there hangs on it (what_to_measure.csv)."""
EXAMPLE = "rehit compare my_town --horizon-years 10"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the command its options."""
    add_project_arguments(parser)
    parser.add_argument("--horizon-years", type=int, metavar="N",
                        help="years to look ahead (default: costs.horizon_years)")
    parser.add_argument("--variance-shares", action="store_true",
                        help="also move all numbers over their ranges at once and share out the "
                             "variance of the saving among them (Sobol indices, about a minute; "
                             "variance_shares.csv)")
    add_measured_effect(parser)


def run(args: argparse.Namespace) -> Answer:
    """Compare the strategies and say what pays."""
    from rehit.pipeline.costing import write_comparison

    return run_command(
        args, label="Costs", steps=8, open_first=["strategy_costs.csv", "worked_example.xlsx"],
        work=lambda chain, stage: write_comparison(
            chain, stage, horizon_years=args.horizon_years, measured=args.measured_effect,
            shares=args.variance_shares))
