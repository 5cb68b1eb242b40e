"""The only place that writes sentences: gettext catalogues, numbers and dates by locale.

Rooms hand over codes with numbers (:class:`rehit.messages.Message`). The text of each code stands
in ``report/locale/<language>/<topic>.po``; Babel reads the catalogues, chooses the plural and
writes numbers, days and lists as the language does. Another language is another folder with the
same messages; a test compares them, and another finds messages that nothing says.

A placeholder may carry how its value is written, after a colon:

=================  ==============================================================================
``{x}``            a text as it is, a whole number in full, other numbers to three figures, a day
``{x:whole}``      a count in full
``{x:sig2}``       a number to two significant figures (any digit)
``{x:dec1}``       a number with one decimal (any digit)
``{x:given}``      a number as the user gave it
``{x:length}``     metres as a distance in the project's units; ``{x:area}`` square metres
``{x:share}``      a share as per cent; ``{x:chance}`` never as 0 or 100 %; both take a number of
                   decimals, ``{x:share1}``; ``{x:p}`` a p-value
``{x:percent}``    a share as per cent with as many decimals as it needs (90 %, 2.5 %)
``{x:change}``     a share as per cent with its sign; ``{x:signed1}`` a number with its sign
``{x:money}``      money to two figures (``money3`` to three); ``{x:sum}`` in full; ``{x:price}``
``{x:day}``        a day in full, ``{x:full_day}`` with its weekday; ``{x:date}`` as in
                   2024-07-02; ``{x:month}``; ``{x:clock}``
``{x:country}``    the name of a country for its code
``{x:year}``       a year of the calendar, which no sign parts into thousands
``{x:in.group}``   the word for a code, such as ``in.substrate``
``{x:of.noun}``    a number with what it counts, such as ``of.place``: "1 place", "3 places"
``{x:start}``      a message at the start of a sentence, with a capital
``{x:or}``         a list whose last member follows "or" instead of "and"
``{x:typed}``      a value, or a list with commas, as it is typed into a file or command
``{x:quoted}``     the same in quotes
``{x:own}``        a text of the package's own tables, such as a number's meaning
=================  ==============================================================================
"""

from __future__ import annotations

import math
import re
import string
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from functools import cache
from typing import Any, Literal

import pandas as pd
from babel import Locale
from babel.dates import format_date, get_day_names, get_month_names
from babel.lists import format_list
from babel.numbers import format_decimal, format_scientific
from babel.plural import PluralRule

from rehit.errors import SettingError
from rehit.messages import Message, from_lines, message
from rehit.report.catalogue import catalogue, own_texts

DASH = "–"
NO_BREAK = "\u00a0"
MINUS = "\u2212"
EXACT = 1e15  # larger numbers have no digit of their own in every place
METRES_PER_FOOT = 0.3048  # international foot, exact
METRES_PER_MILE = 1609.344  # international mile, exact


