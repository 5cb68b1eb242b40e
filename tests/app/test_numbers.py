"""The view of the numbers in force."""

from __future__ import annotations

from types import SimpleNamespace

from rehit.app.numbers import as_number, numbers_table
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


def test_a_number_is_taken_as_people_write_it() -> None:
    assert [as_number(text) for text in ("34", "0,5", " ", "many")] == [34, 0.5, None, "many"]
