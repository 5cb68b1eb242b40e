"""The structure that DEVELOPERS.md promises, held by reading the source as text."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from string import Formatter

import pytest

from rehit.report.catalogue import catalogue

ROOT = Path(__file__).parents[1]
SOURCE = ROOT / "src" / "rehit"
ROOMS = ("incidents", "assets", "hotspots", "treatment", "costs", "contract", "patrol",
         "policy")
#: Each may import what stands lower; within a room anything goes. Rooms never import each other,
#: but a contract is priced from the cost room's rates and strategies.
LAYERS = {"messages": -1, "errors": 0, "packaged": 1, "files": 2, "words": 3,
          "parameters": 2, "tables": 2, "workdays": 2, "territory": 2, "settings_file": 2,
          "observed": 3, "project": 3, "kept": 4, "naming": 4,
          **dict.fromkeys(ROOMS, 4), "report": 5, "limits": 5,
          "chain": 6, "region": 7, "outputs": 8, "api": 9, "app": 9, "cli": 10}
ALLOWED = {("contract", "costs")}
TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "environment.yml", "notebooks", "src", "data_demo", "tests",
    "reports", "pyproject.toml", "LICENSE", "requirements.lock", "docs", "CHANGELOG.md",
    "CITATION.cff", "MANIFEST.in", "setup.py",
}
MODULES = sorted(SOURCE.rglob("*.py"))


def part(module: str) -> str:
    """Return the room or base module that a dotted name belongs to."""
    return module.removeprefix("rehit.").partition(".")[0]


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def imports(path: Path) -> list[str]:
    found: list[str] = []
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"relative import in {path.name}"
            assert all(alias.name != "*" for alias in node.names), f"star import in {path.name}"
            if node.module == "rehit":
                found += [f"rehit.{alias.name}" for alias in node.names]
            else:
                found.append(str(node.module))
    return [name for name in found if name.startswith("rehit.")]


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(SOURCE)))
def test_imports_point_down_only(path: Path) -> None:
    if path.parent == SOURCE and path.name == "__init__.py":
        return  # hands out names of everything
    here = path.relative_to(SOURCE).parts[0].removesuffix(".py")
    for name in imports(path):
        there = part(name)
        if here != there and (here, there) not in ALLOWED and there != "__version__":
            assert LAYERS[there] < LAYERS[here], f"{here} imports {there}"


def test_modules_with_one_importer_are_those_that_the_page_for_developers_names() -> None:
    """A module that only one neighbour imports is most likely part of it."""
    importers: dict[str, set[Path]] = {}
    for path in MODULES:
        for name in _modules_imported(path):
            importers.setdefault(name, set()).add(path)
    alone = {name for name, found in importers.items() if len(found) == 1 and name != "api"}
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    told = page.partition("- Some modules have one importer")[2].partition("\n- ")[0]
    named = set(re.findall(r"`([\w/]+)`", told)) - {"app"}
    assert {name for name in alone if {name, name.rpartition("/")[2]}.isdisjoint(named)} == set()
    assert {name for name in named if name not in {
        part for each in alone for part in (each, each.rpartition("/")[2])}} == set()


def _modules_imported(path: Path) -> set[str]:
    """Return the modules that one imports, as ``room/module``; packages do not count."""
    found = set()
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.ImportFrom):
            found |= {str(node.module), *(f"{node.module}.{alias.name}" for alias in node.names)}
    places = {name.removeprefix("rehit.").replace(".", "/") for name in found
              if name.startswith("rehit.")}
    return {place for place in places if (SOURCE / f"{place}.py") in MODULES}


def test_every_constant_of_a_module_is_used() -> None:
    """Linters see an unused import or variable, but not a constant that nothing reads any more."""
    given: dict[str, str] = {}
    read: set[str] = set()
    for path in MODULES:
        tree = _tree(path)
        for node in tree.body:
            if isinstance(node, ast.Assign | ast.AnnAssign):
                targets = node.targets if isinstance(node, ast.Assign) else [node.target]
                given |= {name.id: path.name for target in targets for name in ast.walk(target)
                          if isinstance(name, ast.Name)}
        read |= {node.id for node in ast.walk(tree)
                 if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load)}
        read |= {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    assert not {name: where for name, where in given.items()
                if name not in read and not name.startswith("__")}


def test_every_function_of_a_module_is_used_by_the_package() -> None:
    """What tests alone need stands with the tests, so that they check the code that ships."""
    defined: dict[str, str] = {}
    read: set[str] = set()
    for path in MODULES:
        tree = _tree(path)
        for top in tree.body:
            if isinstance(top, ast.FunctionDef | ast.ClassDef) and not top.name.startswith("__"):
                defined[top.name] = path.name
            # A function that only calls itself is not used.
            own = top.name if isinstance(top, ast.FunctionDef | ast.ClassDef) else ""
            read |= {name for node in ast.walk(top) for name in _names_read(node) if name != own}
    assert {name: where for name, where in defined.items() if name not in read} == {}


def _names_read(node: ast.AST) -> set[str]:
    """Return the name that a node reads; the public names are handed out by their text."""
    return ({node.id} if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load) else
            {node.attr} if isinstance(node, ast.Attribute) else
            {node.value} if isinstance(node, ast.Constant) and isinstance(node.value, str) else
            set())


def _errors_raised(node: ast.AST) -> set[str]:
    called = (found.exc.func for found in ast.walk(node)
              if isinstance(found, ast.Raise) and isinstance(found.exc, ast.Call))
    return {func.id for func in called if isinstance(func, ast.Name)
            and func.id.endswith(("Error", "Errors"))}


@pytest.mark.parametrize("path", [p for p in MODULES if p.name != "cli.py"],
                         ids=lambda p: str(p.relative_to(SOURCE)))
def test_public_functions_say_what_they_refuse(path: Path) -> None:
    """Either under Raises or in the sentence itself."""
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            said = ast.get_docstring(node) or ""
            assert not _errors_raised(node) or "Raises" in said or "raising" in said or (
                "refus" in said.lower()), f"{path.name}: {node.name}"


def test_top_level_is_exactly_as_promised() -> None:
    found = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")}
    assert found - {"build", "rehit_demo"} <= TOP_LEVEL
    assert found >= TOP_LEVEL


def test_notebooks_define_no_functions() -> None:
    for path in sorted((ROOT / "notebooks").glob("[01]*_*.py")):
        tree = _tree(path)
        assert not [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef | ast.ClassDef)], (
            path.name)


def _length(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Return how many lines a function's body has without its docstring."""
    body = function.body[1:] if ast.get_docstring(function) else function.body
    return (body[-1].end_lineno or 0) - body[0].lineno + 1 if body else 0


