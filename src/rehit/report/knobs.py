"""Knobs of a notebook above the answer they change."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import ipywidgets


def turning(answer: Callable[..., str], **knobs: ipywidgets.ValueWidget[Any]) -> ipywidgets.VBox:
    """Return the knobs above an answer that follows them.

    The answer stands in an HTML widget. A widget that captures printed output would send messages
    of its own while its cell runs; the executing program can then miss the cell's reply and wait
    for ever, so that a page or a run of the notebooks never ends.

    Parameters
    ----------
    answer : callable
        Takes the knobs' values by name and returns HTML; text from a log must come escaped.
    **knobs : ipywidgets.ValueWidget
        The knobs, in the order they are shown.

    Returns
    -------
    ipywidgets.VBox
        Needs the optional ``notebooks`` extra.

    Examples
    --------
    >>> import ipywidgets
    >>> box = turning(lambda years: f"<p>{years} years</p>", years=ipywidgets.IntSlider(5))
    >>> box.children[-1].value
    '<p>5 years</p>'
    """
    import ipywidgets  # optional, and only notebooks have knobs

    shown = ipywidgets.HTML()

    def follow(_: object = None) -> None:
        shown.value = answer(**{name: knob.value for name, knob in knobs.items()})

    for knob in knobs.values():
        knob.observe(follow, names="value")
    follow()
    return ipywidgets.VBox([*knobs.values(), shown])
