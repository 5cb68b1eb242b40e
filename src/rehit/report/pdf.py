"""PDF pages from typst source, the same bytes every time."""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from importlib.resources import files
from pathlib import Path
from typing import cast

import matplotlib
import typst

from rehit.errors import SettingError
from rehit.messages import message

_PAGE = re.compile(rb"/Type\s*/Page\b")
#: Where the text of a page ends: A4 less the margin below, as ``house.typ`` sets it [mm].
FOOT_MM = 281.0
#: A page with less white than this at its foot is full [mm].
FULL_MM = 15.0
#: Sizes of drawings to try on a page that is not full; a larger one stops at the width of the text.
SIZES = (0.95, 0.9, 0.85, 0.8, 0.76, 0.72, 1.07, 1.14, 1.28)
#: Space to add above each part of a page that is still not full [mm], as much as fits.
AIRS_MM = (12.0, 9.0, 6.0, 3.0)
#: How much white a change of size by one whole is worth [mm].
CHANGE_MM = 40.0


def render_pdf(source: str, *, attachments: Mapping[str, bytes] | None = None,
               scales: Sequence[float] = (1.0,)) -> bytes:
    """Compile typst markup to a tagged PDF with a fixed time stamp.

    Parameters
    ----------
    source
        Typst markup. Text from a log must have passed through :func:`typst_text`.
    attachments
        File name to content (pictures, JSON) that the markup refers to.
    scales
        Sizes to try, the best to look at first; the markup reads each as ``scale``. Taken is the
        first that needs no more pages than any other.

    Raises
    ------
    SettingError
        If typst cannot compile the markup.
    """
    with _compiler(source, attachments or {}) as (compiler, _):
        tried = [_compiled(compiler, {"scale": str(scale)}) for scale in scales]
    return min(tried, key=_count_pages)


def render_filled(source: str, *, attachments: Mapping[str, bytes],
                  paired: Collection[int]) -> bytes:
    """Compile a report whose drawings take the sizes that fill its pages.

    A drawing does not go on over the page: where it does not fit, the rest of the page stays
    white. So page after page, the drawings on it and the next are tried smaller, those on it
    larger, and each on the other side of its table; the page takes what leaves least white on it
    and on the next. What is still white goes between the parts of its page.

    Parameters
    ----------
    source
        Typst markup that reads ``choice.json`` and marks the ends of its blocks, as ``report.typ``
        does.
    attachments
        File name to content of each drawing, in their order.
    paired
        Numbers of the drawings that may go on the other side of a table.

    Raises
    ------
    SettingError
        If typst cannot compile the markup.
    """
    choice = _Choice((1.0,) * len(attachments), (False,) * len(attachments), {})
    with _compiler(source, {**attachments, "choice.json": choice.text()}) as (compiler, folder):
        def marks(tried: _Choice) -> list[_Mark]:
            (folder / "choice.json").write_bytes(tried.text())
            return [_Mark(**found["value"]) for found in json.loads(_asked(compiler, "<mark>"))]

        page, seen, settled = 1, marks(choice), set[int]()
        while seen and page < seen[-1].page:
            if _white(seen, page) > FULL_MM:
                choice = min(choice.others(seen, page, settled, paired),
                             key=lambda tried: _white(found := marks(tried), page)
                             + _white(found, page + 1) / 4 + CHANGE_MM * tried.change())
                seen = marks(choice)
            settled |= {mark.drawing for mark in seen if mark.page <= page}
            page += 1
        ends = [mark.page for mark in seen]
        for page in range(1, max(ends, default=1)):
            if _white(seen, page) > FULL_MM:
                choice = next(tried for tried in choice.airier(page)
                              if [mark.page for mark in marks(tried)] == ends)
        (folder / "choice.json").write_bytes(choice.text())
        return _compiled(compiler, {})


@dataclass(frozen=True)
class _Mark:
    """The end of a block: its page, how far down [mm], and what may happen to it there."""

    kind: str
    page: int
    y: float

    @property
    def drawing(self) -> int:
        """The number of the drawing, below 0 for what is none."""
        name, _, number = self.kind.partition(" ")
        return int(number) if name == "drawing" else -1


