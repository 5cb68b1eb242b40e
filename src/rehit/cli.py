"""The `rehit` command: its options, what each command runs, and how it ends.

Every text stands in the catalogues (``locale/*/cli.po``); those are all that help needs, so that
it waits for no large library.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import signal
import sys
import traceback
import warnings
from collections.abc import Callable, Iterator, Sequence
from collections.abc import Mapping as MappingOf
from contextlib import contextmanager, nullcontext, redirect_stderr, suppress
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rehit import __version__
from rehit.errors import DataWarning, ManyErrors, RehitError, SettingError
from rehit.report.catalogue import language_of, languages, own_texts, topic

if TYPE_CHECKING:
    from rehit.chain import Chain
    from rehit.incidents.mapping import Question
    from rehit.kept import Kept
    from rehit.outputs.frame import Summary, Writer
    from rehit.project import Project
    from rehit.report.say import Say

Answer = tuple[dict[str, Any], list[str]]  # the summary, and what is printed of it
#: What libraries of linear algebra read to know how many threads to start.
THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status.

    Returns
    -------
    int
        0 when done, 2 for input that cannot be used, 1 for a fault of rehit itself.
    """
    with suppress(ValueError):  # a program that calls this from a thread keeps its own
        signal.signal(signal.SIGTERM, _stop)
    _one_thread_for_algebra()
    with _told_once():
        return _run(arguments)


def _run(arguments: Sequence[str] | None) -> int:
    given = list(sys.argv[1:] if arguments is None else arguments)
    as_json = "--json" in given
    args = argparse.Namespace()
    try:
        args = _parsed(given, as_json=as_json)
        with warnings.catch_warnings():
            warnings.showwarning = _teller_of_warnings(args, given)
            warnings.simplefilter("ignore")
            warnings.simplefilter("always", DataWarning)
            summary, lines = args.run(args)
    except RehitError as error:
        return _refused(error, language=_language(args, given), as_json=as_json)
    except KeyboardInterrupt:
        return _stopped(as_json=as_json)
    except Exception as error:
        return _own_fault(error, as_json=as_json)
    _print(json.dumps(summary, indent=2, ensure_ascii=False, default=str) if as_json
           else "\n".join(lines))
    return 0


def _one_thread_for_algebra() -> None:
    """Start no threads for linear algebra, unless the user set how many.

    Its matrices are narrow here: threads wait for each other longer than they work, which doubled
    the processor time of a whole run. Libraries read this as they load, which is later than now.
    """
    for name in THREADS:
        os.environ.setdefault(name, "1")


@dataclass(frozen=True)
class Words:
    """The texts of help and of what is said before a project is open."""

    language: str = ""

    def __call__(self, code: str, **facts: object) -> str:
        """Return the text of a code; one that is no text of the command stands for itself."""
        texts = topic(self.language or language_of(), code.partition(".")[0])
        return str(texts[code]).format(**facts)


class Options:
    """The options of one command, said by their codes."""

    def __init__(self, parser: argparse._ActionsContainer, say: Words) -> None:
        self.parser = parser
        self.say = say

    def add(self, *names: str, text: str, metavar: str = "", **how: Any) -> None:
        """Add an option or argument; `text`, its help, and `metavar` are codes."""
        if metavar:
            how["metavar"] = self.say(metavar) if metavar.startswith("cli.") else metavar
        self.parser.add_argument(*names, help=self.say(text).replace("%", "%%"), **how)

    def group(self, title: str) -> Options:
        """Return a group of options under a heading of its own."""
        return Options(self.parser.add_argument_group(self.say(title)), self.say)

    def project(self) -> None:
        """Add the project folder and where results go."""
        self.add("project", nargs="?", default=".", type=Path, text="cli.opt_project",
                 metavar="cli.meta_project")
        self.out("cli.opt_out")
        self.add("--anew", action="store_true", text="cli.opt_anew")
        self.add("--set", action="append", default=[], metavar="cli.meta_number",
                 text="cli.opt_set")

    def out(self, text: str, default: Path | None = None) -> None:
        """Add where results go."""
        self.add("--out", type=Path, metavar="cli.meta_folder", default=default, text=text)

    def measured_effect(self) -> None:
        """Let a command that compares costs use what a measure was seen to do."""
        self.add("--measured-effect", action="append", default=[],
                 metavar="cli.meta_strategy_measure", text="cli.opt_measured_effect")


