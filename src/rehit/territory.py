"""What is customary where a log comes from: money, clock, public holidays, dates, measures.

Currencies, time zones and the order of day and month come from the Unicode Common Locale Data
Repository, as Babel carries it; which zone holds a point comes from timezonefinder; neither asks
the network.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import holidays
from babel import Locale, UnknownLocaleError
from babel.core import get_global
from babel.numbers import get_currency_symbol, get_territory_currencies
from timezonefinder import TimezoneFinder

#: Territories that measure in feet and miles: those of the US system in CLDR's measurementData
#: (from memory), with the United States' own islands.
_IN_FEET = frozenset(("US", "LR", "PR", "GU", "VI", "AS", "MP"))


@dataclass(frozen=True)
class Territory:
    """A country's customs.

    Attributes
    ----------
    code
        ISO 3166 code of two letters.
    currency
        Sign of its money as written there, such as ``£`` or ``CHF``.
    day_first
        Whether numeric dates have the day before the month.
    units
        ``metric``, or ``imperial`` where distances are told in feet and miles.
    holidays
        The code for its public holidays, None where none are known.
    """

    code: str
    currency: str
    day_first: bool
    units: str
    holidays: str | None

    @property
    def area_unit(self) -> str:
        """Unit of an area written as a bare number: ``m2`` or ``ft2``."""
        return "ft2" if self.units == "imperial" else "m2"


@cache
def zone_finder() -> TimezoneFinder:
    """Return the shapes of all time zones, read once."""
    return TimezoneFinder()


def zone_at(longitude: float, latitude: float) -> str:
    """Return the IANA name of the time zone that holds a point in degrees; "" at sea.

    Examples
    --------
    >>> zone_at(8.54, 47.37)
    'Europe/Zurich'
    """
    found = zone_finder().timezone_at(lng=longitude, lat=latitude) or ""
    return "" if found.startswith("Etc/") else found


def territory_of_zone(zone: str) -> str:
    """Return the ISO code of the country a time zone belongs to; "" where it belongs to none.

    Examples
    --------
    >>> territory_of_zone("America/Los_Angeles"), territory_of_zone("UTC")
    ('US', '')
    """
    names = get_global("zone_territories")
    code = str(names.get(zone) or names.get(get_global("zone_aliases").get(zone, "")) or "")
    return code if code.isalpha() and code != "ZZ" else ""


def zones_of(code: str) -> tuple[str, ...]:
    """Return the time zones of a country, by their IANA names.

    Examples
    --------
    >>> zones_of("PL")
    ('Europe/Warsaw',)
    """
    known = zone_finder().timezone_names
    return tuple(zone for zone in known if territory_of_zone(zone) == code and code)


@cache
def countries() -> tuple[str, ...]:
    """Return the ISO codes of the countries whose customs are known, in order.

    Examples
    --------
    >>> {"PT", "US"} <= set(countries()), "XX" in countries()
    (True, False)
    """
    return tuple(code for code in sorted(get_global("territory_currencies"))
                 if len(code) == 2 and territory(code) is not None)


@cache
def territory(code: str) -> Territory | None:
    """Return the customs of a country, None for a code that names none.

    Examples
    --------
    >>> territory("US").currency, territory("US").day_first, territory("CH").currency
    ('$', False, 'CHF')
    """
    try:
        locale = Locale.parse(f"und_{code}")
        money = get_territory_currencies(code)
    except (UnknownLocaleError, ValueError):
        return None
    if not money or locale.territory != code:
        return None
    pattern = locale.date_formats["short"].pattern
    known = holidays.list_supported_countries()
    return Territory(code, str(get_currency_symbol(money[-1], locale)),
                     pattern.find("d") < pattern.find("M") if pattern[:1] != "y" else True,
                     "imperial" if code in _IN_FEET else "metric",
                     code if code in known else None)

