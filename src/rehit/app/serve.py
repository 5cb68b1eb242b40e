"""The server of the local page: this machine only, a token in the address, results as files."""

from __future__ import annotations

import contextlib
import gc
import secrets
import socket
import warnings
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path
from typing import Any
from urllib.parse import quote

from rehit.app.jobs import Job
from rehit.errors import SettingError
from rehit.project import FILE_NAME, load_project

HOST = "127.0.0.1"
#: Files that a page may show or hand out, with how a browser is told to take them.
SHOWN = {".html": "text/html; charset=utf-8", ".pdf": "application/pdf", ".png": "image/png",
         ".svg": "image/svg+xml"}
#: Largest message of a browser, in bytes: a piece of an upload with its frame.
LARGEST_MESSAGE = 32 * 1024**2


@dataclass
class Desk:
    """What all views of one run of the page share.

    Attributes
    ----------
    home
        Folder in which the page's projects stand.
    token
        The part of the address that lets a browser in.
    jobs
        Project folder to the command that runs or ran last on it.
    """

    home: Path
    token: str = field(default_factory=lambda: secrets.token_urlsafe(18))
    jobs: dict[Path, Job] = field(default_factory=dict)

    def projects(self) -> list[Path]:
        """Return the project folders, the one changed last on top."""
        found = {path.parent for path in self.home.glob(f"*/{FILE_NAME}")}
        return sorted(found, key=lambda folder: -(folder / FILE_NAME).stat().st_mtime)

    def address(self, folder: Path, name: str) -> str:
        """Return the address of a result file, another one when it is made anew."""
        file = folder / "results" / name
        made = f"?{file.stat().st_mtime_ns}" if file.is_file() else ""
        return f"/{self.token}/files/{quote(folder.name)}/{quote(name)}{made}"

    def file(self, path: str) -> Path | None:
        """Return the result file that an address names, or None where there is none.

        Only what stands in the results of a project is handed out, never what a link or ``..``
        leads to.
        """
        name, _, rest = path.partition("/")
        results = (self.home / name / "results").resolve()
        wanted = (results / rest).resolve()
        known = (self.home / name / FILE_NAME).is_file() and "/" not in name and name != ".."
        return wanted if known and wanted.is_relative_to(results) and wanted.is_file() else None


def open_page(home: Path, *, project: Path | None = None, port: int = 0, show: bool = True,
              language: str = "en",
              ready: Callable[[str], None] = lambda _address: None) -> None:
    """Serve the local page until it is stopped.

    Parameters
    ----------
    home
        Folder in which the page's projects stand; made if missing.
    project
        A project to open, wherever it stands; its neighbours are then the page's projects.
    port
        Where to listen; 0 for one that is free.
    show
        Whether to open the user's browser.
    language
        Language to begin in.
    ready
        Told the address once the page answers.

    Raises
    ------
    SettingError
        If Panel is not installed, the port is taken, or the folder is no project.
    """
    if project is not None:
        home = load_project(project).folder.resolve().parent
    server, address = make_server(home, port=port, language=language,
                                  project=None if project is None else project.resolve().name)
    ready(address)
    if show:
        webbrowser.open(address)
    with contextlib.suppress(KeyboardInterrupt):
        server.run_until_shutdown()


def make_server(home: Path, *, project: str | None = None, port: int = 0,
                language: str = "en") -> tuple[Any, str]:
    """Return the server, not yet running its loop, and the address of its page.

    Raises
    ------
    SettingError
        If Panel is not installed, or the port is taken.
    """
    if find_spec("panel") is None:
        raise SettingError("rehit open", "errors.no_page_part")
    import panel as pn
    from bokeh.util.warnings import BokehUserWarning

    from rehit.app.page import Page

    # A browser names again what it was sent, which is no news to whoever sits at the terminal.
    warnings.filterwarnings("ignore", "reference already known", BokehUserWarning)
    # A page may begin at a view where nothing is dropped, and come to one where something is.
    pn.extension("filedropper")
    # What the libraries hold stays: not searched again for what is no longer used, a pause that a
    # click would wait for.
    gc.collect()
    gc.freeze()
    home.mkdir(parents=True, exist_ok=True)
    desk = Desk(home.resolve())
    port = _free(port)

    def made() -> Any:
        """Return what a browser that comes in is shown."""
        page = Page(desk, language=language)
        if project is not None:
            page.open(desk.home / project, "read")
        return page.template

    server = pn.serve(
        {desk.token: made}, address=HOST, port=port, show=False,
        start=False, verbose=False, title="rehit", websocket_origin=[f"{HOST}:{port}"],
        websocket_max_message_size=LARGEST_MESSAGE,
        extra_patterns=[(rf"/{desk.token}/files/(.*)", _files(), {"desk": desk})])
    return server, f"http://{HOST}:{port}/{desk.token}"


def _free(port: int) -> int:
    """Return the port, or a free one for 0."""
    with socket.socket() as tried:
        try:
            tried.bind((HOST, port))
        except OSError as error:
            raise SettingError("--port", "errors.port_taken", port=port) from error
        return int(tried.getsockname()[1])


def _files() -> type:
    """Return the handler that hands out result files, made here so that help needs no server."""
    from tornado.web import RequestHandler

    class Files(RequestHandler):
        """Result files of the projects, to who knows the token and comes from this machine."""

        def initialize(self, desk: Desk) -> None:
            self.desk = desk

        async def get(self, path: str) -> None:
            found = self.desk.file(path)
            if found is None or self.request.host.partition(":")[0] != HOST:
                self.send_error(404)
                return
            kind = SHOWN.get(found.suffix)
            self.set_header("X-Content-Type-Options", "nosniff")
            self.set_header("Referrer-Policy", "no-referrer")
            self.set_header("Cache-Control", "no-store")
            self.set_header("Content-Type", kind or "application/octet-stream")
            if kind is None:
                self.set_header("Content-Disposition", f'attachment; filename="{found.name}"')
            with found.open("rb") as stream:
                while piece := stream.read(1 << 20):
                    self.write(piece)
                    await self.flush()

    return Files
