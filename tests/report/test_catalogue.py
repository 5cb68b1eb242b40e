"""Catalogues read by topic, and the language that a system asks for."""

from __future__ import annotations

import re

import pytest

from rehit.errors import SettingError
from rehit.report.catalogue import catalogue, language_of, topic
from rehit.report.say import Say


@pytest.mark.parametrize(("environment", "language"), [
    ({}, "en"), ({"LANG": "es_ES.UTF-8"}, "es"), ({"LANG": "C"}, "en"),
    ({"LANGUAGE": "fi:es", "LANG": "en_GB.UTF-8"}, "es"), ({"LC_ALL": "C", "LANG": "es_MX"}, "en"),
    ({"LANG": "zz_ZZ"}, "en"), ({"LC_MESSAGES": "es"}, "es")])
def test_the_systems_language_is_taken_where_there_are_words_for_it(
        environment: dict[str, str], language: str) -> None:
    assert language_of(environment) == language


def test_a_topic_is_a_part_of_the_whole() -> None:
    whole = catalogue("es")
    assert topic("es", "cli").items() <= whole.items()
    assert whole["cli.options"] == "opciones"
    assert whole["of.place"] == ("{n} lugar", "{n} lugares")


def test_a_language_without_catalogues_is_refused() -> None:
    with pytest.raises(SettingError, match="en, es"):
        catalogue("fi")


@pytest.mark.parametrize("language", ["en", "es"])
def test_no_line_breaks_between_a_number_and_its_unit(language: str) -> None:
    """A no-break space stands before every sign of a unit (SI brochure, 9th edition, 5.4.3)."""
    texts = [text for told in catalogue(language).values()
             for text in (told if isinstance(told, tuple) else (told,))]
    assert [text for text in texts if re.search(r"[\d}] (m²|m|km|min|h|L|%)(?!\w)", text)] == []
    assert Say(language).area(2.5)[-3:] == "\u00a0m²"
