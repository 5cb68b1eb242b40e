"""Do the tests notice a wrong sign? One small fault after another, put into a module in memory.

Run by hand from the root: python tests/mutation/mutate.py [--sample 120] [--seed 1] [--only rates]

A mutant swaps a comparison, an arithmetic sign, `and` with `or`, the smaller with the larger, or
changes a number. Its module's own tests (tests/<room>/test_<module>*.py) must fail; those that need
the city logs or the demo town are left out for speed, so that the share killed is a lower bound.
Nothing is written: each mutant lives in a process forked for it.
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

ROOT = Path(__file__).parents[2]
SOURCE = ROOT / "src" / "rehit"
ROOMS = ("hotspots", "costs", "patrol", "treatment")
SLOW = ("demo", "san_diego", "next_quarter", "town", "recompute", "cities", "routes_tools")
SWAPS = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
         ast.NotEq: ast.Eq, ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div,
         ast.Div: ast.Mult, ast.And: ast.Or, ast.Or: ast.And}
NAMES = {"minimum": "maximum", "maximum": "minimum", "min": "max", "max": "min", "any": "all",
         "all": "any", "sf": "cdf", "cdf": "sf"}
#: Longest run of the tests of one mutant; an endless loop counts as killed.
SECONDS = 1800


def mutants(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Go through the mutants of a module, the tree spoilt at each stop: line, what was changed."""
    nodes = [n for f in ast.walk(tree) if isinstance(f, ast.FunctionDef) for n in ast.walk(f)]
    for node in dict.fromkeys(nodes):
        for change, undo, told in changes(node):
            change()
            yield getattr(node, "lineno", 0), told
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
    child = os.fork()
    if not child:
        sink = os.open(os.devnull, os.O_WRONLY)
        os.dup2(sink, 1)
        os.dup2(sink, 2)
        sys.meta_path.insert(0, Spoilt(name, path, tree))
        signal.alarm(SECONDS)
        import pytest

        os._exit(int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "-n", "0", *tests])))
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return "killed (endless)"
    return "SURVIVED" if os.WEXITSTATUS(status) == 0 else "killed"


def tests_of(room: str, module: str) -> list[str]:
    """Return the quick test files of a module."""
    found = sorted((ROOT / "tests" / room).glob(f"test_{module}*.py"))
    return [str(f) for f in found if not any(word in f.name for word in SLOW)]


def main() -> None:
    """Print each mutant and the share killed."""
    ask = argparse.ArgumentParser()
    ask.add_argument("--sample", type=int, default=120)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--only", default="")
    given = ask.parse_args()
    for slow in ("geopandas", "pytest", "scipy.stats", "statsmodels.api", "sklearn.ensemble"):
        importlib.import_module(slow)
    every = [(room, path, number)
             for room in ROOMS for path in sorted((SOURCE / room).glob("*.py"))
             if given.only in path.stem and tests_of(room, path.stem)
             for number, _ in enumerate(mutants(ast.parse(path.read_text(encoding="utf-8"))))]
    chosen = random.Random(given.seed).sample(every, min(given.sample, len(every)))
    killed = 0
    for done, (room, path, number) in enumerate(chosen, 1):
        start = time.perf_counter()
        tree = ast.parse(path.read_text(encoding="utf-8"))
        line, told = next(islice(mutants(tree), number, None))
        end = outcome(f"rehit.{room}.{path.stem}", path, tree, tests_of(room, path.stem))
        killed += end != "SURVIVED"
        print(f"{end:16s} {room}/{path.stem}.py:{line} {told} "
              f"({time.perf_counter() - start:.0f} s); {killed} of {done}", flush=True)
    print(f"{killed} of {len(chosen)} killed, {len(every)} possible")


if __name__ == "__main__":
    main()
