"""What every command's writer stands in: a staged folder, ``summary.json``, one language.

A writer takes the chain and the staged folder, writes its tables and returns a summary of plain
values, in which ``sentences`` are messages. The frame says them in the project's language.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from rehit.chain import Chain
from rehit.files.writing import staged_folder
from rehit.messages import Message, as_text
from rehit.report.say import Say

# A summary is JSON-like: what is in it differs by command.
Summary = dict[str, Any]
Writer = Callable[[Chain, Path], Summary]


def write_results(chain: Chain, folder: Path, *, work: Writer) -> Summary:
    """Run a writer into a staged folder, whole or not at all, and leave ``summary.json`` there.

    Parameters
    ----------
    chain
        The project's results.
    folder
        Where the files go.
    work
        The command's writer.

    Returns
    -------
    dict
        What the writer returned, said (:func:`told`), and ``files``: what was written.
    """
    with staged_folder(folder) as stage:
        return finish_folder(told(work(chain, stage), chain.say), stage, folder)


def finish_folder(summary: Summary, stage: Path, folder: Path) -> Summary:
    """Name the files written in the summary and leave it beside them as ``summary.json``."""
    names = sorted(str(p.relative_to(stage)) for p in stage.rglob("*") if p.is_file())
    named = {**summary, "files": [str(folder / name) for name in [*names, "summary.json"]]}
    text = json.dumps(named, indent=2, ensure_ascii=False, default=str)
    (stage / "summary.json").write_text(text + "\n", encoding="utf-8")
    return named


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
