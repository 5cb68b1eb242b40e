"""The report as one HTML page that works with no network."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from html.parser import HTMLParser
from importlib.resources import files
from typing import Any

import pandas as pd
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from rehit.errors import TableError
from rehit.messages import message
from rehit.report.document import (
    Block,
    Bullets,
    Document,
    Grid,
    Picture,
    Section,
    Sentence,
    Terms,
    Tiles,
)
from rehit.report.inputs import each
from rehit.report.measures import Facts
from rehit.report.pdf import paper, render_filled, typst_text
from rehit.report.say import Say
from rehit.report.trace import Traced, row_names, tell_rows, works_rows

_LOADING = {"src", "href", "srcset", "poster", "data", "action", "formaction", "background",
            "xlink:href", "manifest", "ping", "cite", "longdesc"}
_CSS_URL = re.compile(r"""url\(\s*['"]?(?!data:)([^)'"]+)|@import""", re.IGNORECASE)


#: The pages that link to each other.
FRONT, DETAILS, TRACE, MAP = "report.html", "details.html", "trace.html", "map.html"


def render_page(doc: Document, say: Say, *, name: str = FRONT,
                links: Sequence[str] = ()) -> str:
    """Write one page of the report.

    Parameters
    ----------
    doc
        The report.
    say
        Language of the page's own texts.
    name
        :data:`FRONT` for the first page, :data:`DETAILS` for the second.
    links
        Names of the pages beside it that it may point to.

    Raises
    ------
    TableError
        If anything in the page would load from elsewhere.
    """
    seen: set[str] = set()

    def first(figure: str) -> bool:
        new = figure not in seen
        seen.add(figure)
        return new

    html = environment().get_template("report.html.j2").render(
        doc=doc, say=say, sections=doc.front if name == FRONT else doc.details, name=name,
        first=first, links=links, style=Markup(resource("report.css")), kind=_kind,
        picture=_data_uri, table=_table_uri, policy=policy(scripts=[]))
    refuse_external(html, beside=set(links))
    return html


def render_trace(facts: Facts, doc: Document) -> str:
    """Write the page on which each figure opens its formula, its recipe and all its log rows.

    Parameters
    ----------
    facts
        The report's facts, with the figures in their book.
    doc
        The report, for the place that each figure is quoted at.

    Raises
    ------
    TableError
        If anything in the page would load from elsewhere.
    """
    say, own = facts.say, resource("trace.js")
    figures = list(facts.book.figures.values())
    place = facts.book.places_of_rows(most=int(facts.number("trace_page_rows")))
    left = {f.id: sum(row not in place for row in f.rows) for f in figures}
    data = {"rows": _rows_told(list(place), facts), "at_once": int(facts.number("trace_rows")),
            "behind": {f.id: _runs(f.rows, place) for f in figures},
            "words": {key: say(f"page.{key}") for key in (
                "col_row", "col_case", "col_day", "col_address", "earlier", "later")}
            | {"shown": say("page.shown", first="{first}", last="{last}", all="{all}")}}
    html = environment().get_template("trace.html.j2").render(
        say=say, figures=figures, left=left, title=doc.title, quoted=_quoted(doc),
        own=Markup(own), language=say.language,
        style=Markup(resource("report.css")), policy=policy(scripts=[own]),
        data=Markup(safe_json(data)), links=(FRONT, DETAILS, MAP))
    refuse_external(html, beside={FRONT, DETAILS, MAP})
    return html


def _quoted(doc: Document) -> dict[str, str]:
    """Return where each figure is quoted: the first page before the second."""
    at: dict[str, str] = {}
    for page, sections in ((FRONT, doc.front), (DETAILS, doc.details)):
        for section in sections:
            for figure in _ids(section.blocks):
                at.setdefault(figure, f"{page}#at-{figure}")
    return at


def _ids(blocks: Sequence[Block]) -> Iterator[str]:
    """Go through the figures that some blocks quote."""
    for block in blocks:
        if isinstance(block, Sentence | Picture):
            yield from block.traces
        elif isinstance(block, Bullets):
            yield from _ids(block.items)
        elif isinstance(block, Tiles):
            yield from (tile.trace for tile in block.tiles if tile.trace)
        elif isinstance(block, Grid):
            yield from (anchor for anchor in block.anchors if anchor)


def _rows_told(behind: Sequence[str], facts: Facts) -> list[list[str]]:
    """Return log rows that figures rest on: file, line, its own number, day, place."""
    told = tell_rows(behind, facts.inputs.given("log_rows"))
    incidents = facts.inputs.incidents
    days = incidents["reported_at"].dt.tz_convert(facts.inputs.time_zone).dt.strftime("%Y-%m-%d")
    known: dict[str, tuple[str, str, str]] = {}
    for rows, *rest in zip(incidents["source_rows"].astype(str), incidents["report_id"], days,
                           incidents["address"], strict=True):
        case, day, place = ("" if pd.isna(value) else str(value) for value in rest)
        known.update(dict.fromkeys(row_names(rows), (case, day, place)))
    known.update(_jobs_told(facts))
    lines = []
    for row, at in zip(behind, told.itertuples(), strict=True):
        case, day, place = known.get(row, ("", "", ""))
        lines.append([f"{at.source_file} {at.line}", str(at.case_number) or case,
                      str(at.reported) or day, place])
    return lines


def _jobs_told(facts: Facts) -> Iterator[tuple[str, tuple[str, str, str]]]:
    """Go through the jobs of the works log by row: number, day, place with cost."""
    works = facts.inputs.given("works")
    for row, work in () if works is None else zip(works_rows(works), each(works), strict=True):
        texts = [facts.named(work.asset_id)] if pd.notna(work.asset_id) else []
        texts += [facts.say.sum(work.cost, facts.inputs.currency, 2)] if pd.notna(work.cost) else []
        yield row, (str(work.work_id), str(work.done_at), ", ".join(texts))


def _runs(rows: Sequence[str], place: Mapping[str, int]) -> list[list[int]]:
    """Return where a figure's rows stand among all rows told, as runs of first and length."""
    runs: list[list[int]] = []
    for at in sorted(place[row] for row in rows if row in place):
        if runs and at == runs[-1][0] + runs[-1][1]:
            runs[-1][1] += 1
        else:
            runs.append([at, 1])
    return runs


def environment() -> Environment:
    """Return the template environment: everything escaped, undefined names refused."""
    return Environment(loader=PackageLoader("rehit.report", "templates"), autoescape=True,
                       undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)


def resource(name: str) -> str:
    """Read one of the room's own style sheets or scripts."""
    return (files("rehit.report") / "templates" / name).read_text(encoding="utf-8")


def safe_json(value: object) -> str:
    r"""Write JSON that cannot end the script element it stands in.

    Examples
    --------
    >>> safe_json({"a": "</script>"})
    '{"a":"\\u003c/script\\u003e"}'
    """
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for sign in ("<", ">", "&", "\u2028", "\u2029"):
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def policy(*, scripts: list[str], pictures: str = "") -> str:
    """Return the content security policy: nothing from any network, only the scripts given.

    `pictures` is an origin that a reader may switch on for the background of the map.

    It is a second wall behind escaping: the browser itself refuses every request and every
    script whose hash is not listed.

    References
    ----------
    W3C, Content Security Policy Level 3.
    """
    allowed = " ".join("'sha256-" + base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()
                       + "'" for s in scripts) or "'none'"
    shown = f"data: {pictures}".strip()
    return (f"default-src 'none'; img-src {shown}; style-src 'unsafe-inline'; "
            f"script-src {allowed}; base-uri 'none'; form-action 'none'")


def _kind(block: Any) -> str:
    return type(block).__name__.lower()


def _data_uri(content: bytes, kind: str) -> Markup:
    return Markup(f"data:image/{kind};base64,{base64.b64encode(content).decode()}")


def _table_uri(text: str) -> Markup:
    return Markup(f"data:text/csv;charset=utf-8;base64,{base64.b64encode(text.encode()).decode()}")


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
            raise TableError(message("where.report_page"), "errors.outside_reference",
                             text=reference[:80])


# The report on paper: typst markup made from the same document as the page.

#: A table of more rows than this may go on over the page; a shorter one keeps together.
ROWS_KEPT_TOGETHER = 8
_ENDING = {"svg+xml": "svg", "png": "png"}


def render_paper(doc: Document, say: Say, *, figures: Sequence[Traced] = ()) -> bytes:
    """Write the report as a tagged PDF with a fixed time stamp.

    Parameters
    ----------
    doc
        The report.
    say
        Language of the running texts.
    figures
        What the codes in the text stand for.
    """
    writer = _Writer(say)
    parts = [paper("report"),
             f"#show: paper.with(title: {typst_text(doc.title)}, when: {typst_text(doc.subtitle)}, "
             f"kind: {typst_text(say('page.kind'))}, language: {typst_text(doc.language)}, "
             f"page-word: {typst_text(say('page.page_of'))})"]
    parts += [writer.section(section) for section in doc.front]
    if doc.details:
        parts.append(f"#divider({typst_text(say('heading.details'))})")
        parts += [writer.section(section) for section in doc.details]
    if figures:
        parts.append(writer.figures(figures))
    return render_filled("\n".join(parts), attachments=writer.attachments,
                         paired=writer.paired)


class _Writer:
    """Turns blocks into calls of the functions in ``report.typ``; all text as quoted strings."""

    def __init__(self, say: Say) -> None:
        self.say = say
        self.attachments: dict[str, bytes] = {}
        self.paired: list[int] = []

    def section(self, section: Section) -> str:
        return "\n".join([f"#part({typst_text(section.title)})",
                          *(self.either(*b) if isinstance(b, tuple) else self.block(b)
                            for b in pairs(section.blocks))])

    def either(self, first: Block, second: Block) -> str:
        """Two blocks in the order that fills the page."""
        self.paired.append(len(self.attachments))
        return f"#either({self.paired[-1]}, [{self.block(first)}], [{self.block(second)}])"

    def block(self, block: Block) -> str:
        if isinstance(block, Sentence):
            return "#" + self.sentence(block)
        if isinstance(block, Tiles):
            told = "".join(f"({typst_text(t.label)}, {typst_text(t.value)}, "
                           f"{typst_text(t.reading)}, {typst_text(t.trace)}), "
                           for t in block.tiles)
            return f"#tiles(({told}))"
        if isinstance(block, Bullets):
            return "#list(" + ", ".join(self.sentence(s) for s in block.items) + ")"
        if isinstance(block, Grid):
            return self.grid(block)
        if isinstance(block, Picture):
            return self.picture(block)
        return self.terms(block)

    def sentence(self, s: Sentence) -> str:
        text = s.text if s.tone != "limit" else f"{self.say('page.limit')} {s.text}"
        return f"say({typst_text(text)}, {_strings(s.traces)}, {typst_text(s.tone)})"

    def grid(self, grid: Grid) -> str:
        numeric = "(" + "".join(f"{n}, " for n in sorted(grid.numeric)) + ")"
        rows = "(" + "".join(_strings(row) + ", " for row in grid.rows) + ")"
        return (f"#tidy({typst_text(grid.caption)}, {_strings(grid.headers)}, {rows}, {numeric}, "
                f"{typst_text(grid.note)}, {_widths(grid.headers, grid.rows)}, "
                f"{_flag(breaks(grid.rows))})")

    def picture(self, picture: Picture) -> str:
        name, number = f"{picture.id}.{_ENDING[picture.kind]}", len(self.attachments)
        self.attachments[name] = picture.wide
        return (f"#drawing({number}, {typst_text(picture.title)}, "
                f"{_strings(picture.traces)}, {typst_text(name)}, "
                f"{typst_text(picture.alt)}, {typst_text(picture.note)}, "
                f"{'78%' if picture.kind == 'png' else '88%'})")

    def terms(self, terms: Terms) -> str:
        pairs = "".join(f"({typst_text(t)}, {typst_text(w)}), " for t, w in terms.entries)
        return f"#explained(({pairs}))"

    def figures(self, figures: Sequence[Traced]) -> str:
        say = self.say
        rows = "(" + "".join(_strings((f.id, f"{f.label}: {f.shown}", f.formula,
                                       say.whole(len(f.rows)) if f.rows else f.table)) + ", "
                             for f in figures) + ")"
        heads = _strings((say("workbook.id"), say("workbook.label"), say("page.formula"),
                          say("page.rows_or_table")))
        return "\n".join((f"#part({typst_text(say('heading.trace'))})",
                          f"#say({typst_text(say('page.trace_paper'))}, (), \"plain\")",
                          f"#tidy({typst_text(say('workbook.figures'))}, {heads}, {rows}, (), "
                          '"", '
                          f"(0.5fr, 2.6fr, 3.4fr, 1fr), {_flag(breaks(figures))})"))


def pairs(blocks: Sequence[Block]) -> list[Block | tuple[Block, Block]]:
    """Put a drawing and a table that stand together into a pair.

    Which of them goes first is settled when the pages are filled: a long table goes on over the
    page, and a drawing may become smaller.
    """
    found: list[Block | tuple[Block, Block]] = []
    for block in blocks:
        above = found[-1] if found else None
        if (isinstance(above, Picture) and isinstance(block, Grid)) or (
                isinstance(above, Grid) and isinstance(block, Picture)):
            found[-1] = (above, block)
        else:
            found.append(block)
    return found


def breaks(rows: Sequence[object]) -> bool:
    """Whether a table of these rows may go on over the page."""
    return len(rows) > ROWS_KEPT_TOGETHER


def _flag(value: bool) -> str:
    return "true" if value else "false"


def _widths(headers: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Share the width by what the columns hold: their longest word at least, their text at most."""
    weights = []
    for number, header in enumerate(headers):
        texts = [header, *(row[number] for row in rows)]
        words = max(len(word) for text in texts for word in text.split(" ") or [""])
        longest = max(len(row[number]) for row in rows) if rows else 0
        weights.append(min(max(words, longest, 4), max(words, 26)) + 2)
    return "(" + "".join(f"{weight}fr, " for weight in weights) + ")"


def _strings(texts: Sequence[str]) -> str:
    return "(" + "".join(typst_text(t) + ", " for t in texts) + ")"
