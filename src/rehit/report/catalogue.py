"""The gettext catalogues: texts by code, a file read only when one of its texts is needed.

Each language has a folder of ``locale`` with a file per topic; a message's ``msgid`` is its code.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from io import BytesIO

from babel.messages.pofile import read_po

from rehit.errors import SettingError
from rehit.messages import message

DEFAULT = "en"
Text = str | tuple[str, ...]  # one text, or its plural forms
#: The space between a number and its unit, at which no line may break (SI brochure, 5.4.3).
_BEFORE_UNIT = re.compile(r"(?<=[\d}]) (?=(?:m²|m|km|ft²|ft|mi|pies²?|millas|h|min|L|%|€)(?!\w))")


@cache
def languages() -> tuple[str, ...]:
    """Return the languages that have catalogues."""
    return tuple(sorted(p.name for p in _locale().iterdir()
                        if p.is_dir() and not p.name.startswith((".", "_"))))


@cache
def catalogue(language: str) -> dict[str, Text]:
    """Read all catalogues of one language: code to text, or to its plural forms.

    Raises
    ------
    SettingError
        For a language without a catalogue.
    """
    if language not in languages():
        raise SettingError(message("where.language"), "errors.no_language", language=language,
                           known=languages())
    folder = _locale() / language
    return {code: text for name in sorted(p.name for p in folder.iterdir())
            if name.endswith(".po") for code, text in topic(language, name[:-3]).items()}


@cache
def topic(language: str, name: str) -> dict[str, Text]:
    r"""Read one catalogue file of a language.

    Examples
    --------
    >>> topic("en", "format")["format.range"]
    '{low} to {high}'
    >>> topic("en", "format")["format.metres"]
    '{value}\xa0m'
    """
    texts: dict[str, Text] = {}
    content = (_locale() / language / f"{name}.po").read_bytes()
    for entry in read_po(BytesIO(content), locale=language):
        if isinstance(entry.id, str):
            texts[entry.id] = _kept_together(str(entry.string))
        else:
            texts[entry.id[0]] = tuple(_kept_together(text) for text in entry.string or ())
    texts.pop("", None)
    return texts


def _kept_together(text: str) -> str:
    return _BEFORE_UNIT.sub("\u00a0", text)


def language_of(environment: Mapping[str, str] | None = None) -> str:
    """Return the language that the user's system asks for, if it has catalogues; else English.

    Parameters
    ----------
    environment
        Variables; default those of the process.

    Examples
    --------
    >>> language_of({"LANG": "es_ES.UTF-8"}), language_of({"LANG": "fi_FI.UTF-8"})
    ('es', 'en')
    """
    given = os.environ if environment is None else environment
    for variable in ("LANGUAGE", "LC_ALL", "LC_MESSAGES", "LANG"):
        for name in filter(None, given.get(variable, "").split(":")):
            code = name.partition(".")[0].partition("_")[0].lower()
            if code in languages():
                return code
            if code in ("c", "posix"):
                return DEFAULT
    return DEFAULT


def _locale() -> Traversable:
    return files("rehit.report") / "locale"


@cache
def own_texts(language: str) -> dict[str, str]:
    """Read what the package's own tables say in English, in another language.

    The English stands where it belongs (``schemas/``, ``defaults/``, names of ways to forecast) and
    is itself the message, as gettext has it; the translations stand in ``locale/<language>/own``.

    Examples
    --------
    >>> own_texts("es")["days"], own_texts("en")
    ('días', {})
    """
    folder = _locale() / language / "own"
    texts: dict[str, str] = {}
    for path in sorted(folder.iterdir(), key=lambda p: p.name) if folder.is_dir() else ():
        for entry in read_po(BytesIO(path.read_bytes()), locale=language):
            if isinstance(entry.id, str) and entry.id:
                texts[entry.id] = str(entry.string)
    return texts