@dataclass(frozen=True)
class Command:
    """One command: its name, an example, its options, and what it runs."""

    name: str
    example: str
    add_options: Callable[[Options], None]
    run: Callable[[argparse.Namespace], Answer]

    @property
    def help(self) -> str:
        """Code of the line that the list of commands shows."""
        return f"cli.{self.name}_help"

    @property
    def about(self) -> str:
        """Code of the paragraph that its own help begins with."""
        return f"cli.{self.name}_about"


def _demo_options(options: Options) -> None:
    options.out("cli.opt_demo_out", default=Path("rehit_demo"))
    options.add("--notebooks", type=Path, metavar="cli.meta_folder", text="cli.opt_notebooks")


def _run_demo(args: argparse.Namespace) -> Answer:
    from rehit.outputs.demo import demo_folder, lay_out_notebooks
    from rehit.outputs.report import write_demo
    from rehit.project import load_project

    if args.notebooks is not None:
        laid = [str(path) for path in lay_out_notebooks(args.notebooks)]
        return {"files": laid}, [Words(args.lang or "")("cli.notebooks", folder=args.notebooks),
                                 *(f"  {name}" for name in laid)]
    project = _in_language(load_project(demo_folder()), args)
    # Its folder may belong to nobody who can write there.
    say, summary = _results(args, project, args.out, steps=16, work=write_demo, kept=None)
    lines = [say("cli.findings", name=project.name), ""]
    lines += [f"{n}. {words}" for n, words in enumerate(summary["findings"], start=1)]
    return summary, lines + closing_lines(
        summary, say, open_first=["report.html", "map.html", "report.pdf", "workbook.xlsx"])


def _new_options(options: Options) -> None:
    options.add("folder", type=Path, text="cli.opt_new_folder", metavar="cli.meta_folder")
    options.add("--log", type=Path, nargs="+", metavar="cli.meta_file", text="cli.opt_log")
    options.add("--register", type=Path, metavar="cli.meta_file", text="cli.opt_register")
    options.add("--streets", type=Path, metavar="cli.meta_file", text="cli.opt_streets")
    options.add("--name", metavar="cli.meta_text", text="cli.opt_name")
    options.add("--crs", metavar="cli.meta_code", text="cli.opt_crs")
    options.add("--time-zone", metavar="cli.meta_zone", text="cli.opt_time_zone")
    options.add("--currency", metavar="cli.meta_sign", text="cli.opt_currency")
    options.add("--answers", type=Path, metavar="cli.meta_file", text="cli.opt_answers")
    options.add("--again", action="store_true", text="cli.opt_again")


def _run_new(args: argparse.Namespace) -> Answer:
    from rehit.incidents.proposal import Options
    from rehit.outputs.start import ask_again, start_project

    asks = args.answers is None and not args.json and sys.stdin.isatty()
    if bool(args.log) == args.again:
        raise SettingError("rehit new", "errors.log_and_again" if args.again
                           else "errors.log_not_named")
    if args.again:
        return ask_again(args.folder, answers=args.answers, language=args.lang,
                         ask=_ask_on_terminal if asks else None)
    return start_project(
        args.folder, logs=args.log, register=args.register, streets=args.streets, name=args.name,
        options=Options(crs=args.crs, time_zone=args.time_zone, currency=args.currency),
        language=args.lang or language_of(), answers=args.answers,
        ask=_ask_on_terminal if asks else None)


def _ask_on_terminal(shown: Sequence[str], questions: Sequence[Question],
                     say: Say) -> dict[str, str]:
    """Ask each question in turn; an empty line keeps what is assumed."""
    from rehit.outputs.start import choice_text

    print("\n".join(shown))
    answers: dict[str, str] = {}
    for number, asked in enumerate(questions, start=1):
        print("\n" + say("start.ask", number=number, many=len(questions), ask=asked.ask))
        told = [say("start.bears_on", rows=asked.rows)] if asked.rows else []
        for words in [*told, *say.all(asked.evidence)]:
            print("    " + words)
        for place, choice in enumerate(asked.choices, start=1):
            print(f"  {place}  {choice_text(asked, choice, say)}")
        with suppress(EOFError):
            answers[asked.key] = _answer_typed(asked, say)
    return {key: answer for key, answer in answers.items() if answer}


