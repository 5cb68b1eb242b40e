"""The structure that DEVELOPERS.md promises, held by reading the source as text."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SOURCE = ROOT / "src" / "rehit"
ROOMS = ("incidents", "assets", "hotspots", "treatment", "costs", "contract", "patrol")
#: Each may import what stands lower; within a room anything goes. Rooms never import each other,
#: but a contract is priced from the cost room's rates and strategies.
LAYERS = {"errors": 0, "wording": 1, "messages": 1, "packaged": 1, "files": 2, "words": 3,
          "parameters": 2, "tables": 2, "workdays": 2, "settings_file": 2,
          "observed": 3, "project": 3, **dict.fromkeys(ROOMS, 4), "report": 5, "limits": 5,
          "chain": 6, "region": 7, "outputs": 8, "api": 9, "cli": 9}
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


def imports(path: Path) -> list[str]:
    found: list[str] = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
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


def test_every_constant_of_a_module_is_used() -> None:
    """Linters see an unused import or variable, but not a constant that nothing reads any more."""
    given: dict[str, str] = {}
    read: set[str] = set()
    for path in MODULES:
        tree = ast.parse(path.read_text(encoding="utf-8"))
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


def _errors_raised(node: ast.AST) -> set[str]:
    called = (found.exc.func for found in ast.walk(node)
              if isinstance(found, ast.Raise) and isinstance(found.exc, ast.Call))
    return {func.id for func in called if isinstance(func, ast.Name)
            and func.id.endswith(("Error", "Errors"))}


@pytest.mark.parametrize("path", [p for p in MODULES if p.name != "cli.py"],
                         ids=lambda p: str(p.relative_to(SOURCE)))
def test_public_functions_say_what_they_refuse(path: Path) -> None:
    """Either under Raises or in the sentence itself."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            said = ast.get_docstring(node) or ""
            assert not _errors_raised(node) or "Raises" in said or "raising" in said or (
                "refus" in said.lower()), f"{path.name}: {node.name}"


def test_top_level_is_exactly_as_promised() -> None:
    found = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")}
    assert found - {"build", "rehit_demo"} <= TOP_LEVEL
    assert found >= TOP_LEVEL


def test_notebooks_define_no_functions() -> None:
    for path in sorted((ROOT / "notebooks").glob("0*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        assert not [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef | ast.ClassDef)], (
            path.name)
