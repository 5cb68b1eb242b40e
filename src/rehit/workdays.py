"""Public holidays of the country that a project names."""

from __future__ import annotations

from datetime import date

import holidays

from rehit.errors import SettingError


def public_holidays(region: str | None, *, first_year: int, last_year: int) -> dict[date, str]:
    """Return the public holidays of a region with their names in English where the list has them.

    In order; none for no region.

    Parameters
    ----------
    region
        ISO 3166 code such as ``PT``, or with its part, ``GB-ENG``.
    first_year, last_year
        Calendar years, both included.

    Raises
    ------
    SettingError
        If no public holidays are known for the region.

    Examples
    --------
    >>> public_holidays("PT", first_year=2026, last_year=2026)[date(2026, 4, 25)]
    'Freedom Day'
    """
    if not region:
        return {}
    country, _, part = region.partition("-")
    try:
        known = holidays.country_holidays(country, subdiv=part or None, language="en_US",
                                          years=range(first_year, last_year + 1))
    except NotImplementedError as error:
        raise SettingError("rehit.toml [project] holidays", "errors.not_holidays",
                           region=region) from error
    return {day: str(known[day]) for day in sorted(known)}
