"""Sentences of other rooms in the report's second language: none stays in English."""

from __future__ import annotations

import argparse
import csv
import dataclasses
import inspect
import re
from collections.abc import Iterable
from importlib.resources import files
from io import BytesIO

import pandas as pd
from babel.messages.pofile import read_po
from report_tables import HOSTILE, make_input

from rehit.hotspots.forecast import BLEND, CONTEXT, LEVEL, SHORT_LOG, STACK
from rehit.hotspots.scoring import baselines
from rehit.messages import as_lines, as_text, message
from rehit.parameters import load_parameters
from rehit.report.catalogue import own_texts
from rehit.report.front import build_document
from rehit.report.inputs import CONTRACTS, translated
from rehit.report.measures import gather_facts
from rehit.report.say import Say
from rehit.report.workbook import table_schema
from rehit.tables import table
from rehit.treatment.choose import choose_methods

# Say that an English sentence can hardly do without and that are no Spanish words.
ENGLISH = re.compile(
    r"\b(the|of|and|is|are|was|were|to|in|with|that|this|from|have|has|not|be|it|by|for|on|at|"
    r"which|than|or|its|each|there|when|where|before|after|between|did|does|per|into)\b",
    re.IGNORECASE)
SPANISH = Say("es").own


def english_left(texts: Iterable[str]) -> list[str]:
    """Return the texts that still hold an English function word."""
    return [text for text in texts if ENGLISH.search(text)]


def test_the_scan_finds_english_and_passes_spanish() -> None:
    assert english_left(["the row holds nothing", "la fila está vacía"]) == [
        "the row holds nothing"]


#: Units that are signs, and a source that is a title: both languages write them alike.
ALIKE = {"0-1", "0-100", "MB", "h", "m", "m2", "m²", "km", "km/h", "L", "L/m2", "UTC",
         "Rothwell 2004, SIEPR 04-05"}


def _held() -> set[str]:
    """Return what the package's own tables say of their columns and of the default numbers."""
    return {row[part] for folder in ("schemas", "defaults")
            for path in (files("rehit") / folder).iterdir() if path.name.endswith(".csv")
            for row in csv.DictReader(path.read_text(encoding="utf-8").splitlines())
            for part in ("meaning", "unit", "source") if row.get(part)}


def test_no_translation_is_of_a_text_that_is_gone() -> None:
    """Each stands for a text of the own tables, a way to forecast, or a text of argparse."""
    held, asked = _held(), inspect.getsource(argparse)
    ways = {text for text in own_texts("es") if text not in held and text not in asked}
    assert ways == {STACK, LEVEL, SHORT_LOG, CONTEXT, BLEND, *baselines(load_parameters())}


def test_what_the_own_tables_say_is_translated_once_and_whole() -> None:
    held = _held()
    assert len(held) > 1000
    assert held - set(own_texts("es")) == ALIKE
    assert english_left(SPANISH(text) for text in held - ALIKE) == []
    folder = files("rehit.report") / "locale" / "es" / "own"
    said = [entry.id for path in folder.iterdir()
            for entry in read_po(BytesIO(path.read_bytes())) if entry.id]
    assert len(said) == len(set(said)), "a text stands in two files"


def _numbers(text: str) -> list[str]:
    """Return the numbers of a text, those written out in words left aside."""
    return sorted(re.sub(r"(?<=\d)[ ,.](?=\d)", "", each)
                  for each in re.findall(r"\d+(?:[ ,.]\d+)*", text))


def test_a_translation_keeps_the_numbers_of_its_text() -> None:
    """A date of the nineteen hundreds is of another century in Spanish."""
    other = {text for text in _held() if _numbers(text) != _numbers(SPANISH(text))}
    assert other == {"two-digit years from this one on belong to the 1900s and smaller ones to "
                     "the 2000s"}


def test_advice_is_said_and_the_input_not_changed() -> None:
    cases = pd.DataFrame({"incident_id": ["a", "b"], "substrate": ["brick", "glass"],
                          "finish": ["bare", "bare"], "medium": ["spray", "marker"],
                          "area_m2": [1.5, 0.25], "heritage": [False, False],
                          "access": ["ladder", "ground"], "traffic_control": [True, False]})
    advice = choose_methods(cases)
    spanish = translated(advice, "advice", Say("es"))
    assert spanish["reason"].iloc[0].startswith("1,5\u00a0m² de pintura en aerosol (ladrillo sin")
    assert spanish["materials"].iloc[1].startswith("paños; cepillo suave")
    for column in ("reason", "materials", "waste", "cautions"):
        assert english_left(spanish[column].dropna()) == [], column
    english = translated(advice, "advice", Say("en"))
    assert english["reason"].iloc[0].startswith("1.5\u00a0m² of spray paint on bare brick")
    assert advice["cautions"].iloc[0].startswith("sds; ppe")


def test_every_column_of_the_report_has_a_meaning_in_the_language() -> None:
    meanings = {column.meaning for contract in ("incidents", "placed", *CONTRACTS.values())
                for column in table(contract).columns}
    assert len(meanings) > 180
    assert meanings <= _held()
    schema = table_schema("routes", pd.DataFrame({"route_id": ["a"]}), language="es")
    assert schema["fields"][0]["description"] == "equipo"


def test_english_is_left_as_it_is() -> None:
    frame = pd.DataFrame({"why_not": ["points at 0, 0 were not used"]})
    pd.testing.assert_frame_equal(translated(frame, "strategy_costs", Say("en")), frame)


def _texts(block: object) -> list[str]:
    """Return every text of a block of the report, however deep."""
    if isinstance(block, str):
        return [block]
    if isinstance(block, (tuple, list)):
        return [text for part in block for text in _texts(part)]
    if dataclasses.is_dataclass(block):
        return [text for field in dataclasses.fields(block)
                for text in _texts(getattr(block, field.name))]
    return []


def test_no_sentence_of_a_whole_spanish_report_is_english() -> None:
    """What is left is the log's own: names of streets, measures and files."""
    findings = pd.DataFrame([
        ("place_none", "high", 3, as_text(message("finding.place_none", share=0.003)),
         as_text(message("mend.asset_or_point")))],
        columns=["code", "severity", "count", "effect", "advice"])
    given = make_input(language="es", findings=findings, limits=(
        message("limits.no_sizes"),))
    assert given.set_aside is not None
    assert given.evaluations is not None
    assert given.forecast_scores is not None
    given = dataclasses.replace(
        given, set_aside=given.set_aside.assign(reason="void_status"),
        evaluations=given.evaluations.assign(reasons=as_lines([message("evaluate.no_comparison")])))
    facts = gather_facts(given, load_parameters())
    texts = _texts(build_document(facts)) + [
        text for figure in facts.book.figures.values()
        for text in (figure.label, figure.formula, figure.filter)]
    assert len(texts) > 500
    own = [name for frame in (given.evaluations, given.forecast_scores)
           for name in frame[frame.columns[0]]]
    left = [text for text in english_left(texts) if HOSTILE not in text]
    assert [text for text in left if not any(name in text for name in own)] == []
