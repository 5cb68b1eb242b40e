"""`rehit clean`: the log as a table of incidents, with every row accounted for."""

from __future__ import annotations

import argparse

from rehit.cli.common import (
    Answer,
    add_project_arguments,
    closing_lines,
    open_project,
    write_results,
)

HELP = "read the log and account for every row of it"
DESCRIPTION = """\
Reads the log files of a project, joins repeat reports of the same marking, and accounts for
every row: kept as an incident of its own, joined into another, or set aside with the reason.
Writes the incidents, the rows set aside, the ledger of every change, and a page that says what
the owner of the log should put right at the source."""
EXAMPLE = "rehit clean my_town --json"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the command its options."""
    add_project_arguments(parser)
    parser.add_argument("--methods", action="store_true",
                        help="also choose a method for each incident and show on the quality page "
                             "whether their shares are plausible, and, where there is a works log, "
                             "whether what was advised was done")


def run(args: argparse.Namespace) -> Answer:
    """Clean the log and say what became of its rows."""
    from rehit.pipeline.cleaning import write_cleaned

    project, folder = open_project(args)
    summary = write_results(
        project, folder, label="Cleaning", steps=6 if args.methods else 4,
        work=lambda chain, stage: write_cleaned(chain, stage, methods=args.methods))
    lines = [
        f"{row['source_file']}: {row['rows_in']:,} rows in = {row['rows_kept']:,} incidents"
        f" + {row['rows_joined']:,} repeat reports joined + {row['rows_set_aside']:,} set aside"
        for row in summary["per_file"]]
    lines += [f"  {count:,} set aside: {words}"
              for words, count in summary["set_aside_reasons"].items()]
    lines += [f"  warning: {sentence}" for sentence in summary["set_aside_warnings"]]
    lines += [f"  check: {sentence}" for sentence in summary["mapping_drift"]]
    return summary, lines + closing_lines(summary, open_first=["quality.html", "set_aside.csv"])
