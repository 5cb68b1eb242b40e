"""The catalogues: complete, said, alike in both languages; numbers as they are written."""

from __future__ import annotations

import ast
import re
import string
from datetime import date
from functools import cache
from pathlib import Path

import pandas as pd
import pytest

import rehit
from rehit.errors import SettingError
from rehit.messages import message
from rehit.parameters import load_parameters
from rehit.report.catalogue import catalogue, languages
from rehit.report.say import Say, _Filler
from rehit.tables import table

#: Messages whose Spanish is the English word.
SAME_IN_SPANISH = {"quality.col_band", "substrate.metal", "on.area", "format.square_metres",
                   "worked.no", "format.no", "head.kilobytes", "worked.not_allowed",
                   "workbook.differs",
                   "errors.not_top_and_draws.got",
                   "errors.not_a_works_table.allowed", "errors.recoat_without_cover.allowed"}
#: Topics of which the report says every message, in the catalogue's order.
SAID_WHOLE = {"notes", "glossary", "vehicle"}
#: What is asked about a log has names of this form as well.
QUESTIONS = {"places.crs", "places.location_order", "places.location_crs"}
FILE_ENDINGS = {"html", "gpkg", "png", "svg", "js", "css", "csv", "toml", "json", "pdf", "xlsx",
                "geojson", "parquet", "txt"}
ANY = "*"
SOURCE = Path(rehit.__file__).parent
NOTEBOOKS = Path(__file__).parents[2] / "notebooks"
#: What both languages write alike: abbreviations, units, names.
ALIKE = re.compile(r"(?:[^a-zA-Z]|\{[^}]*\}|\b(?:m|km|L|h|p|n|P|Gi|min|max)\b)*")


def _texts(code: str, language: str) -> tuple[str, ...]:
    text = catalogue(language)[code]
    return (text,) if isinstance(text, str) else text


def _fields(text: str) -> set[tuple[str, str]]:
    return {(name, form or "") for _, name, form, _ in string.Formatter().parse(text) if name}


def _placeholders(code: str, language: str) -> set[str]:
    return {name for text in _texts(code, language) for name, _ in _fields(text)}


def test_two_languages_say_the_same_codes_with_the_same_placeholders() -> None:
    assert languages() == ("en", "es")
    assert set(catalogue("en")) ^ set(catalogue("es")) == set()
    assert [code for code in catalogue("en")
            if _placeholders(code, "en") != _placeholders(code, "es")] == []
    assert [code for code, text in catalogue("en").items()
            if isinstance(text, str) != isinstance(catalogue("es")[code], str)] == []
    print(f"{len(catalogue('en'))} messages in each of {len(languages())} languages")


def test_each_code_stands_in_one_file_only() -> None:
    for language in languages():
        folder = SOURCE / "report" / "locale" / language
        codes = [code for path in folder.glob("*.po") for code in re.findall(
            r'^msgid "([^"]+)"', path.read_text(encoding="utf-8"), re.MULTILINE)]
        assert len(codes) == len(set(codes)), [c for c in codes if codes.count(c) > 1]


def test_no_message_is_left_empty_or_untranslated() -> None:
    for language in languages():
        assert [code for code in catalogue(language) if not all(_texts(code, language))] == []
    alike = {code for code in catalogue("en") if _texts(code, "en") == _texts(code, "es")
             and not all(ALIKE.fullmatch(text) for text in _texts(code, "en"))}
    assert alike - SAME_IN_SPANISH == set()


def test_every_placeholder_is_written_in_a_known_way() -> None:
    for language in languages():
        for code in catalogue(language):
            for text in _texts(code, language):
                for name, form in _fields(text):
                    assert _is_known(form), f"{language} {code}: {{{name}:{form}}}"


def _is_known(form: str) -> bool:
    """Say whether a value can be written in this form; a group or noun must have words."""
    kind, _, rest = form.partition(".")
    if kind == "in":
        return any(code.startswith(f"{rest}.") for code in catalogue("en"))
    if kind == "of":
        return f"of.{rest}" in catalogue("en")
    for value in (1.5, pd.Timestamp("2024-02-03 04:05"), ("a", "b")):
        try:
            _Filler(Say("en")).format_field(value, form)
        except (ValueError, TypeError, AttributeError, AssertionError, SettingError):
            continue
        return True
    return False


def test_a_form_that_nobody_wrote_is_found() -> None:
    assert _is_known("share")
    assert _is_known("sig2")
    assert not _is_known("shar")
    assert not _is_known("of.unicorn")


@cache
def _code_texts() -> tuple[frozenset[str], tuple[tuple[str, ...], ...]]:
    """Return all texts in source, notebooks and tables, and the pieces of each composed text."""
    texts: set[str] = set()
    composed: set[tuple[str, ...]] = set()
    for path in (*SOURCE.rglob("*.py"), *NOTEBOOKS.glob("[0-9]*.py")):
        within: set[int] = set()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.JoinedStr):
                pieces = list(ast.iter_child_nodes(node))
                within |= {id(piece) for piece in pieces}
                composed.add(tuple(str(piece.value) if isinstance(piece, ast.Constant) else ANY
                                   for piece in pieces))
            elif isinstance(node, ast.Constant) and isinstance(node.value, str) and (
                    id(node) not in within):
                texts.add(node.value)
    for path in SOURCE.rglob("*.j2"):
        found = re.findall(r"""['"]([a-z_.]+)['"]""", path.read_text(encoding="utf-8"))
        texts |= set(found)
        composed |= {(text, ANY) for text in found if text.endswith(".")}
    for path in [*SOURCE.rglob("*.csv"), *SOURCE.rglob("*.toml")]:
        texts |= set(re.findall(r"[a-z][a-z0-9_.]+", path.read_text(encoding="utf-8")))
    return frozenset(texts), tuple(
        c for c in composed if any(len(piece) > 1 for piece in c))