def test_functions_are_short() -> None:
    """Mostly up to 30 lines, never 50 or more."""
    lengths = {f"{path.relative_to(SOURCE)}: {node.name}": _length(node)
               for path in MODULES for node in ast.walk(_tree(path))
               if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)}
    assert {name: lines for name, lines in lengths.items() if lines >= 50} == {}
    assert sum(lines > 30 for lines in lengths.values()) / len(lengths) < 0.02
    longest = max(lengths, key=lambda name: lengths[name])
    print(f"{len(lengths)} functions; the longest: {longest} ({lengths[longest]} lines)")


WORDS = re.compile(r"(?:[A-Za-zÀ-ÿ][\w'’-]*[,;:]? ){3,}[A-Za-zÀ-ÿ]")


#: Texts of four words that are no sentences: names that a mapping file holds, a made-up log's
#: cell, a pattern, and what Python's own errors tell a programmer.
NO_SENTENCES = {
    "two numbers and a year", "Unix time in seconds", "Unix time in milliseconds",
    "graffiti tag in spray paint", "size class x m2", "module 'rehit' has no attribute x",
    "parameters never change; override() returns others (x)"}


def _texts(tree: ast.AST) -> Iterator[str]:
    """Go through the texts of a module, but for docstrings."""
    passed: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            passed.add(id(node.value))
    for node in ast.walk(tree):
        if id(node) in passed:
            continue
        if isinstance(node, ast.JoinedStr):
            passed |= {id(part) for part in ast.walk(node)}
            yield "".join(str(part.value) if isinstance(part, ast.Constant) else "x"
                          for part in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


def test_no_room_but_the_report_writes_sentences() -> None:
    """No text of four words or more stands outside ``report/``, in errors neither."""
    said = {(str(path.relative_to(SOURCE)), text) for path in MODULES
            if path.relative_to(SOURCE).parts[0] != "report"
            for text in _texts(_tree(path)) if WORDS.search(text)}
    assert {each for each in said if each[1] not in NO_SENTENCES} == set()
    assert {text for _, text in said} == NO_SENTENCES


@pytest.mark.parametrize("text", [
    'def f(n):\n    "Say it."\n    return f"There are {n} walls left."\n',
    'def f(n):\n    raise SettingError("n", got=f"There are {n} walls left.")\n',
    'def f(n):\n    x = fault("There are " f"{n} walls left.")\n'])
def test_a_sentence_in_a_room_would_be_found(text: str) -> None:
    said = list(_texts(ast.parse(text)))
    assert "There are x walls left." in said
    assert WORDS.search("There are x walls left.")


ERRORS = {"RehitError", "InputFileError", "TableError", "SettingError"}


def _errors_made(path: Path) -> Iterator[ast.Call]:
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and (
                node.func.id in ERRORS):
            yield node


def _codes(node: ast.expr) -> set[str]:
    """Return the codes that the argument of an error can be; none where a caller names it."""
    return {part.value for part in ast.walk(node) if isinstance(part, ast.Constant)
            and isinstance(part.value, str) and part.value.startswith("errors.")}


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(SOURCE)))
def test_an_error_is_a_code_whose_words_its_facts_fill(path: Path) -> None:
    """Which place it is takes no words either, unless they are a message."""
    english = catalogue("en")
    for call in _errors_made(path):
        where, code = call.args[:2]
        assert not any(WORDS.search(text) for text in _texts(where)), ast.unparse(call)
        assert not isinstance(code, ast.JoinedStr), ast.unparse(call)
        assert not isinstance(code, ast.Constant) or _codes(code), ast.unparse(call)
        facts = {keyword.arg for keyword in call.keywords}
        for each in _codes(code):
            texts = [text for part in ("got", "allowed", "remedy")
                     for text in _forms(english[f"{each}.{part}"])]
            named = {name for text in texts for _, name, _, _ in Formatter().parse(text) if name}
            assert None in facts or named <= facts, f"{each} lacks {named - facts}"


