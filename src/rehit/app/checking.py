"""The view that shows how a log was understood, and takes the answers a person gives."""

from __future__ import annotations

import html
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any

import pandas as pd
import panel as pn
import tomlkit

from rehit.app.elsewhere import Elsewhere, Understood, try_file
from rehit.app.jobs import Job, start_job
from rehit.app.parts import (
    Dropper,
    button,
    drop,
    fault,
    grid,
    heading,
    labelled,
    note,
    select,
    words,
)
from rehit.app.project_file import ROLES, add_file, keep_file, set_value
from rehit.app.running import EVERY_MS, follow, standing_words
from rehit.errors import RehitError
from rehit.incidents.mapping import OUTCOMES, SERVICES, Question, load_mapping, question_tables
from rehit.incidents.proposal import COUNTRY, FieldReading, Proposal, Sample
from rehit.outputs.start import choice_text
from rehit.territory import countries

if TYPE_CHECKING:
    from rehit.app.page import Page
    from rehit.report.say import Say

ANSWERS = "answers.toml"
MOST_VALUES = 40
#: Files that a project is started with; others are named in it once it stands.
NAMED_AT_FIRST = ("log", "register", "streets")


@dataclass
class Pending:
    """A project that is being started.

    Attributes
    ----------
    name, folder
        What it is called and where it will stand.
    files
        Role to files, those that were dropped still where they were put.
    boxes
        Where some of them were dropped: these stand there as long as the boxes do, and go into the
        folder when the project is started.
    reader
        Keeps the log.
    understood
        How it is understood, with the answers given so far.
    """

    name: str
    folder: Path
    files: dict[str, list[Path]]
    boxes: tuple[Dropper, ...]
    reader: Elsewhere
    understood: Understood

    @property
    def proposal(self) -> Proposal:
        """How the log is understood."""
        return self.understood.proposal


def when_read(page: Page, reader: Elsewhere, told: pn.Column, then: Callable[[Any], None], *,
              reading: str, otherwise: Callable[[RehitError], None] | None = None) -> None:
    """Show that something is being read until it is there, or why it cannot be read.

    Parameters
    ----------
    page, told
        Where it was asked for, and where that is shown.
    reader
        What reads it.
    then
        Told what was read.
    reading
        Code of what is said meanwhile.
    otherwise
        Told why it cannot be read, where that is not said in the same place.
    """
    began, standing = monotonic(), words("")

    def stop() -> None:
        watching.stop()
        reader.close()
        told.objects = [note(page.say("app.stopped"))]

    def look() -> None:
        if not reader.ready():
            standing.object = standing_words(page.say(reading, n=round(monotonic() - began)))
            return
        watching.stop()
        try:
            found = reader.take()
        except RehitError as error:
            told.objects = [] if otherwise else [fault(page.say, error)]
            if otherwise:
                otherwise(error)
        else:
            told.objects = []
            then(found)

    told.objects = [standing, button(page.say("app.stop"), stop, kind="stop")]
    watching = pn.state.add_periodic_callback(look, period=EVERY_MS)
    look()


def view(page: Page) -> Any:
    """Return the view: of a project being started, or of the one that is open."""
    return _started(page) if page.pending is None else _proposed(page, page.pending)


def _proposed(page: Page, pending: Pending) -> Any:
    say, found = page.say, pending.proposal
    told = pn.Column(sizing_mode="stretch_width")
    asked = [_question(page, pending, each) for each in found.questions]
    parts: list[Any] = [heading(say("app.check_head")),
                        words(html.escape(say("app.check_about", n=pending.understood.n_rows)))]
    if asked:
        parts += [heading(say("app.check_questions"), level=3), *asked]
    parts += [heading(say("app.check_fields"), level=3), _fields(page, pending)]
    parts += _values(page, pending) + _points(page, found)
    parts += [note(say(each)) for each in (*found.unknown, *found.notes)]
    if found.unused:
        parts.append(grid(pd.DataFrame({
            say("app.col_column"): [each.column for each in found.unused],
            say("app.col_samples"): [" · ".join(each.samples) for each in found.unused]}),
            title=say("app.check_unused")))
    go = button(say("app.check_use"), lambda: _use(page, told, pending), kind="main")
    go.disabled = bool(found.must_answer)
    return pn.Column(*parts, go, told, sizing_mode="stretch_width")


