"""Fixtures that several rooms' tests share; invented places and tables stand in ``invented/``."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the commands do, before numpy loads

import numpy as np
import pandas as pd
import pytest
from hypothesis import settings
from python_calamine import CalamineWorkbook
from report_tables import make_input
from xdist.scheduler import LoadScopeScheduling

from rehit.chain import Chain
from rehit.outputs.report import write_report
from rehit.parameters import Parameters, load_parameters
from rehit.project import load_project
from rehit.report.inputs import ReportInput

# The same examples each time, and none kept: a test that fails does so for everybody.
settings.register_profile("same", derandomize=True, database=None, deadline=None)
settings.load_profile("same")
os.environ["LANGUAGE"] = "en"  # tests read what is said, wherever they run
os.environ["XDG_STATE_HOME"] = os.devnull  # no key, so no test is given what another one made
DEMO = Path(__file__).parents[1] / "data_demo"
CHROMIUM = Path("/usr/bin/chromium")
#: A phone, a small screen and a desk [pixels]; axe reads the first and the last.
WIDTHS = (390, 1024, 1440)

#: Begun first, so that no processor is left alone with a long file at the end.
DEAR = ("app/test_page.py", "outputs/test_costs.py", "test_cli_hostile.py", "region/test_run.py",
        "test_chain_parameters.py", "test_kept.py",
        "outputs/test_price.py", "patrol/test_day.py", "test_chain_real_logs.py",
        "report/test_front.py", "docs/test_docs.py", "hotspots/test_forecast_san_diego.py",
        "outputs/test_report_files.py", "outputs/test_frame_every_file.py")


@cache
def _asks_the_demo(file: str) -> bool:
    return "demo_chain" in (Path(__file__).parents[1] / file).read_text(encoding="utf-8")


class ByFile(LoadScopeScheduling):
    """A file's tests run on one processor; so do all that ask the demo town, which is made once."""

    def _split_scope(self, nodeid: str) -> str:
        file = nodeid.split("::", 1)[0]
        return "the demo town" if _asks_the_demo(file) else file


