"""What a notebook shows: tables in the words of a language; knobs that an answer follows."""

from __future__ import annotations

from html import unescape
from re import findall

import pandas as pd
import pytest

from rehit.messages import as_text, message
from rehit.report.notebook import shown_table, turning
from rehit.report.say import Say


def cells(styled: object) -> tuple[list[str], list[str]]:
    """Return the heads and the cells of a table as a reader sees them."""
    text = unescape(styled.to_html())  # type: ignore[attr-defined]
    return findall(r"<th [^>]*>(.*?)</th>", text), findall(r"<td [^>]*>(.*?)</td>", text)


def test_a_table_has_heads_units_codes_and_numbers_in_the_language_asked() -> None:
    table = pd.DataFrame({
        "place_id": ["WL-1"], "asset_type": ["wall"], "strategy": ["permanent_coating"],
        "saving": [12345.6], "n_rehits": [1200], "chance_cheapest": [0.999],
        "coatable": [True], "match_evidence": [as_text(message("match.number"))],
        "unit": ["currency/m2"], "geometry": [None]})
    heads, told = cells(shown_table(table, say=Say("es", "CHF"), forms={"n_rehits": "given"}))
    assert heads == [
        "Código del lugar", "Tipo de elemento", "Forma de cuidado", "Ahorro de los años [CHF]",
        "Reincidencias", "Probabilidad de ser la más barata", "Se puede recubrir",
        "Indicios de la correspondencia", "Unidad"]
    assert told == [
        "WL-1", "muro", "recubrimiento permanente", "12.345,6", "1.200", ">\xa099\xa0%", "sí",
        Say("es")("match.number"), "CHF/m²"]


def test_columns_are_chosen_in_order_and_may_have_heads_of_ones_own() -> None:
    table = pd.DataFrame({"a": [1.25, None], "b": ["<b>", "x"], "at": pd.to_datetime(
        ["2025-03-04 08:05", "2025-03-04 17:00"])})
    heads, told = cells(shown_table(table, ["b", "a", "c"], digits=2, top=1))
    assert (heads, told) == (["b", "a"], ["<b>", "1.25"])
    assert "<b>" not in shown_table(table).to_html()
    heads, told = cells(shown_table(table, {"a": "how many", "at": "when"},
                                    forms={"a": "whole", "at": "clock"}))
    assert (heads, told) == (["how many", "when"], ["1", "08:05", "–", "17:00"])


def test_a_code_that_its_column_does_not_name_has_its_topic_given() -> None:
    table = pd.DataFrame({"code": ["share_hot_wash"]})
    _, told = cells(shown_table(table, say=Say("es"), words={"code": "share"}))
    assert told == [Say("es").code("share", "share_hot_wash")]


def test_answer_follows_every_knob() -> None:
    widgets = pytest.importorskip("ipywidgets", reason="the notebooks extra is not installed")
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
    widgets = pytest.importorskip("ipywidgets", reason="the notebooks extra is not installed")
    box = turning(lambda years: str(years), years=widgets.IntSlider(value=5))
    assert not any(isinstance(child, widgets.Output) for child in box.children)
