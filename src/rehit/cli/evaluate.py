"""`rehit evaluate`: did a measure work, against comparison places."""

from __future__ import annotations

import argparse

from rehit.cli.common import Answer, add_project_arguments, run_command

HELP = "find out whether a measure worked"
DESCRIPTION = """\
Compares places that got a measure (a coating, lighting, a mural, faster clearance) with places
that did not, before and after. Says "can't tell" when the numbers are too small to tell. The
measures are listed in a CSV with the columns measure, asset_id (or the site's id), role (treated or
comparison) and started_at (a day)."""
EXAMPLE = "rehit evaluate my_town --measures measures.csv"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the command its options."""
    add_project_arguments(parser)
    parser.add_argument("--measures", metavar="FILE",
                        help="table of measures (default: the measures file of the project)")


def run(args: argparse.Namespace) -> Answer:
    """Evaluate each measure and give the verdict."""
    from rehit.pipeline.finding import write_evaluation

    return run_command(
        args, label="Evaluate", steps=5, open_first=["evaluation.csv", ".png"],
        work=lambda chain, stage: write_evaluation(chain, stage, measures=args.measures))
