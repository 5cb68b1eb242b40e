"""The report as one HTML page that works with no network."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Sequence
from html.parser import HTMLParser
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from rehit.errors import TableError
from rehit.reporting import document as blocks
from rehit.reporting.trace import Traced
from rehit.reporting.words import Words

_LOADING = {"src", "href", "srcset", "poster", "data", "action", "formaction", "background",
            "xlink:href", "manifest", "ping", "cite", "longdesc"}
_CSS_URL = re.compile(r"""url\(\s*['"]?(?!data:)([^)'"]+)|@import""", re.IGNORECASE)


def render_page(doc: blocks.Document, words: Words, *, figures: Sequence[Traced] = (),
                rows_shown: int = 0, map_name: str | None = None) -> str:
    """Write the page: summary first, sections, then where each figure comes from.

    Parameters
    ----------
    doc
        The report.
    words
        Language of the page's own texts.
    figures
        What the codes in the text stand for.
    rows_shown
        Log rows listed under each figure [rows].
    map_name
        File name of the map page beside it, or None.

    Raises
    ------
    TableError
        If anything in the page would load from elsewhere.
    """
    html = environment().get_template("report.html.j2").render(
        doc=doc, w=words, figures=list(figures), map_name=map_name, rows_shown=rows_shown,
        style=Markup(resource("report.css")), kind=_kind, picture=_data_uri,
        policy=policy(scripts=[]))
    refuse_external(html, beside={map_name} if map_name else set())
    return html


def environment() -> Environment:
    """Return the template environment: everything escaped, undefined names refused."""
    return Environment(loader=PackageLoader("rehit.reporting", "templates"), autoescape=True,
                       undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)


def resource(name: str) -> str:
    """Read one of the room's own style sheets or scripts."""
    return (files("rehit.reporting") / "templates" / name).read_text(encoding="utf-8")


def policy(*, scripts: list[str]) -> str:
    """Return the content security policy: nothing from any network, only the scripts given.

    It is a second wall behind escaping: the browser itself refuses every request and every
    script whose hash is not listed.

    References
    ----------
    W3C, Content Security Policy Level 3.
    """
    allowed = " ".join("'sha256-" + base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()
                       + "'" for s in scripts) or "'none'"
    return (f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src {allowed}; "
            "base-uri 'none'; form-action 'none'")


def _kind(block: Any) -> str:
    return type(block).__name__.lower()


def _data_uri(content: bytes, kind: str) -> Markup:
    return Markup(f"data:image/{kind};base64,{base64.b64encode(content).decode()}")


class _Finder(HTMLParser):
    """Collects every reference that a browser would follow or load."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.found: list[str] = []
        self._style = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._style = tag == "style"
        for name, value in attrs:
            if name in _LOADING and tag != "meta":
                self.found.append((value or "").strip())
            elif name == "style":
                self.handle_css(value or "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "style":
            self._style = False

    def handle_data(self, data: str) -> None:
        if self._style:
            self.handle_css(data)

    def handle_css(self, text: str) -> None:
        self.found += [m.group(1) or "@import" for m in _CSS_URL.finditer(text)]


def refuse_external(html: str, *, beside: set[str]) -> None:
    """Raise if a page would load or link to anything but itself and the files beside it.

    Parameters
    ----------
    html
        The page.
    beside
        Names of files in the same folder it may link to.

    Raises
    ------
    TableError
        Naming the first reference outside.
    """
    finder = _Finder()
    finder.feed(html)
    for reference in finder.found:
        if not (reference.startswith(("#", "data:")) or reference.partition("#")[0] in beside):
            raise TableError("report page", got=f"a reference to {reference[:80]!r}",
                             allowed="nothing from outside the page",
                             remedy="report this as a fault of rehit")
