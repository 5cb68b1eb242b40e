"""Build the notebooks from their text form and run them on a project.

    python notebooks/run_all.py --out FOLDER [--project FOLDER] [--only 03]
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import jupytext
import nbformat
import papermill
from nbconvert import HTMLExporter

HERE = Path(__file__).parent


def main() -> int:
    """Run every notebook and leave ``.ipynb`` and ``.html`` in the output folder."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, required=True, help="folder for the finished notebooks")
    parser.add_argument("--project", type=Path, default=HERE.parent / "data_demo",
                        help="project folder (default: the demo town)")
    parser.add_argument("--only", default="0", help="start of the notebooks' names (default: all)")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    names = sorted(path for path in HERE.glob("0*.py") if path.name.startswith(args.only))
    if not names:
        print(f"no notebook starts with {args.only!r}", file=sys.stderr)
        return 2
    for path in names:
        print(f"{path.stem} ...", flush=True)
        run(path, args.out.resolve(), args.project.resolve())
    return 0


def run(path: Path, out: Path, project: Path) -> None:
    """Build, execute and convert one notebook."""
    built = out / f"{path.stem}.ipynb"
    nbformat.write(jupytext.read(path), built)
    parameters: dict[str, str] = {"PROJECT": str(project)}
    if path.stem.startswith("07"):
        parameters["OUT"] = str(out / "report")
    papermill.execute_notebook(built, built, parameters=parameters, cwd=HERE, progress_bar=False)
    # The "basic" template loads nothing from elsewhere.
    body, _ = HTMLExporter(template_name="basic").from_filename(str(built))
    page = f'<!DOCTYPE html><html lang="en"><meta charset="utf-8"><title>{path.stem}</title>{body}'
    built.with_suffix(".html").write_text(page, encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