def _question(page: Page, pending: Pending, asked: Question) -> Any:
    """Return one question with its choices; the answer works the proposal out anew."""
    say = page.say
    offered = countries() if asked.key == COUNTRY else asked.choices
    choices = {choice_text(asked, choice, say): choice for choice in offered}
    if asked.key == COUNTRY:
        choices = dict(sorted(choices.items()))
    now = asked.answer or asked.assumed
    if now not in choices.values():
        choices = {say("app.choose"): "", **choices}
        now = ""
    chosen = select(say(asked.ask), choices, now)
    chosen.param.watch(lambda event: _answer(page, pending, {asked.key: event.new}), "value")
    return pn.Column(chosen, *(words(html.escape(text), css="small")
                               for text in say.all(asked.evidence)))


def _answer(page: Page, pending: Pending, answers: dict[str, str]) -> None:
    if not all(answers.values()):
        return

    def understood(found: Understood) -> None:
        pending.understood = found
        if page.pending is pending:
            page.show("check")

    pending.reader.ask(answers)
    when_read(page, pending.reader, page.told, understood, reading="app.reading")


def _fields(page: Page, pending: Pending) -> Any:
    """Return the fields: the column chosen for each, three values as understood, how sure."""
    say, found = page.say, pending.proposal
    rows = []
    columns = [str(name) for name in found.raw.table.columns]
    for reading in found.fields:
        chosen = select(say("app.check_field", field=say.code("field", reading.field),
                            sure=say(f"app.{reading.sureness}")),
                        _columns(say, reading, columns), reading.columns[0])
        chosen.param.watch(
            lambda event, name=reading.field: _answer(
                page, pending, {f"fields.{name}.columns": event.new}), "value")
        rows.append(pn.FlexBox(chosen, words(html.escape(" · ".join(
            shown(say, each) for each in reading.samples)), css="small")))
    return pn.Column(*rows, sizing_mode="stretch_width")


def _columns(say: Say, reading: FieldReading, columns: Sequence[str]) -> dict[str, str]:
    joined = " + ".join(reading.columns)
    return {joined: reading.columns[0],
            **{name: name for name in columns if name != reading.columns[0]},
            say("app.no_column"): "none"}


def shown(say: Say, sample: Sample) -> str:
    """Return a value as written and as understood."""
    understood = (say.code(sample.group, sample.understood) if sample.group
                  else sample.understood)
    return sample.raw if understood == sample.raw else f"{sample.raw} → {understood}"


def _values(page: Page, pending: Pending) -> list[Any]:
    """Return the kinds of request and the outcomes with what each counts as, to be corrected."""
    say, found, parts = page.say, pending.proposal, []
    for values, key, group, codes in (
            (found.services, "services", "service", SERVICES),
            (found.outcomes, "outcomes", "ending", OUTCOMES)):
        if not values:
            continue
        parts += [grid(pd.DataFrame({
            say("app.col_value"): [each.value for each in values[:MOST_VALUES]],
            say("app.col_counts_as"): [say.code(group, each.code) for each in values[:MOST_VALUES]],
            say("app.col_rows"): [say("app.count", n=each.rows) for each in values[:MOST_VALUES]]}),
            title=say(f"app.check_{key}")),
            _correcting(page, pending, [each.value for each in values[:MOST_VALUES]], key,
                        {say.code(group, each): each for each in codes})]
    return parts


def _correcting(page: Page, pending: Pending, values: Sequence[str], key: str,
                codes: dict[str, str]) -> Any:
    """Return the lines by which what a value counts as is corrected by hand."""
    say = page.say
    value = select("", {each: each for each in values}, values[0], label=say("app.col_value"))
    code = select("", codes, next(iter(codes.values())), label=say("app.col_counts_as"))
    return pn.FlexBox(value, code, button(say(f"app.correct_{key}"), lambda: _answer(
        page, pending, {f"{key}.{value.value}": code.value})))


def _points(page: Page, found: Proposal) -> list[Any]:
    """Return a small picture of where the points land, with the middle in degrees."""
    if not found.points:
        return []
    say, chosen = page.say, next((each for each in found.grids if each.chosen), None)
    title = say("app.check_points") if chosen is None else say(
        "app.check_points_of", crs=chosen.crs, latitude=chosen.latitude,
        longitude=chosen.longitude, zone=chosen.zone)
    return [heading(say("app.check_where"), level=3), words(html.escape(title)),
            pn.pane.HTML(dots(found.points, label=title))]


