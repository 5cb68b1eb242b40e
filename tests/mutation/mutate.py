"""Do the tests notice a wrong sign? One small fault after another, put into a module in memory.

Run by hand from the root: python tests/mutation/mutate.py [--sample 120] [--seed 1] [--only rates]

A mutant swaps a comparison, an arithmetic sign, `and` with `or`, the smaller with the larger, or
changes a number. Of the tests of the four rooms, of the contract and of the docstrings those that
run the spoilt line (``reach.py``) are run, the quickest first, until one fails. What only the demo
town, a city's log or a whole command would notice counts as survived, so that the share killed is a
lower bound.
Nothing of the project is written: each mutant lives in a process forked for it. Survivors that no
test could kill are listed in ``equivalent.txt``.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import importlib.abc
import importlib.util
import os
import random
import signal
import sys
import time
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

import pytest
from reach import FORKED, tests_by_line

ROOT = Path(__file__).parents[2]
SOURCE = ROOT / "src" / "rehit"
ROOMS = ("hotspots", "costs", "patrol", "treatment")
TESTED_IN = (*ROOMS, "contract", "published")
SWAPS = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
         ast.NotEq: ast.Eq, ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div,
         ast.Div: ast.Mult, ast.And: ast.Or, ast.Or: ast.And}
NAMES = {"minimum": "maximum", "maximum": "minimum", "min": "max", "max": "min", "any": "all",
         "all": "any", "sf": "cdf", "cdf": "sf"}
#: Longest run of the tests of one mutant; an endless loop counts as killed.
SECONDS = 300


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


class Spoilt(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives one module's mutant in place of its file."""

    def __init__(self, name: str, path: Path, tree: ast.Module) -> None:
        self.name, self.path, self.tree = name, path, tree

    def find_spec(self, fullname, *_):
        """Return a spec for the one module."""
        if fullname != self.name:
            return None
        return importlib.util.spec_from_file_location(fullname, self.path, loader=self)

    def exec_module(self, module) -> None:
        """Run the mutant."""
        exec(compile(ast.fix_missing_locations(self.tree), str(self.path), "exec"), module.__dict__)


def outcome(name: str, path: Path, tree: ast.Module, tests: list[str]) -> str:
    """Run the tests against a mutant in a process of its own."""
    if not tests:
        return "SURVIVED (no test)"
    child = os.fork()
    if not child:
        sink = os.open(os.devnull, os.O_WRONLY)
        os.dup2(sink, 1)
        os.dup2(sink, 2)
        sys.meta_path.insert(0, Spoilt(name, path, tree))
        signal.alarm(SECONDS)
        os._exit(int(pytest.main(["-x", *FORKED, *tests])))
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return "killed (endless)"
    return "SURVIVED" if os.WEXITSTATUS(status) == 0 else "killed"


def running(reached: dict[str, list[str]], path: Path, function: ast.FunctionDef) -> list[str]:
    """Return the tests that run any line of a function, where no line stands for a mutant."""
    lines = range(function.lineno, function.end_lineno + 1)
    return list(dict.fromkeys(test for line in lines
                              for test in reached.get(f"{path}:{line}", [])))


def test_files() -> list[Path]:
    """Return the files whose tests may kill a mutant."""
    rooms = [file for room in TESTED_IN for file in sorted((ROOT / "tests" / room).rglob("*.py"))]
    return [file for file in rooms
            if file.name.startswith("test_") and "san_diego" not in file.name] + [
        ROOT / "tests" / "test_doctests.py"]


def main() -> None:
    """Print each mutant and the share killed."""
    ask = argparse.ArgumentParser()
    ask.add_argument("--sample", type=int, default=120)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--only", default="")
    given = ask.parse_args()
    os.chdir(ROOT)
    for slow in ("geopandas", "scipy.stats", "statsmodels.api", "sklearn.ensemble"):
        importlib.import_module(slow)
    modules = [(room, path) for room in ROOMS for path in sorted((SOURCE / room).glob("*.py"))]
    reached = tests_by_line([path for _, path in modules], test_files())
    every = [(room, path, number)
             for room, path in modules if given.only in path.stem
             for number, _ in enumerate(mutants(ast.parse(path.read_text(encoding="utf-8"))))]
    chosen = random.Random(given.seed).sample(every, min(given.sample, len(every)))
    killed = 0
    for done, (room, path, number) in enumerate(chosen, 1):
        start = time.perf_counter()
        tree = ast.parse(path.read_text(encoding="utf-8"))
        function, line, told = next(islice(mutants(tree), number, None))
        tests = reached.get(f"{path}:{line}") or running(reached, path, function)
        end = outcome(f"rehit.{room}.{path.stem}", path, tree, tests)
        killed += end.startswith("killed")
        print(f"{end:18s} {room}/{path.stem}.py:{line} {told} ({len(tests)} tests, "
              f"{time.perf_counter() - start:.0f} s); {killed} of {done}", flush=True)
    print(f"{killed} of {len(chosen)} killed, {len(every)} possible")


if __name__ == "__main__":
    main()
