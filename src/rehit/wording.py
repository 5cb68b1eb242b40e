"""A number and the thing it counts, in agreement."""

from __future__ import annotations


def counted(number: float, thing: str) -> str:
    """Return a number and what it counts, in the plural unless it is one.

    Parameters
    ----------
    number
        How many.
    thing
        The word in the singular; its plural ends in s.

    Examples
    --------
    >>> counted(1, "place"), counted(10.0, "year"), counted(1200, "re-hit")
    ('1 place', '10 years', '1200 re-hits')
    """
    if number == 1:
        return f"1 {thing}"
    return f"{number:g} {thing}s" if isinstance(number, float) else f"{number} {thing}s"
