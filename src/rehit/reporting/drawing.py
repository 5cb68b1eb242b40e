"""How figures are drawn: one look, the same bytes every time, a text for those who cannot see."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, cast

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from rehit.reporting.document import Picture
from rehit.reporting.palette import INK, LINE, PAPER, QUIET
from rehit.reporting.words import Words

WIDE = (7.0, 3.9)
NARROW = (3.5, 3.3)
#: Distance of the legend below the axes, past ticks and label [font sizes].
_BELOW_LABEL = 4.4
_STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans", "font.size": 9.5, "text.color": INK, "axes.labelcolor": INK,
    "axes.edgecolor": QUIET, "axes.spines.top": False, "axes.spines.right": False,
    "xtick.color": INK, "ytick.color": INK, "axes.grid": True, "grid.color": LINE,
    "grid.linewidth": 0.6, "axes.axisbelow": True, "figure.facecolor": PAPER,
    "axes.facecolor": PAPER, "legend.frameon": False, "svg.hashsalt": "rehit",
    "svg.fonttype": "path", "lines.linewidth": 1.8, "hatch.linewidth": 0.7,
}


@dataclass(frozen=True)
class FigureText:
    """What a figure says in words: its finding, its source line, its alternative text."""

    title: str
    note: str
    alt: str


def figure_text(words: Words, key: str, **facts: object) -> FigureText:
    """Take a figure's three texts from the catalogue, the facts filled in."""
    title, note, alt = (words(f"fig.{key}_{part}", **facts) for part in ("title", "note", "alt"))
    return FigureText(title[:1].upper() + title[1:], note, alt)


@contextmanager
def house_style() -> Iterator[None]:
    """Draw in the report's look inside the block; settings outside are left alone."""
    with mpl.rc_context(cast(Any, _STYLE)):
        yield


def legend_below(ax: Axes, *, ncols: int) -> None:
    """Put the legend under the axis label, where it cannot hide a line."""
    ax.legend(loc="upper left", bbox_to_anchor=(0.0, 0.0), ncols=ncols, fontsize=8.5,
              handlelength=3, borderaxespad=_BELOW_LABEL)


def finish(ax: Axes, text: FigureText, *, titled: bool) -> FigureText:
    """Put the finding above the axes and the source line below where `titled`; return the text."""
    if titled:
        width = int(cast(Figure, ax.figure).get_figwidth() * 10.5)
        ax.set_title(textwrap.fill(text.title, width), loc="left", fontsize=11, fontweight="bold")
        legend = ax.get_legend()
        rows = 0 if legend is None else len(legend.get_texts())
        ax.annotate(textwrap.fill(text.note, int(width * 1.3)), (0, 0), (0, -38 - 14 * rows),
                    xycoords="axes fraction", textcoords="offset points", va="top",
                    fontsize=7.5, color=QUIET, annotation_clip=False)
    return text


def is_narrow(ax: Axes) -> bool:
    """Whether the drawing is for a phone."""
    return float(cast(Figure, ax.figure).get_figwidth()) < 5


def in_words(words: Words, kind: str = "whole") -> FuncFormatter:
    """Write the numbers of an axis in the language's manner: `whole`, `share` or `given`."""
    write = {"whole": words.whole, "given": words.given,
             "share": lambda v: words("format.percent", value=words.whole(v * 100))}[kind]
    return FuncFormatter(lambda value, _: write(value))


def draw_picture(name: str, draw: Callable[[Axes], FigureText], *, tall: float = 1.0) -> Picture:
    """Draw one figure wide and narrow and pack both with its texts.

    Parameters
    ----------
    name
        Id of the picture in the page.
    draw
        Draws on the axes it is given, without a title.
    tall
        Factor for the height, such as for long lists.
    """
    drawn: list[tuple[FigureText, bytes]] = []
    for width, height in (WIDE, NARROW):
        with house_style():
            figure = Figure(figsize=(width, height * tall), layout="constrained")
            drawn.append((draw(figure.add_subplot()), to_svg(figure)))
    (text, wide), (_, narrow) = drawn
    return Picture(name, text.title, text.note, text.alt, wide, narrow)


def to_svg(figure: Figure) -> bytes:
    """Write a figure as SVG with neither date nor program name in it."""
    page = io.BytesIO()
    figure.savefig(page, format="svg", metadata={"Date": None, "Creator": None})
    return page.getvalue()


def to_png(figure: Figure, *, dpi: int = 150) -> bytes:
    """Write a figure as PNG with no program name in it."""
    page = io.BytesIO()
    figure.savefig(page, format="png", dpi=dpi, metadata={"Software": None})
    return page.getvalue()
