"""The `rehit` command: parse, call the pipeline, say what came of it."""

from __future__ import annotations

import argparse
import json
import os
import sys
import traceback
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tqdm import tqdm

from rehit import __version__
from rehit.errors import DataWarning, RehitError, SettingError

if TYPE_CHECKING:
    from rehit.chain import Chain
    from rehit.project import Project


DESCRIPTION = """\
rehit finds the walls that are marked with graffiti again and again, and works out what to do
about each of them and what that costs.

Start with the invented town:        rehit demo
Then set up a folder for your log:   rehit new my_town --log my_log.csv
and make the report:                 rehit report my_town
"""


# A summary is JSON-like: what is in it differs by command.
Summary = dict[str, Any]
Answer = tuple[Summary, list[str]]


def add_project_arguments(parser: argparse.ArgumentParser) -> None:
    """Give a command its project folder and output folder."""
    parser.add_argument("project", nargs="?", default=".", type=Path,
                        help="project folder that holds rehit.toml (default: this folder)")
    parser.add_argument("--out", type=Path, metavar="FOLDER",
                        help="where to write the results (default: PROJECT/results)")


def add_measured_effect(parser: argparse.ArgumentParser) -> None:
    """Let a command that compares costs use what a measure was seen to do."""
    parser.add_argument("--measured-effect", action="append", default=[],
                        metavar="STRATEGY=MEASURE",
                        help="take the strategy to prevent as many markings as the measure of the "
                             "project's measures file was seen to (see rehit evaluate); may be "
                             "given more than once. Without it no effect is assumed. A measure "
                             "without a verdict changes nothing")


def open_project(args: argparse.Namespace) -> tuple[Project, Path]:
    """Read the project and settle where its results go."""
    from rehit.outputs.start import file_faults
    from rehit.project import load_project

    project = load_project(args.project, also=file_faults)
    return project, args.out or project.folder / "results"


@contextmanager
def progress_bar(total: int, *, label: str) -> Iterator[Callable[[str], None]]:
    """Show a bar on standard error while work goes on; silent when that is not a terminal."""
    with tqdm(total=total, desc=label, file=sys.stderr, leave=False, bar_format="{desc} |{bar}|",
              disable=not sys.stderr.isatty()) as bar:
        def step(words: str) -> None:
            bar.set_description_str(words)
            bar.update(1)

        yield step


def write_results(project: Project, folder: Path, *, label: str, steps: int,
                  work: Callable[[Chain, Path], Summary]) -> Summary:
    """Run `work` on the project's chain into a staged folder and leave ``summary.json`` there."""
    from rehit.chain import Chain
    from rehit.outputs import frame

    with progress_bar(steps, label=label) as step, _hushed():
        return frame.write_results(Chain(project, progress=step), folder, work=work)


def run_command(args: argparse.Namespace, *, label: str, steps: int,
                work: Callable[[Chain, Path], Summary], open_first: Sequence[str]) -> Answer:
    """Open the project, do the work, and answer in the sentences that the summary carries."""
    project, folder = open_project(args)
    summary = write_results(project, folder, label=label, steps=steps, work=work)
    return summary, [*summary["sentences"], *closing_lines(summary, open_first=open_first)]


@contextmanager
def _hushed() -> Iterator[None]:
    """Keep compiled libraries from writing to standard output, which carries the summary."""
    sys.stdout.flush()
    kept, nowhere = os.dup(1), os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)


def closing_lines(summary: Summary, *, open_first: Sequence[str] = ()) -> list[str]:
    """Name the files written, the ones to open first on top."""
    files = [str(name) for name in summary.get("files", [])]
    first = [name for wanted in open_first for name in files
             if Path(name).name == wanted or (wanted[0] == "." and name.endswith(wanted))]
    rest = len(files) - len(first)
    lines = ["", "Open first:" if first else "Written:"]
    lines += [f"  {name}" for name in (first or files)]
    if first and rest:
        lines.append(f"  and {rest} more in {Path(first[0]).parent}")
    return lines


@dataclass(frozen=True)
class Command:
    """One command: its name, its help and example, its options, and what it runs."""

    name: str
    help: str
    description: str
    example: str
    add_arguments: Callable[[argparse.ArgumentParser], None]
    run: Callable[[argparse.Namespace], Answer]


