"""`rehit report`: this quarter's report, map and workbook."""

from __future__ import annotations

import argparse

from rehit.cli.common import Answer, add_project_arguments, open_project, run_command

HELP = "make the quarter's report, map and workbook"
DESCRIPTION = """\
Runs the whole chain on a project and writes the report (HTML and PDF), the map, the workbook and
the data files. Nothing in them needs a network. With --explain it prints how one figure of a report
written before was worked out, and from which rows of the log."""
EXAMPLE = "rehit report my_town --quarter 2025Q1"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the command its options."""
    add_project_arguments(parser)
    parser.add_argument("--quarter", metavar="YYYYQn",
                        help="quarter to report on (default: the last whole quarter of the log)")
    parser.add_argument("--lang", metavar="CODE", help="language of the report (default: project)")
    parser.add_argument("--explain", metavar="ID",
                        help="print the working behind a figure of the report already written")


def run(args: argparse.Namespace) -> Answer:
    """Write the report, or explain one figure of it."""
    from rehit.pipeline.reports import explain_figure, write_quarter

    if args.explain:
        _, folder = open_project(args)
        return explain_figure(folder, figure_id=args.explain)
    return run_command(
        args, label="Report", steps=14,
        open_first=["report.html", "map.html", "report.pdf", "workbook.xlsx"],
        work=lambda chain, stage: write_quarter(chain, stage, quarter=args.quarter,
                                                language=args.lang))
