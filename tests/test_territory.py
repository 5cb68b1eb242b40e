"""Customs of a country: money, clock, order of dates, measures, as the locale data has them."""

from __future__ import annotations

import pytest

from rehit.territory import territory, territory_of_zone, zone_at, zones_of

# Middle of each town, its zone, the country's code, its money and whether days come first there.
TOWNS = [
    (-87.65, 41.85, "America/Chicago", "US", "$", False),
    (-1.55, 53.8, "Europe/London", "GB", "£", True),
    (8.54, 47.37, "Europe/Zurich", "CH", "CHF", True),
    (2.35, 48.86, "Europe/Paris", "FR", "€", True),
    (21.0, 52.23, "Europe/Warsaw", "PL", "zł", True),
    (-46.63, -23.55, "America/Sao_Paulo", "BR", "R$", True),
]


@pytest.mark.parametrize(("longitude", "latitude", "zone", "code", "money", "day_first"), TOWNS)
def test_a_point_tells_its_clock_and_its_country_s_customs(
        longitude: float, latitude: float, zone: str, code: str, money: str,
        day_first: bool) -> None:
    assert zone_at(longitude, latitude) == zone
    assert territory_of_zone(zone) == code
    home = territory(code)
    assert home is not None
    assert (home.currency, home.day_first, home.holidays) == (money, day_first, code)


def test_walls_are_measured_in_feet_in_the_united_states_only_of_these() -> None:
    units = {code: home.area_unit for *_, code, _, _ in TOWNS if (home := territory(code))}
    assert [code for code, unit in units.items() if unit == "ft2"] == ["US"]


def test_no_country_is_made_up_for_the_sea_or_a_strange_code() -> None:
    assert zone_at(-30.0, 30.0) == ""
    assert territory_of_zone("UTC") == ""
    assert territory("XX") is None
    assert territory("nonsense") is None
    assert zones_of("") == ()
