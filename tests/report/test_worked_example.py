"""The worked example recomputed by another program, to the cent."""

from __future__ import annotations

import pytest
from openpyxl import load_workbook

from rehit.costs.lifecycle import compare_by_formula
from rehit.costs.strategies import Strategy, load_strategies
from rehit.parameters import load_parameters
from rehit.report.say import Say
from rehit.report.worked_example import COLUMNS, sheet_name, write_worked_example

PARAMETERS = load_parameters().override({
    "costs.escalation_labour": 0.015, "costs.escalation_materials": -0.005,
    "costs.planned_repaint_years": 6, "costs.residual_share": 0.8})
HOSTILE = '=HYPERLINK("http://example.org","x")'


def strategies() -> list[Strategy]:
    lamp = Strategy(name="=cmd|' /C calc'!A0", meaning="lighting", first_cost=900, yearly_cost=40,
                    life_years=7, effect_on_rate=0.25)
    return [*load_strategies(parameters=PARAMETERS), lamp]


@pytest.mark.parametrize("wall_area_m2", [2.0, 12.0, 60.0])
def test_libreoffice_works_out_the_same_figures_to_the_cent(
        one_wall, tmp_path, recomputed, wall_area_m2: float) -> None:
    """A small thing painted whole, a wall, and one so large that only age ends a coating."""
    wall = one_wall.assign(place_id=HOSTILE, method="paint_out", access="ladder",
                           wall_area_m2=wall_area_m2, traffic_control=True)
    path = write_worked_example(tmp_path / "example.xlsx", wall, strategies=strategies(),
                                parameters=PARAMETERS)
    book = recomputed(path)
    comparison = compare_by_formula(wall, strategies=strategies(), parameters=PARAMETERS)
    rows = book.get_sheet_by_name("Summary").to_python()[3:9]
    for row, expected in zip(rows, comparison.expected, strict=True):
        own = float(expected.present_value[0])
        assert own > 1000
        assert row[1] == pytest.approx(own, abs=0.005)
        assert row[2] == pytest.approx(own / comparison.timeline.annuity, abs=0.005)
        assert row[5] == "yes"


@pytest.mark.parametrize(("strategy", "number", "method", "life"), [
    ("permanent_coating", 3, "hot_wash", 30), ("paint_out_each_time", 1, "paint_out", 6)])
def test_each_year_adds_up_and_renewals_are_checked_by_the_beta_distribution(
        one_wall, tmp_path, recomputed, strategy: str, number: int, method: str,
        life: int) -> None:
    """Two spots of 15 cleanings each; six patches until half of the wall is patched."""
    wall = one_wall.assign(method=method)
    path = write_worked_example(tmp_path / "example.xlsx", wall)
    book = recomputed(path)
    comparison = compare_by_formula(wall)
    cells = book.get_sheet_by_name(sheet_name(strategy, number)).to_python()
    by_year = comparison.expected[number].by_year[0]
    assert cells[16][1] == life
    for year in range(11):
        residual = comparison.expected[number].residual[0] if year == 10 else 0.0
        assert cells[1 + year][14] == pytest.approx(by_year[year] - residual, abs=0.005)
    verdicts = [row[2] for row in cells[18:28]]
    assert verdicts == ["agrees"] * 10


def test_lives_used_up_thousands_of_times_ask_for_no_columns_that_a_sheet_lacks(
        one_wall, tmp_path) -> None:
    """A log of one open row gives such rates: half a million formulas took a minute."""
    path = write_worked_example(tmp_path / "example.xlsx", one_wall.assign(gamma_shape=8000.0))
    widths = [sheet.max_column for sheet in load_workbook(path).worksheets]
    assert max(widths) == len(COLUMNS)


def test_no_text_becomes_a_formula_and_no_result_is_stored(one_wall, tmp_path) -> None:
    wall = one_wall.assign(place_id=HOSTILE)
    path = write_worked_example(tmp_path / "example.xlsx", wall, strategies=strategies(),
                                parameters=PARAMETERS)
    formulas, values = load_workbook(path), load_workbook(path, data_only=True)
    seen = 0
    for sheet in formulas:
        for row in sheet.iter_rows():
            for cell in row:
                if cell.data_type == "f":
                    seen += 1
                    assert "HYPERLINK" not in cell.value
                    assert "cmd|" not in cell.value
                    assert values[sheet.title][cell.coordinate].value is None
    assert seen > 300
    assert all(not set("[]:*?/\\") & set(name) for name in formulas.sheetnames)


def test_every_sheet_prints_across_as_wide_as_one_page(one_wall, tmp_path) -> None:
    path = write_worked_example(tmp_path / "example.xlsx", one_wall, parameters=PARAMETERS)
    for sheet in load_workbook(path):
        assert (sheet.page_setup.orientation, sheet.page_setup.fitToHeight) == ("landscape", 0)
        assert sheet.sheet_properties.pageSetUpPr.fitToPage


def test_summary_says_what_may_not_be_used_and_whose_the_numbers_are(one_wall, tmp_path) -> None:
    """Painting out a bare wall is worked out too, and would look like the cheapest way."""
    own = load_parameters().override({"costs.labour_per_hour": 34})
    path = write_worked_example(tmp_path / "example.xlsx", one_wall.assign(method="hot_wash"),
                                horizon_years=1, parameters=own)
    book = load_workbook(path)
    rows = {row[0]: row for row in book["Summary"].iter_rows(values_only=True)}
    assert book["Summary"]["A1"].value.endswith("cost over 1 year")
    assert rows["remove_each_time"][6] == "yes"
    assert rows["paint_out_each_time"][6] == "no: the surface is not one it is used on"
    source = {row[0]: row[4] for row in book["Inputs"].iter_rows(values_only=True)}
    assert source["labour_per_hour"].startswith("this project's own; without it 60: assumption")
    assert source["access_ladder"] == "assumption"


def test_spanish_inputs_say_unit_meaning_and_source_in_spanish(one_wall, tmp_path) -> None:
    own = load_parameters().override({"costs.labour_per_hour": 34})
    path = write_worked_example(tmp_path / "example.xlsx", one_wall, horizon_years=1,
                                parameters=own, say=Say("es"))
    rows = {row[0]: row[2:5] for row in load_workbook(path)["Datos"].iter_rows(values_only=True)}
    assert rows["access_ladder"] == ("moneda/visita", "escalera o andamio pequeño en el sitio",
                                     "supuesto")
    assert rows["labour_per_hour"][2].startswith(
        "propio de este proyecto; sin él 60: supuesto; publicado")