def _answer_typed(asked: Question, say: Say) -> str:
    """Return a choice by its number or as typed; asked again until it is one, or left empty."""
    from rehit.incidents.proposal import fits
    from rehit.outputs.start import choice_text

    prompt = say("start.prompt_needed") if asked.needed and not asked.assumed else say(
        "start.prompt", assumed=choice_text(asked, asked.assumed, say))
    while True:
        typed = input(prompt).strip()
        if typed.isdigit() and 1 <= int(typed) <= len(asked.choices):
            typed = asked.choices[int(typed) - 1]
        if not typed or fits(asked, typed):
            return typed or asked.assumed
        print(say("start.no_choice"))


def _open_options(options: Options) -> None:
    options.add("project", nargs="?", type=Path, text="cli.opt_open_project",
                metavar="cli.meta_project")
    options.add("--home", type=Path, metavar="cli.meta_folder", default=Path.home() / "rehit",
                text="cli.opt_home")
    options.add("--port", type=int, metavar="N", default=0, text="cli.opt_port")
    options.add("--no-browser", action="store_true", text="cli.opt_no_browser")


def _run_open(args: argparse.Namespace) -> Answer:
    from rehit.app.serve import open_page

    language = args.lang or language_of()
    say = Words(language)
    open_page(args.home, project=args.project, port=args.port, show=not args.no_browser,
              language=language,
              ready=lambda address: print(say("cli.page_at", address=address), flush=True))
    return {}, [say("cli.page_closed")]


def _clean_options(options: Options) -> None:
    options.project()
    options.add("--methods", action="store_true", text="cli.opt_methods")


def _run_clean(args: argparse.Namespace) -> Answer:
    from rehit.outputs.clean import write_cleaned

    project, folder = open_project(args)
    say, summary = _results(
        args, project, folder, steps=6 if args.methods else 4, kept=_kept(project, args),
        work=lambda chain, stage: write_cleaned(chain, stage, methods=args.methods))
    lines = [say("cli.rows_of_services" if row["rows_other_service"] else "cli.rows_of_file",
                 file=row["source_file"], rows=row["rows_in"], kept=row["rows_kept"],
                 joined=row["rows_joined"], aside=row["rows_set_aside"],
                 other=row["rows_other_service"]) for row in _few(summary, say)]
    lines += ["  " + say("cli.set_aside", count=count, reason=say.code("set_aside", code))
              for code, count in summary["set_aside_reasons"].items()]
    lines += ["  " + say("cli.warning", words=words) for words in summary["set_aside_warnings"]]
    lines += ["  " + say("cli.check", words=words)
              for words in (*summary["mapping_drift"], *summary["stand_ins"])]
    return summary, lines + closing_lines(summary, say,
                                          open_first=["quality.html", "set_aside.csv"])


def _few(summary: MappingOf[str, Any], say: Say) -> list[dict[str, Any]]:
    """Return the counts of each file, or of all together where they are many."""
    from rehit.outputs.clean import MOST_FILES

    files = summary["per_file"]
    if len(files) <= MOST_FILES:
        return list(files)
    sums = {name: sum(row[name] for row in files) for name in files[0] if name != "source_file"}
    return [{"source_file": say("cli.files", n=len(files)), **sums}]


def _hotspots_options(options: Options) -> None:
    options.project()


def _run_hotspots(args: argparse.Namespace) -> Answer:
    from rehit.outputs.hotspots import write_hotspots

    return run_command(args, steps=11, work=write_hotspots,
                       open_first=["recurrence.txt", "repeats.csv", "counts.csv", "hotspots.gpkg"])


def _compare_options(options: Options) -> None:
    options.project()
    options.add("--horizon-years", type=int, metavar="N", text="cli.opt_horizon_years")
    options.add("--variance-shares", action="store_true", text="cli.opt_variance_shares")
    options.measured_effect()


def _run_compare(args: argparse.Namespace) -> Answer:
    from rehit.outputs.costs import write_comparison

    return run_command(
        args, steps=8, open_first=["strategy_costs.csv", "worked_example.xlsx"],
        work=lambda chain, stage: write_comparison(
            chain, stage, horizon_years=args.horizon_years, measured=args.measured_effect,
            shares=args.variance_shares))


