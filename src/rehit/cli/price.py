"""`rehit price`: what a year of the patch costs a contractor, with what risk, and what to bid."""

from __future__ import annotations

import argparse
from pathlib import Path

from rehit.cli.common import Answer, add_project_arguments, run_command

HELP = "price a maintenance contract for the patch"
DESCRIPTION = """\
Works out what looking after the patch will cost a contractor: volume, crews, response standards,
risk; and the price to bid for a wanted margin. Writes a bid workbook with live formulas and a
two-page summary. A council can compare prices received on the same simulated volumes: a CSV file
with the columns tenderer, form, item, value."""
EXAMPLE = "rehit price my_town --margin 0.12"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the command its options."""
    add_project_arguments(parser)
    parser.add_argument("--margin", type=float, metavar="SHARE",
                        help="wanted profit as a share of the price (default: contract.margin)")
    parser.add_argument("--years", type=int, metavar="N", default=1,
                        help="length of the contract in years (default: 1)")
    parser.add_argument("--received", type=Path, metavar="FILE",
                        help="CSV of prices received, to compare them on the same volumes")


def run(args: argparse.Namespace) -> Answer:
    """Price the contract and say what to bid."""
    from rehit.pipeline.pricing import write_price

    return run_command(
        args, label="Price", steps=12, open_first=["bid.xlsx", "bid_summary.pdf"],
        work=lambda chain, stage: write_price(chain, stage, margin=args.margin, years=args.years,
                                              received=args.received))
