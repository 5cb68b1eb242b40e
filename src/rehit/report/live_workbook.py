"""What the workbooks with live formulas share: where a number is from, finishing the file."""

from __future__ import annotations

import re
from pathlib import Path
from zipfile import ZIP_DEFLATED, ZipFile

from rehit.parameters import Parameter
from rehit.report.say import Say


def leave_to_be_calculated(path: Path) -> None:
    """Take the stand-in results out of the file, so that every program works the formulas out.

    XlsxWriter stores 0 beside each formula, and some spreadsheet programs would show that.
    """
    with ZipFile(path) as archive:
        parts = [(info, archive.read(info)) for info in archive.infolist()]
    with ZipFile(path, "w", ZIP_DEFLATED) as archive:
        for info, content in parts:
            if info.filename.startswith("xl/worksheets/"):
                content = re.sub(rb"</f><v>[^<]*</v>", b"</f>", content)
            archive.writestr(info, content)


def said_source(entry: Parameter, *, say: Say | None = None) -> str:
    """Return where the number in force is from: a project's own is not its default's source."""
    if not entry.overridden:
        return entry.source
    return (say or Say("en"))("worked.own_source", default=entry.default, source=entry.source)