def _programme_options(options: Options) -> None:
    options.project()
    options.add("--budget-per-year", type=float, metavar="cli.meta_money",
                text="cli.opt_budget_per_year")
    options.add("--years", type=int, metavar="N", text="cli.opt_programme_years")
    options.add("--robust", action="store_true", text="cli.opt_robust")
    options.measured_effect()


def _run_programme(args: argparse.Namespace) -> Answer:
    from rehit.outputs.costs import write_programme

    return run_command(
        args, steps=9, open_first=["programme.csv"],
        work=lambda chain, stage: write_programme(
            chain, stage, budget_per_year=args.budget_per_year, years=args.years,
            measured=args.measured_effect, robust=args.robust))


def _price_options(options: Options) -> None:
    options.project()
    options.add("--margin", type=float, metavar="cli.meta_share", text="cli.opt_margin")
    options.add("--years", type=int, metavar="N", default=1, text="cli.opt_contract_years")
    options.add("--received", type=Path, metavar="cli.meta_file", text="cli.opt_received")


def _run_price(args: argparse.Namespace) -> Answer:
    from rehit.outputs.price import write_price

    return run_command(
        args, steps=12, open_first=["bid.xlsx", "bid_summary.pdf"],
        work=lambda chain, stage: write_price(chain, stage, margin=args.margin, years=args.years,
                                              received=args.received))


def _whatif_options(options: Options) -> None:
    options.project()
    options.add("--policies", type=Path, metavar="cli.meta_file", text="cli.opt_policies")
    options.add("--years", type=int, metavar="N", text="cli.opt_policy_years")
    options.add("--draws", type=int, metavar="N", text="cli.opt_policy_draws")
    options.add("--worth-of-day", type=float, metavar="cli.meta_money",
                text="cli.opt_worth_of_day")
    options.add("--scheduler", metavar="cli.meta_address", text="cli.opt_policy_scheduler")


def _run_whatif(args: argparse.Namespace) -> Answer:
    from rehit.outputs.whatif import write_whatif

    return run_command(
        args, steps=12, open_first=["policies_summary.pdf", "policies.csv"],
        work=lambda chain, stage: write_whatif(
            chain, stage, policies=args.policies, years=args.years, draws=args.draws,
            worth_of_day=args.worth_of_day, scheduler=args.scheduler))


def _patrol_options(options: Options) -> None:
    options.project()
    options.add("--date", metavar="cli.meta_day", text="cli.opt_date")
    options.add("--crews", nargs="+", metavar="cli.meta_crew", text="cli.opt_crews")
    options.add("--hours", metavar="HH:MM-HH:MM", default="", text="cli.opt_hours")
    options.add("--results", type=Path, nargs="+", metavar="cli.meta_file", default=[],
                text="cli.opt_results")
    options.add("--bring-in", nargs="+", metavar="cli.meta_place", default=[],
                text="cli.opt_bring_in")
    options.add("--leave-out", nargs="+", metavar="cli.meta_place", default=[],
                text="cli.opt_leave_out")
    later = options.group("cli.group_later")
    later.add("--now", metavar="HH:MM", text="cli.opt_now")
    later.add("--add", metavar="cli.meta_place", text="cli.opt_add")
    later.add("--without", nargs="+", metavar="cli.meta_crew", default=[], text="cli.opt_without")
    later.add("--closed", nargs="+", metavar="cli.meta_street", default=[], text="cli.opt_closed")
    later.add("--done", metavar="cli.meta_crew_stop", action="append", default=[],
              text="cli.opt_done")
    later.add("--between", metavar="HH:MM-HH:MM", text="cli.opt_between")
    later.add("--offensive", action="store_true", text="cli.opt_offensive")
    later.add("--plan", type=Path, metavar="cli.meta_folder", text="cli.opt_plan")


