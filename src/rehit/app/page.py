"""The page of one browser: its frame, which project is open, and which view is shown."""

from __future__ import annotations

import html
import json
from collections.abc import Callable
from functools import partial
from importlib.resources import files
from pathlib import Path
from typing import Any

import panel as pn

from rehit.app import checking, deciding, numbers, opening, reading, running
from rehit.app.elsewhere import Elsewhere
from rehit.app.parts import box_texts, button, fault, in_tag, select, words
from rehit.app.serve import Desk
from rehit.errors import RehitError
from rehit.project import Project, load_project
from rehit.report.catalogue import languages
from rehit.report.say import Say

VIEWS: dict[str, Callable[[Page], Any]] = {}
STATE = "page.json"


class Page:
    """What one browser shows.

    Parameters
    ----------
    desk
        What all browsers share.
    language
        Language to begin in.

    Attributes
    ----------
    folder
        The project that is open, or None.
    pending, reader
        The project that is being started and what reads its log, or None.
    told
        Above the view: what is under way.
    view
        Name of the view shown.
    say
        The words of the page's language, with the project's currency, as the view was made.
    template
        What the server hands to the browser.
    """

    def __init__(self, desk: Desk, *, language: str) -> None:
        self.desk = desk
        self.language = language
        self.folder: Path | None = None
        self.view = "open"
        self.pending: checking.Pending | None = None
        self.reader: Elsewhere | None = None
        self.told = pn.Column(sizing_mode="stretch_width")
        self._restore()
        self.main = pn.Column(sizing_mode="stretch_width")
        self.bar = pn.FlexBox(sizing_mode="stretch_width", styles={"gap": ".4rem"})
        self.bar_language = ""
        self.where = words("", css="where")
        self.steps: dict[str, pn.widgets.Button] = {}
        self.template = pn.Template(
            (files("rehit.app") / "page.html.j2").read_text(encoding="utf-8"))
        self.template.add_panel("bar", self.bar)
        self.template.add_panel("main", self.main)
        self.template.add_variable("lang", self.language)
        self.template.add_variable("title", "rehit")
        self.template.add_variable("box_texts", json.dumps(box_texts(self.language)))
        self.template.add_variable(
            "style", (files("rehit.app") / "page.css").read_text(encoding="utf-8"))
        self.show(self.view)
        if pn.state.curdoc is not None:
            pn.state.on_session_destroyed(lambda _context: self.let_go())

    def project(self) -> Project | None:
        """Return the open project as its files stand now, or None."""
        if self.folder is None:
            return None
        try:
            return load_project(self.folder)
        except RehitError:
            return None

    @property
    def results(self) -> Path:
        """Folder of the open project's results."""
        assert self.folder is not None
        return self.folder / "results"

    def open(self, folder: Path, view: str = "check") -> None:
        """Open a project and show a view of it."""
        self.folder = folder
        self.let_go()
        self.show(view)

    def let_go(self) -> None:
        """Let go of the project that was being started, and of its log."""
        if self.reader is not None:
            self.reader.close()
        self.reader = self.pending = None

    def show(self, view: str) -> None:
        """Show a view; one that cannot be made says why in a sentence."""
        self.view = view if self._possible(view) else "open"
        self._keep()
        project = self.project()
        self.say = Say(self.language) if project is None else Say(
            self.language, project.currency, project.units)
        self._draw_bar(project)
        try:
            body = VIEWS[self.view](self)
        except RehitError as error:
            body = pn.Column(fault(self.say, error))
        self.told.objects = []
        self.main.objects = [self.told, body]

    def _possible(self, view: str) -> bool:
        """Whether a view can be shown: most need a project, checking a log that is being begun."""
        return view == "open" or (view in VIEWS and self.folder is not None) or (
            view == "check" and self.pending is not None)

    def _draw_bar(self, project: Project | None) -> None:
        """Bring the bar up to date; it is made anew for another language alone."""
        if self.bar_language != self.language:
            self.bar_language = self.language
            self.steps = {view: button(self.say(f"app.view_{view}"), partial(self.show, view),
                                       kind="step") for view in VIEWS}
            self.bar.objects = [*self.steps.values(), self._languages(), self.where]
        for view, step in self.steps.items():
            step.param.update(css_classes=["here" if view == self.view else "step"],
                              disabled=not self._possible(view))
        self.where.object = in_tag(html.escape(
            project.name if project is not None else self.folder.name
            if self.folder is not None else self.say("app.no_project")), "p", "where")

    def _languages(self) -> Any:
        chosen = select("", {name: name for name in languages()}, self.language,
                        label=self.say("app.language"), width=90)

        def change(event: Any) -> None:
            self.language = event.new
            self.show(self.view)

        chosen.param.watch(change, "value")
        # Said by the browser itself: the page's language, and the words of boxes for files.
        chosen.jscallback(args={"texts": {name: box_texts(name) for name in languages()}}, value=(
            "document.documentElement.lang = cb_obj.value;"
            "FilePond.setOptions(texts[cb_obj.value])"))
        return chosen

    def _keep(self) -> None:
        """Leave where the page stands, so that it opens again as it was."""
        kept = {"project": self.folder.name if self.folder else "", "view": self.view,
                "language": self.language}
        (self.desk.home / STATE).write_text(json.dumps(kept), encoding="utf-8")

    def _restore(self) -> None:
        try:
            kept = json.loads((self.desk.home / STATE).read_text(encoding="utf-8"))
            folder = self.desk.home / Path(str(kept["project"])).name
            if kept["project"] and folder in self.desk.projects():
                self.folder, self.view = folder, str(kept["view"])
            if kept["language"] in languages():
                self.language = kept["language"]
        except (OSError, ValueError, KeyError, TypeError):
            return


VIEWS |= {"open": opening.view, "check": checking.view, "run": running.view,
          "read": reading.view, "decide": deciding.view, "numbers": numbers.view}