def _made_of(text: str, pieces: tuple[str, ...], *, deep: bool) -> bool:
    """Say whether a text is these pieces, each open one filled by a text of the source."""
    if not pieces:
        return not text
    first, rest = pieces[0], pieces[1:]
    if first is not ANY:
        return text.startswith(first) and _made_of(text[len(first):], rest, deep=deep)
    return any(_made_of(text[cut:], rest, deep=deep) and _fills(text[:cut], deep=deep)
               for cut in range(len(text) + 1))


def _fills(part: str, *, deep: bool) -> bool:
    texts, composed = _code_texts()
    return not part or part in texts or (deep and any(
        _made_of(part, pieces, deep=False) for pieces in composed))


def _is_said(code: str) -> bool:
    """Say whether the source holds a code, or the parts it is composed from."""
    texts, composed = _code_texts()
    topic, _, name = code.partition(".")
    if topic == "errors" and code.endswith((".got", ".allowed", ".remedy")):
        return code.rpartition(".")[0].removesuffix("_near") in texts
    if code in texts or topic in SAID_WHOLE:
        return True
    if topic == "of" and any(f":{code}}}" in text for other in catalogue("en")
                             for text in _texts(other, "en")):
        return True  # a noun that another message counts
    if topic in texts and name in texts:  # a word for a code of a group
        return True
    return any(_shape(pieces).fullmatch(code) and _made_of(code, pieces, deep=True)
               for pieces in composed)


@cache
def _shape(pieces: tuple[str, ...]) -> re.Pattern[str]:
    """Return what a text made of pieces looks like, to rule most out quickly."""
    return re.compile("".join(".*" if piece is ANY else re.escape(piece) for piece in pieces))


def test_no_message_is_kept_that_nobody_says() -> None:
    assert [code for code in catalogue("en") if not _is_said(code)] == []
    assert not _is_said("summary.nobody_says_this")
    assert not _is_said("fig.nobody_draws_this_title")


def test_every_code_said_in_the_source_has_a_message() -> None:
    topics = {code.partition(".")[0] for code in catalogue("en")}
    texts = _code_texts()[0] - set(load_parameters()) - QUESTIONS
    said = {text for text in texts
            if re.fullmatch(r"[a-z_]+\.\w+", text) and text.partition(".")[0] in topics
            and text.partition(".")[2] not in FILE_ENDINGS}
    assert len(said) > 150
    assert {code for code in said if f"{code}.got" not in catalogue("en")} - set(
        catalogue("en")) == set()


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


@pytest.mark.parametrize(("value", "text"), [
    (1e300, "1E300"), (-3.25e29, "\u22123.25E29"), (999_999_999_999_999.0, "999,999,999,999,999")])
def test_a_number_of_any_size_can_be_written(value: float, text: str) -> None:
    assert Say("en").given(value) == text


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


def test_distances_and_areas_are_told_in_the_project_s_units() -> None:
    told = message("match.near", metres=250.0)
    assert Say("en")(told) == "250\u00a0m away"
    assert Say("en", units="imperial")(told) == "820\u00a0ft away"
    assert Say("es", units="imperial")(message("on.area", m2=2.0)) == "21,5\u00a0pies²"
    # Half a mile is told in miles, one metre less in feet (1 mile = 1,609.344 m).
    assert Say("en", units="imperial").length(804.672) == "0.5\u00a0mi"
    assert Say("en", units="imperial").length(803.0) == "2,630\u00a0ft"


def test_plural_follows_n() -> None:
    en = Say("en")
    assert en("of.place", n=1) == "1 place"
    assert en("of.place", n=5) == "5 places"


def test_unknown_language_and_key_are_refused() -> None:
    with pytest.raises(SettingError, match="en, es"):
        Say("xx")
    with pytest.raises(SettingError, match="catalogue"):
        Say("en")("page.no_such_key")


@pytest.mark.parametrize(("language", "column", "unit", "head"), [
    ("en", "incidents_per_year", "incidents/year", "Incidents a year"),
    ("en", "saving_per_year", "currency/year", "Saving a year [EUR]"),
    ("en", "crew_hours", "hours", "Crew hours"), ("en", "days", "days", "Days"),
    ("en", "visits_per_week", "visits/week", "Visits [visits/week]"),
    ("en", "rate_per_year", "incidents/year", "Rate [incidents/year]"),
    ("en", "area_m2", "m2", "Area [m²]"), ("es", "year", "years", "Año"),
    ("es", "incidents_per_year", "incidents/year", "Casos al año")])
def test_a_head_says_its_unit_once(language: str, column: str, unit: str, head: str) -> None:
    assert Say(language, "EUR").head(column, unit) == head


def test_spanish_has_one_word_for_an_asset() -> None:
    said = [text for value in catalogue("es").values()
            for text in (value if isinstance(value, tuple) else (value,))]
    assert not [text for text in said
                if re.search(r"\bbienes\b|\b(un|el|del|ningún|cada|por) bien\b|\bActivo\b", text)]
    assert "elemento del inventario" in said
