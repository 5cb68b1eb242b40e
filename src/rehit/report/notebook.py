"""What a notebook shows: sentences as a list, tables in words, figures with their text, knobs.

Everything is escaped here, so that a notebook holds no HTML: texts of a log are hostile.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING, Any

import pandas as pd

from rehit.report.figures import FigureText, house_style, to_png
from rehit.report.say import Say

if TYPE_CHECKING:
    import ipywidgets
    from matplotlib.axes import Axes
    from pandas.io.formats.style import Styler


def as_list(sentences: Iterable[str]) -> str:
    """Return sentences as a list of HTML.

    Examples
    --------
    >>> as_list(["1 < 2"])
    "<ul class='say'><li>1 &lt; 2</li></ul>"
    """
    return f"<ul class='say'>{''.join(f'<li>{escape(said)}</li>' for said in sentences)}</ul>"


def shown_table(table: pd.DataFrame, columns: Mapping[str, str] | None = None, *,
                top: int | None = None, digits: int = 1,
                forms: Mapping[str, str] | None = None, words: Mapping[str, str] | None = None,
                language: str = "en") -> Styler:
    """Return a table for reading: columns chosen and named, numbers short, text escaped.

    Parameters
    ----------
    table
        Any table; a geometry is left out. Rows beyond `top` are not shown.
    columns
        Column to heading, in the order shown; columns the table lacks are left out.
    top
        How many rows.
    digits
        Decimals of numbers without a form of their own.
    forms
        Column to a format such as ``{:.0%}``; empty cells show as "-".
    words
        Column of codes to the topic that has their words, such as ``{"method": "method"}``; an
        empty topic where each cell is a message.
    language
        The language of those words.

    Examples
    --------
    >>> text = shown_table(pd.DataFrame({"a": ["<b>"], "x": [0.5]}), {"a": "name", "x": "share"},
    ...                    forms={"x": "{:.0%}"}).to_html()
    >>> "&lt;b&gt;" in text, "50%" in text
    (True, True)
    """
    plain = pd.DataFrame(table.drop(columns="geometry", errors="ignore"))
    names = {name: str(name) for name in plain} if columns is None else {
        name: heading for name, heading in columns.items() if name in plain}
    picked = plain[list(names)].head(len(plain) if top is None else top).copy()
    for name, topic in (words or {}).items():
        if name in names:
            picked[name] = Say(language).cells(picked[name], topic)
    style = picked.rename(columns=names).style.hide().format(
        precision=digits, thousands=",", na_rep="-", escape="html")
    for name, form in (forms or {}).items():
        if name in names:
            style = style.format(form, subset=[names[name]], na_rep="-")
    return style


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
