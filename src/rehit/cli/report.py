"""`rehit report`: this quarter's report, map and workbook."""

from __future__ import annotations

import argparse
from pathlib import Path

from rehit.cli.common import Answer, add_project_arguments, open_project, run_command

HELP = "make the quarter's report, map and workbook"
DESCRIPTION = """\
Runs the whole chain on a project and writes the report (HTML and PDF), the map, the workbook and
the data files. Nothing in them needs a network. Where rehit patrol has written a plan into the same
results, the map shows its routes. With --explain it prints how one figure of a report
written before was worked out, and from which rows of the log."""
EXAMPLE = "rehit report my_town --quarter 2025Q1"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the command its options."""
    add_project_arguments(parser)
    parser.add_argument("--period", "--quarter", dest="period", metavar="PERIOD",
                        help="quarter 2025Q1, month 2025-03, year 2025 or days "
                             "2025-01-15:2025-03-02 to report on (default: the last whole quarter "
                             "of the log)")
    parser.add_argument("--lang", metavar="CODE", help="language of the report (default: project)")
    parser.add_argument("--routes", type=Path, metavar="FILE",
                        help="patrol routes to draw on the map, a routes.geojson of rehit patrol "
                             "(default: the one among the results, if any)")
    parser.add_argument("--explain", metavar="ID",
                        help="print the working behind a figure of the report already written")


def run(args: argparse.Namespace) -> Answer:
    """Write the report, or explain one figure of it."""
    from rehit.pipeline.reports import explain_figure, write_quarter
    from rehit.pipeline.saved_routes import read_routes, routes_if_any

    project, folder = open_project(args)
    if args.explain:
        return explain_figure(folder, figure_id=args.explain)
    routes = (routes_if_any(folder, crs=project.crs) if args.routes is None
              else read_routes(args.routes, crs=project.crs))
    return run_command(
        args, label="Report", steps=14,
        open_first=["report.html", "map.html", "report.pdf", "workbook.xlsx"],
        work=lambda chain, stage: write_quarter(chain, stage, quarter=args.period,
                                                language=args.lang, routes=routes))
