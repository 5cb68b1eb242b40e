"""The view of all numbers in force: unit, range, source, and what a change would move."""

from __future__ import annotations

import html
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import panel as pn

from rehit.app.parts import (
    Field,
    button,
    fault_words,
    grid,
    heading,
    note,
    select,
    text_input,
    words,
    written,
)
from rehit.app.project_file import can_undo, set_value, undo
from rehit.app.running import run
from rehit.errors import InputFileError, RehitError
from rehit.report.trace import load_trace

if TYPE_CHECKING:
    from rehit.app.jobs import Job
    from rehit.app.page import Page
    from rehit.parameters import Parameter, Parameters


def view(page: Page) -> Any:
    """Return the view: choose a topic, read its numbers, change one, take it back."""
    say, shown = page.say, pn.Column(sizing_mode="stretch_width")
    project = page.project()
    if project is None:
        return pn.Column(heading(say("app.view_numbers")), note(say("app.no_settings"),
                                                               kind="fault"))
    rooms = topics(project.parameters)
    topic = select("", {say(f"app.room_{room}"): room for room in rooms}, rooms[0],
                   label=say("app.numbers_topic"))

    def redraw(_event: object = None) -> None:
        shown.objects = [_topic(page, topic.value, redraw)]

    topic.param.watch(redraw, "value")
    redraw()
    return pn.Column(heading(say("app.view_numbers")), words(html.escape(say("app.numbers_about"))),
                     topic, shown, _moving(page), sizing_mode="stretch_width")


def topics(numbers: Parameters) -> list[str]:
    """Return the rooms whose numbers are shown: how a run goes through the machine is nobody's."""
    return list(dict.fromkeys(row.room for row in numbers.rows() if row.room != "pipeline"))


def _moving(page: Page) -> Any:
    """Return the button that makes the report anew, and then which of its figures moved."""
    say, told = page.say, pn.Column(sizing_mode="stretch_width")
    moved = pn.Column(sizing_mode="stretch_width")

    def work_out() -> None:
        before = figures(page.results)

        def compare(_job: Job) -> None:
            table = figures_moved(before, figures(page.results))
            title = say("app.numbers_moved", n=len(table))
            moved.objects = [note(title, kind="good")] if table.empty else [grid(
                table.set_axis([say(f"app.col_{name}") for name in table], axis=1), title=title)]

        run(page, told, "report", then=compare)

    return pn.Column(button(say("app.numbers_work_out"), work_out), moved, told,
                     sizing_mode="stretch_width")


def figures(results: Path) -> dict[str, dict[str, str]]:
    """Return the figures of the report that stands in a folder, by code; none without one."""
    try:
        return {str(each["id"]): each for each in load_trace(results)}
    except InputFileError:
        return {}


def figures_moved(before: dict[str, dict[str, str]],
                  after: dict[str, dict[str, str]]) -> pd.DataFrame:
    """Return the figures that read otherwise than before: code, what they are, before, now.

    Examples
    --------
    >>> one = {"V1": {"label": "Incidents", "shown": "380"}}
    >>> figures_moved(one, {"V1": {"label": "Incidents", "shown": "384"}}).iloc[0].tolist()
    ['V1', 'Incidents', '380', '384']
    >>> len(figures_moved(one, one))
    0
    """
    rows = [(code, figure["label"], before[code]["shown"], figure["shown"])
            for code, figure in after.items()
            if code in before and before[code]["shown"] != figure["shown"]]
    return pd.DataFrame(rows, columns=["code", "figure", "before", "now"])


def _topic(page: Page, room: str, redraw: Any) -> Any:
    say, project = page.say, page.project()
    assert project is not None
    assert page.folder is not None
    folder = page.folder
    rows = {row.name: row for row in project.parameters.rows(room)}
    name = select("", {each: each for each in rows}, next(iter(rows)),
                  label=say("app.numbers_name"))
    value = text_input(say("app.numbers_value"))
    field = Field(value)

    def save() -> None:
        try:
            set_value(folder, room, name.value.partition(".")[2], as_number(written(value)))
        except RehitError as error:
            field.tell(fault_words(page.say, error))
        else:
            redraw()

    def back() -> None:
        undo(folder)
        redraw()

    again = button(say("app.undo"), back)
    again.disabled = not can_undo(folder)
    return pn.Column(grid(numbers_table(page, rows), title=say(f"app.room_{room}")),
                     pn.FlexBox(name, field), pn.FlexBox(
                         button(say("app.numbers_save"), save, kind="main"), again),
                     sizing_mode="stretch_width")


def numbers_table(page: Page, rows: dict[str, Parameter]) -> pd.DataFrame:
    """Return the numbers of a topic as people read them."""
    say = page.say
    return pd.DataFrame({
        say("app.numbers_name"): list(rows),
        say("app.numbers_value"): [
            f"{row.value:g}" + (" *" if row.overridden else "") for row in rows.values()],
        say("app.numbers_unit"): [say.unit(row.unit) for row in rows.values()],
        say("app.numbers_range"): [f"{row.low:g} – {row.high:g}" for row in rows.values()],
        say("app.numbers_meaning"): [say.own(row.meaning) for row in rows.values()],
        say("app.numbers_source"): [say.own(row.source) for row in rows.values()]})


def as_number(text: str) -> float | int | str | None:
    """Return what a person wrote as the number it is; nothing stands for the default.

    Examples
    --------
    >>> as_number("34"), as_number("0,5"), as_number(""), as_number("many")
    (34, 0.5, None, 'many')
    """
    plain = text.strip().replace(",", ".")
    if not plain:
        return None
    try:
        number = float(plain)
    except ValueError:
        return text
    return int(number) if number.is_integer() and "." not in plain else number