def _run_patrol(args: argparse.Namespace) -> Answer:
    if args.now or args.add is not None or args.without or args.closed:
        return _run_changed(args)
    if args.done or args.between or args.offensive or args.plan:
        raise SettingError("rehit patrol", "errors.later_without_now")
    from rehit.outputs.patrol import Wishes, write_patrol

    day, wishes = _day(args.date), Wishes(args.bring_in, args.leave_out)
    return run_command(
        args, steps=9, open_first=[".pdf"],
        work=lambda chain, stage: _with_earlier(
            write_patrol(chain, stage, day=day, crews=args.crews, results=args.results,
                         wishes=wishes, hours=args.hours), stage, args, chain))


def _with_earlier(summary: Summary, stage: Path, args: argparse.Namespace,
                  chain: Chain) -> Summary:
    """Name the crews' files of an earlier plan of the same day: a crew might be handed one."""
    from rehit.messages import message

    folder = args.out or chain.project.folder / "results"
    written = {path.name for path in stage.iterdir()}
    old = sorted(str(path) for what in ("run_sheet", "route")
                 for path in folder.glob(f"{what}_{summary['day']}_*") if path.name not in written)
    said = [message("cli.earlier_plans", files=", ".join(Path(name).name for name in old))]
    return {**summary, "from_earlier_plans": old,
            "sentences": [*summary["sentences"], *(said if old else [])]}


def _run_changed(args: argparse.Namespace) -> Answer:
    asked = args.hours or args.bring_in or args.leave_out
    if args.date is not None or args.crews is not None or asked:
        raise SettingError("rehit patrol --now", "errors.day_of_the_plan")
    if args.add is None and (args.between or args.offensive):
        raise SettingError("rehit patrol --now", "errors.job_without_add")
    from rehit.outputs.patrol_change import Change, write_changed

    change = Change(now=args.now, add=args.add, between=args.between, offensive=args.offensive,
                    without=args.without, closed=args.closed, done=args.done)
    return run_command(
        args, steps=6, open_first=[".pdf", ".html"],
        work=lambda chain, stage: _with_earlier(
            write_changed(chain, stage, change, folder=args.plan or args.out), stage, args, chain))


def _day(text: str | None) -> date | None:
    try:
        return None if text is None else date.fromisoformat(text)
    except ValueError as error:
        raise SettingError("--date", "errors.not_a_day", text=text) from error


def _evaluate_options(options: Options) -> None:
    options.project()
    options.add("--measures", metavar="cli.meta_file", text="cli.opt_measures")


def _run_evaluate(args: argparse.Namespace) -> Answer:
    from rehit.outputs.hotspots import write_evaluation

    return run_command(
        args, steps=5, open_first=["evaluation.csv", ".png"],
        work=lambda chain, stage: write_evaluation(chain, stage, measures=args.measures))


def _report_options(options: Options) -> None:
    options.project()
    options.add("--period", "--quarter", dest="period", metavar="cli.meta_period",
                text="cli.opt_period")
    options.add("--leave-out", nargs="+", metavar="cli.meta_section", default=[],
                text="cli.opt_leave_out_sections")
    options.add("--routes", type=Path, metavar="cli.meta_file", text="cli.opt_routes")
    options.add("--explain", metavar="ID", text="cli.opt_explain")


def _run_report(args: argparse.Namespace) -> Answer:
    from rehit.outputs.report import explain_figure, read_routes, routes_if_any, write_quarter

    project, folder = open_project(args)
    if args.explain:
        return explain_figure(folder, figure_id=args.explain, language=project.language)
    routes = (routes_if_any(folder, crs=project.crs) if args.routes is None
              else read_routes(args.routes, crs=project.crs))
    return run_command(
        args, steps=14, open_first=["report.html", "map.html", "report.pdf", "workbook.xlsx"],
        work=lambda chain, stage: write_quarter(chain, stage, quarter=args.period, routes=routes,
                                                left_out=args.leave_out))


def _region_options(options: Options) -> None:
    options.add("folder", type=Path, metavar="cli.meta_folder", text="cli.opt_region_folder")
    options.add("--out", metavar="cli.meta_folder", text="cli.opt_region_out")
    options.add("--scheduler", metavar="cli.meta_address", text="cli.opt_scheduler")
    options.add("--workers", type=int, metavar="N", default=2, text="cli.opt_workers")
    options.add("--memory", metavar="cli.meta_size", default="auto", text="cli.opt_memory")


