"""The page's own small parts: a heading, a note, a button, a choice, a table, a frame."""

from __future__ import annotations

import html
import shutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from importlib.resources import files
from pathlib import Path
from tempfile import mkdtemp
from typing import Any
from weakref import finalize

import pandas as pd
import panel as pn
import param
from panel.custom import JSComponent

from rehit.errors import ManyErrors, RehitError
from rehit.report.say import Say

#: Largest file that is taken from a browser.
LARGEST_FILE_MB = 400
SHEET = (files("rehit.app") / "parts.css").read_text(encoding="utf-8")
#: Room around each part: above and below, at its sides [pixels].
AROUND = (3, 4)


def words(text: str, *, tag: str = "p", css: str = "") -> pn.pane.HTML:
    """Return a piece of text; `text` is HTML that the caller has escaped."""
    return pn.pane.HTML(in_tag(text, tag, css), stylesheets=[SHEET], margin=AROUND,
                        sizing_mode="stretch_width" if css != "where" else None)


def in_tag(text: str, tag: str, css: str) -> str:
    """Return a piece of HTML in an element of its own."""
    return f'<{tag} class="{css}">{text}</{tag}>'


def heading(text: str, *, level: int = 2) -> pn.pane.HTML:
    """Return a heading."""
    return words(html.escape(text), tag=f"h{level}")


def note(text: str, *, kind: str = "plain") -> pn.pane.HTML:
    """Return a sentence in a box; `kind` is ``plain``, ``good`` or ``fault``."""
    role = ' role="alert"' if kind == "fault" else ' role="status"'
    return pn.pane.HTML(f'<div class="note {kind}"{role}>{html.escape(text)}</div>',
                        stylesheets=[SHEET], margin=AROUND, sizing_mode="stretch_width")


def listed(head: str, items: Sequence[str]) -> pn.pane.HTML:
    """Return things to mind under a line that says what they are, one below the other."""
    each = "".join(f"<li>{html.escape(text)}</li>" for text in items)
    return pn.pane.HTML(f'<div class="note fault"><p>{html.escape(head)}</p><ul>{each}</ul></div>',
                        stylesheets=[SHEET], margin=AROUND, sizing_mode="stretch_width")


def fault(say: Say, error: RehitError) -> pn.pane.HTML:
    """Return what is wrong and what to do, in the words of the page."""
    return note(fault_words(say, error), kind="fault")


def fault_words(say: Say, error: RehitError) -> str:
    """Return what is wrong and what to do, a line for each fault."""
    each = error.errors if isinstance(error, ManyErrors) else (error,)
    return "\n".join(say("error.sentence", where=file_name(one.where), got=one.got,
                         allowed=one.allowed, remedy=one.remedy) for one in each)


def file_name(where: Any) -> Any:
    """Return the name of the file that a fault is in, without its folders; else what it names.

    Examples
    --------
    >>> file_name("/home/a/log.csv"), file_name("--set [contract.crews]")
    ('log.csv', '--set [contract.crews]')
    """
    return Path(where).name if isinstance(where, str) and "/" in where else where


def button(text: str, act: Callable[[], None], *, kind: str = "plain") -> pn.widgets.Button:
    """Return a button; `kind` is ``plain``, ``main``, ``step``, ``here`` or ``stop``."""
    made = pn.widgets.Button(label=text, stylesheets=[SHEET], css_classes=[kind], margin=AROUND)
    made.on_click(lambda _event: act())
    return made


def select(text: str, choices: Mapping[str, str], value: str, *,
           label: str = "", width: int = 300) -> pn.widgets.Select:
    """Return a choice: shown text to value."""
    return pn.widgets.Select(label=text or label, options=dict(choices), value=value,
                             stylesheets=[SHEET], width=width, margin=4)


def choose_many(label: str, choices: Mapping[str, str],
                chosen: Sequence[str]) -> pn.widgets.MultiSelect:
    """Return a list of which several may be chosen: shown text to value."""
    return pn.widgets.MultiSelect(label=label, options=dict(choices), value=list(chosen),
                                  size=max(3, min(8, len(choices))),
                                  stylesheets=[SHEET], width=340, margin=4)


