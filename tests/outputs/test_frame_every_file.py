"""What every file that the commands write must say, and must never say."""

from __future__ import annotations

import re
import shutil
import sys
from pathlib import Path

import pytest
import typst
from python_calamine import CalamineWorkbook

from rehit.cli import main
from rehit.report.say import Say
from rehit.tables import table, table_names

DEMO = Path(__file__).parents[2] / "data_demo"
COMMANDS = ("clean", "hotspots", "compare", "programme", "price", "patrol", "evaluate", "report")
FEW = """
draws = 200

[contract]
draws = 1000
queue_years = 10
queue_search_years = 2
sensitivity_draws = 200

[patrol]
search_iterations = 50
"""


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """The text of each file that each command writes for a town of 60 assets."""
    sys.path.insert(0, str(DEMO))
    from make_demo import make_town, write_town

    folder = tmp_path_factory.mktemp("town")
    write_town(make_town(seed=5, n_assets=60, n_coated=4, n_lit=4), folder)
    shutil.copy(DEMO / "mapping.toml", folder)
    text = (DEMO / "rehit.toml").read_text(encoding="utf-8")
    (folder / "rehit.toml").write_text(text + FEW, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patched:
        papers = papers_set(patched)
        for command in COMMANDS:
            assert main([command, str(folder), "--out", str(folder / "out" / command)]) == 0
    return papers | {str(path.relative_to(folder / "out")): words(path)
                     for path in sorted((folder / "out").rglob("*")) if path.is_file()}


def papers_set(patched: pytest.MonkeyPatch) -> dict[str, str]:
    """Keep the text of each PDF as it is set."""
    papers, begun = {}, typst.Compiler

    def kept(source: str, **options: object) -> object:
        text = Path(source).read_text(encoding="utf-8")
        papers[f"paper {len(papers) + 1}: {text[:60]}"] = text
        return begun(source, **options)

    patched.setattr(typst, "Compiler", kept)
    return papers


def words(path: Path) -> str:
    """Return what a reader finds in a file; nothing for a picture or a database."""
    if path.suffix == ".xlsx":
        book = CalamineWorkbook.from_path(str(path))
        return "\n".join(str(cell) for name in book.sheet_names
                         for row in book.get_sheet_by_name(name).to_python() for cell in row)
    if path.suffix == ".html":
        return re.sub(r"(?s)<script.*?</script>", lambda found: found[0] if (
            'type="application/json"' in found[0][:80]) else "",
                      path.read_text(encoding="utf-8"))
    if path.suffix in (".csv", ".json", ".gpx", ".txt", ".geojson", ".md"):
        return path.read_text(encoding="utf-8")
    return ""


def test_nan_stands_in_no_file(written: dict[str, str]) -> None:
    """Fault: crews read "nan" where nothing was known."""
    papers = ["bid", "calendar of looks", "report", "two run sheets at least"]
    assert len([name for name in written if name.startswith("paper ")]) > len(papers)
    assert len([text for text in written.values() if text]) > 40
    found = {name: match[0] for name, text in written.items()
             for match in [re.search(r"(?i).{0,30}(?<![\w.])(nan|<na>|nat)(?![\w.]).{0,30}", text)]
             if match}
    assert not found


def test_method_names_stand_only_in_method_notes(written: dict[str, str]) -> None:
    """Fault: "Erlang C", "E-test" and "displacement difference" in what an officer reads."""
    for name, text in written.items():
        found = re.search(r"(?i)erlang|e-test|displacement difference|decide on site", text)
        assert not found, name


def test_cautions_stand_in_full_where_people_act(written: dict[str, str]) -> None:
    """Fault: the cautions of the work were short words, or missing, outside the run sheet."""
    full = Say("en")("caution_full.sharps")
    for name in ("report/map.html", "compare/worked_example.xlsx", "price/bid.xlsx",
                 "compare/summary.json", "patrol/summary.json"):
        assert full in written[name], name
    pages = [text for name, text in written.items() if re.match(r"patrol/run_sheet.*html", name)]
    assert any(full in text for text in pages)  # a crew without a stop has nothing to take care of
    assert "Refer: do not clean" in written["report/map.html"]


def test_a_loss_has_one_sign_in_every_file(written: dict[str, str]) -> None:
    """Fault: the worst cases stood as a loss above nothing in the table, below it on the page.

    Money lost is below nothing, as in every saving, profit and margin; a chance is a chance.
    """
    heads = {name: text.partition("\n")[0].replace('"', "").split(",")
             for name, text in written.items() if name.endswith(".csv")}
    assert "tail_profit_per_year" in heads["price/bid.csv"]
    for name, columns in heads.items():
        assert not [c for c in columns if "loss" in c and c != "chance_of_loss"], name


@pytest.fixture(scope="module")
def listed() -> dict[str, set[str]]:
    """Each file that the documentation lists, with the columns it says the file has."""
    found: dict[str, set[str]] = {}
    for line in (DEMO.parent / "docs" / "files.md").read_text(encoding="utf-8").splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if line.startswith("| ") and len(cells) == 5:
            command, files, _, columns, besides = cells
            known = set(table(columns).names) if columns in table_names() else set()
            found |= {f"{command}/{name}": known | set(filter(None, besides.split(", ")))
                      for name in files.split(", ")}
    return found


def test_every_file_and_column_written_is_listed_in_the_documentation(
        written: dict[str, str], listed: dict[str, set[str]]) -> None:
    named = {re.compile(re.sub(r"<\\?\w+>", r"[^/]+", re.escape(name))): columns
             for name, columns in listed.items()}
    unlisted = []
    for name, text in written.items():
        if name.startswith("paper ") or name.endswith(("summary.json", "run_log.json")):
            continue
        columns = next((known for pattern, known in named.items() if pattern.fullmatch(name)), None)
        heads = text.partition("\n")[0].replace('"', "").split(",") if name.endswith(".csv") else []
        unlisted += [name] if columns is None else [
            f"{name}: {head}" for head in heads if head not in columns]
    assert unlisted == []
