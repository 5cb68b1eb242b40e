"""Make the demo town again: python data_demo/make_demo.py [--seed N] [--out DIR] [--rows N]."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from town.build import ROWS_PER_TILE, make_town
from town.contract import clean_placed_incidents, clean_register
from town.model import Settings, Town
from town.write import write_town

__all__ = ["Settings", "Town", "clean_placed_incidents", "clean_register", "main", "make_town",
           "write_town"]


def main(arguments: list[str] | None = None) -> int:
    """Write a town's files and say which."""
    parser = argparse.ArgumentParser(description="Make the invented demo town and its truth.")
    parser.add_argument("--seed", type=int, default=Settings.seed, help="another number, another "
                        "town (default: %(default)s)")
    parser.add_argument("--out", type=Path, default=Path(__file__).resolve().parent,
                        help="folder to write to (default: the folder of this file)")
    parser.add_argument("--rows", type=int, default=0,
                        help="at least this many log rows, by building the town side by side")
    given = parser.parse_args(arguments)
    tiles = max(1, -(-given.rows // ROWS_PER_TILE))
    town = make_town(seed=given.seed, tiles=tiles)
    for path in write_town(town, given.out):
        print(f"{path.stat().st_size:>12,} bytes  {path.name}")
    print(f"{len(town.log):,} log rows, {len(town.register):,} assets, "
          f"{len(town.streets):,} street pieces")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
