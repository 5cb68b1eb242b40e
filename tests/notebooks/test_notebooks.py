"""The form of every notebook, read as text; `notebooks/run_all.py` executes them."""

from __future__ import annotations

import ast
import html
import re
from pathlib import Path
from types import ModuleType

import jupytext
import nbformat
import pytest

import rehit
from rehit.errors import TableError
from rehit.report.catalogue import catalogue

FOLDER = Path(__file__).parents[2] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("[0-9]*_*.py"))
each = pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
each_kept = pytest.mark.parametrize(
    "path", [path.with_suffix(".ipynb") for path in NOTEBOOKS], ids=lambda p: p.stem)


def test_one_notebook_per_room_in_the_order_of_the_flow() -> None:
    assert [p.stem for p in NOTEBOOKS][:7] == [
        "01_clean_log", "02_match_assets", "03_find_hotspots", "04_choose_treatment",
        "05_compare_costs", "06_plan_patrol", "07_quarterly_report"]
    assert len(NOTEBOOKS) == 11


@each
def test_title_and_question_come_first_then_the_settings(path: Path) -> None:
    title, settings, *rest = jupytext.read(path).cells
    assert title.cell_type == "markdown"
    assert title.source.startswith("# ")
    assert title.source.splitlines()[0].endswith(("?", "report", "ten lines"))
    assert "**Question.**" in title.source
    assert settings.metadata["tags"] == ["parameters"]
    assert settings.source.startswith('PROJECT = "../data_demo"')
    assert not [c for c in rest if "parameters" in c.metadata.get("tags", [])]


@each
def test_answer_comes_before_how(path: Path) -> None:
    headings = [line for cell in jupytext.read(path).cells if cell.cell_type == "markdown"
                for line in cell.source.splitlines() if line.startswith("## ")]
    assert headings[0] == "## The answer"
    assert any(line.startswith("## How") for line in headings[1:])


@each
def test_code_is_short_and_an_exercise_comes_last(path: Path) -> None:
    cells = jupytext.read(path).cells
    lines = [line for cell in cells if cell.cell_type == "code"
             for line in cell.source.splitlines() if line.strip() and line.lstrip()[0] != "#"]
    assert len(lines) <= (10 if path.stem.startswith("10") else 40)
    assert "## Exercise for your own log" in cells[-1].source


@each
def test_only_the_public_names_of_rehit_are_used(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)
            and isinstance(node.value, ast.Name) and node.value.id == "rehit"} <= set(rehit.__all__)
    assert not [node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)
                and str(node.module).startswith("rehit")]


@each
def test_code_holds_no_words_of_its_own(path: Path) -> None:
    """A notebook runs on a project in any language: what it says is said by the catalogues."""
    cells = [cell.source for cell in jupytext.read(path).cells if cell.cell_type == "code"
             and "parameters" not in cell.metadata.get("tags", [])]
    texts = [node.value for cell in cells for node in ast.walk(ast.parse(cell))
             if isinstance(node, ast.Constant) and isinstance(node.value, str)]
    assert [text for text in texts if re.search(r"[^\W\d_]\W*\s\W*[^\W\d_]", text)] == []


@each_kept
def test_kept_tables_are_headed_in_words(path: Path) -> None:
    """No column shows its bare code: each head, less its unit, stands in the catalogue."""
    words = {text for code, text in catalogue("en").items() if code.startswith("head.")}
    pages = [output.data["text/html"] for cell in nbformat.read(path, as_version=4).cells
             for output in cell.get("outputs", ()) if "text/html" in output.get("data", {})]
    heads = {html.unescape(head).partition(" [")[0] for page in pages
             for head in re.findall(r"<th [^>]*>(.*?)</th>", page)}
    assert heads - words == set()


@each_kept
def test_kept_outputs_are_of_the_text_beside_them(path: Path) -> None:
    """Made by ``run_all.py --save``: the same cells, each run once, in order, without an error."""
    kept = nbformat.read(path, as_version=4)
    nbformat.validate(kept)
    assert [(c.cell_type, c.source) for c in kept.cells] == [
        (c.cell_type, c.source) for c in jupytext.read(path.with_suffix(".py")).cells]
    code = [cell for cell in kept.cells if cell.cell_type == "code"]
    assert [cell.execution_count for cell in code] == list(range(1, len(code) + 1))
    assert any(output.output_type != "stream" for cell in code for output in cell.outputs)
    assert not [output for cell in code for output in cell.outputs
                if output.output_type == "error" or output.get("name") == "stderr"]


