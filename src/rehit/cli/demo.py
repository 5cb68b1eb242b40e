"""`rehit demo`: the whole chain on the invented town."""

from __future__ import annotations

import argparse
from pathlib import Path

from rehit.cli.common import Answer, closing_lines, write_results

HELP = "run the whole chain on an invented town"
DESCRIPTION = """\
Runs everything on an invented town with an invented log: cleaning, hotspots, treatment, costs,
patrol, report. Takes about a minute and needs no network. Ends by naming the files to open and the
five findings that matter."""
EXAMPLE = "rehit demo --out my_first_look"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the command its options."""
    parser.add_argument("--out", type=Path, metavar="FOLDER", default=Path("rehit_demo"),
                        help="where to write the results (default: rehit_demo)")


def run(args: argparse.Namespace) -> Answer:
    """Run the demo town and say what matters in it."""
    from rehit.pipeline.reports import demo_folder, write_demo
    from rehit.project import load_project

    project = load_project(demo_folder())
    summary = write_results(project, args.out, label="Demo", steps=16, work=write_demo)
    lines = [f"{project.name}: five findings that matter", ""]
    lines += [f"{n}. {words}" for n, words in enumerate(summary["findings"], start=1)]
    return summary, lines + closing_lines(
        summary, open_first=["report.html", "map.html", "report.pdf", "workbook.xlsx"])