@dataclass(frozen=True)
class Say:
    """What one language says, and its way to write numbers and dates.

    Parameters
    ----------
    language
        Code of a language that has catalogues.
    currency
        Sign or code of the project's money.
    units
        ``metric``, or ``imperial`` for distances in feet and miles and areas in square feet.

    Examples
    --------
    >>> Say("en").number(12345.6)
    '12,300'
    >>> Say("es").share(0.123)
    '12\xa0%'
    """

    language: str = "en"
    currency: str = "€"
    units: str = "metric"

    def __post_init__(self) -> None:
        catalogue(self.language)

    def __call__(self, told: str | Message, /, **values: object) -> str:
        """Return the words of a message, or of a code with its values.

        Raises
        ------
        SettingError
            For a code that is in no catalogue.
        """
        if isinstance(told, Message):
            return self(told.code, **{**told.facts, **values})
        text = catalogue(self.language).get(told)
        if text is None:
            raise SettingError(message("where.catalogue"), "errors.no_message", text=told,
                               language=self.language)
        if not isinstance(text, str):
            text = text[self._plural(values.get("n"))]
        return _Filler(self).vformat(text, (), values)

    def told(self, words: str | Message) -> str:
        """Return what is a message in words, and a text as it is."""
        return self(words) if isinstance(words, Message) else words

    def all(self, told: Iterable[Message]) -> list[str]:
        """Return the words of several messages."""
        return [self(each) for each in told]

    def cells(self, column: pd.Series, group: str = "") -> pd.Series:
        """Return a table's column of codes, lists of codes or messages in words.

        Parameters
        ----------
        column
            Texts: codes joined by ``"; "`` where there are several, or what
            :func:`rehit.messages.as_text` or :func:`rehit.messages.as_lines` wrote.
        group
            Topic of the codes; without it each cell is a message of its own.
        """
        known = {value: self._cell(str(value), group) for value in column.dropna().unique()}
        return column.map(known).astype("str").where(column.notna())

    def columns(self, table: pd.DataFrame, groups: Mapping[str, str]) -> pd.DataFrame:
        """Return a table with some columns in words; `groups` as for :meth:`cells`."""
        return table.assign(**{name: self.cells(table[name], group)
                               for name, group in groups.items() if name in table})

    def own(self, text: str) -> str:
        """Return a text of the package's own tables in the language; English where it has none."""
        return own_texts(self.language).get(text, text)

    def unit(self, unit: str) -> str:
        """Return a unit of the package's own tables in words, its money the project's.

        Examples
        --------
        >>> Say("en", "GBP").unit("currency/year"), Say("es").unit("currency/m2")
        ('GBP/year', '€/m²')
        """
        return self.own(unit).replace(self.own("currency"), self.currency).replace("m2", "m²")

    def head(self, column: str, unit: str = "") -> str:
        """Return the head of a table's column with as much of its unit as the name leaves unsaid.

        A share is shown as per cent and has no unit.

        Examples
        --------
        >>> Say("es").head("rate_per_year", "incidents/year"), Say("en").head("share", "0-1")
        ('Tasa [casos/año]', 'Share')
        >>> Say("en").head("incidents_per_year", "incidents/year")
        'Incidents a year'
        >>> Say("en", "GBP").head("saving_per_year", "currency/year")
        'Saving a year [GBP]'
        """
        label = self.code("head", column)
        unsaid = "" if unit == "0-1" else _unsaid(self.unit(unit), label)
        return f"{label} [{unsaid}]" if unsaid else label

    def written(self, value: object, form: str) -> str:
        """Write one value as a placeholder of this form would.

        Examples
        --------
        >>> Say("es").written(0.5, "share1")
        '50,0\xa0%'
        """
        return _Filler(self).format_field(value, form)

    def _cell(self, text: str, group: str) -> str:
        if group:
            return "; ".join(self.code(group, code) for code in text.split("; "))
        return " ".join(self.all(from_lines(text)))

    def _plural(self, number: object) -> int:
        rule = _plural_rule(self.language)
        try:
            value = float(str(number))
        except ValueError:
            value = 2.0  # a number written out stands for many
        return 0 if rule(abs(value)) == "one" else 1

    def code(self, group: str, code: object) -> str:
        """Return the plain word for a code such as a substrate; the code itself if unknown."""
        text = catalogue(self.language).get(f"{group}.{code}")
        return text if isinstance(text, str) else str(code).replace("_", " ")

    def thing(self, kind: object) -> str:
        """Return the word for a kind of asset; the log's own word where it is no code.

        Examples
        --------
        >>> Say("es").thing("Wall"), Say("es").thing("obelisk")
        ('muro', 'obelisk')
        """
        text = catalogue(self.language).get(f"asset_type.{str(kind).strip().lower()}")
        return text if isinstance(text, str) else str(kind)

    def counted(self, number: float, noun: str) -> str:
        """Return a number and what it counts, in agreement.

        Examples
        --------
        >>> Say("en").counted(1, "place"), Say("es").counted(1200, "place")
        ('1 place', '1.200 lugares')
        """
        return self(f"of.{noun}", n=number)

    def country(self, code: str) -> str:
        """Return a country's name for its ISO code.

        Examples
        --------
        >>> Say("en").country("CH"), Say("es").country("CH")
        ('Switzerland', 'Suiza')
        """
        return str(Locale.parse(self.language).territories.get(code, code))

    def list(self, parts: Sequence[object], *,
             style: Literal["standard", "or"] = "standard") -> str:
        """Return the members of a list as the language joins them."""
        said = [self(p) if isinstance(p, Message) else str(p) for p in parts]
        return format_list(said, style=style, locale=self.language) if said else ""

    def decimal(self, value: float, places: int) -> str:
        """Write a number with so many decimals; one too large for exact digits as a power of ten.

        Examples
        --------
        >>> Say("en").decimal(1234.5, 1), Say("es").decimal(1.5e30, 2)
        ('1,234.5', '1,5E30')
        """
        if value is None or not math.isfinite(value):
            return DASH
        rounded = round(value, places)
        pattern = "#,##0" + ("." + "0" * places if places > 0 else "")
        text = (format_decimal(abs(rounded), format=pattern, locale=self.language)
                if abs(rounded) < EXACT else
                format_scientific(abs(rounded), format="0.##E0", locale=self.language))
        return (MINUS if rounded < 0 else "") + text

    def whole(self, value: float) -> str:
        """Write a count in full, with thousands separated."""
        return self.decimal(value, 0)

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
        return self.decimal(rounded, max(places, 0))

    def given(self, value: float) -> str:
        """Write a number that the user gave, as it was given."""
        if value is None or not math.isfinite(value):
            return DASH
        _, _, fraction = f"{abs(value):.6g}".partition(".")
        return self.decimal(value, len(fraction) if "e" not in fraction else 0)

    def length(self, metres: float) -> str:
        r"""Write a distance to three figures: metres or kilometres, or feet or miles.

        Examples
        --------
        >>> Say("en").length(82.0), Say("en", units="imperial").length(25.0)
        ('82\xa0m', '82\xa0ft')
        >>> Say("es").length(1500.0), Say("en", units="imperial").length(1500.0)
        ('1,5\xa0km', '0.932\xa0mi')
        """
        unit, factor = self._unit_of_length(metres)
        return self._measured(metres / factor, unit)

    def round_length(self, longest_m: float) -> float:
        r"""Return the longest distance [m] within `longest_m` that is 1, 2 or 5 × 10ⁿ of its unit.

        Examples
        --------
        >>> Say("en").round_length(870.0)
        500.0
        >>> Say("en", units="imperial").length(Say("en", units="imperial").round_length(200.0))
        '500\xa0ft'
        """
        factor = self._unit_of_length(longest_m)[1]
        power = 10.0 ** math.floor(math.log10(longest_m / factor))
        return max(step * power * factor for step in (1.0, 2.0, 5.0)
                   if step * power * factor <= longest_m)

    def _unit_of_length(self, metres: float) -> tuple[str, float]:
        """Return the unit a distance is told in, and its metres."""
        if self.units == "imperial":
            return (("miles", METRES_PER_MILE) if metres >= METRES_PER_MILE / 2
                    else ("feet", METRES_PER_FOOT))
        return ("kilometres", 1000.0) if metres >= 1000 else ("metres", 1.0)

    def area(self, square_metres: float) -> str:
        r"""Write an area to three figures in square metres or square feet.

        Examples
        --------
        >>> Say("en").area(1.5), Say("en", units="imperial").area(1.5)
        ('1.5\xa0m²', '16.1\xa0ft²')
        """
        if self.units == "imperial":
            return self._measured(square_metres / METRES_PER_FOOT**2, "square_feet")
        return self._measured(square_metres, "square_metres")

    def _measured(self, value: float, unit: str) -> str:
        return self(f"format.{unit}", value=self.given(float(f"{value:.3g}")))

    def share(self, value: float, places: int = 0) -> str:
        """Write a share as per cent; below 1 % and above 99 % says so instead of 0 or 100.

        With decimals the limits are 0.1 % and 99.9 %, and so on.
        """
        if value is None or not math.isfinite(value):
            return DASH
        least = 0.01 / 10**places
        if 0 < value < least or 1 - least < value < 1:
            sign, limit = ("<", least) if value < least else (">", 1 - least)
            return sign + NO_BREAK + self("format.percent",
                                          value=self.decimal(limit * 100, places))
        return self("format.percent", value=self.decimal(value * 100, places))

    def percent(self, value: float) -> str:
        """Write a share as per cent with as many decimals as it needs."""
        return self("format.percent", value=self.given(round(value * 100, 4)))

    def change(self, value: float, digits: int = 2) -> str:
        """Write a share as per cent with its sign."""
        text = self("format.percent", value=self.number(abs(value) * 100, digits))
        return (MINUS if value < 0 else "+") + text

    def chance(self, value: float, places: int = 0) -> str:
        """Write a chance that was estimated: never as 0 or 100 %, which nothing estimated is.

        Examples
        --------
        >>> Say("en").chance(1.0), Say("en").chance(0.0)
        ('>\xa099%', '<\xa01%')
        """
        return self.share(min(max(value, 1e-9), 1 - 1e-9), places)

    def p_value(self, value: float) -> str:
        """Write a p-value to two decimals, or as below 0.01 or 0.001."""
        for limit in (0.001, 0.01):
            if value < limit:
                return "<" + NO_BREAK + self.number(limit, 1)
        return self.decimal(value, 2)

    def money(self, value: float, currency: str | None = None, digits: int = 2) -> str:
        """Write an amount of money to two significant digits, with the currency's code or sign."""
        if value is None or not math.isfinite(value):
            return DASH
        return self._money(value, self.number(abs(value), digits), currency)

    def sum(self, value: float, currency: str | None = None, places: int = 0) -> str:
        """Write an amount of money in full."""
        if value is None or not math.isfinite(value):
            return DASH
        return self._money(round(value, places), self.decimal(abs(value), places), currency)

    def _money(self, value: float, text: str, currency: str | None) -> str:
        sign = currency or self.currency
        key = "format.money_code" if sign.isalpha() else "format.money_sign"
        return self(key, minus=MINUS if value < 0 else "", currency=sign, value=text)

    def span(self, low: str, high: str) -> str:
        """Write a range as words, which a minus sign cannot garble."""
        return self("format.range", low=low, high=high)

    def day(self, day: date) -> str:
        """Write a day in full."""
        return format_date(day, "long" if self.language != "en" else "d MMMM y",
                           locale=self.language)

    def full_day(self, day: date) -> str:
        """Write a day in full with its day of the week."""
        return self("format.full_day", weekday=self.weekday(day.weekday()), day=self.day(day))

    def month(self, day: date | int, *, short: bool = False) -> str:
        """Write the name of a month."""
        number = day if isinstance(day, int) else day.month
        names = (get_month_names("abbreviated", "stand-alone", locale=self.language) if short else
                 get_month_names("wide", "stand-alone", locale=self.language))
        return str(names[number])

    def weekday(self, number: int) -> str:
        """Write the name of a day of the week, Monday being 0."""
        return str(get_day_names("wide", "stand-alone", locale=self.language)[number])

    def ranged(self, value: float, low: float, high: float) -> str:
        """Write an estimate with its interval.

        Examples
        --------
        >>> Say("en").ranged(20.44, 15.94, 25.4)
        '20 (16 to 25)'
        """
        return self("format.ranged", value=value, low=low, high=high)

    def days(self, first: date, last: date) -> str:
        """Write a span of days."""
        return self("format.days_span", low=self.day(first), high=self.day(last))


