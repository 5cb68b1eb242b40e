"""Pages made of notebooks in a real browser: axe, the width of a phone, no other host."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType
from typing import Any

import nbformat
import pytest

FOLDER = Path(__file__).parents[2] / "notebooks"
WIDTHS = (320, 1440)


@pytest.mark.parametrize("kept", sorted(FOLDER.glob("*.ipynb")), ids=lambda path: path.stem)
def test_the_page_of_a_notebook_is_fit_for_all(
        kept: Path, runner: ModuleType, browser: Any, tmp_path: Path) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright",
                              reason="axe is not installed")
    notebook = nbformat.read(kept, as_version=4)
    notebook.metadata["title"] = runner.title_of(notebook)
    built = tmp_path / kept.name
    nbformat.write(notebook, built)
    page = built.with_suffix(".html")
    page.write_text(runner.as_page(built), encoding="utf-8")
    tab = browser.new_page()
    asked: list[str] = []
    tab.on("request", lambda request: asked.append(request.url))
    tab.goto(page.as_uri())
    grave = []
    for width in WIDTHS:
        tab.set_viewport_size({"width": width, "height": 900})
        grave += [(width, found["id"], found["nodes"][0]["html"][:150])
                  for found in axe.Axe().run(tab).response["violations"]
                  if found["impact"] in ("serious", "critical")]
        assert tab.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), (
            f"the page scrolls sideways at {width} pixels")
    tab.close()
    assert grave == []
    assert [url for url in asked if not url.startswith(("data:", page.as_uri()))] == []