def _demo_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the command its options."""
    parser.add_argument("--out", type=Path, metavar="FOLDER", default=Path("rehit_demo"),
                        help="where to write the results (default: rehit_demo)")


def _run_demo(args: argparse.Namespace) -> Answer:
    """Run the demo town and say what matters in it."""
    from rehit.outputs.report import demo_folder, write_demo
    from rehit.project import load_project

    project = load_project(demo_folder())
    summary = write_results(project, args.out, label="Demo", steps=16, work=write_demo)
    lines = [f"{project.name}: five findings that matter", ""]
    lines += [f"{n}. {words}" for n, words in enumerate(summary["findings"], start=1)]
    return summary, lines + closing_lines(
        summary, open_first=["report.html", "map.html", "report.pdf", "workbook.xlsx"])


def _new_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the command its options."""
    parser.add_argument("folder", type=Path, help="folder to make")
    parser.add_argument("--log", type=Path, nargs="+", required=True, metavar="FILE",
                        help="the incident log: CSV, XLSX, GeoJSON, GeoPackage, Parquet, "
                             "or Open311 JSON or XML; several files of one log may be given")
    parser.add_argument("--register", type=Path, metavar="FILE", help="asset register, if any")
    parser.add_argument("--streets", type=Path, metavar="FILE", help="street lines, if any")
    parser.add_argument("--name", metavar="TEXT", help="name of the place (default: the folder's)")
    parser.add_argument("--crs", metavar="CODE",
                        help="projection of your maps or of the log's coordinates, such as "
                             "EPSG:32630 (default: found from the log)")
    parser.add_argument("--time-zone", default="UTC", metavar="ZONE",
                        help="time zone of the log's clock, such as Europe/Lisbon (default: UTC)")
    parser.add_argument("--currency", default="€", metavar="SIGN",
                        help="currency sign (default: €)")


def _run_new(args: argparse.Namespace) -> Answer:
    """Start the project and list what to check in it."""
    from rehit.outputs.start import start_project

    return start_project(
        args.folder, logs=args.log, register=args.register, streets=args.streets, name=args.name,
        crs=args.crs, time_zone=args.time_zone, currency=args.currency)


def _clean_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the command its options."""
    add_project_arguments(parser)
    parser.add_argument("--methods", action="store_true",
                        help="also choose a method for each incident and show on the quality page "
                             "whether their shares are plausible, and, where there is a works log, "
                             "whether what was advised was done")


def _run_clean(args: argparse.Namespace) -> Answer:
    """Clean the log and say what became of its rows."""
    from rehit.outputs.clean import write_cleaned

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


def _hotspots_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the command its options."""
    add_project_arguments(parser)


def _run_hotspots(args: argparse.Namespace) -> Answer:
    """Find the hotspots and name the worst."""
    from rehit.outputs.hotspots import write_hotspots

    return run_command(args, label="Hotspots", steps=11, work=write_hotspots,
                       open_first=["recurrence.txt", "repeats.csv", "hotspots.gpkg"])


def _compare_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the command its options."""
    add_project_arguments(parser)
    parser.add_argument("--horizon-years", type=int, metavar="N",
                        help="years to look ahead (default: costs.horizon_years)")
    parser.add_argument("--variance-shares", action="store_true",
                        help="also move all numbers over their ranges at once and share out the "
                             "variance of the saving among them (Sobol indices, about a minute; "
                             "variance_shares.csv)")
    add_measured_effect(parser)


def _run_compare(args: argparse.Namespace) -> Answer:
    """Compare the strategies and say what pays."""
    from rehit.outputs.costs import write_comparison

    return run_command(
        args, label="Costs", steps=8, open_first=["strategy_costs.csv", "worked_example.xlsx"],
        work=lambda chain, stage: write_comparison(
            chain, stage, horizon_years=args.horizon_years, measured=args.measured_effect,
            shares=args.variance_shares))


def _programme_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the command its options."""
    add_project_arguments(parser)
    parser.add_argument("--budget-per-year", type=float, metavar="MONEY",
                        help="money for coatings each year (default: costs.programme_budget)")
    parser.add_argument("--years", type=int, metavar="N",
                        help="years of the programme (default: costs.programme_years)")
    parser.add_argument("--robust", action="store_true",
                        help="choose what saves most in the worse of two cases, all rates lower or "
                             "higher than thought (costs.rate_scenario_low and _high), not on "
                             "average")
    add_measured_effect(parser)


def _run_programme(args: argparse.Namespace) -> Answer:
    """Choose the programme and say what it saves."""
    from rehit.outputs.costs import write_programme

    return run_command(
        args, label="Programme", steps=9, open_first=["programme.csv"],
        work=lambda chain, stage: write_programme(
            chain, stage, budget_per_year=args.budget_per_year, years=args.years,
            measured=args.measured_effect, robust=args.robust))