def _unsaid(unit: str, label: str) -> str:
    """Return a unit without the parts at its end that the label says ("Crew hours", not twice)."""
    said = {word.rstrip("s") for word in re.findall(r"\w+", label.casefold())}
    parts = unit.split("/")
    while parts and parts[-1].casefold().rstrip("s") in said:
        parts.pop()
    return "/".join(parts)


class _Filler(string.Formatter):
    """Fills placeholders, each value written as its specification asks."""

    def __init__(self, say: Say) -> None:
        self.say = say

    def get_value(self, key: int | str, _args: Sequence[Any], kwargs: Mapping[str, Any]) -> Any:
        """Return what a placeholder stands for, refusing one that nobody gave."""
        if key not in kwargs:
            raise SettingError(message("where.catalogue"), "errors.no_value", name=key,
                               known=tuple(kwargs))
        return kwargs[str(key)]

    def format_field(self, value: Any, format_spec: str) -> str:
        if isinstance(value, Message):
            said = self.say(value)
            return said[:1].upper() + said[1:] if format_spec == "start" else said
        if format_spec in ("typed", "quoted"):
            return _typed(self.say, value, repr if format_spec == "quoted" else _bare)
        if isinstance(value, tuple | list):
            choice = format_spec == "or"
            return self.say.list([self.format_field(v, "" if choice else format_spec)
                                  for v in value], style="or" if choice else "standard")
        if not format_spec:
            return _as_it_is(self.say, value)
        return _written(self.say, value, format_spec)


