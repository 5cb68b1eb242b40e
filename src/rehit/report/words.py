"""All sentences of the report, from one catalogue per language; numbers and dates in its manner.

A catalogue is ``words_<language>.toml``. A text may hold placeholders as in :meth:`str.format`;
a table ``{one = ..., many = ...}`` is chosen by the placeholder ``n``. Another language is added
by another file with the same keys and placeholders; a test compares them.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib.resources import files
from typing import Any

from rehit.errors import SettingError

DASH = "–"
NO_BREAK = "\u00a0"
MINUS = "\u2212"


@cache
def languages() -> tuple[str, ...]:
    """Return the languages that have a catalogue."""
    folder = files("rehit.report")
    names = (p.name for p in folder.iterdir())
    return tuple(sorted(n[6:-5] for n in names if n.startswith("words_") and n.endswith(".toml")))


@cache
def catalogue(language: str) -> dict[str, Any]:
    """Read one language's catalogue as flat keys ``section.name``.

    Raises
    ------
    SettingError
        For a language without a catalogue.
    """
    if language not in languages():
        raise SettingError("language", got=repr(language), allowed=", ".join(languages()),
                           remedy="choose one of these or add a catalogue words_<language>.toml")
    source = files("rehit.report") / f"words_{language}.toml"
    flat: dict[str, Any] = {}
    for section, entries in tomllib.loads(source.read_text(encoding="utf-8")).items():
        flat |= {f"{section}.{name}": text for name, text in entries.items()}
    return flat


@dataclass(frozen=True)
class Words:
    """The texts of one language, and its way to write numbers and dates.

    Examples
    --------
    >>> Words("en").number(12345.6)
    '12,300'
    >>> Words("es").share(0.123)
    '12\xa0%'
    """

    language: str = "en"

    def __post_init__(self) -> None:
        catalogue(self.language)

    def __call__(self, key: str, **values: object) -> str:
        """Return the text `key` with its placeholders filled."""
        text = catalogue(self.language).get(key)
        if text is None:
            raise SettingError("message catalogue", got=repr(key), allowed="a key of the catalogue",
                               remedy=f"add it to words_{self.language}.toml")
        if isinstance(text, dict):
            text = text["one" if values.get("n") in (1, "1") else "many"]
        return str(text).format(**values)

    def code(self, group: str, code: object) -> str:
        """Return the plain word for a code such as a substrate; the code itself if unknown."""
        text = catalogue(self.language).get(f"{group}.{code}")
        return str(text) if isinstance(text, str) else str(code).replace("_", " ")

    def thing(self, kind: object) -> str:
        """Return the word for a kind of asset; the log's own word where it is no code.

        Examples
        --------
        >>> Words("es").thing("Wall"), Words("es").thing("kiosk")
        ('muro', 'kiosk')
        """
        text = catalogue(self.language).get(f"asset_type.{str(kind).strip().lower()}")
        return str(kind) if text is None else str(text)

    def whole(self, value: float) -> str:
        """Write a count in full, with thousands separated."""
        if not math.isfinite(value):
            return DASH
        text = f"{abs(round(value)):,}".replace(",", self("format.thousands"))
        return (MINUS if round(value) < 0 else "") + text

    def number(self, value: float, digits: int = 3) -> str:
        """Write a measured number to `digits` significant digits."""
        if value is None or not math.isfinite(value):
            return DASH
        if value == 0:
            return "0"
        places = digits - 1 - math.floor(math.log10(abs(value)))
        rounded = round(value, places)
        if rounded and math.floor(math.log10(abs(rounded))) > math.floor(math.log10(abs(value))):
            places -= 1
        text = f"{abs(rounded):,.{max(places, 0)}f}"
        text = text.replace(",", "\0").replace(".", self("format.decimal"))
        return (MINUS if rounded < 0 else "") + text.replace("\0", self("format.thousands"))

    def given(self, value: float) -> str:
        """Write a number that the user gave, as it was given."""
        return f"{value:g}".replace(".", self("format.decimal"))

    def share(self, value: float) -> str:
        """Write a share as whole per cent; below 1 % and above 99 % says so instead of 0 or 100."""
        if value is None or not math.isfinite(value):
            return DASH
        if 0 < value < 0.01:
            return "<" + NO_BREAK + self("format.percent", value="1")
        if 0.99 < value < 1:
            return ">" + NO_BREAK + self("format.percent", value="99")
        return self("format.percent", value=self.whole(value * 100))

    def chance(self, value: float) -> str:
        """Write a chance that was estimated: never as 0 or 100 %, which nothing estimated is.

        Examples
        --------
        >>> Words("en").chance(1.0), Words("en").chance(0.0)
        ('>\xa099%', '<\xa01%')
        """
        return self.share(min(max(value, 1e-9), 1 - 1e-9))

    def p_value(self, value: float) -> str:
        """Write a p-value to two decimals, or as below 0.01 or 0.001."""
        for limit in (0.001, 0.01):
            if value < limit:
                return "<" + NO_BREAK + self.number(limit, 1)
        return f"{value:.2f}".replace(".", self("format.decimal"))

    def money(self, value: float, currency: str, digits: int = 2) -> str:
        """Write an amount of money to two significant digits, with the currency's code or sign."""
        if value is None or not math.isfinite(value):
            return DASH
        key = "format.money_code" if currency.isalpha() else "format.money_sign"
        minus = MINUS if value < 0 else ""
        return self(key, minus=minus, currency=currency, value=self.number(abs(value), digits))

    def span(self, low: str, high: str) -> str:
        """Write a range as words, which a minus sign cannot garble."""
        return self("format.range", low=low, high=high)

    def day(self, day: date) -> str:
        """Write a day in full."""
        return self("format.day", d=day.day, month=self(f"month.{day.month}"), year=day.year)

    def days(self, first: date, last: date) -> str:
        """Write a span of days."""
        return self("format.days_span", low=self.day(first), high=self.day(last))
