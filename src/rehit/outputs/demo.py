"""The invented town and the notebooks, as an installed package or a checkout holds them."""

from __future__ import annotations

import shutil
from importlib.resources import files
from pathlib import Path

from rehit.errors import InputFileError
from rehit.files.writing import staged_folder
from rehit.project import FILE_NAME


def demo_folder() -> Path:
    """Return the project folder of the invented town.

    Raises
    ------
    InputFileError
        If neither the package nor a checkout around it holds the town.
    """
    return _carried("data_demo", FILE_NAME)


def lay_out_notebooks(folder: Path) -> list[Path]:
    """Copy the notebooks and the town they run on into a folder.

    Parameters
    ----------
    folder
        Gets ``notebooks`` and ``data_demo``; files of the same name are replaced.

    Returns
    -------
    list of Path
        The notebooks.

    Raises
    ------
    InputFileError
        If they are not there, or the folder cannot be written.
    """
    notebooks, town = _carried("notebooks", "run_all.py"), demo_folder()
    with staged_folder(folder) as stage:
        shutil.copytree(notebooks, stage / "notebooks",
                        ignore=shutil.ignore_patterns("__pycache__", ".ipynb_checkpoints"))
        (stage / "data_demo").mkdir()
        for path in town.iterdir():
            if path.is_file():
                shutil.copyfile(path, stage / "data_demo" / path.name)
    return sorted((folder / "notebooks").glob("[0-9]*_*.py"))


def _carried(name: str, holds: str) -> Path:
    """Return a folder that the package carries, or that stands beside its source."""
    package = Path(str(files("rehit")))
    for folder in (package / "demo" / name, package.parents[1] / name):
        if (folder / holds).exists():
            return folder
    raise InputFileError(str(package / "demo" / name), "errors.no_demo")
