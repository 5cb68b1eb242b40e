"""Money and chances in the sentences of results, with no more figures than they can bear."""

from __future__ import annotations

import math

from rehit.reporting.words import MINUS, NO_BREAK, Words

FIGURES = 3  # as many as totals over simulated futures agree in from run to run


def amount(value: float, currency: str, *, exact: bool = False) -> str:
    """Write money in whole units, an estimate to three significant figures.

    Parameters
    ----------
    value
        Amount [currency].
    currency
        The currency's sign or code.
    exact
        Whether the amount was given rather than estimated, and is written in full.

    Examples
    --------
    >>> amount(1052886, "€"), amount(42.4, "€"), amount(1052886, "EUR", exact=True)
    ('€1,050,000', '€42', 'EUR 1,052,886')
    """
    words = Words("en")
    if not exact and abs(value) >= 1:
        value = round(value, min(0, FIGURES - 1 - math.floor(math.log10(abs(value)))))
    key = "format.money_code" if currency.isalpha() else "format.money_sign"
    minus = MINUS if round(value) < 0 else ""
    said = words(key, minus=minus, currency=currency, value=words.whole(abs(value)))
    return said.replace(NO_BREAK, " ")


def chance(value: float) -> str:
    """Write a chance that was estimated, never as 0 or 100 %.

    Examples
    --------
    >>> chance(0.874), chance(1.0)
    ('87%', 'over 99%')
    """
    said = Words("en").chance(value).replace(NO_BREAK, "")
    return said.replace(">", "over ").replace("<", "under ")