def _run_region(args: argparse.Namespace) -> Answer:
    from rehit.outputs.frame import finish_folder, told
    from rehit.outputs.region import results_folder, write_region
    from rehit.region.run import find_projects, run_region
    from rehit.report.say import Say

    say, folder = Say(args.lang or "en"), args.out or str(args.folder / "region_results")
    projects = find_projects(args.folder)
    with _progress(len(projects), say, timed=True) as step, _hushed():
        outcomes = run_region(args.folder, out=f"{folder}/state", projects=projects,
                              scheduler=args.scheduler,
                              workers=args.workers, memory_per_worker=args.memory,
                              progress=lambda area, left: step("step.area", area=area, n=left))
        with results_folder(folder) as stage:
            summary = finish_folder(told(write_region(outcomes, stage, say=say), say), stage,
                                    folder, csv_bom=args.csv_bom)
    return summary, [*summary["sentences"],
                     *closing_lines(summary, say, open_first=["areas.csv", "in_time.png"])]


COMMANDS: tuple[Command, ...] = (
    Command("demo", "rehit demo --out my_first_look", _demo_options, _run_demo),
    Command("new", "rehit new my_town --log incidents.csv --time-zone Europe/Lisbon",
            _new_options, _run_new),
    Command("open", "rehit open", _open_options, _run_open),
    Command("clean", "rehit clean my_town --json", _clean_options, _run_clean),
    Command("hotspots", "rehit hotspots my_town", _hotspots_options, _run_hotspots),
    Command("compare", "rehit compare my_town --horizon-years 10", _compare_options, _run_compare),
    Command("programme", "rehit programme my_town --budget-per-year 20000 --years 5",
            _programme_options, _run_programme),
    Command("price", "rehit price my_town --margin 0.12", _price_options, _run_price),
    Command("whatif", "rehit whatif my_town --policies policies.toml",
            _whatif_options, _run_whatif),
    Command("patrol", "rehit patrol my_town --date 2025-03-14",
            _patrol_options, _run_patrol),
    Command("evaluate", "rehit evaluate my_town --measures measures.csv",
            _evaluate_options, _run_evaluate),
    Command("report", "rehit report my_town --quarter 2025Q1", _report_options, _run_report),
    Command("region", "rehit region my_towns --workers 2", _region_options, _run_region),
)


def build_parser(say: Words | None = None) -> argparse.ArgumentParser:
    """Return the parser with all commands on it, in the words of a language."""
    say = say or Words()
    parser = _parser(argparse.ArgumentParser, say, prog="rehit", description=say("cli.about"),
                     epilog=say("cli.each_explains_itself"))
    parser.add_argument("--version", action="version", version=f"rehit {__version__}",
                        help=say("cli.opt_version"))
    commands = parser.add_subparsers(title=say("cli.commands"), metavar=say("cli.meta_command"),
                                     required=True)
    for command in COMMANDS:
        sub = _parser(commands.add_parser, say, command.name, help=say(command.help),
                      description=say(command.about),
                      epilog=say("cli.example", example=command.example))
        options = Options(sub, say)
        command.add_options(options)
        options.add("--lang", metavar="cli.meta_language", text="cli.opt_lang")
        options.add("--csv-bom", action="store_true", text="cli.opt_csv_bom")
        options.add("--json", action="store_true", text="cli.opt_json")
        sub.set_defaults(run=command.run, command=command.name)
    return parser


def _parser(make: Callable[..., argparse.ArgumentParser], say: Words, *names: str,
            **how: Any) -> argparse.ArgumentParser:
    """Make a parser whose headings are in the language of the rest."""
    class Layout(argparse.RawDescriptionHelpFormatter):
        def add_usage(self, usage: Any, actions: Any, groups: Any,
                      prefix: str | None = None) -> None:
            super().add_usage(usage, actions, groups,
                              say("cli.usage") if prefix is None else prefix)

    parser = make(*names, formatter_class=Layout, add_help=False, **how)
    parser._positionals.title, parser._optionals.title = say("cli.arguments"), say("cli.options")
    parser.add_argument("-h", "--help", action="help", help=say("cli.opt_help"))
    return parser


def open_project(args: argparse.Namespace) -> tuple[Project, Path]:
    """Read the project and settle where its results go."""
    from rehit.outputs.start import file_faults
    from rehit.project import load_project

    project = _in_language(load_project(args.project, also=file_faults), args)
    return project, args.out or project.folder / "results"


