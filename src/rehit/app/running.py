"""The view that runs a command: its steps, the time left, how to stop it, what it answered."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import panel as pn

from rehit.app.jobs import Job, start_job
from rehit.app.parts import Field, button, file_name, heading, links, note, words
from rehit.app.serve import SHOWN
from rehit.report.say import Say

if TYPE_CHECKING:
    from rehit.app.page import Page

#: What can be run without a further question, in the order of the work.
COMMANDS = ("report", "clean", "hotspots", "compare", "programme")
EVERY_MS = 400
NO_FIELDS: Mapping[str, Field] = {}


def view(page: Page) -> Any:
    """Return the view: a button for each command, and how the last one stands."""
    say, told = page.say, pn.Column(sizing_mode="stretch_width")
    choices = [button(say(f"app.run_{name}"), partial(run, page, told, name),
                      kind="main" if name == "report" else "plain") for name in COMMANDS]
    made = pn.Column(heading(say("app.run_head")), words(html.escape(say("app.run_about"))),
                     pn.FlexBox(*choices), told, sizing_mode="stretch_width")
    job = page.desk.jobs.get(_project(page))
    if job is not None:
        follow(page, told, job)
    return made


def run(page: Page, told: pn.Column, command: str, arguments: Sequence[str | Path] = (), *,
        language: str = "", fields: Mapping[str, Field] = NO_FIELDS,
        then: Callable[[Job], None] | None = None) -> None:
    """Run a command on the open project and show how it goes.

    One command at a time works on a project; asked for a second, it shows the first.

    Parameters
    ----------
    page
        Where it was asked for.
    told
        Where its progress is shown.
    command, arguments
        What the command line would be given after the project.
    language
        Language of what is made; default that of the page.
    fields
        Option or number to the field it was asked in: a fault of it is told there.
    then
        Told the job when it is done.
    """
    folder = _project(page)
    job = page.desk.jobs.get(folder)
    if job is None or job.state != "running":
        job = start_job(command, [folder, *arguments], language=language or page.language)
        page.desk.jobs[folder] = job
    follow(page, told, job, fields=fields, then=then)


def follow(page: Page, told: pn.Column, job: Job, *, fields: Mapping[str, Field] = NO_FIELDS,
           then: Callable[[Job], None] | None = None) -> None:
    """Show how a job stands until it has ended."""
    for each in fields.values():
        each.tell()
    before = earlier_seconds(page.results) if page.folder is not None else {}
    if job.state != "running":
        told.objects = outcome(page, job, fields)
        return
    bar, stop = words(""), button(page.say("app.stop"), job.stop, kind="stop")
    told.objects = [bar, stop]

    def look() -> None:
        if job.state == "running":
            bar.object = _standing(page, job, before)
            return
        watching.stop()
        told.objects = outcome(page, job, fields)
        if then is not None and job.state == "done":
            then(job)

    watching = pn.state.add_periodic_callback(look, period=EVERY_MS)
    look()


def resume(page: Page, told: pn.Column, command: str, *,
           then: Callable[[Job], None] | None = None) -> None:
    """Show how a command stands that was started before the view was left."""
    job = page.desk.jobs.get(_project(page))
    if job is not None and job.command == command:
        follow(page, told, job, then=then)


def _standing(page: Page, job: Job, before: dict[str, float]) -> str:
    say, left = page.say, job.seconds_left(before)
    step = say("app.standing", command=say(f"app.run_{job.command}"),
               step=say(job.step) if job.step else say("app.starting"))
    time = "" if left is None else " " + say("app.seconds_left", n=round(left))
    return standing_words(f"{step}{time}", share=job.share)


def standing_words(text: str, *, share: float | None = None) -> str:
    """Return how work stands: in words, and as a bar with the share that is done where known."""
    text = html.escape(text, quote=True)
    done = "" if share is None else f' value="{share:.2f}"'
    return (f'<p role="status">{text}</p>'
            f'<progress max="1"{done} aria-label="{text}"></progress>')


def outcome(page: Page, job: Job, fields: Mapping[str, Field] = NO_FIELDS) -> list[Any]:
    """Return how a job ended: its sentences and files, or what is to be put right.

    What is to be put right in one of the fields is told there.
    """
    say = page.say
    if job.state == "done":
        answer = job.answer
        told = answer.get("findings") or answer.get("sentences") or []
        return [note(say("app.done", command=say(f"app.run_{job.command}")), kind="good"),
                *(words(html.escape(str(each))) for each in told),
                links(files_to_open(page, answer.get("files", [])))]
    if job.state == "stopped":
        return [note(say("app.stopped"))]
    errors = job.answer.get("errors", [])
    if not errors:
        return [note(say("app.no_answer"), kind="fault")]
    there: dict[str, list[str]] = {}
    for error in errors:
        there.setdefault(field_of(error["where"], fields), []).append(
            error_words(Say(job.language), error))
    for name, field in fields.items():
        field.tell(*there.get(name, ()))
    return [note(words_, kind="fault") for words_ in there.get("", ())]


def field_of(where: str, fields: Iterable[str]) -> str:
    """Return the field that a fault is in, nothing if in none of them.

    Examples
    --------
    >>> field_of("--set [contract.crews]", ["--years", "contract.crews"])
    'contract.crews'
    >>> field_of("policies_tried.toml [Mine], key 'coat'", ["coat"])
    'coat'
    >>> field_of("log.csv", ["--years"])
    ''
    """
    return next((name for name in fields if name in re.split(r"[\s\[\]'\"]+", where)), "")


def error_words(say: Say, error: dict[str, str]) -> str:
    """Return an error as a command answers it, as a sentence of the same language."""
    return say("error.sentence", where=file_name(error["where"]), got=error["got"],
               allowed=error["allowed"], remedy=error["remedy"])


def files_to_open(page: Page, names: Sequence[str]) -> list[tuple[str, str]]:
    """Return the result files that a person opens: name and address."""
    kinds = {*SHOWN, ".xlsx", ".csv", ".gpkg", ".gpx"}
    found = []
    for name in names:
        path = Path(name)
        if path.suffix in kinds and path.is_relative_to(page.results):
            inside = path.relative_to(page.results).as_posix()
            found.append((inside, page.desk.address(page.results.parent, inside)))
    return sorted(found, key=lambda pair: (pair[0].count("/"), pair[0]))[:40]


def downloads(page: Page, names: Sequence[str], *, save: bool = False) -> Any:
    """Return links to those of some result files that stand there; `save`: kept, not opened."""
    return links([(name, page.desk.address(page.results.parent, name))
                  for name in names if (page.results / name).is_file()], save=save)


def earlier_seconds(results: Path) -> dict[str, float]:
    """Return how long each step took when a command last ran on the project."""
    try:
        steps = json.loads((results / "run_log.json").read_text(encoding="utf-8"))["steps"]
        return {str(each["step"]): float(each["seconds"]) for each in steps}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def _project(page: Page) -> Path:
    assert page.folder is not None
    return page.folder