def dots(points: Sequence[tuple[float, float]], *, label: str) -> str:
    """Return points as a small picture, north up.

    Parameters
    ----------
    points
        Longitude and latitude in degrees.
    label
        What the picture shows, for those who do not see it.
    """
    west, east = min(x for x, _ in points), max(x for x, _ in points)
    south, north = min(y for _, y in points), max(y for _, y in points)
    span = max(east - west, north - south, 1e-9)
    marks = "".join(f'<circle cx="{10 + 280 * (x - west) / span:.1f}" '
                    f'cy="{10 + 280 * (north - y) / span:.1f}" r="3" fill="#0b6b67"/>'
                    for x, y in points)
    return (f'<svg viewBox="0 0 300 300" width="300" height="300" role="img" '
            f'aria-label="{html.escape(label, quote=True)}" '
            f'style="background:#f4f2ec">{marks}</svg>')


def _use(page: Page, told: pn.Column, pending: Pending) -> None:
    """Start the project with the answers given, by the same command as on a command line."""
    dropped = {path for box in pending.boxes for path in box.value.values()}
    pending.files = {role: [keep_file(pending.folder, path, anew=True) if path in dropped else path
                            for path in paths] for role, paths in pending.files.items()}
    pending.folder.mkdir(parents=True, exist_ok=True)
    arguments: list[str | Path] = [pending.folder, "--name", pending.name]
    if pending.proposal.answers:
        answers = pending.folder / ANSWERS
        answers.write_text(tomlkit.dumps({"questions": question_tables(
            [each for each in pending.proposal.questions if each.answer], tell=page.say)}),
            encoding="utf-8")
        arguments += ["--answers", answers]
    for role, paths in pending.files.items():
        if paths and role in NAMED_AT_FIRST:
            arguments += [f"--{role}", *paths]
    job = start_job("new", arguments, language=page.language)

    def opened(_job: Job) -> None:
        folder, others = pending.folder, {
            role: paths[0].name for role, paths in pending.files.items()
            if paths and role not in NAMED_AT_FIRST}
        try:
            for role, name in others.items():
                set_value(folder, "files", role, name, undoable=False)
        except RehitError as error:
            page.open(folder)
            page.told.objects = [fault(page.say, error)]
        else:
            page.open(folder, "run")

    follow(page, told, job, then=opened)


def _started(page: Page) -> Any:
    """Return how the open project reads its log, and where files are put beside it."""
    say, project = page.say, page.project()
    told = pn.Column(sizing_mode="stretch_width")
    parts: list[Any] = [heading(say("app.check_head"))]
    path = None if project is None else project.path("mapping")
    if path is None:
        parts.append(note(say("app.no_settings"), kind="fault"))
        return pn.Column(*parts)
    mapping = load_mapping(path)
    parts.append(grid(pd.DataFrame({
        say("app.col_field"): [say.code("field", name) for name in mapping.fields],
        say("app.col_column"): [" + ".join(source.columns)
                                for source in mapping.fields.values()]}),
        title=say("app.check_fields")))
    role = select("", {say(f"app.file_{each}"): each for each in ROLES}, ROLES[0],
                  label=say("app.add_role"))
    box = drop(many=False)
    parts += [heading(say("app.add_head"), level=3), role, labelled(say("app.add_file"), box),
              button(say("app.add"), lambda: _add(page, told, role.value, box)), told]
    return pn.Column(*parts, sizing_mode="stretch_width")


def _add(page: Page, told: pn.Column, role: str, box: Dropper) -> None:
    assert page.folder is not None
    if not box.value:
        told.objects = [note(page.say("app.file_missing"), kind="fault")]
        return
    folder, source = page.folder, [*box.value.values()][-1]
    reader = try_file(folder, role, source)

    def usable(_nothing: object) -> None:
        reader.close()
        try:
            add_file(folder, role, source)
        except RehitError as error:
            told.objects = [fault(page.say, error)]
        else:
            box.value = {}  # and so the box, and the file with it, stayed until here
            told.objects = [note(page.say("app.added"), kind="good")]

    when_read(page, reader, told, usable, reading="app.trying")