@each_kept
def test_kept_outputs_hold_no_library_and_nothing_of_the_machine(path: Path) -> None:
    """A map is a picture; what a knob said first stands in its place."""
    text = path.read_text(encoding="utf-8")
    kept = nbformat.reads(text, as_version=4)
    assert set(kept.metadata) <= {"jupytext", "kernelspec"}
    kinds = {kind for cell in kept.cells for output in cell.get("outputs", ())
             for kind in output.get("data", {})}
    assert kinds <= {"text/plain", "text/html", "image/png"}
    plain = re.sub(r'"image/png": "[^"]*"', "", text)
    assert not re.search(r"<script|<iframe|leaflet|javascript", plain, re.IGNORECASE)
    assert not re.search(r"(?<![\w.>])/(?:home|root|tmp|work|usr|Users)/", plain)
    for cell in kept.cells:
        for output in cell.get("outputs", ()):
            if "image/png" in output.get("data", {}):
                assert output.metadata["image/png"]["alt"]


@each
def test_settings_are_plain_values(path: Path) -> None:
    """Papermill replaces the settings by name: each is one literal."""
    for node in ast.parse(jupytext.read(path).cells[1].source).body:
        assert isinstance(node, ast.Assign)
        ast.literal_eval(node.value)


@each
def test_notebook_defines_no_function_or_class(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert not [n for n in ast.walk(tree) if isinstance(
        n, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef)]


@each
def test_text_form_survives_the_round_trip(path: Path) -> None:
    there = jupytext.writes(jupytext.read(path), fmt="ipynb")
    back = jupytext.reads(there, fmt="ipynb")
    first = [(c.cell_type, c.source) for c in jupytext.read(path).cells]
    assert [(c.cell_type, c.source) for c in back.cells] == first


@each
def test_free_text_never_goes_through_markdown(path: Path) -> None:
    """Names in a log or in a file of prices are hostile; Markdown would run the HTML in them."""
    source = path.read_text(encoding="utf-8")
    assert "Markdown(" not in source
    assert source.count(".style") == source.count(".style.hide()"), "tables are escaped or plain"


def test_missing_project_is_one_message(runner: ModuleType, tmp_path: Path,
                                        capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    assert runner.main(["--out", str(out), "--project", str(tmp_path / "nowhere")]) == 2
    said = capsys.readouterr()
    assert said.err.count("\n") == 1
    assert "rehit new" in said.err
    assert not out.exists()


def test_unknown_notebook_is_one_message(runner: ModuleType, tmp_path: Path,
                                         capsys: pytest.CaptureFixture[str]) -> None:
    assert runner.main(["--out", str(tmp_path), "--only", "99"]) == 2
    assert capsys.readouterr().err == "--only: no notebook's name starts with '99'\n"


def written(folder: Path, *outputs: nbformat.NotebookNode) -> Path:
    cell = nbformat.v4.new_code_cell("1", outputs=list(outputs), execution_count=1)
    notebook = nbformat.v4.new_notebook(
        cells=[nbformat.v4.new_markdown_cell("# Walls <b> & co"), cell],
        metadata={"title": "Walls <b> & co"})
    path = folder / "page.ipynb"
    nbformat.write(notebook, path)
    return path


def test_page_is_complete_and_names_its_pictures(runner: ModuleType, tmp_path: Path) -> None:
    picture = nbformat.v4.new_output(
        "display_data", data={"image/png": "iVBORw0KGgo="},
        metadata={"image/png": {"alt": 'a "wall"'}})
    shout = nbformat.v4.new_output("stream", name="stdout", text="<script>alert(1)</script>")
    page = runner.as_page(written(tmp_path, picture, shout))
    assert page.startswith('<!DOCTYPE html>\n<html lang="en">')
    assert "<title>Walls &lt;b&gt; &amp; co</title>" in page
    assert 'name="viewport"' in page
    assert re.search(r"""<img [^>]*alt='a "wall"'""", page)
    assert "<script" not in page
    assert "&lt;script&gt;alert(1)" in page


def test_a_knob_is_kept_as_what_it_said(runner: ModuleType) -> None:
    state = {"box": {"state": {"children": ["IPY_MODEL_knob", "IPY_MODEL_says"]}},
             "says": {"state": {"value": "<p>4 places</p>"}}}
    shown = nbformat.v4.new_output("display_data", data={
        "application/vnd.jupyter.widget-view+json": {"model_id": "box"}, "text/plain": "VBox(...)"})
    notebook = nbformat.v4.new_notebook(
        cells=[nbformat.v4.new_code_cell("1", outputs=[shown])],
        metadata={"widgets": {"application/vnd.jupyter.widget-state+json": {"state": state}},
                  "papermill": {"input_path": "/tmp/x"}})
    kept = runner.as_kept(notebook)
    assert kept.cells[0].outputs[0].data == {"text/html": "<p>4 places</p>"}
    assert kept.metadata == {}


def test_page_that_points_elsewhere_is_refused(runner: ModuleType, tmp_path: Path) -> None:
    link = nbformat.v4.new_output(
        "display_data", data={"text/html": '<img src="https://example.org/a.png">'})
    with pytest.raises(TableError, match="nothing from outside the page"):
        runner.as_page(written(tmp_path, link))
