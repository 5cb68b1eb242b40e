"""The few exceptions and the one warning that rehit raises on purpose.

An error is a fault's code with its facts, like everything else that a room has to say. What came,
what would have been accepted and what to do are the messages ``<code>.got``, ``<code>.allowed`` and
``<code>.remedy`` of the catalogues. The command line says them in the user's language; a Python
user, for whom no language is known, reads them in English.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from rehit.messages import Message, as_text

Where = str | Message

_tell: list[Callable[[Message], str]] = [as_text]


def tell_with(tell: Callable[[Message], str]) -> None:
    """Hand over what puts a message in words; the package does so, for this module knows none."""
    _tell[:] = [tell]


class RehitError(Exception):
    """Something the user can put right: said in words, never shown as a traceback.

    Parameters
    ----------
    where
        The file, table, column or key that the message is about; a message where that takes words.
    code
        The fault, as ``errors.<name>`` of the catalogues.
    facts
        What the fault's messages name.

    Examples
    --------
    >>> print(RehitError("log.csv", "errors.no_rows"))
    log.csv: got no rows; allowed: a header and rows. To fix it: export it again with its rows.
    """

    def __init__(self, where: Where, code: str, /, **facts: Any) -> None:
        super().__init__(where, code)
        self.where = where
        self.code = code
        self.facts = facts

    def __reduce__(self) -> tuple[Any, ...]:
        return _again, (type(self), self.where, self.code, self.facts)

    @property
    def got(self) -> Message:
        """What came."""
        return Message(f"{self.code}.got", self.facts)

    @property
    def allowed(self) -> Message:
        """What would have been accepted."""
        return Message(f"{self.code}.allowed", self.facts)

    @property
    def remedy(self) -> Message:
        """What to do next."""
        return Message(f"{self.code}.remedy", self.facts)

    @property
    def told(self) -> Message:
        """The whole as one sentence."""
        return Message("error.sentence", {"where": self.where, "got": self.got,
                                          "allowed": self.allowed, "remedy": self.remedy})

    def __str__(self) -> str:
        return _tell[0](self.told)


def _again(kind: type[RehitError], where: Where, code: str, facts: dict[str, Any]) -> RehitError:
    """Return an error that came from another process."""
    return kind(where, code, **facts)


class InputFileError(RehitError):
    """A file that cannot be read, or holds nothing usable."""


class TableError(RehitError):
    """A table that breaks the contract of the door it came to."""


class SettingError(RehitError):
    """A setting or parameter that is missing, contradictory or out of range."""


class ManyErrors(RehitError):
    """Several faults reported at once, so that the user mends them in one go."""

    def __init__(self, where: Where, errors: Iterable[RehitError]) -> None:
        self.errors = tuple(errors)
        super().__init__(where, "errors.many", n=len(self.errors))

    def __reduce__(self) -> tuple[Any, ...]:
        return ManyErrors, (self.where, self.errors)

    @property
    def told(self) -> Message:
        """How many there are; each follows on a line of its own."""
        return Message("error.many", {"where": self.where, "n": len(self.errors)})

    def __str__(self) -> str:
        return "\n".join((_tell[0](self.told), *(f"  - {error}" for error in self.errors)))


class DataWarning(UserWarning):
    """The result stands, but the data limit what may be concluded from it.

    Parameters
    ----------
    told
        What is the matter.
    """

    def __init__(self, told: Message) -> None:
        super().__init__(told)
        self.told = told

    def __str__(self) -> str:
        return _tell[0](self.told)
