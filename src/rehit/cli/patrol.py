"""`rehit patrol`: which places to visit, how often, in which order today."""

from __future__ import annotations

import argparse
from datetime import date
from pathlib import Path

from rehit.cli.common import Answer, Summary, add_project_arguments, run_command
from rehit.errors import SettingError

HELP = "plan today's routes and how often to visit"
DESCRIPTION = """\
Plans the crews' day: reported jobs first, then the hotspots most likely to have been hit, along
the streets, within the shift. Writes a run sheet for each crew, and how often each place should
be visited.

A job that comes in during the day is put into the plan written before with --add and --now:

  rehit patrol my_town --add "12 Quay Street" --now 10:30 --offensive"""
EXAMPLE = "rehit patrol my_town --date 2025-03-14 --crews 2"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the command its options."""
    add_project_arguments(parser)
    parser.add_argument("--date", metavar="YYYY-MM-DD",
                        help="the day to plan (default: the first working day after the log ends)")
    parser.add_argument("--crews", type=int, metavar="N",
                        help="number of crews (default: the vehicles of the project)")
    later = parser.add_argument_group("a job that comes in during the day")
    later.add_argument("--add", metavar="PLACE",
                       help="where the job is: an address or place of the log or the register, or "
                            "LATITUDE,LONGITUDE in degrees")
    later.add_argument("--now", metavar="HH:MM", help="what time it is")
    later.add_argument("--done", metavar="CREW=STOP", action="append", default=[],
                       help="number of the last stop a crew has done, such as 'Van A=7'; may be "
                            "repeated (default: what its plan says for this time)")
    later.add_argument("--between", metavar="HH:MM-HH:MM",
                       help="when the work there may begin, such as 13:00-15:00")
    later.add_argument("--offensive", action="store_true", help="the marking is offensive")
    later.add_argument("--plan", type=Path, metavar="FOLDER",
                       help="folder with the day's plan (default: where the results go)")


def run(args: argparse.Namespace) -> Answer:
    """Plan the day, or change the day's plan, and say what was left out."""
    if args.add is not None:
        return _run_added(args)
    if args.now or args.done or args.between or args.offensive or args.plan:
        raise SettingError("rehit patrol",
                           got="--now, --done, --between, --offensive or --plan without --add",
                           allowed="these together with --add PLACE",
                           remedy="say where the new job is with --add, or leave them out")
    from rehit.pipeline.patrolling import write_patrol

    day = _day(args.date)
    return run_command(
        args, label="Patrol", steps=9, open_first=[".pdf"],
        work=lambda chain, stage: _with_earlier(
            write_patrol(chain, stage, day=day, crews=args.crews), stage,
            args.out or chain.project.folder / "results"))


def _with_earlier(summary: Summary, stage: Path, folder: Path) -> Summary:
    """Name the crews' files of an earlier plan of the same day: a crew might be handed one."""
    written = {path.name for path in stage.iterdir()}
    old = sorted(str(path) for what in ("run_sheet", "route")
                 for path in folder.glob(f"{what}_{summary['day']}_*") if path.name not in written)
    summary["from_earlier_plans"] = old
    if old:
        summary["sentences"].append("Left from an earlier plan of this day, do not hand them out: "
                                    + ", ".join(Path(name).name for name in old) + ".")
    return summary


def _run_added(args: argparse.Namespace) -> Answer:
    if args.date is not None or args.crews is not None:
        raise SettingError("rehit patrol --add", got="--date or --crews",
                           allowed="neither: day and crews are those of the plan",
                           remedy="leave them out, or plan the day anew without --add")
    from rehit.pipeline.patrol_added import write_added

    return run_command(
        args, label="Patrol", steps=6, open_first=[".pdf"],
        work=lambda chain, stage: write_added(
            chain, stage, folder=args.plan or args.out, place=args.add, now=args.now,
            done=args.done, between=args.between, offensive=args.offensive))


def _day(text: str | None) -> date | None:
    try:
        return None if text is None else date.fromisoformat(text)
    except ValueError as error:
        raise SettingError("--date", got=repr(text), allowed="a day such as 2025-03-14",
                           remedy="write year, month and day with hyphens") from error
