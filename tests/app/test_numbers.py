"""The view of the numbers in force."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import pytest

from rehit.app.numbers import as_number, figures, figures_moved, numbers_table, topics
from rehit.parameters import load_parameters
from rehit.report.say import Say


def test_the_numbers_are_read_in_the_language_of_the_page() -> None:
    own = load_parameters().override({"costs.horizon_years": 12})
    page, rows = SimpleNamespace(say=Say("es")), {row.name: row for row in own.rows("costs")}
    shown = numbers_table(page, rows).set_index("Número")
    assert shown.loc["costs.horizon_years"].to_dict() == {
        "Valor": "12 *", "Unidad": "años", "Intervalo": "1 – 60",
        "Significado": "años en los que se comparan las formas de cuidado",
        "Fuente": "supuesto: la vida que los fabricantes dan a un recubrimiento permanente"}


@pytest.mark.parametrize("language", ["en", "es"])
def test_every_topic_of_the_numbers_has_a_name(language: str) -> None:
    """A topic without one stops the whole view."""
    say = Say(language)
    assert all(say(f"app.room_{room}") for room in topics(load_parameters()))


def test_a_number_is_taken_as_people_write_it() -> None:
    assert [as_number(text) for text in ("34", "0,5", " ", "many")] == [34, 0.5, None, "many"]


def test_a_figure_that_reads_as_before_has_not_moved(tmp_path: Path) -> None:
    """E1 is new and V2 is gone: neither moved; without a report before, nothing did."""
    assert figures(tmp_path) == {}
    told = [{"id": code, "label": code.lower(), "shown": shown, "rows": 0}
            for code, shown in (("V1", "380"), ("V3", "12"), ("E1", "7"))]
    (tmp_path / "trace.json").write_text(json.dumps({"figures": told, "rows": [""]}),
                                         encoding="utf-8")
    before = {code: {"label": "", "shown": shown}
              for code, shown in (("V1", "380"), ("V2", "1"), ("V3", "11"))}
    assert figures_moved(before, figures(tmp_path)).to_dict("records") == [
        {"code": "V3", "figure": "v3", "before": "11", "now": "12"}]
    assert figures_moved({}, figures(tmp_path)).empty