def _number_set(text: str) -> tuple[str, Any]:
    """Return the name and the value that were set; a value that is no number stays as typed."""
    name, _, value = text.partition("=")
    try:
        return name.strip(), float(value)
    except ValueError:
        return name.strip(), value


def _in_language(project: Project, args: argparse.Namespace) -> Project:
    """Return the project to be told in the language asked for."""
    return project if args.lang is None else replace(project, language=args.lang)


def run_command(args: argparse.Namespace, *, steps: int, work: Writer,
                open_first: Sequence[str]) -> Answer:
    """Open the project, do the work, and answer in the sentences that the summary carries."""
    project, folder = open_project(args)
    say, summary = _results(args, project, folder, steps=steps, work=work,
                            kept=_kept(project, args))
    return summary, [*summary["sentences"], *closing_lines(summary, say, open_first=open_first)]


def _kept(project: Project, args: argparse.Namespace) -> Kept | None:
    """Return where results of earlier runs on the project stand."""
    from rehit.kept import results_kept

    return results_kept(project, anew=args.anew)


def _results(args: argparse.Namespace, project: Project, folder: Path, *, steps: int, work: Writer,
             kept: Kept | None) -> tuple[Say, Summary]:
    """Run a writer on the project's chain, and return the project's words with the summary."""
    from rehit.chain import Chain
    from rehit.outputs import frame
    from rehit.report.say import Say

    say = Say(project.language, project.currency, project.units)
    with _progress(steps, say) as step, _hushed():
        run = frame.Run(step)
        chain: Chain = Chain(project, progress=run, kept=kept)
        if numbers := dict(map(_number_set, vars(args).get("set", ()))):
            chain = chain.with_parameters(numbers, where="--set")
        return say, frame.write_results(chain, folder, work=work, run=run, csv_bom=args.csv_bom,
                                        command=args.command)


@contextmanager
def _progress(total: int, say: Say, *, timed: bool = False) -> Iterator[Callable[..., None]]:
    """Show a bar on standard error while work goes on; silent when that is not a terminal.

    A program that shows the progress itself asks, by the variable ``REHIT_STEPS``, for a line of
    JSON a step instead.
    """
    from tqdm import tqdm

    as_lines = "REHIT_STEPS" in os.environ

    with tqdm(total=total, file=sys.stderr, leave=False,
              bar_format="{desc} |{bar}|" + " {remaining}" * timed,
              disable=not sys.stderr.isatty()) as bar:
        def step(code: str, **facts: object) -> None:
            if as_lines:
                print(json.dumps({"step": code, "of": total}), file=sys.stderr, flush=True)
            bar.set_description_str(say(code, **facts))
            bar.update(1)

        yield step


@contextmanager
def _told_once() -> Iterator[None]:
    """Say that a disk is full once, not again for each half-written file that is let go of."""
    before = sys.unraisablehook
    sys.unraisablehook = lambda each: (
        None if isinstance(each.exc_value, OSError) else before(each))
    try:
        yield
    finally:
        sys.unraisablehook = before


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


def closing_lines(summary: Summary, say: Say, *, open_first: Sequence[str] = ()) -> list[str]:
    """Name the files written, the ones to open first on top."""
    files = [str(name) for name in summary.get("files", [])]
    first = [name for wanted in open_first for name in files
             if Path(name).name == wanted or (wanted[0] == "." and name.endswith(wanted))]
    rest = len(files) - len(first)
    lines = ["", say("cli.open_first") if first else say("cli.written")]
    lines += [f"  {name}" for name in (first or files)]
    if first and rest:
        lines.append("  " + say("cli.more_files", n=rest, folder=os.path.dirname(first[0]) or "."))
    return lines


def _parsed(given: Sequence[str], *, as_json: bool) -> argparse.Namespace:
    """Read the command line; what it cannot be read as is an error like any other for a machine."""
    language = _language_asked(given) or language_of()
    parser = build_parser(Words(language))
    heard = io.StringIO()
    try:
        with _argparse_in(language), redirect_stderr(heard) if as_json else nullcontext():
            return parser.parse_args(given)
    except SystemExit as ended:
        if not ended.code or not as_json:
            raise
        raise SettingError("rehit", "errors.unreadable_command",
                           said=heard.getvalue().strip().splitlines()[-1]) from None


