from __future__ import annotations

from datetime import date

import pytest

from rehit.errors import SettingError
from rehit.workdays import public_holidays


def test_portuguese_holidays_of_2026() -> None:
    """The thirteen national ones of the Portuguese labour code, article 234; Easter is 5 April."""
    found = public_holidays("PT", first_year=2026, last_year=2026)
    assert list(found) == [date(2026, *day) for day in (
        (1, 1), (4, 3), (4, 5), (4, 25), (5, 1), (6, 4), (6, 10), (8, 15), (10, 5), (11, 1),
        (12, 1), (12, 8), (12, 25))]
    assert found[date(2026, 12, 25)] == "Christmas Day"


def test_a_part_of_a_country_has_its_own() -> None:
    scotland, england = (public_holidays(r, first_year=2026, last_year=2026)
                         for r in ("GB-SCT", "GB-ENG"))
    assert date(2026, 1, 2) in scotland
    assert date(2026, 1, 2) not in england


def test_no_region_has_none_and_an_unknown_one_is_refused() -> None:
    assert public_holidays(None, first_year=2026, last_year=2026) == {}
    with pytest.raises(SettingError, match="XX"):
        public_holidays("XX", first_year=2026, last_year=2026)
