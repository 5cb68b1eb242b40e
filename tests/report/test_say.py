"""The catalogue in both languages, and numbers rounded to what they can bear."""

from __future__ import annotations

import re
import string
from datetime import date
from pathlib import Path

import pytest

import rehit.report
from rehit.errors import SettingError
from rehit.report.say import Say, catalogue, languages
from rehit.tables import table


def _placeholders(text: object) -> object:
    if isinstance(text, dict):
        return {key: _placeholders(part) for key, part in text.items()}
    return {name for _, name, _, _ in string.Formatter().parse(str(text)) if name}


def _differences(first: str, second: str) -> list[str]:
    a, b = catalogue(first), catalogue(second)
    return sorted(set(a) ^ set(b)) + [
        k for k in a if k in b and _placeholders(a[k]) != _placeholders(b[k])]


def test_two_languages_have_the_same_keys_and_placeholders() -> None:
    assert languages() == ("en", "es")
    assert _differences("en", "es") == []


def test_a_missing_placeholder_would_be_found() -> None:
    assert _placeholders("{a} and {b}") != _placeholders("{a}")


def test_every_key_used_in_the_code_is_in_the_catalogue() -> None:
    folder = Path(rehit.report.__file__).parent
    sources = [*folder.glob("*.py"), *(folder / "templates").glob("*.j2")]
    used = {key for path in sources for key in
            re.findall(r"""\b(?:say|facts\.say|self\.say)\(["']([a-z]+\.\w+)["']""",
                       path.read_text(encoding="utf-8"))}
    assert len(used) > 80
    assert used - set(catalogue("en")) == set()


@pytest.mark.parametrize("column", ["substrate", "status", "priority"])
def test_every_code_of_an_incident_has_a_word_in_both_languages(column: str) -> None:
    for language in languages():
        for code in table("incidents").column(column).allowed:
            assert f"{column}.{code}" in catalogue(language)


def test_methods_have_words() -> None:
    for code in table("advice").column("method").allowed:
        assert f"method.{code}" in catalogue("es")


@pytest.mark.parametrize(("name", "column", "group"), [
    ("incidents", "substrate", "substrate"), ("incidents", "status", "status"),
    ("incidents", "priority", "priority"), ("advice", "method", "method"),
    ("report_findings", "severity", "severity"),
])
def test_no_word_stands_for_a_code_that_cannot_come(name: str, column: str, group: str) -> None:
    words = {key.partition(".")[2] for key in catalogue("en") if key.startswith(f"{group}.")}
    assert words == set(table(name).column(column).allowed)


@pytest.mark.parametrize(("value", "digits", "text"), [
    (12345.6, 3, "12,300"), (0.04567, 2, "0.046"), (9.96, 2, "10"), (99.7, 2, "100"),
    (-3.14159, 3, "\u22123.14"), (0, 3, "0"), (float("nan"), 3, "–"), (1234567, 2, "1,200,000")])
def test_numbers_keep_their_significant_digits(value: float, digits: int, text: str) -> None:
    assert Say("en").number(value, digits) == text


def test_spanish_writes_points_and_commas_its_own_way() -> None:
    es = Say("es")
    assert es.number(12345.67, 6) == "12.345,7"
    assert es.share(0.5) == "50\u00a0%"
    assert es.day(date(2025, 7, 1)) == "1 de julio de 2025"


def test_shares_never_round_to_none_or_all() -> None:
    en = Say("en")
    assert en.share(0.004) == "<\u00a01%"
    assert en.share(0.996) == ">\u00a099%"
    assert (en.share(0), en.share(1)) == ("0%", "100%")


def test_small_p_values_are_given_as_below() -> None:
    en = Say("en")
    assert [en.p_value(p) for p in (0.2, 0.009, 0.00001)] == ["0.20", "<\u00a00.01",
                                                             "<\u00a00.001"]


def test_plural_follows_n() -> None:
    en = Say("en")
    assert en("page.rows", n=1, count="1").endswith("(1)")
    assert en("page.rows", n=5, count="5").endswith("(5)")


def test_unknown_language_and_key_are_refused() -> None:
    with pytest.raises(SettingError, match="en, es"):
        Say("xx")
    with pytest.raises(SettingError, match="catalogue"):
        Say("en")("page.no_such_key")