@contextmanager
def _argparse_in(language: str) -> Iterator[None]:
    """Let argparse, which asks gettext for its own texts, find them among the package's."""
    texts, kept = own_texts(language), vars(argparse)["_"]
    vars(argparse)["_"] = lambda text: texts.get(text, text)
    try:
        yield
    finally:
        vars(argparse)["_"] = kept


def _language_asked(given: Sequence[str]) -> str | None:
    """Return the language named on the command line, if it has catalogues."""
    for at, text in enumerate(given):
        asked = text[7:] if text.startswith("--lang=") else (
            given[at + 1] if text == "--lang" and at + 1 < len(given) else None)
        if asked in languages():
            return asked
    return None


def _print(text: str) -> None:
    try:
        print(text)
        sys.stdout.flush()
    except BrokenPipeError:
        # The reader (such as `head`) has gone: there is nobody left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _stop(_number: int, _frame: object) -> None:
    """End as when the user stops rehit: what was begun is taken back."""
    raise KeyboardInterrupt


def _language(args: argparse.Namespace, given: Sequence[str]) -> str:
    """Return the language to fail in: the one asked for, the project's, or the system's."""
    from rehit.project import language_in

    asked = _language_asked(given) or language_in(getattr(args, "project", None))
    return asked if asked in languages() else language_of()


def _refused(error: RehitError, *, language: str, as_json: bool) -> int:
    """Say what cannot be used, in words or for a machine."""
    from rehit.report.say import Say

    say = Say(language)
    many = error.errors if isinstance(error, ManyErrors) else (error,)
    if as_json:
        _print(json.dumps({"errors": [record(each, say) for each in many]}, indent=2,
                          ensure_ascii=False))
        return 2
    parts = [f"  - {say(each.told)}" for each in many] if isinstance(error, ManyErrors) else []
    print(f"rehit: {say(error.told)}", *parts, sep="\n", file=sys.stderr)
    return 2


def record(error: RehitError, say: Say) -> dict[str, str]:
    """Return an error as a machine reads it.

    Examples
    --------
    >>> from rehit.report.say import Say
    >>> record(SettingError("--date", "errors.not_a_day", text="x"), Say("es"))["code"]
    'not_a_day'
    """
    return {"code": error.code.partition(".")[2], "kind": type(error).__name__,
            "where": say.told(error.where), "allowed": say(error.allowed),
            "got": say(error.got), "remedy": say(error.remedy)}


def _own_fault(error: Exception, *, as_json: bool) -> int:
    """Tell the user that rehit, not they, went wrong; show the traceback only when asked."""
    if os.environ.get("REHIT_TRACE"):
        traceback.print_exc()
    name, words = type(error).__name__, Words()
    if as_json:
        _print_ended("fault", error, got=f"{name}: {error}", remedy=words("cli.fault_remedy"))
    else:
        print(words("cli.fault", name=name, error=error), words("cli.fault_remedy"), sep="\n",
              file=sys.stderr)
    return 1


def _stopped(*, as_json: bool) -> int:
    """Say that the user, or the system, ended the run."""
    words = Words()
    if as_json:
        _print_ended("stopped", KeyboardInterrupt(), got=words("cli.stopped"),
                     remedy=words("cli.stopped_remedy"))
    print(words("cli.stopped"), file=sys.stderr)
    return 130


def _print_ended(code: str, error: BaseException, *, got: str, remedy: str) -> None:
    told = {"code": code, "kind": type(error).__name__, "where": "rehit", "allowed": "",
            "got": got, "remedy": remedy}
    _print(json.dumps({"errors": [told]}, indent=2, ensure_ascii=False))


def _teller_of_warnings(args: argparse.Namespace, given: Sequence[str]) -> Callable[..., None]:
    """Return what shows a warning in the language of the command."""
    def show(warning: Warning | str, *_args: object, **_options: object) -> None:
        from rehit.report.say import Say

        say = Say(_language(args, given))
        words = say(warning.told) if isinstance(warning, DataWarning) else str(warning)
        print(say("cli.note", words=words), file=sys.stderr)

    return show


if __name__ == "__main__":
    sys.exit(main())