def frame(address: str, *, title: str, height: int = 720) -> pn.pane.HTML:
    """Return a result page shown within the view."""
    return pn.pane.HTML(
        f'<iframe src="{html.escape(address, quote=True)}" title="{html.escape(title, quote=True)}"'
        f' style="height:{height}px"></iframe>', stylesheets=[SHEET], margin=AROUND,
        sizing_mode="stretch_width")


def picture(wide: str, narrow: str, *, alt: str) -> pn.pane.HTML:
    """Return a picture of the results, for a desk and for a phone, with what it shows in words."""
    wide, narrow, alt = (html.escape(each, quote=True) for each in (wide, narrow, alt))
    return pn.pane.HTML(
        f'<picture><source media="(max-width:600px)" srcset="{narrow}">'
        f'<img src="{wide}" alt="{alt}"></picture>', stylesheets=[SHEET], margin=AROUND,
        sizing_mode="stretch_width")


def links(pairs: Sequence[tuple[str, str]], *, save: bool = False) -> pn.pane.HTML:
    """Return a list of links: text and address; `save`: the browser keeps the file."""
    how = "download" if save else 'target="_blank" rel="noopener"'
    items = "".join(f'<li><a href="{html.escape(to, quote=True)}" {how}>{html.escape(text)}</a>'
                    "</li>" for text, to in pairs)
    return pn.pane.HTML(f'<ul class="links">{items}</ul>', stylesheets=[SHEET], margin=AROUND,
                        sizing_mode="stretch_width")


def grid(table: pd.DataFrame, *, title: str) -> pn.pane.HTML:
    """Return a table of texts; every cell is escaped."""
    head = "".join(f'<th scope="col">{html.escape(str(name))}</th>' for name in table.columns)
    body = "".join("<tr>" + "".join(f"<td>{html.escape(str(cell))}</td>" for cell in row) + "</tr>"
                   for row in table.itertuples(index=False))
    return pn.pane.HTML(
        f'<div class="scroll" tabindex="0" role="region" aria-label="{html.escape(title)}">'
        f"<table><caption>{html.escape(title)}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{body}</tbody></table></div>", stylesheets=[SHEET], margin=AROUND,
        sizing_mode="stretch_width")


def text_input(label: str, value: str = "", *, max_width: int = 640) -> pn.widgets.TextInput:
    """Return a line to write in."""
    return pn.widgets.TextInput(label=label, value=value, stylesheets=[SHEET], margin=4,
                                sizing_mode="stretch_width", max_width=max_width)


class TwoLists(JSComponent):
    """Two lists between which things are dragged, or moved by the button that each has.

    A thing is its ``id``, its ``name`` and whether it was ``moved`` from where it stood at first.
    """

    inside = param.List()
    outside = param.List()
    texts = param.Dict()
    _esm = (files("rehit.app") / "two_lists.js").read_text(encoding="utf-8")

    def moved(self) -> tuple[list[str], list[str]]:
        """Return what came in and what went out."""
        came, gone = ([str(each["id"]) for each in side if each.get("moved")]
                      for side in (self.inside, self.outside))
        return came, gone


def side_by_side(parts: Iterable[Any]) -> pn.FlexBox:
    """Return parts that share a row as far as there is room."""
    shown = list(parts)
    for each in shown:
        each.styles = {"flex": "1 1 18rem", "width": "auto"}
    return pn.FlexBox(*shown, sizing_mode="stretch_width")


class Field(pn.Column):
    """Something to fill in, with room below it for what is wrong with what stands there."""

    def __init__(self, asked: Any) -> None:
        self._asked, self._told = asked, pn.Column()
        super().__init__(asked, self._told, sizing_mode=asked.sizing_mode,
                         max_width=asked.max_width)

    def tell(self, *faults: str) -> None:
        """Say what is wrong, in place of what was said before; nothing if it is right."""
        self._told.objects = [note(each, kind="fault") for each in faults]
        self._asked.css_classes = ["wrong"] if faults else []


