"""`rehit hotspots`: which places recur, where they gather, what to expect next."""

from __future__ import annotations

import argparse

from rehit.cli.common import Answer, add_project_arguments, run_command

HELP = "find the places that are hit again and again"
DESCRIPTION = """\
Ranks the places that are marked again after being cleared, with their yearly rate and its
90 % interval; groups them into clusters; tests which parts of town stand out by more than chance
and what is emerging now; says how soon and how near markings follow each other; and forecasts the
next 7, 28 and 91 days."""
EXAMPLE = "rehit hotspots my_town"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the command its options."""
    add_project_arguments(parser)


def run(args: argparse.Namespace) -> Answer:
    """Find the hotspots and name the worst."""
    from rehit.pipeline.finding import write_hotspots

    return run_command(args, label="Hotspots", steps=11, work=write_hotspots,
                       open_first=["recurrence.txt", "repeats.csv", "hotspots.gpkg"])
