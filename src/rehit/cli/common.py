"""What the commands share: their arguments, progress and closing words.

The commands import the pipeline only when they run, so that help comes at once.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tqdm import tqdm

from rehit.files import staged_folder

if TYPE_CHECKING:
    from rehit.pipeline.chain import Chain
    from rehit.project import Project

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
    from rehit.pipeline.rate_files import file_faults
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
    from rehit.pipeline.chain import Chain

    with progress_bar(steps, label=label) as step, staged_folder(folder) as stage, _hushed():
        summary = work(Chain(project, progress=step), stage)
        names = sorted(str(p.relative_to(stage)) for p in stage.rglob("*") if p.is_file())
        summary["files"] = [str(folder / name) for name in [*names, "summary.json"]]
        text = json.dumps(summary, indent=2, ensure_ascii=False, default=str)
        (stage / "summary.json").write_text(text + "\n", encoding="utf-8")
    return summary


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
