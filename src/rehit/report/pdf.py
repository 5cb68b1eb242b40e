"""PDF pages from typst source, the same bytes every time."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from pathlib import Path

import matplotlib
import typst

from rehit.errors import SettingError
from rehit.messages import message


def render_pdf(source: str, *, attachments: Mapping[str, bytes] | None = None) -> bytes:
    """Compile typst markup to a tagged PDF with a fixed time stamp.

    Parameters
    ----------
    source
        Typst markup. Text from a log must have passed through :func:`typst_text`.
    attachments
        File name to content (pictures, JSON) that the markup refers to.

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
            return bytes(typst.compile(str(main), font_paths=[str(fonts)], timestamp=0))
        except typst.TypstError as error:
            raise SettingError(message("where.pdf_page"), "errors.unset_page",
                               said=str(error)) from error


def typst_text(text: object) -> str:
    r"""Quote any text as a typst string literal, so that nothing in it acts as markup.

    Examples
    --------
    >>> typst_text('say "hi" #x')
    '"say \\"hi\\" #x"'
    """
    escaped = str(text).replace("\\", "\\\\").replace('"', '\\"')
    return '"' + escaped.replace("\n", " ").replace("\r", " ") + '"'
