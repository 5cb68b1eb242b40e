"""The names an analyst types: what they return, and that they wait for nothing until used."""

from __future__ import annotations

import ast
import inspect
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest

import rehit
from rehit import api
from rehit.chain import Chain
from rehit.errors import SettingError
from rehit.outputs.hotspots import write_hotspots
from rehit.report.trace import load_trace

NOTEBOOKS = sorted((Path(__file__).parents[1] / "notebooks").glob("[01]*_*.py"))
FUNCTIONS = [name for name in rehit.__all__ if inspect.isfunction(getattr(rehit, name))]


@pytest.fixture(scope="module")
def town() -> Chain:
    return rehit.open_project(log=rehit.example_log(), crs="EPSG:32625")


def test_importing_rehit_reads_no_library() -> None:
    code = "import sys, rehit; print(sorted({'pandas', 'numpy', 'rehit.api'} & set(sys.modules)))"
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "[]"


def test_the_promised_names_are_there_and_no_others() -> None:
    assert set(FUNCTIONS) >= {
        "open_project", "read_log", "clean", "match_assets", "rank_places", "compare_strategies",
        "choose_programme", "price_contract", "plan_patrol", "evaluate_measure", "write_report"}
    assert set(rehit.__all__) < set(dir(rehit))
    with pytest.raises(AttributeError, match="no_such_name"):
        rehit.no_such_name  # noqa: B018


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_function_is_documented_with_an_example(name: str) -> None:
    said = inspect.getdoc(getattr(rehit, name)) or ""
    assert ">>>" in said, "an example"
    if inspect.signature(getattr(rehit, name)).parameters:
        assert "Parameters\n" in said


def test_answers_hold_plain_tables_and_sentences(town: Chain) -> None:
    found = rehit.rank_places(town)
    assert isinstance(found["places"], gpd.GeoDataFrame)
    assert found["places"]["n_incidents"].sum() == len(rehit.match_assets(town)) == 90
    assert all(isinstance(text, str) and text for text in found.sentences)
    with pytest.raises(AttributeError):
        found.sentences = ()  # type: ignore[misc]


def test_the_same_number_in_every_answer(town: Chain) -> None:
    """One total: what cleaning kept is what is ranked and what is costed."""
    kept = int(rehit.clean(town).counts["rows_kept"].sum())
    assert kept == rehit.rank_places(town)["places"]["n_incidents"].sum()
    places = rehit.rank_places(town)["places"]["place_id"]
    assert set(rehit.compare_strategies(town)["costs"]["place_id"]) == set(places)


def test_a_threshold_holds_for_the_one_question(town: Chain) -> None:
    high = rehit.rank_places(town, threshold_per_year=12)["places"]["chance_above"]
    assert high.sum() < rehit.rank_places(town)["places"]["chance_above"].sum()


def test_a_project_and_a_log_at_once_are_refused(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="both or neither"):
        rehit.open_project(tmp_path, log=rehit.example_log())


def test_the_answer_is_said_in_the_language_asked_for() -> None:
    town = rehit.open_project(log=rehit.example_log(), crs="EPSG:32625", language="es")
    assert town.say("of.place", n=2) == "2 lugares"


def test_a_log_at_hand_is_not_changed() -> None:
    log = rehit.example_log()
    rehit.clean(rehit.open_project(log=log, crs="EPSG:32625"))
    pd.testing.assert_frame_equal(log, rehit.example_log())


def test_hostile_text_is_shown_as_text() -> None:
    shown = api.Answer(("<script>alert(1)</script>",))._repr_html_()
    assert "<script" not in shown
    assert "&lt;script&gt;" in shown


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebooks_use_the_public_names_only_and_hold_no_html(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    modules = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import)
               for alias in node.names}
    modules |= {str(node.module) for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert modules <= {"rehit", "pandas", "numpy", "matplotlib.pyplot", "ipywidgets",
                       "IPython.display"}
    used = {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)
            and isinstance(node.value, ast.Name) and node.value.id == "rehit"}
    assert used <= set(rehit.__all__)
    texts = [node.value for node in ast.walk(tree) if isinstance(node, ast.Constant)
             and isinstance(node.value, str)]
    assert not [text for text in texts if "<" in text]
    assert "HTML" not in path.read_text(encoding="utf-8")


def test_one_count_of_places_in_report_command_and_notebook(town: Chain, tmp_path: Path) -> None:
    """Places for half of the incidents and places over the threshold: said alike everywhere."""
    rehit.write_report(town, tmp_path)
    figures = {f["id"]: f for f in load_trace(tmp_path)}
    half = f"{figures['A4']['value']} of {figures['A0']['value']} "
    assert any(half in said for said in rehit.rank_places(town).sentences)  # notebook 03
    assert half in rehit.draw(town, "share_curve").title
    assert half in (tmp_path / "details.html").read_text(encoding="utf-8")
    summary = write_hotspots(town, _made(tmp_path / "hotspots"))  # the command
    assert any(half in town.say(said) for said in summary["sentences"])
    assert summary["n_above_threshold"] == figures["A3"]["value"]


def _made(folder: Path) -> Path:
    folder.mkdir()
    return folder


def test_areas_of_a_town_are_compared_and_add_up(town: Chain) -> None:
    compared = rehit.compare_areas(town)
    assert compared["areas"]["n_incidents"].sum() == len(town.incidents)
    assert (compared["areas"]["n_rehits"] <= compared["areas"]["n_incidents"]).all()
    assert set(compared["areas"]["area"]) <= {"north-east", "north-west", "south-east",
                                              "south-west"}
    own = rehit.compare_areas(town, areas=pd.Series("all", index=town.incidents.index))
    assert own["areas"]["n_incidents"].tolist() == [len(town.incidents)]


def test_a_bid_and_a_map_are_drawn_with_their_finding(town: Chain) -> None:
    simulated = pd.DataFrame({"cost": [900.0, 1000.0, 1100.0, 1200.0]})
    prices = pd.DataFrame({"form": ["lump_sum"], "price_per_year": [1150.0]})
    moved = pd.DataFrame({"words": ["labour", "paint"], "price": 1150.0, "swing": 0.2,
                          "price_low": [1000.0, 1100.0], "price_high": [1300.0, 1200.0]})
    priced = rehit.Answer((), {"simulated": simulated, "prices": prices, "moved": moved})
    assert "25% of them the cost exceeds" in rehit.draw(town, "year_costs", priced=priced).note
    assert "“labour” moves the lump sum most" in rehit.draw(
        town, "price_swings", priced=priced).title
    assert rehit.draw(town, "map").alt
