"""What a notebook shows: sentences as a list, tables in words, figures with their text, knobs.

Everything is escaped here, so that a notebook holds no HTML: texts of a log are hostile.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from html import escape
from typing import TYPE_CHECKING, Any

import pandas as pd

from rehit.report.figures import FigureText, house_style, to_png
from rehit.report.inputs import CODED, WORDS
from rehit.report.say import DASH, Say
from rehit.tables import table as contract
from rehit.tables import table_names

if TYPE_CHECKING:
    import ipywidgets
    from matplotlib.axes import Axes
    from pandas.io.formats.style import Styler

#: Topics of the codes of columns whose name says what they hold.
_WORDS = WORDS | CODED["findings"] | CODED["incidents"]


def as_list(sentences: Iterable[str]) -> str:
    """Return sentences as a list of HTML.

    Examples
    --------
    >>> as_list(["1 < 2"])
    "<ul class='say'><li>1 &lt; 2</li></ul>"
    """
    return f"<ul class='say'>{''.join(f'<li>{escape(said)}</li>' for said in sentences)}</ul>"


def shown_table(table: pd.DataFrame, columns: Iterable[str] | Mapping[str, str] | None = None, *,
                say: Say | None = None, top: int | None = None, digits: int = 1,
                forms: Mapping[str, str] | None = None,
                words: Mapping[str, str] | None = None) -> Styler:
    """Return a table for reading: columns chosen, heads and codes in words, text escaped.

    Parameters
    ----------
    table
        Any table; a geometry is left out. Rows beyond `top` are not shown.
    columns
        Columns in the order shown, or column to a heading of your own; default all. Columns that
        the table lacks are left out. A heading gives the column's unit.
    say
        Language and money: ``town.say`` of the project opened; default English.
    top
        How many rows.
    digits
        Decimals of numbers without a form of their own; a share is shown as per cent.
    forms
        Column to how its values are written, as in a catalogue: ``whole``, ``dec2``, ``share``.
    words
        Column to the topic that has the words for its codes, such as ``{"code": "share"}``, where
        its name does not say it; an empty topic where each cell is a message.

    Examples
    --------
    >>> found = pd.DataFrame({"method": ["paint_out"], "name": ["<b>"], "share": [0.5]})
    >>> text = shown_table(found, forms={"share": "share"}).to_html()
    >>> "paint out" in text, "&lt;b&gt;" in text, "50%" in text
    (True, True, True)
    """
    say, plain = say or Say(), pd.DataFrame(table.drop(columns="geometry", errors="ignore"))
    heads = columns if isinstance(columns, Mapping) else {
        name: say.head(name, _units().get(name, ""))
        for name in (map(str, plain) if columns is None else columns)}
    topics, forms = _WORDS | dict(words or {}), forms or {}
    picked = plain.head(len(plain) if top is None else top)
    told = {head: _in_words(picked[name], say, topics.get(name), forms.get(
        name, _form(picked[name], digits))) for name, head in heads.items() if name in plain}
    return pd.DataFrame(told).style.hide().format(escape="html", na_rep=DASH)


@cache
def _units() -> dict[str, str]:
    """Return the unit of each column that has the same one in every table."""
    found: dict[str, set[str]] = {}
    for name in table_names():
        for column in contract(name).columns:
            found.setdefault(column.name, set()).add(column.unit)
    return {name: units.pop() for name, units in found.items() if len(units) == 1}


def _form(column: pd.Series, digits: int) -> str:
    if _units().get(str(column.name)) == "0-1":
        return "share"
    return "whole" if pd.api.types.is_integer_dtype(column.dtype) else f"dec{digits}"


def _in_words(column: pd.Series, say: Say, topic: str | None, form: str) -> pd.Series:
    """Return a column as texts; what is empty stays empty."""
    if pd.api.types.is_bool_dtype(column.dtype):
        return column.map({True: say("format.yes"), False: say("format.no")})
    if pd.api.types.is_numeric_dtype(column.dtype) or form == "clock":
        return column.map(lambda value: say.written(value, form), na_action="ignore")
    if column.name == "asset_type":
        return column.map(say.thing, na_action="ignore")
    if column.name == "unit" and topic is None:
        return column.map(say.unit, na_action="ignore")
    return column if topic is None else say.cells(column, topic)


@dataclass(frozen=True)
class Shown:
    """A figure in a notebook: its picture and what it says in words."""

    title: str
    note: str
    alt: str
    png: bytes = field(repr=False)

    def _repr_mimebundle_(self, **_how: object) -> tuple[dict[str, bytes], dict[str, Any]]:
        return {"image/png": self.png}, {"image/png": {"alt": self.alt}}


def shown_figure(draw: Callable[[Axes], FigureText], *,
                 size_inches: tuple[float, float] = (8, 4.5)) -> Shown:
    """Draw one figure of the report for a notebook."""
    from matplotlib.figure import Figure

    with house_style():
        figure = Figure(figsize=size_inches, layout="constrained")
        text = draw(figure.add_subplot())
        return Shown(text.title, text.note, text.alt, to_png(figure, dpi=110))


def turning(answer: Callable[..., object], **knobs: ipywidgets.ValueWidget[Any]
            ) -> ipywidgets.VBox:
    """Return the knobs above an answer that follows them.

    The answer stands in an HTML widget. A widget that captures printed output would send messages
    of its own while its cell runs; the executing program can then miss the cell's reply and wait
    for ever, so that a page or a run of the notebooks never ends.

    Parameters
    ----------
    answer : callable
        Takes the knobs' values by name and returns a sentence, a table, or anything that a
        notebook shows as HTML; sentences are escaped.
    **knobs : ipywidgets.ValueWidget
        The knobs, in the order they are shown.

    Returns
    -------
    ipywidgets.VBox
        Needs the optional ``notebooks`` extra.

    Examples
    --------
    >>> import ipywidgets
    >>> box = turning(lambda years: f"{years} years", years=ipywidgets.IntSlider(5))
    >>> box.children[-1].value
    '<p>5 years</p>'
    """
    import ipywidgets  # optional, and only notebooks have knobs

    shown = ipywidgets.HTML()

    def follow(_: object = None) -> None:
        shown.value = _as_html(answer(**{name: knob.value for name, knob in knobs.items()}))

    for knob in knobs.values():
        knob.observe(follow, names="value")
    follow()
    return ipywidgets.VBox([*knobs.values(), shown])


def _as_html(answer: Any) -> str:
    if isinstance(answer, pd.DataFrame):
        answer = shown_table(answer)
    if hasattr(answer, "_repr_html_"):
        return str(answer._repr_html_())
    return f"<p>{escape(str(answer))}</p>"
