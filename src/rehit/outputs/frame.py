"""What every command's writer stands in: a staged folder, ``summary.json``, one language.

A writer takes the chain and the staged folder, writes its tables and returns a summary of plain
values, in which ``sentences`` are messages. The frame says them in the project's language.
"""

from __future__ import annotations

import json
import os
import platform
from codecs import BOM_UTF8
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from time import perf_counter
from typing import Any

from rehit.chain import Chain
from rehit.errors import InputFileError
from rehit.files.memory import free_if_below
from rehit.files.writing import staged_folder
from rehit.messages import Message, as_text
from rehit.report.say import Say

# A summary is JSON-like: what is in it differs by command.
Summary = dict[str, Any]
Writer = Callable[[Chain, Path], Summary]
LIBRARIES = ("pandas", "geopandas", "numpy", "scipy", "shapely", "pyproj", "scikit-learn",
             "statsmodels", "matplotlib", "pyvrp", "babel")
COUNTS = ("rows_in", "rows_kept", "rows_joined", "rows_set_aside")


class Run:
    """Listens to the steps of a run, and says how it went without naming a person or a path.

    Parameters
    ----------
    progress
        Told each step's code in turn.
    """

    def __init__(self, progress: Callable[[str], None]) -> None:
        self._progress = progress
        self._began = datetime.now(UTC)
        self._steps: list[tuple[str, float]] = []

    def __call__(self, code: str) -> None:
        """Note when a step begins, and pass it on."""
        self._steps.append((code, perf_counter()))
        self._progress(code)

    def log(self, chain: Chain, summary: Mapping[str, Any]) -> dict[str, Any]:
        """Return versions, settings, counts and seconds of the run.

        Parameters
        ----------
        chain
            The results, for the project's settings: which kinds of file it names, not their
            paths, and the numbers it changes.
        summary
            What the writer returned, for the counts of rows where it has them.
        """
        now, project = perf_counter(), chain.project
        ends = [*(at for _, at in self._steps[1:]), now]
        rows = summary.get("rows", summary)
        return {
            "began": self._began.isoformat(timespec="seconds"),
            "seconds": round(now - self._steps[0][1], 2) if self._steps else 0.0,
            "steps": [{"step": code, "seconds": round(end - at, 2)}
                      for (code, at), end in zip(self._steps, ends, strict=True)],
            "results_taken_from_before": sorted(chain.taken),
            "versions": {"rehit": version("rehit"), "python": platform.python_version(),
                         **{name: version(name) for name in LIBRARIES}},
            "system": platform.system(),
            "settings": {"crs": project.crs, "time_zone": project.time_zone,
                         "language": project.language, "seed": project.seed,
                         "files": {role: len(paths) for role, paths in project.files.items()},
                         "numbers": {row.name: row.value for row in project.parameters.rows()
                                     if row.overridden}},
            "counts": {name: rows[name] for name in COUNTS if name in rows},
        }


def write_results(chain: Chain, folder: Path, *, work: Writer, run: Run | None = None,
                  csv_bom: bool = False, command: str = "") -> Summary:
    """Run a writer into a staged folder, whole or not at all, and leave ``summary.json`` there.

    Parameters
    ----------
    chain
        The project's results.
    folder
        Where the files go.
    work
        The command's writer.
    run
        What listened to the chain's steps, to be left as ``run_log.json``.
    csv_bom
        As :func:`finish_folder` takes it.
    command
        Whose need of memory is held to what is free, before the work begins.

    Returns
    -------
    dict
        What the writer returned, said (:func:`told`), and ``files``: what was written.
    """
    with staged_folder(folder) as stage:
        _refuse_what_does_not_fit(chain, command)
        summary = told(work(chain, stage), chain.say)
        if run is not None:
            _write_json(run.log(chain, summary), stage / "run_log.json")
        return finish_folder(summary, stage, folder, csv_bom=csv_bom)


def _refuse_what_does_not_fit(chain: Chain, command: str) -> None:
    """Say before the work that the log needs more memory for a command than there is.

    Raises
    ------
    InputFileError
        If it does.
    """
    number = f"pipeline.memory_{command}_kb"
    if number not in chain.parameters:
        return
    rows = chain.n_rows
    needed = chain.parameters["pipeline.memory_any_mb"] * 1e6 + rows * (
        chain.parameters[number] * 1e3)
    free = free_if_below(needed)
    if free is not None:
        raise InputFileError(str(chain.project.folder), "errors.too_little_memory", rows=rows,
                             needed_gb=needed / 1e9, free_gb=free / 1e9, number=number)


def finish_folder(summary: Summary, stage: Path, folder: Path | str, *,
                  csv_bom: bool = False) -> Summary:
    """Name the files written in the summary and leave it beside them as ``summary.json``.

    With `csv_bom` each CSV begins with a byte order mark, by which some spreadsheet programs tell
    that it is UTF-8 (Unicode Standard, section 23.8).
    """
    for path in stage.rglob("*.csv") if csv_bom else ():
        path.write_bytes(BOM_UTF8 + path.read_bytes().removeprefix(BOM_UTF8))
    names = sorted(str(p.relative_to(stage)) for p in stage.rglob("*") if p.is_file())
    named = {**summary, "files": [os.path.join(folder, name) for name in [*names, "summary.json"]]}
    _write_json(named, stage / "summary.json")
    return named


def _write_json(value: Mapping[str, Any], path: Path) -> None:
    text = json.dumps(value, indent=2, ensure_ascii=False, default=str)
    path.write_text(text + "\n", encoding="utf-8")


def told(summary: Mapping[str, Any], say: Say) -> Summary:
    """Return a summary with its messages in words, and their codes beside the sentences.

    Parameters
    ----------
    summary
        Plain values and messages; ``sentences`` holds what is printed.
    say
        The language to say them in.

    Examples
    --------
    >>> from rehit.messages import message
    >>> told({"n": 2, "sentences": [message("of.place", n=2)]}, Say("es"))
    {'n': 2, 'sentences': ['2 lugares'], 'codes': ['of.place {"n": 2}']}
    """
    said: Summary = {name: _in_words(value, say) for name, value in summary.items()}
    codes = [as_text(each) for each in summary.get("sentences", ()) if isinstance(each, Message)]
    return {**said, "codes": codes} if codes else said


def _in_words(value: object, say: Say) -> Any:
    if isinstance(value, Message):
        return say(value)
    if isinstance(value, Mapping):
        return {name: _in_words(part, say) for name, part in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str | bytes):
        return [_in_words(part, say) for part in value]
    return value
