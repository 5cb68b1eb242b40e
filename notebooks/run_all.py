"""Build the notebooks from their text form, run them on a project and write them as pages.

    python notebooks/run_all.py --out FOLDER [--project FOLDER] [--only 03]
    python notebooks/run_all.py --save [--only 03]

Leaves an .ipynb and an .html of each in FOLDER, or with --save each .ipynb with its outputs on the
demo town beside its text form. Exit 0, or 2 for input that cannot be used.
"""

from __future__ import annotations

import argparse
import html
import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import jupytext
import nbformat
import papermill
from nbclient.exceptions import CellTimeoutError
from nbconvert import HTMLExporter
from papermill.exceptions import PapermillExecutionError

from rehit import errors
from rehit.files.writing import staged_folder
from rehit.project import load_project
from rehit.report.pages import policy, refuse_external

HERE = Path(__file__).parent
PAGE = HERE / "page"
TEMPLATES = PAGE / "nbconvert" / "templates"
REPORT = "07"
LONGEST_CELL_S = 900  # the slowest cell takes about a minute; longer means its kernel is lost


def main(arguments: list[str] | None = None) -> int:
    """Run the notebooks asked for, each whole or not at all."""
    args = parse(arguments)
    names = sorted(path for path in HERE.glob("[0-9]*_*.py") if path.name.startswith(args.only))
    if not names:
        print(f"--only: no notebook's name starts with {args.only!r}", file=sys.stderr)
        return 2
    try:
        # A project that cannot be read is one message here, not the same failure seven times.
        load_project(args.project)
        for path in names:
            print(f"{path.stem} ...", flush=True)
            if args.save:
                save(path)
            else:
                run(path, args.out.resolve(), args.project.resolve())
    except errors.RehitError as error:
        print(error, file=sys.stderr)
        return 2
    except PapermillExecutionError as error:
        # What a user can put right comes with its remedy; anything else is a fault of ours.
        known = hasattr(errors, error.ename)
        print(f"{path.stem}: {error.evalue if known else error}", file=sys.stderr)
        return 2 if known else 1
    except CellTimeoutError:
        print(f"{path.stem}: a cell was still running after {LONGEST_CELL_S} s and was stopped. "
              "Try again with --only.", file=sys.stderr)
        return 1
    return 0


def parse(arguments: list[str] | None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--out", type=Path, help="folder for the finished notebooks")
    where.add_argument("--save", action="store_true",
                       help="run on the demo town and keep the outputs beside the text form")
    parser.add_argument("--project", type=Path, default=HERE.parent / "data_demo",
                        help="project folder (default: the demo town)")
    parser.add_argument("--only", default="", metavar="START",
                        help="start of the notebooks' names, such as 03 (default: all)")
    return parser.parse_args(arguments)


def run(path: Path, out: Path, project: Path) -> None:
    """Build one notebook, execute it and write its page."""
    parameters = {"PROJECT": str(project)}
    if path.stem.startswith(REPORT):
        parameters["OUT"] = str(out / "report")
    with staged_folder(out) as stage:
        built = stage / f"{path.stem}.ipynb"
        notebook = jupytext.read(path)
        notebook.metadata["title"] = title_of(notebook)
        nbformat.write(notebook, built)
        papermill.execute_notebook(built, built, parameters=parameters, cwd=HERE,
                                   progress_bar=False, execution_timeout=LONGEST_CELL_S)
        built.with_suffix(".html").write_text(as_page(built), encoding="utf-8")


def save(path: Path) -> None:
    """Run one notebook on the demo town and keep it, with its outputs, beside its text form."""
    with TemporaryDirectory() as folder:
        built = Path(folder) / f"{path.stem}.ipynb"
        nbformat.write(jupytext.read(path), built)
        papermill.execute_notebook(built, built, cwd=HERE, progress_bar=False,
                                   execution_timeout=LONGEST_CELL_S)
        notebook = as_kept(nbformat.read(built, as_version=4))
    beside = path.with_suffix(".new")  # written whole before it takes the place of the one there
    nbformat.write(notebook, beside)
    beside.replace(path.with_suffix(".ipynb"))


def as_kept(notebook: nbformat.NotebookNode) -> nbformat.NotebookNode:
    """Return a notebook that was run without what differs by run, machine or browser.

    Knobs need a kernel: what they answered at first stands in their place.
    """
    widgets = notebook.metadata.pop("widgets", {}).get(
        "application/vnd.jupyter.widget-state+json", {}).get("state", {})
    notebook.metadata = {key: value for key, value in notebook.metadata.items()
                         if key in ("jupytext", "kernelspec")}
    for number, cell in enumerate(notebook.cells):
        cell.id = f"cell-{number:02d}"
        cell.metadata = {key: value for key, value in cell.metadata.items()
                         if key == "tags" and value}
        for output in cell.get("outputs", ()):
            view = output.get("data", {}).pop("application/vnd.jupyter.widget-view+json", None)
            if view is not None:
                output.data = {"text/html": answered(widgets, view["model_id"])}
    return notebook


def answered(widgets: dict[str, Any], model: str) -> str:
    """Return what the last part of a box of knobs shows."""
    last = widgets[model]["state"]["children"][-1].removeprefix("IPY_MODEL_")
    return str(widgets[last]["state"]["value"])


def title_of(notebook: nbformat.NotebookNode) -> str:
    """Return the heading of the first cell."""
    return str(notebook.cells[0].source).splitlines()[0].lstrip("# ")


def as_page(built: Path) -> str:
    """Return an executed notebook as one HTML page that loads nothing from anywhere.

    Raises
    ------
    TableError
        If anything in the page points outside it.
    """
    exporter = HTMLExporter(template_name="rehit_page", extra_template_basedirs=[str(TEMPLATES)],
                            exclude_anchor_links=True)
    body, _ = exporter.from_filename(str(built))
    title = html.escape(str(nbformat.read(built, as_version=4).metadata["title"]))
    style = (PAGE / "page.css").read_text(encoding="utf-8")
    page = (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy(scripts=[])}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{title}</title>\n<style>{style}</style>\n</head>\n<body>\n<main>{body}</main>\n"
        "</body>\n</html>\n")
    refuse_external(page, beside=set())
    return page


if __name__ == "__main__":
    sys.exit(main())
