"""Write the page of direct dependencies, or a bill of materials of everything pinned.

    python docs/dependencies.py                # docs/dependencies.md
    python docs/dependencies.py --sbom FILE    # CycloneDX 1.6 (JSON), from requirements.lock

Why each is here and what would replace it stand in ``dependencies.csv``; licence, maintainer and
size come from what is installed, so that they cannot go stale by themselves.
"""

from __future__ import annotations

import argparse
import csv
import json
import re
from importlib.metadata import distribution
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
LOCK = HERE.parent / "requirements.lock"
PAGE = HERE / "dependencies.md"
HEAD = """\
# Dependencies

Each package that rehit asks for by itself, written by `python docs/dependencies.py` from
`docs/dependencies.csv` and the installed packages. Sizes are of the installed files, without what
a package asks for in turn. `requirements.lock` pins all of them with hashes, and
`python docs/dependencies.py --sbom FILE` writes that as a bill of materials (CycloneDX).

| package | why it is here | maintained by | licence | MB | what would replace it |
|---|---|---|---|---:|---|
"""
#: A licence in few words where a package prints the whole text or none.
SAID = {"timezonefinder": "MIT", "xstatic-leaflet": "MIT (as Leaflet, BSD-2-Clause)"}


def rows() -> list[dict[str, str]]:
    """Return what a person wrote of each package."""
    with (HERE / "dependencies.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def licence(name: str) -> str:
    """Return a package's licence in few words."""
    told = distribution(name).metadata
    kinds = [line.rpartition("::")[2].strip() for line in told.get_all("Classifier", [])
             if line.startswith("License ::")]
    return SAID.get(name) or told.get("License-Expression") or ", ".join(kinds) or told["License"]


def maintainer(name: str) -> str:
    """Return who stands for a package, without addresses."""
    told = distribution(name).metadata
    found = next((told[key] for key in ("Maintainer", "Author", "Maintainer-email", "Author-email")
                  if told.get(key)), "its authors")
    return re.sub(r"\s*<[^>]*>|\"", "", " ".join(found.split()))


def megabytes(name: str) -> float:
    """Return the size of a package's installed files [MB]."""
    return sum(file.size or 0 for file in distribution(name).files or ()) / 1e6


def page() -> str:
    """Return the page."""
    return HEAD + "".join(
        f"| {row['name']} | {row['why']} | {maintainer(row['name'])} | {licence(row['name'])} | "
        f"{megabytes(row['name']):.1f} | {row['instead']} |\n" for row in rows())


def bill(lock: str) -> dict[str, Any]:
    """Return the bill of materials of a lock file (CycloneDX 1.6, ECMA-424)."""
    found = re.findall(r"^([A-Za-z0-9][\w.-]*)==([^\s;\\]+)(.*?)(?=^\S|\Z)", lock,
                       flags=re.MULTILINE | re.DOTALL)
    return {"bomFormat": "CycloneDX", "specVersion": "1.6", "version": 1,
            "metadata": {"component": {"type": "application", "name": "rehit"}},
            "components": [
                {"type": "library", "name": name, "version": version,
                 "purl": f"pkg:pypi/{name.lower().replace('_', '-')}@{version}",
                 "hashes": [{"alg": "SHA-256", "content": digest}
                            for digest in re.findall(r"sha256:([0-9a-f]{64})", rest)]}
                for name, version, rest in found]}


def main() -> None:
    """Write the page or the bill."""
    ask = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    ask.add_argument("--sbom", type=Path)
    given = ask.parse_args()
    if given.sbom:
        given.sbom.write_text(json.dumps(bill(LOCK.read_text(encoding="utf-8")), indent=1) + "\n",
                              encoding="utf-8")
    else:
        PAGE.write_text(page(), encoding="utf-8")


if __name__ == "__main__":
    main()