@dataclass(frozen=True)
class _Choice:
    """The size of each drawing, whether it goes to the other side of its table, air by page."""

    sizes: tuple[float, ...]
    turned: tuple[bool, ...]
    air: Mapping[int, float]

    def text(self) -> bytes:
        return json.dumps(asdict(self)).encode()

    def change(self) -> float:
        """How far the sizes are from those drawn for."""
        return max((abs(size - 1) for size in self.sizes), default=0.0)

    def others(self, seen: Sequence[_Mark], page: int, settled: set[int],
               paired: Collection[int]) -> Iterator[_Choice]:
        """Go through this choice and what else may be done for one page."""
        here = {mark.drawing for mark in seen if mark.page == page} - settled
        later = [mark.drawing for mark in seen if mark.page > page and mark.drawing >= 0][:1]
        for turned in (None, *sorted(here.union(later).intersection(paired))):
            order = tuple(old != (at == turned) for at, old in enumerate(self.turned))
            yield replace(self, turned=order)
            for size in SIZES:
                group = here.union(later if size < 1 else ())
                yield replace(self, turned=order, sizes=tuple(
                    size if at in group else old for at, old in enumerate(self.sizes)))

    def airier(self, page: int) -> Iterator[_Choice]:
        """Go through this choice with more and less air on a page, at last with none."""
        yield from (replace(self, air={**self.air, page: air}) for air in AIRS_MM)
        yield self


def _white(marks: Sequence[_Mark], page: int) -> float:
    """Return how much is white at the foot of a page [mm]; none where text goes on over it."""
    after = next((mark for mark in marks if mark.page > page), None)
    if after is None or after.kind == "flow":
        return 0.0
    return FOOT_MM - max((mark.y for mark in marks if mark.page == page), default=0.0)


@contextmanager
def _compiler(source: str, attachments: Mapping[str, bytes],
              ) -> Iterator[tuple[typst.Compiler, Path]]:
    """Lay markup and what it refers to into a folder of their own for typst."""
    fonts = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for file, content in attachments.items():
            (folder / file).write_bytes(content)
        (folder / "main.typ").write_text(source, encoding="utf-8")
        yield typst.Compiler(str(folder / "main.typ"), font_paths=[str(fonts)]), folder


def _compiled(compiler: typst.Compiler, inputs: Mapping[str, str]) -> bytes:
    with _told():
        return cast("bytes", compiler.compile(timestamp=0, sys_inputs=dict(inputs)))


def _asked(compiler: typst.Compiler, selector: str) -> str:
    with _told():
        return str(compiler.query(selector))


@contextmanager
def _told() -> Iterator[None]:
    try:
        yield
    except typst.TypstError as error:
        raise SettingError(message("where.pdf_page"), "errors.unset_page",
                           said=str(error)) from error


def _count_pages(pdf: bytes) -> int:
    return len(_PAGE.findall(pdf))


def paper(name: str) -> str:
    """Return the typst functions of one kind of paper, under those that all papers share."""
    templates = files("rehit.report") / "templates"
    return "\n".join((templates / f"{part}.typ").read_text(encoding="utf-8")
                     for part in ("house", name))


def typst_text(text: object) -> str:
    r"""Quote any text as a typst string literal, so that nothing in it acts as markup.

    Examples
    --------
    >>> typst_text('say "hi" #x')
    '"say \\"hi\\" #x"'
    """
    escaped = str(text).replace("\\", "\\\\").replace('"', '\\"')
    return '"' + escaped.replace("\n", " ").replace("\r", " ") + '"'


def typst_words(words: str) -> str:
    """Return a text as markup of its own."""
    return f"#{typst_text(words)}"


def typst_cell(words: str) -> str:
    """Return a text as a cell of a table."""
    return f"[{typst_words(words)}]"


def typst_bullets(lines: Sequence[str]) -> str:
    """Return texts as a list."""
    return "\n".join(f"- {typst_words(line)}" for line in lines)


def typst_table(columns: str, align: str, cells: Sequence[str], header: int) -> str:
    """Return texts as a table, the first `header` of them its heads."""
    head = ", ".join(f"[*{typst_words(cell)}*]" for cell in cells[:header])
    body = ", ".join(typst_cell(cell) for cell in cells[header:])
    return f"#table(columns: {columns}, align: {align}, table.header({head}), {body})"
