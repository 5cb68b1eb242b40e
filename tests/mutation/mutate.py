"""Do the tests notice a wrong sign? One small fault after another, put into a function in memory.

Run by hand from the root: python tests/mutation/mutate.py [--sample 120] [--seed 1] [--only rates]

A mutant swaps a comparison, an arithmetic sign, `and` with `or`, the smaller with the larger, or
changes a number. Of the tests of the four rooms, of the contract and of the docstrings those that
run the spoilt line (``reach.py``) are run, the quickest first, until one fails. What only the demo
town, a city's log, a whole command or a test after three quarters of a minute would notice counts
as survived, so that the share killed is a lower bound. Nothing of the project is written: the tests
are collected once, and each mutant lives in a process forked from there. Survivors that no test
could kill stand in ``equivalent.txt``.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import os
import random
import sys
import tempfile
import time
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from types import FunctionType, ModuleType

import pytest
from reach import run, tests_by_line

ROOT = Path(__file__).parents[2]
SOURCE = ROOT / "src" / "rehit"
ROOMS = ("hotspots", "costs", "patrol", "treatment")
TESTED_IN = (*ROOMS, "contract", "published")
#: Fixtures that take many seconds, once for each mutant: the demo town and its results.
DEAR = {"demo_chain", "town_of"}
#: Seconds after which a test is taken for endless, which kills, and after which none is begun.
LONGEST, BUDGET = 90, 40.0
SWAPS = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
         ast.NotEq: ast.Eq, ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div,
         ast.Div: ast.Mult, ast.And: ast.Or, ast.Or: ast.And}
NAMES = {"minimum": "maximum", "maximum": "minimum", "min": "max", "max": "min", "any": "all",
         "all": "any", "sf": "cdf", "cdf": "sf"}


def mutants(tree: ast.Module) -> Iterator[tuple[ast.FunctionDef, int, str]]:
    """Go through the mutants of a module, the tree spoilt at each: function, line, change."""
    home = {node: function for function in ast.walk(tree) if isinstance(function, ast.FunctionDef)
            for node in ast.walk(function)}
    for node, function in home.items():
        for change, undo, told in changes(node):
            change()
            yield function, getattr(node, "lineno", function.lineno), told
            undo()


def changes(node: ast.AST) -> Iterator[tuple]:
    """Go through ways to spoil one node, each with the way back."""
    if isinstance(node, ast.Compare):
        for k, op in enumerate(node.ops):
            if type(op) in SWAPS:
                yield _setting(node.ops, k, SWAPS[type(op)](), f"{type(op).__name__} swapped")
    elif isinstance(node, ast.BinOp | ast.BoolOp) and type(node.op) in SWAPS:
        yield _setting(node, "op", SWAPS[type(node.op)](), f"{type(node.op).__name__} swapped")
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        yield _setting(node, "op", ast.UAdd(), "minus dropped")
    elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
        yield _setting(node, "value", node.value + 1, f"{node.value} + 1")
    elif isinstance(node, ast.Attribute) and node.attr in NAMES:
        yield _setting(node, "attr", NAMES[node.attr], f"{node.attr} swapped")
    elif isinstance(node, ast.Name) and node.id in NAMES:
        yield _setting(node, "id", NAMES[node.id], f"{node.id} swapped")


def _setting(owner: object, key: str | int, value: object, told: str) -> tuple:
    old = owner[key] if isinstance(key, int) else getattr(owner, key)

    def put(what: object) -> None:
        if isinstance(key, int):
            owner[key] = what
        else:
            setattr(owner, key, what)

    return (lambda: put(value)), (lambda: put(old)), told


def spoil(module: ModuleType, path: Path, tree: ast.Module) -> None:
    """Give the functions of a loaded module the code of a spoilt tree, wherever they are known."""
    fresh = ModuleType(module.__name__)
    fresh.__file__ = str(path)
    kept = sys.modules[module.__name__]
    sys.modules[module.__name__] = fresh  # dataclasses look their module up
    exec(compile(ast.fix_missing_locations(tree), str(path), "exec"), fresh.__dict__)
    sys.modules[module.__name__] = kept
    _take_over(vars(module), vars(fresh), module.__name__)


def _take_over(old: dict, new: dict, home: str) -> None:
    for name, made in new.items():
        if isinstance(made, type) and made.__module__ == home:
            _take_over(dict(vars(old[name])), dict(vars(made)), home)
            continue
        was, now = (_bare(each) for each in (old.get(name), made))
        if isinstance(was, FunctionType) and now.__module__ == home and not was.__closure__:
            was.__code__, was.__defaults__ = now.__code__, now.__defaults__
            was.__kwdefaults__ = now.__kwdefaults__


def _bare(made: object) -> object:
    """Return the function inside a property, a class method or a wrapper."""
    for inner in ("fget", "__func__", "__wrapped__"):
        made = getattr(made, inner, None) or made
    return made


class Mutation:
    """A plugin that runs the chosen mutants in place of the tests."""

    def __init__(self, asked: argparse.Namespace) -> None:
        self.asked, self.failed = asked, False

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Leave out the tests that need the demo town."""
        items[:] = [item for item in items if not DEAR & set(item.fixturenames)]

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """End a mutant's run with the first test that fails."""
        if report.failed:
            os._exit(1)

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Print each mutant and the share killed."""
        modules = [(room, path) for room in ROOMS for path in sorted((SOURCE / room).glob("*.py"))]
        reached = tests_by_line(session, [path for _, path in modules])
        every = [(room, path, number) for room, path in modules if self.asked.only in path.stem
                 for number, _ in enumerate(mutants(ast.parse(path.read_text(encoding="utf-8"))))]
        chosen = random.Random(self.asked.seed).sample(every, min(self.asked.sample, len(every)))
        items = {item.nodeid: item for item in session.items}
        killed = 0
        for done, (room, path, number) in enumerate(chosen[self.asked.skip:], 1):
            start = time.perf_counter()
            tree = ast.parse(path.read_text(encoding="utf-8"))
            function, line, told = next(islice(mutants(tree), number, None))
            names = reached.get(f"{path}:{line}") or running(reached, path, function)
            module = importlib.import_module(f"rehit.{room}.{path.stem}")
            end = outcome(module, path, tree, by_file([items[name] for name in names]))
            killed += end.startswith("killed")
            print(f"{end:18s} {room}/{path.stem}.py:{line} {told} ({len(names)} tests, "
                  f"{time.perf_counter() - start:.1f} s); {killed} of {done}", flush=True)
        print(f"{killed} of {len(chosen) - self.asked.skip} killed, {len(every)} possible")
        return True


def outcome(module: ModuleType, path: Path, tree: ast.Module, items: list[pytest.Item]) -> str:
    """Run the tests against a mutant in a process of its own."""
    if not items:
        return "SURVIVED (no test)"
    child = os.fork()
    if not child:
        os.chdir(tempfile.gettempdir())  # a spoilt path writes anywhere
        try:
            spoil(module, path, tree)
            run(items, longest=LONGEST, budget=BUDGET)
        except BaseException:
            os._exit(1)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return "killed (endless)"
    return "SURVIVED" if os.WEXITSTATUS(status) == 0 else "killed"


def by_file(items: list[pytest.Item]) -> list[pytest.Item]:
    """Order tests by file, since a file's tests share what they make, the quickest file first."""
    order = {path: place for place, path in enumerate(dict.fromkeys(item.path for item in items))}
    return sorted(items, key=lambda item: order[item.path])


def running(reached: dict[str, list[str]], path: Path, function: ast.FunctionDef) -> list[str]:
    """Return the tests that run any line of a function, where no line stands for a mutant."""
    lines = range(function.lineno, function.end_lineno + 1)
    return list(dict.fromkeys(test for line in lines
                              for test in reached.get(f"{path}:{line}", [])))


def test_files() -> list[str]:
    """Return the files whose tests may kill a mutant."""
    rooms = [file for room in TESTED_IN for file in sorted((ROOT / "tests" / room).rglob("*.py"))]
    return [*(str(file) for file in rooms
              if file.name.startswith("test_") and "san_diego" not in file.name),
            str(ROOT / "tests" / "test_doctests.py")]


def main() -> None:
    """Read what is asked and hand it to pytest."""
    ask = argparse.ArgumentParser()
    ask.add_argument("--sample", type=int, default=120)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--skip", type=int, default=0, help="mutants of the sample already tried")
    ask.add_argument("--only", default="")
    os.chdir(ROOT)
    pytest.main(["-q", "-s", "-p", "no:cacheprovider", "-n", "0", *test_files()],
                plugins=[Mutation(ask.parse_args())])


if __name__ == "__main__":
    main()