def _typed(say: Say, value: Any, write: Callable[[Any], str]) -> str:
    """Write a value, or each of a list, as a file or command has it: in no language's manner."""
    if not isinstance(value, tuple | list):
        return write(value)
    return ", ".join(say(each) if isinstance(each, Message) else write(each)
                     for each in value) or say("error.none")


def _bare(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _as_it_is(say: Say, value: Any) -> str:
    if isinstance(value, str):
        return value
    if isinstance(value, datetime | date):
        return say.day(value)
    if value is None or value is pd.NaT:
        return DASH
    return say.whole(value) if float(value).is_integer() else say.number(value)


_SIMPLE: dict[str, Callable[[Say, Any], str]] = {
           "whole": Say.whole, "given": Say.given, "length": Say.length, "area": Say.area,
           "share": Say.share, "chance": Say.chance,
           "p": Say.p_value, "percent": Say.percent, "change": Say.change, "money": Say.money,
           "sum": Say.sum, "country": Say.country, "day": Say.day,
           "full_day": Say.full_day, "month": Say.month}


def _written(say: Say, value: Any, spec: str) -> str:
    """Write one value as its specification asks."""
    kind, _, rest = spec.partition(".")
    if spec == "start":
        return str(value)[:1].upper() + str(value)[1:]
    if kind == "in":
        return say.code(rest, value)
    if spec == "own":
        return say.own(str(value))
    if kind == "of":
        return say.counted(value, rest)
    if spec in _SIMPLE:
        return _SIMPLE[spec](say, value)
    if spec[:5] == "money" and spec[5:].isdigit():
        return say.money(value, digits=int(spec[5:]))
    if spec == "price":
        return say.sum(value, places=2)
    if spec == "year":
        return str(int(value))
    if spec == "date":
        return f"{value:%Y-%m-%d}"
    if spec == "clock":
        return f"{value:%H:%M}" if isinstance(value, datetime | time) else str(value)
    if spec[:5] == "share" and spec[5:].isdigit():
        return say.share(value, int(spec[5:]))
    if spec[:6] == "chance" and spec[6:].isdigit():
        return say.chance(value, int(spec[6:]))
    if spec[:3] in ("sig", "dec") and spec[3:].isdigit():
        write = say.number if spec[:3] == "sig" else say.decimal
        return write(value, int(spec[3:]))
    if spec[:6] == "signed":
        text = say.decimal(value, int(spec[6:] or 0))
        return text if text.startswith(MINUS) else "+" + text
    raise SettingError(message("where.catalogue"), "errors.unknown_form_of_value", form=spec)


@cache
def _plural_rule(language: str) -> PluralRule:
    return Locale.parse(language).plural_form
