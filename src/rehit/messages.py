"""What a room has to say, as a code with its numbers; `rehit.report.say` alone puts it in words.

A code is ``topic.name`` and stands as a message in the catalogues under ``report/locale``. Values
stay numbers, dates, codes and texts of the user until they are said, so that each language writes
them in its own manner.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Message:
    """One statement: its code in the catalogues and the facts it names.

    Parameters
    ----------
    code
        ``topic.name`` of the catalogues.
    facts
        What the message's placeholders stand for; a value may itself be a message or a tuple of
        messages, said as a list.
    """

    code: str
    facts: Mapping[str, Any] = field(default_factory=dict)

    def __hash__(self) -> int:
        return hash((self.code, as_text(self)))

    @property
    def name(self) -> str:
        """The code without its topic."""
        return self.code.partition(".")[2]


def message(code: str, /, **facts: Any) -> Message:
    """Return a message from its code and facts.

    Examples
    --------
    >>> message("limits.short_log", days=12).facts["days"]
    12
    """
    return Message(code, facts)


def as_text(told: Message) -> str:
    """Return a message as one line of text that a table's cell can hold.

    Examples
    --------
    >>> as_text(message("limits.short_log", days=12))
    'limits.short_log {"days": 12}'
    """
    if not told.facts:
        return told.code
    return f"{told.code} {json.dumps(dict(told.facts), ensure_ascii=False, default=_plain)}"


def as_lines(told: Iterable[Message]) -> str:
    """Return several messages as one text, a line each, that a table's cell can hold.

    Examples
    --------
    >>> as_lines([message("limits.no_sizes"), message("limits.short_log", days=12)])
    'limits.no_sizes\\nlimits.short_log {"days": 12}'
    """
    return "\n".join(as_text(each) for each in told)


def from_lines(text: str) -> tuple[Message, ...]:
    """Return the messages that :func:`as_lines` wrote."""
    return tuple(from_text(line) for line in text.split("\n") if line)


def from_text(text: str) -> Message:
    """Return the message that :func:`as_text` wrote.

    Examples
    --------
    >>> from_text('limits.short_log {"days": 12}').facts["days"]
    12
    """
    code, _, values = text.partition(" ")
    return Message(code, _revived(json.loads(values)) if values else {})


def _plain(value: Any) -> Any:
    """Return a value as JSON knows it, so that it can be brought back."""
    if isinstance(value, Message):
        return {"~message": as_text(value)}
    if hasattr(value, "isoformat"):
        return {"~time": value.isoformat()}
    if hasattr(value, "item"):
        return value.item()
    return str(value)


def _revived(value: Any) -> Any:
    if isinstance(value, dict):
        if set(value) == {"~message"}:
            return from_text(value["~message"])
        if set(value) == {"~time"}:
            from pandas import Timestamp  # an error must be there before any library is read

            return Timestamp(value["~time"])
        return {name: _revived(part) for name, part in value.items()}
    if isinstance(value, list):
        return tuple(_revived(part) for part in value)
    return value