def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> LoadScopeScheduling:
    """Hand out whole files in the order they were collected in."""
    config.option.loadscopereorder = False
    return ByFile(config, log)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the dear files first."""
    rank = {Path(__file__).parent / file: place for place, file in enumerate(DEAR)}
    items.sort(key=lambda item: rank.get(item.path, len(DEAR)))


def make_costing(n_places: int, rng: np.random.Generator) -> pd.DataFrame:
    """Return a costing table of invented places of every kind."""
    return pd.DataFrame({
        "place_id": [f"P{number:05d}" for number in range(n_places)],
        "gamma_shape": 0.6 + rng.poisson(rng.gamma(0.8, 4, n_places)),
        "gamma_rate_years": rng.uniform(1, 4, n_places),
        "mark_area_m2": rng.lognormal(0, 0.6, n_places),
        "wall_area_m2": rng.lognormal(2.6, 0.7, n_places),
        "method": rng.choice(["paint_out", "solvent_wipe", "hot_wash", "inspect"], n_places,
                             p=[0.5, 0.25, 0.2, 0.05]),
        "coating_allowed": rng.random(n_places) < 0.8,
        "access": rng.choice(["ground", "ladder", "platform"], n_places, p=[0.8, 0.15, 0.05]),
        "traffic_control": rng.random(n_places) < 0.05,
    })


@pytest.fixture
def make_places() -> Callable[[int, np.random.Generator], pd.DataFrame]:
    """The maker of invented places."""
    return make_costing


@pytest.fixture
def costing() -> pd.DataFrame:
    """Forty places."""
    return make_costing(40, np.random.default_rng(11))


@pytest.fixture
def one_wall() -> pd.DataFrame:
    """One bare brick wall, hit about four times a year."""
    return pd.DataFrame({
        "place_id": ["W1"], "gamma_shape": [8.0], "gamma_rate_years": [2.0],
        "mark_area_m2": [1.5], "wall_area_m2": [12.0], "method": ["hot_wash"],
        "coating_allowed": [True], "access": ["ground"], "traffic_control": [False]})


@pytest.fixture
def recomputed(tmp_path: Path) -> Callable[[Path], CalamineWorkbook]:
    """Open a workbook as LibreOffice works it out."""
    program = shutil.which("soffice")
    if program is None:
        pytest.skip("LibreOffice (soffice) is not installed")

    def open_recomputed(path: Path) -> CalamineWorkbook:
        subprocess.run(
            [program, f"-env:UserInstallation=file://{tmp_path}/profile", "--headless",
             "--convert-to", "xlsx:Calc MS Excel 2007 XML", "--outdir", str(tmp_path / "out"),
             str(path)], check=True, capture_output=True, timeout=120)
        return CalamineWorkbook.from_path(str(tmp_path / "out" / path.name))

    return open_recomputed


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A real browser that goes nowhere by itself."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if not CHROMIUM.exists():
        pytest.skip("Chromium is not installed here")
    with sync_api.sync_playwright() as play:
        running = play.chromium.launch(executable_path=str(CHROMIUM), args=[
            "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
            "--disable-component-update", "--disable-sync"])
        yield running
        running.close()


@pytest.fixture(scope="module")
def faults_of(browser: Any) -> Callable[[Path], list[object]]:
    """Tell what keeps a page from being read by all: axe, sideways scroll, requests, errors."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright",
                              reason="axe is not installed").Axe()
    alone = {"preload": False}  # axe would ask for the style sheets again

    def told(path: Path) -> list[object]:
        tab = browser.new_page()
        found: list[object] = []
        tab.on("request", lambda asked: None if asked.url.startswith(("file:", "data:"))
               else found.append(asked.url))
        tab.on("pageerror", lambda error: found.append(str(error)))
        tab.on("console", lambda said: found.append(said.text) if said.type == "error" else None)
        tab.goto(path.as_uri())
        for width in WIDTHS:
            tab.set_viewport_size({"width": width, "height": 900})
            if tab.evaluate("document.documentElement.scrollWidth > window.innerWidth"):
                found.append(f"scrolls sideways at {width} pixels")
            if width != WIDTHS[1]:
                found += [(width, fault["id"], node["html"][:150])
                          for fault in axe.run(tab, options=alone).response["violations"]
                          for node in fault["nodes"]]
        tab.close()
        return found

    return told


@pytest.fixture(scope="session")
def demo_chain() -> Chain:
    return Chain(load_project(DEMO))


@pytest.fixture(scope="session")
def true_rows() -> pd.DataFrame:
    """Role and true incident of each log row, by row number."""
    return pd.read_csv(DEMO / "truth" / "rows.csv", dtype="str").set_index("source_row")


@pytest.fixture(scope="session")
def incident_of_row(demo_chain: Chain) -> pd.Series:
    """The incident that each log row ended in, by row number; rows set aside are absent."""
    rows = demo_chain.cleaned.incidents[["incident_id", "source_rows"]].assign(
        row=lambda t: t["source_rows"].str.split(";")).explode("row")
    return pd.Series(rows["incident_id"].to_numpy(),
                     index=rows["row"].str.rpartition("#")[2].str.strip())


@pytest.fixture
def unpainted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave figures out of the page, for tests of what is said: painting takes most of the time."""
    monkeypatch.setattr("rehit.report.figures.to_svg", lambda _: b"<svg/>")


@pytest.fixture(scope="session")
def full_input() -> ReportInput:
    """Every table given."""
    return make_input()


@pytest.fixture(scope="session")
def written(full_input: ReportInput, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the whole report once; tests read it."""
    folder = tmp_path_factory.mktemp("report")
    write_report(full_input, folder)
    return folder


@pytest.fixture(scope="session")
def bare_input() -> ReportInput:
    """Only incidents given."""
    return make_input(full=False, n=300)


@pytest.fixture(scope="session")
def numbers() -> Parameters:
    """Defaults with a search short enough for tests."""
    return load_parameters().override({"patrol.search_iterations": 500.0})
