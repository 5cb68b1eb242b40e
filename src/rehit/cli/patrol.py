"""`rehit patrol`: which places to visit, how often, in which order today."""

from __future__ import annotations

import argparse
from datetime import date

from rehit.cli.common import Answer, add_project_arguments, run_command
from rehit.errors import SettingError

HELP = "plan today's routes and how often to visit"
DESCRIPTION = """\
Plans the crews' day: reported jobs first, then the hotspots most likely to have been hit, along
the streets, within the shift. Writes a run sheet for each crew, and how often each place should
be visited."""
EXAMPLE = "rehit patrol my_town --date 2025-03-14 --crews 2"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the command its options."""
    add_project_arguments(parser)
    parser.add_argument("--date", metavar="YYYY-MM-DD",
                        help="the day to plan (default: the day after the log ends)")
    parser.add_argument("--crews", type=int, metavar="N",
                        help="number of crews (default: the vehicles of the project)")


def run(args: argparse.Namespace) -> Answer:
    """Plan the day and say what was left out."""
    from rehit.pipeline.patrolling import write_patrol

    day = _day(args.date)
    return run_command(
        args, label="Patrol", steps=9, open_first=[".pdf"],
        work=lambda chain, stage: write_patrol(chain, stage, day=day, crews=args.crews))


def _day(text: str | None) -> date | None:
    try:
        return None if text is None else date.fromisoformat(text)
    except ValueError as error:
        raise SettingError("--date", got=repr(text), allowed="a day such as 2025-03-14",
                           remedy="write year, month and day with hyphens") from error
