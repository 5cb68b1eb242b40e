"""The few exceptions and the one warning that rehit raises on purpose."""

from __future__ import annotations

from collections.abc import Iterable


class RehitError(Exception):
    """Something the user can put right: said in words, never shown as a traceback.

    Parameters
    ----------
    where
        The file, table, column or key that the message is about.
    got
        What came.
    allowed
        What would have been accepted.
    remedy
        What to do next.

    Examples
    --------
    >>> print(RehitError("log.csv", got="an empty file", allowed="a log with rows",
    ...                  remedy="export the log again"))
    log.csv: got an empty file; allowed: a log with rows. To fix it: export the log again.
    """

    def __init__(self, where: str, *, got: str, allowed: str, remedy: str) -> None:
        self.where = where
        self.got = got
        self.allowed = allowed
        self.remedy = remedy
        super().__init__(f"{where}: got {got}; allowed: {allowed}. To fix it: {remedy}.")


class InputFileError(RehitError):
    """A file that cannot be read, or holds nothing usable."""


class TableError(RehitError):
    """A table that breaks the contract of the door it came to."""


class SettingError(RehitError):
    """A setting or parameter that is missing, contradictory or out of range."""


class ManyErrors(RehitError):
    """Several faults reported at once, so that the user mends them in one go."""

    def __init__(self, where: str, errors: Iterable[RehitError]) -> None:
        self.errors = tuple(errors)
        listed = "\n".join(f"  - {error}" for error in self.errors)
        self.where = where
        self.got = f"{len(self.errors)} faults"
        self.allowed = "none"
        self.remedy = "mend each line below"
        Exception.__init__(self, f"{where}: {len(self.errors)} faults.\n{listed}")


class DataWarning(UserWarning):
    """The result stands, but the data limit what may be concluded from it."""