def _price_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the command its options."""
    add_project_arguments(parser)
    parser.add_argument("--margin", type=float, metavar="SHARE",
                        help="wanted profit as a share of the price (default: contract.margin)")
    parser.add_argument("--years", type=int, metavar="N", default=1,
                        help="length of the contract in years (default: 1)")
    parser.add_argument("--received", type=Path, metavar="FILE",
                        help="CSV of prices received, to compare them on the same volumes")


def _run_price(args: argparse.Namespace) -> Answer:
    """Price the contract and say what to bid."""
    from rehit.outputs.price import write_price

    return run_command(
        args, label="Price", steps=12, open_first=["bid.xlsx", "bid_summary.pdf"],
        work=lambda chain, stage: write_price(chain, stage, margin=args.margin, years=args.years,
                                              received=args.received))


def _patrol_arguments(parser: argparse.ArgumentParser) -> None:
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


def _run_patrol(args: argparse.Namespace) -> Answer:
    """Plan the day, or change the day's plan, and say what was left out."""
    if args.add is not None:
        return _run_added(args)
    if args.now or args.done or args.between or args.offensive or args.plan:
        raise SettingError("rehit patrol",
                           got="--now, --done, --between, --offensive or --plan without --add",
                           allowed="these together with --add PLACE",
                           remedy="say where the new job is with --add, or leave them out")
    from rehit.outputs.patrol import write_patrol

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
    from rehit.outputs.patrol import write_added

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


def _evaluate_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the command its options."""
    add_project_arguments(parser)
    parser.add_argument("--measures", metavar="FILE",
                        help="table of measures (default: the measures file of the project)")


def _run_evaluate(args: argparse.Namespace) -> Answer:
    """Evaluate each measure and give the verdict."""
    from rehit.outputs.hotspots import write_evaluation

    return run_command(
        args, label="Evaluate", steps=5, open_first=["evaluation.csv", ".png"],
        work=lambda chain, stage: write_evaluation(chain, stage, measures=args.measures))


def _report_arguments(parser: argparse.ArgumentParser) -> None:
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


def _run_report(args: argparse.Namespace) -> Answer:
    """Write the report, or explain one figure of it."""
    from rehit.outputs.report import explain_figure, read_routes, routes_if_any, write_quarter

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


COMMANDS: tuple[Command, ...] = (
    Command("demo", "run the whole chain on an invented town",
            """\
Runs everything on an invented town with an invented log: cleaning, hotspots, treatment, costs,
patrol, report. Takes about a minute and needs no network. Ends by naming the files to open and the
five findings that matter.""",
            "rehit demo --out my_first_look",
            _demo_arguments, _run_demo),
    Command("new", "start a project folder for your own log",
            """\
Looks at a log and starts a project folder for it: a project file (study area, projection, time
zone, currency, rates) and a proposed reading of the log's columns, with the evidence for each,
for you to check. Existing files are never overwritten.""",
            "rehit new my_town --log incidents.csv --time-zone Europe/Lisbon",
            _new_arguments, _run_new),
    Command("clean", "read the log and account for every row of it",
            """\
Reads the log files of a project, joins repeat reports of the same marking, and accounts for
every row: kept as an incident of its own, joined into another, or set aside with the reason.
Writes the incidents, the rows set aside, the ledger of every change, and a page that says what
the owner of the log should put right at the source.""",
            "rehit clean my_town --json",
            _clean_arguments, _run_clean),
    Command("hotspots", "find the places that are hit again and again",
            """\
Ranks the places that are marked again after being cleared, with their yearly rate and its
90 % interval; groups them into clusters; tests which parts of town stand out by more than chance
and what is emerging now; says how soon and how near markings follow each other; and forecasts the
next 7, 28 and 91 days.""",
            "rehit hotspots my_town",
            _hotspots_arguments, _run_hotspots),
    Command("compare", "compare removing, repainting and coating over the years",
            """\
Works out, for each place, what it costs over the horizon to remove each marking, to paint each
one out, or to coat the surface, with the uncertainty of the re-hit rate carried through. Also
writes one place worked by hand as a spreadsheet with live formulas, and which number to go and
measure because the decision there hangs on it (what_to_measure.csv).""",
            "rehit compare my_town --horizon-years 10",
            _compare_arguments, _run_compare),
    Command("programme", "choose which places to coat under a yearly budget",
            """\
