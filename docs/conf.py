"""How the documentation is built: pages by hand, reference tables from the package's own files."""

from __future__ import annotations

import ast
import csv
from collections.abc import Iterable
from importlib.resources import files
from pathlib import Path
from typing import Any

from sphinx.application import Sphinx

from rehit import __version__

project = "rehit"
author = "rehit contributors"
project_copyright = "rehit contributors, Apache-2.0"
version = release = __version__

extensions = ["myst_nb", "sphinx.ext.autodoc", "numpydoc"]
exclude_patterns = ["_build", "README.md"]
nb_execution_mode = "off"
myst_enable_extensions = ["deflist"]
myst_heading_anchors = 3
numpydoc_show_class_members = False
autodoc_typehints = "none"
html_theme = "furo"
html_title = "rehit"
html_copy_source = False
suppress_warnings = ["myst.xref_missing"]


#: So much of what a test holds ours against is shown.
VALUES_SHOWN, VALUE_LENGTH = 4, 40


def _table(heads: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    def line(cells: Iterable[str]) -> str:
        return "| " + " | ".join(str(c).replace("|", "\\|").replace("<", "&lt;")
                                 for c in cells) + " |"

    heads = list(heads)
    return "\n".join([line(heads), line("---" for _ in heads), *map(line, rows)]) + "\n"


def _read(path: Any) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


def _packaged(folder: str) -> list[Any]:
    return sorted((p for p in (files("rehit") / folder).iterdir() if p.name.endswith(".csv")),
                  key=lambda p: p.name)


def write_tables(folder: Path) -> None:
    """Write the page of every table's columns."""
    parts = ["# Every table and column\n\nMade from `schemas/`, which the program checks at every "
             "door. Units stand in square brackets of the file names' columns; a key tells rows "
             "apart.\n"]
    for path in _packaged("schemas"):
        rows = [(f"`{r['column']}`", r["kind"], r["unit"], r["key"], r["nullable"],
                 r["allowed"].replace("|", ", "), r["meaning"]) for r in _read(path)]
        parts.append(f"## {path.name.removesuffix('.csv')}\n\n" + _table(
            ["column", "kind", "unit", "key", "may be empty", "allowed", "meaning"], rows))
    (folder / "tables.md").write_text("\n".join(parts), encoding="utf-8")


def write_numbers(folder: Path) -> None:
    """Write the page of every default number."""
    parts = ["# Every default number\n\nMade from `defaults/`. Each may be set in `rehit.toml` "
             "under the section of its room, within its range; what is made from it follows.\n"]
    for path in _packaged("defaults"):
        rows = [(f"`{r['name']}`", r["default"], f"{r['low']} to {r['high']}", r["unit"],
                 r["meaning"], r["source"]) for r in _read(path)]
        parts.append(f"## [{path.name.removesuffix('.csv')}]\n\n" + _table(
            ["name", "default", "range", "unit", "meaning", "source"], rows))
    (folder / "numbers.md").write_text("\n".join(parts), encoding="utf-8")


def write_checks(folder: Path) -> None:
    """Write the page of the checks against published values, from the tests that make them."""
    root, rows = Path(__file__).parents[1] / "tests", []
    with (Path(__file__).parent / "ours.csv").open(encoding="utf-8", newline="") as file:
        ours = {row["test"]: row["ours"] for row in csv.DictReader(file)}
    for path in sorted(root.rglob("test_*.py")):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef) and "_against_" in node.name:
                what, _, source = node.name.removeprefix("test_").partition("_against_")
                said = (ast.get_docstring(node) or "").split("\n\n")[0].replace("\n", " ")
                published, tolerance = _held(node)
                place = path.relative_to(root).as_posix()
                rows.append((what.replace("_", " "), source.replace("_", " "), published,
                             ours.get(f"{place}::{node.name}", ""), tolerance, said,
                             f"`{place}`"))
    (folder / "checks.md").write_text(
        "# Checks against published values and closed forms\n\nMade from the tests: each runs in "
        "every run of the suite, which fails where our value is further from the published one "
        "than the tolerance, and that is no wider than the source's own rounding. Where a test "
        "reads many values, they stand in `tests/published/` with their origin. Ours are the "
        "first values that the test compared when `docs/ours.py` was last run; blank where it "
        "compares whole tables.\n\n"
        + _table(["what", "against", "published value", "ours", "within", "how", "test"], rows),
        encoding="utf-8")


def _held(test: ast.FunctionDef) -> tuple[str, str]:
    """Return the values that a test holds ours against, as it writes them, and how closely."""
    values, within = [], []
    for node in ast.walk(test):
        if isinstance(node, ast.Call) and ast.unparse(node.func).endswith(("approx", "allclose")):
            published = node.args[-1 if ast.unparse(node.func).endswith("allclose") else 0]
            values.append(ast.unparse(published))
            within += [f"{word.arg} {ast.unparse(word.value)}" for word in node.keywords
                       if word.arg in ("abs", "rel", "atol", "rtol")] or ["rel 1e-06"]
        elif isinstance(node, ast.Compare) and isinstance(node.ops[0], ast.Eq) and isinstance(
                node.comparators[0], ast.Constant | ast.List | ast.Tuple):
            values.append(ast.unparse(node.comparators[0]))
            within.append("exact, as rounded")
    short = [value if len(value) <= VALUE_LENGTH else value[:VALUE_LENGTH] + " …"
             for value in values[:VALUES_SHOWN]]
    more = [f"and {len(values) - VALUES_SHOWN} more"] if len(values) > VALUES_SHOWN else []
    return "; ".join([*short, *more]), "; ".join(dict.fromkeys(within))


#: What the theme leaves out for those who do not see a page, or use no mouse.
MENDED = {
    '<p class="caption" role="heading"': '<p class="caption" role="heading" aria-level="2"',
    '<aside class="sidebar-drawer"': '<aside class="sidebar-drawer" aria-label="All pages"',
    '<aside class="toc-drawer"': '<aside class="toc-drawer" aria-label="On this page"',
    '<div class="table-wrapper': '<div tabindex="0" class="table-wrapper',
    "<pre>": '<pre tabindex="0">',
}


def mend_pages(app: Sphinx, failed: Exception | None) -> None:
    """Write into each page what axe finds missing in the theme's."""
    for path in () if failed else app.outdir.rglob("*.html"):
        text = path.read_text(encoding="utf-8")
        for theirs, ours in MENDED.items():
            text = text.replace(theirs, ours)
        path.write_text(text, encoding="utf-8")


def setup(app: Sphinx) -> None:
    """Write the reference pages before Sphinx looks for pages; mend them when all are made."""
    app.connect("build-finished", mend_pages)
    folder = Path(__file__).parent / "reference"
    folder.mkdir(exist_ok=True)
    write_tables(folder)
    write_numbers(folder)
    write_checks(folder)
