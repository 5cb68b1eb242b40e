"""Knobs of a notebook: the answer follows them, and nothing captures output."""

from __future__ import annotations

import pytest

from rehit.report.notebook import turning

widgets = pytest.importorskip("ipywidgets", reason="the notebooks extra is not installed")


def test_answer_follows_every_knob() -> None:
    years = widgets.IntSlider(value=5, min=1, max=30)
    share = widgets.FloatSlider(value=0.5, min=0, max=1)
    box = turning(lambda years, share: f"{years} and {share:.1f}", years=years, share=share)
    assert box.children[:2] == (years, share)
    assert box.children[2].value == "<p>5 and 0.5</p>"
    years.value = 9
    assert box.children[2].value == "<p>9 and 0.5</p>"
    share.value = 0.7
    assert box.children[2].value == "<p>9 and 0.7</p>"


def test_no_widget_captures_output() -> None:
    """Such a widget writes to the kernel while its cell runs; the cell's reply can be missed."""
    box = turning(lambda years: str(years), years=widgets.IntSlider(value=5))
    assert not any(isinstance(child, widgets.Output) for child in box.children)