def tabs(choices: Mapping[str, Callable[[], Any]]) -> pn.Column:
    """Return parts of a view of which one is shown, the first to begin with: name to its maker."""
    shown = pn.Column(sizing_mode="stretch_width")
    buttons: dict[str, pn.widgets.Button] = {}

    def choose(name: str) -> None:
        for each, made in buttons.items():
            made.css_classes = ["here" if each == name else "plain"]
        put(shown, choices[name])

    buttons |= {name: button(name, partial(choose, name)) for name in choices}
    choose(next(iter(choices)))
    return pn.Column(pn.FlexBox(*buttons.values()), shown, sizing_mode="stretch_width")


def put(shown: pn.Column, make: Callable[[], Any]) -> None:
    """Show what is made in place of what stands there."""
    shown.objects = [make()]


def written(line: pn.widgets.TextInput) -> str:
    """Return what stands in a line, without blanks around it."""
    return str(line.value_input or line.value or "").strip()


#: What a box for files says, by the code of the text, as its maker (FilePond) names the places.
BOX_TEXTS: Mapping[str, Sequence[str]] = {
    "waiting": ("FileWaitingForSize", "FileLoading"), "unsized": ("FileSizeNotAvailable",),
    "one_file": ("FileCountSingular",), "files": ("FileCountPlural",), "added": ("FileAdded",),
    "copying": ("FileProcessing",), "copied": ("FileProcessingComplete",),
    "stopped": ("FileProcessingAborted",), "removed": ("FileRemoved",),
    "failed": ("FileProcessingError", "FileLoadError", "FileRemoveError",
               "FileProcessingRevertError", "InvalidField"),
    "to_stop": ("TapToCancel",), "to_retry": ("TapToRetry",), "to_remove": ("TapToUndo",),
    "stop": ("ButtonAbortItemLoad", "ButtonAbortItemProcessing"), "copy": ("ButtonProcessItem",),
    "retry": ("ButtonRetryItemLoad", "ButtonRetryItemProcessing"),
    "remove": ("ButtonRemoveItem", "ButtonUndoItemProcessing"),
    "too_large": ("MaxFileSizeExceeded", "MaxTotalFileSizeExceeded"),
    "largest": ("MaxFileSize", "MaxTotalFileSize")}


def box_texts(language: str) -> dict[str, str]:
    """Return what a box for files says in a language, by the names of its options."""
    say = Say(language)
    return {"labelIdle": html.escape(say("app.drop")),
            **{f"label{place}": say(f"app.box_{code}", size=LARGEST_FILE_MB)
               for code, places in BOX_TEXTS.items() for place in places}}


class Dropper(pn.widgets.FileDropper):
    """Where files are dropped or chosen: each goes to the disk piece by piece.

    ``value`` is name to path, for files that have come whole; a name never leads elsewhere. They
    stand in a folder of their own until they are moved, or until nobody asks for them any more.
    """

    _folder: Path | None = None

    def _process_event(self, event: Any) -> None:
        """Take a piece of a file; one that is too large is dropped, whatever a browser says."""
        if self._folder is None:
            self._folder = Path(mkdtemp(prefix="rehit-"))
            finalize(self, shutil.rmtree, self._folder, ignore_errors=True)
        data, path = event.data, self._folder / Path(event.data["name"]).name
        if event.event_name == "delete_event":
            super()._process_event(event)
            return
        with path.open("wb" if data["chunk"] == 1 else "ab") as stream:
            room = LARGEST_FILE_MB * 1_000_000 - stream.tell()
            stream.write(data["data"][:max(room, 0)])
        if data["chunk"] == data["total_chunks"] and room >= len(data["data"]):
            self.value = {**self.value, path.name: path}


def drop(*, many: bool) -> Dropper:
    """Return where files are dropped or chosen; :func:`box_texts` are what it says."""
    return Dropper(multiple=many, previews=[], max_file_size=f"{LARGEST_FILE_MB}MB",
                   chunk_size=5_000_000, margin=4, sizing_mode="stretch_width",
                   max_width=640, stylesheets=[SHEET])


def labelled(label: str, widget: Any) -> pn.Column:
    """Return a widget that has no label of its own under one."""
    return pn.Column(words(html.escape(label), css="label"), widget, sizing_mode="stretch_width")
