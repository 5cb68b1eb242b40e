"""PDF pages from typst source, the same bytes every time."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Mapping, Sequence
from importlib.resources import files
from pathlib import Path

import matplotlib
import typst

from rehit.errors import SettingError
from rehit.messages import message

_PAGE = re.compile(rb"/Type\s*/Page\b")


def render_pdf(source: str, *, attachments: Mapping[str, bytes] | None = None,
               scales: Sequence[float] = (1.0,)) -> bytes:
    """Compile typst markup to a tagged PDF with a fixed time stamp.

    A drawing that does not fit leaves the rest of its page white. So drawings may be tried smaller:
    taken is the first scale that needs no more pages than any other.

    Parameters
    ----------
    source
        Typst markup. Text from a log must have passed through :func:`typst_text`.
    attachments
        File name to content (pictures, JSON) that the markup refers to.
    scales
        Sizes of drawings to try, the best to look at first; the markup reads each as ``scale``.

    Raises
    ------
    SettingError
        If typst cannot compile the markup.
    """
    fonts = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    with tempfile.TemporaryDirectory() as folder:
        for name, content in (attachments or {}).items():
            (Path(folder) / name).write_bytes(content)
        main = Path(folder) / "main.typ"
        main.write_text(source, encoding="utf-8")
        try:
            tried = [bytes(typst.compile(str(main), font_paths=[str(fonts)], timestamp=0,
                                         sys_inputs={"scale": str(scale)}))
                     for scale in (scales if attachments else scales[:1])]
        except typst.TypstError as error:
            raise SettingError(message("where.pdf_page"), "errors.unset_page",
                               said=str(error)) from error
    return min(tried, key=_count_pages)


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