def _forms(text: str | tuple[str, ...]) -> tuple[str, ...]:
    return (text,) if isinstance(text, str) else text


#: Modules without a test file of their own, and where they are tested.
TESTED_ELSEWHERE = {
    "packaged.py": "every room's own tables are read through it",
    "report/document.py": "report/test_pages_browser.py: every page is made of its parts",
    "report/live_workbook.py": "contract and cost workbooks recomputed by LibreOffice",
    "report/pdf.py": "outputs/test_patrol.py and report/test_pages_paper.py",
    "report/bid_workbook.py": "outputs/test_price.py, recomputed by LibreOffice",
    "incidents/columns.py": "incidents/test_propose.py",
    "incidents/projection.py": "incidents/test_propose.py",
    "costs/cashflow.py": "costs/test_lifecycle_cashflow.py",
    "contract/schedule.py": "contract/test_price_contract.py",
    "contract/compare.py": "contract/test_price_contract.py",
    "patrol/check.py": "patrol/test_routes.py",
    "files/sheets.py": "files/test_reader.py",
    "files/spatial.py": "files/test_reader.py",
    "report/route_files.py": "outputs/test_patrol.py",
    "outputs/region.py": "region/test_run.py: the command as a whole",
    "app/checking.py": "app/test_page.py: the whole way in a real browser",
    "app/parts.py": "app/test_page.py",
    "app/reading.py": "app/test_page.py",
    "app/running.py": "app/test_page.py",
    "settings_file.py": "test_project.py",
    "words/numbers.py": "its examples, and incidents/test_places_texts.py",
}
#: Tests of the whole, or of a whole room, named for what they hold.
OF_THE_WHOLE = {"recompute", "corpus", "doctests", "findings", "layout", "packaging",
                "methods_everywhere", "api"}


def test_each_test_file_is_named_for_a_module_and_each_module_has_one() -> None:
    tests = ROOT / "tests"
    names: dict[str, list[str]] = {}
    for path in MODULES:
        if path.name != "__init__.py":
            place = path.parent.relative_to(SOURCE).as_posix()
            names.setdefault(place, []).append(path.stem)
    strange, bare = [], []
    for place, modules in names.items():
        found = [path.stem.removeprefix("test_") for path in (tests / place).glob("test_*.py")]
        strange += [f"{place}/test_{name}.py" for name in found if not _of(name, modules)
                    and name not in OF_THE_WHOLE]
        bare += [(Path(place) / f"{module}.py").as_posix() for module in modules
                 if not any(_of(name, [module]) for name in found)]
    assert strange == []
    assert set(bare) - set(TESTED_ELSEWHERE) == set()


def _of(name: str, modules: list[str]) -> bool:
    return any(name == module or name.startswith(f"{module}_") for module in modules)
