"""Catalogues read by topic, and the language that a system asks for."""

from __future__ import annotations

import pytest

from rehit.errors import SettingError
from rehit.report.catalogue import catalogue, language_of, topic


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