Chooses which places to coat, and in which year, so that a yearly budget saves most. Places whose
owner forbids a coating are never chosen. Shows the plain best-first ranking beside the optimum
and what more or less budget would buy.""",
            "rehit programme my_town --budget-per-year 20000 --years 5",
            _programme_arguments, _run_programme),
    Command("price", "price a maintenance contract for the patch",
            """\
Works out what looking after the patch will cost a contractor: volume, crews, response standards,
risk; and the price to bid for a wanted margin. Writes a bid workbook with live formulas and a
two-page summary. A council can compare prices received on the same simulated volumes: a CSV file
with the columns tenderer, form, item, value.""",
            "rehit price my_town --margin 0.12",
            _price_arguments, _run_price),
    Command("patrol", "plan today's routes and how often to visit",
            """\
Plans the crews' day: reported jobs first, then the hotspots most likely to have been hit, along
the streets, within the shift. Writes a run sheet for each crew, and how often each place should
be visited.

A job that comes in during the day is put into the plan written before with --add and --now:

  rehit patrol my_town --add "12 Quay Street" --now 10:30 --offensive""",
            "rehit patrol my_town --date 2025-03-14 --crews 2",
            _patrol_arguments, _run_patrol),
    Command("evaluate", "find out whether a measure worked",
            """\
Compares places that got a measure (a coating, lighting, a mural, faster clearance) with places
that did not, before and after. Says "can't tell" when the numbers are too small to tell. The
measures are listed in a CSV with the columns measure, asset_id (or the site's id), role (treated or
comparison) and started_at (a day).""",
            "rehit evaluate my_town --measures measures.csv",
            _evaluate_arguments, _run_evaluate),
    Command("report", "make the quarter's report, map and workbook",
            """\
Runs the whole chain on a project and writes the report (HTML and PDF), the map, the workbook and
the data files. Nothing in them needs a network. Where rehit patrol has written a plan into the same
results, the map shows its routes. With --explain it prints how one figure of a report
written before was worked out, and from which rows of the log.""",
            "rehit report my_town --quarter 2025Q1",
            _report_arguments, _run_report),
)


def build_parser() -> argparse.ArgumentParser:
    """Return the parser with all commands on it."""
    parser = argparse.ArgumentParser(
        prog="rehit", description=DESCRIPTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        epilog="Each command explains itself: rehit COMMAND --help")
    parser.add_argument("--version", action="version", version=f"rehit {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for command in COMMANDS:
        sub = commands.add_parser(
            command.name, help=command.help, description=command.description,
            epilog=f"Example:\n  {command.example}",
            formatter_class=argparse.RawDescriptionHelpFormatter)
        command.add_arguments(sub)
        sub.add_argument("--json", action="store_true",
                         help="print a machine-readable summary instead of sentences")
        sub.set_defaults(run=command.run)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status.

    Returns
    -------
    int
        0 when done, 2 for input that cannot be used, 1 for a fault of rehit itself.
    """
    args = build_parser().parse_args(arguments)
    try:
        with warnings.catch_warnings():
            warnings.showwarning = _show_warning
            warnings.simplefilter("ignore")
            warnings.simplefilter("always", DataWarning)
            summary, lines = args.run(args)
    except RehitError as error:
        print(f"rehit: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("rehit: stopped; nothing was written.", file=sys.stderr)
        return 130
    except Exception as error:
        return _own_fault(error)
    _say(summary, lines, as_json=args.json)
    return 0


def _say(summary: dict[str, object], lines: Sequence[str], *, as_json: bool) -> None:
    try:
        if as_json:
            print(json.dumps(summary, indent=2, ensure_ascii=False, default=str))
        else:
            print("\n".join(lines))
        sys.stdout.flush()
    except BrokenPipeError:
        # The reader (such as `head`) has gone: there is nobody left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _own_fault(error: Exception) -> int:
    """Tell the user that rehit, not they, went wrong; show the traceback only when asked."""
    if os.environ.get("REHIT_TRACE"):
        traceback.print_exc()
    print(f"rehit: a fault in rehit itself, not in your files ({type(error).__name__}: {error}).\n"
          "Nothing was written. To report it, run the command again with the environment "
          "variable REHIT_TRACE=1 and pass on what it prints.", file=sys.stderr)
    return 1


def _show_warning(message: Warning | str, *_args: object, **_options: object) -> None:
    print(f"rehit: note: {message}", file=sys.stderr)


if __name__ == "__main__":
    sys.exit(main())
