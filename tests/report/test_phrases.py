"""Sentences of other rooms in the report's second language: none stays in English."""

from __future__ import annotations

import csv
import dataclasses
import re
from collections.abc import Iterable
from importlib.resources import files

import pandas as pd
import pytest
from report_tables import HOSTILE, make_incidents, make_input

from rehit.hotspots import evaluate as evaluate_words
from rehit.hotspots.evaluate import WORKED, WORSE
from rehit.hotspots.pace import ReportingChange, read_reporting_change
from rehit.limits import find_limits
from rehit.messages import as_text, message
from rehit.observed import Window
from rehit.parameters import load_parameters
from rehit.report.inputs import CONTRACTS
from rehit.report.measures import gather_facts
from rehit.report.phrases import Phrases, translated
from rehit.report.say import Say
from rehit.report.sections import build_document
from rehit.report.workbook import table_schema
from rehit.tables import table
from rehit.treatment.choose import choose_methods

# Say that an English sentence can hardly do without and that are no Spanish words.
ENGLISH = re.compile(
    r"\b(the|of|and|is|are|was|were|to|in|with|that|this|from|have|has|not|be|it|by|for|on|at|"
    r"which|than|or|its|each|there|when|where|before|after|between|did|does|per|into)\b",
    re.IGNORECASE)
SPANISH = Phrases(Say("es"))


def english_left(texts: Iterable[str]) -> list[str]:
    """Return the texts that still hold an English function word."""
    return [text for text in texts if ENGLISH.search(text)]


def test_the_scan_finds_english_and_passes_spanish() -> None:
    assert english_left(["the row holds nothing", "la fila está vacía"]) == [
        "the row holds nothing"]


def test_placeholders_agree_and_no_line_stands_twice() -> None:
    source = files("rehit.report") / "phrases_es.csv"
    rows = list(csv.DictReader(source.read_text(encoding="utf-8").splitlines()))
    for row in rows:
        left, right = (sorted(re.findall(r"\{(\w+)\}", row[c])) for c in ("english", "said"))
        assert left == right, row
    assert len({row["english"] for row in rows}) == len(rows)


@pytest.mark.parametrize(("english", "spanish"), [
    ("Say of the user's own", "Say of the user's own"),
])
def test_sentences_with_figures_keep_them(english: str, spanish: str) -> None:
    said = SPANISH(english)
    assert said[:1].upper() + said[1:] == spanish[:1].upper() + spanish[1:]


def test_limits_are_said_for_logs_of_every_kind() -> None:
    incidents = make_incidents(200)
    poor = incidents.assign(
        cleared_at=pd.NaT, place_quality=["street"] * 120 + ["none"] * 80, substrate="unknown",
        area_m2=float("nan"), priority="ordinary")
    half = incidents.assign(
        cleared_at=incidents["cleared_at"].where(incidents.index < 60),
        substrate=incidents["substrate"].where(incidents.index < 60, "unknown"))
    closed = incidents.assign(status="cleared", cleared_at=incidents["reported_at"])
    month = pd.Timestamp("2024-03-05", tz="UTC")
    bunched = incidents.assign(reported_at=incidents["reported_at"].where(
        incidents.index < 40, month))
    first = incidents["reported_at"].min()
    said = {text for log in (poor, half, closed, bunched, incidents.iloc[:0])
            for days in (1, 40, 800)
            for text in find_limits(log, has_register=False,
                                    window=Window(first, first + pd.Timedelta(days=days)))}
    said.add(read_reporting_change(ReportingChange(month, 7.0, 28.0, 4.0)))
    assert len(said) >= 14
    assert english_left(SPANISH(text) for text in said) == []


def test_advice_is_said_and_the_input_not_changed() -> None:
    cases = pd.DataFrame({"incident_id": ["a", "b"], "substrate": ["brick", "glass"],
                          "finish": ["bare", "bare"], "medium": ["spray", "marker"],
                          "area_m2": [1.5, 0.25], "heritage": [False, False],
                          "access": ["ladder", "ground"], "traffic_control": [True, False]})
    advice = choose_methods(cases)
    spanish = translated(advice, "advice", Say("es"))
    assert spanish["reason"].iloc[0].startswith("1,5 m² de pintura en aerosol (ladrillo sin")
    assert spanish["materials"].iloc[1].startswith("paños; cepillo suave")
    for column in ("reason", "materials", "waste", "cautions"):
        assert english_left(spanish[column].dropna()) == [], column
    english = translated(advice, "advice", Say("en"))
    assert english["reason"].iloc[0].startswith("1.5 m² of spray paint on bare brick")
    assert advice["cautions"].iloc[0].startswith("sds; ppe")


def test_every_sentence_of_a_verdict_is_said() -> None:
    texts = [
        evaluate_words._headline(WORKED, ("the 99 % interval of the rate ratio, 0.39 to 0.72, "
                                          "lies wholly below 1, which would mean no effect",)),
        evaluate_words._headline(WORSE, (
            "there are no comparison places, so a change cannot be told from what would have "
            "happened anyway", "the treated places had only 1 incident on clean surfaces before "
            "the measure (at least 20 are needed)", "only 40 days after the measure were observed "
            "(at least 90 are needed)", "only 1 day after the measure was observed "
            "(at least 90 are needed)")),
        *(evaluate_words._moved(q) for q in (0.4, -0.4, -1.4))]
    assert english_left(SPANISH(text) for text in texts) == []
    assert SPANISH(texts[0]).startswith("La medida funcionó: el intervalo del 99\u00a0% de la")
    assert "de 0,39 a 0,72" in SPANISH(texts[0])
    # The report holds a verdict's sentences as one text.
    assert SPANISH(" ".join(texts)) == " ".join(SPANISH(text) for text in texts)


def test_every_column_of_the_report_has_a_meaning_in_the_language() -> None:
    meanings = {column.meaning for contract in ("incidents", "placed", *CONTRACTS.values())
                for column in table(contract).columns}
    assert len(meanings) > 180
    assert [text for text in meanings if SPANISH(text) == text] == []
    assert english_left(SPANISH(text) for text in meanings) == []
    units = {column.unit for contract in ("incidents", "placed", *CONTRACTS.values())
             for column in table(contract).columns}
    assert english_left(SPANISH(unit) for unit in units if unit) == []
    schema = table_schema("routes", pd.DataFrame({"route_id": ["a"]}), language="es")
    assert schema["fields"][0]["description"] == "equipo"


@pytest.mark.parametrize(("language", "said"), [
    ("en", "against the comparison places: \u2212180.7 (99% interval \u2212250.1 to +3.2; below 0"),
    ("es", "de comparación: \u2212180,7 (intervalo del 99\u00a0%: de \u2212250,1 a +3,2; por"),
])
def test_figures_of_a_verdict_are_written_as_the_report_writes_them(language: str,
                                                                    said: str) -> None:
    given = make_input(language=language)
    assert given.evaluations is not None
    told = given.evaluations.assign(words=(
        "In incidents, against the comparison places: -180.7 (99 % interval -250.1 to +3.2; below "
        "0 means prevented; weighted displacement difference). Twice hit-and-run on 2024-07-02."))
    facts = gather_facts(dataclasses.replace(given, evaluations=told), load_parameters())
    text = " ".join(_texts(build_document(facts).sections))
    assert said in text
    assert "hit-and-run on 2024-07-02" in text


def test_a_cluster_named_by_a_place_is_said() -> None:
    names = pd.DataFrame({"name": ["surroundings of S-12", "High Street near Mill Lane"]})
    assert translated(names, "clusters", Say("es"))["name"].tolist() == [
        "alrededores de S-12", "High Street cerca de Mill Lane"]
    assert "en alrededores de S-12 (" in SPANISH(
        "4 clusters; most re-hits in surroundings of S-12 (8 on 3 places).")


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
        "The log gives no sizes: costs rest on an assumed marked area.",))
    assert given.set_aside is not None
    assert given.evaluations is not None
    assert given.forecast_scores is not None
    given = dataclasses.replace(
        given, set_aside=given.set_aside.assign(reason="void_status"),
        evaluations=given.evaluations.assign(
            words="There are no comparison places, so a change cannot be told from what would "
            "have happened anyway"))
    facts = gather_facts(given, load_parameters())
    texts = _texts(build_document(facts).sections) + [
        text for figure in facts.book.figures.values()
        for text in (figure.label, figure.formula, figure.filter)]
    assert len(texts) > 500
    own = [name for frame in (given.evaluations, given.forecast_scores)
           for name in frame[frame.columns[0]]]
    left = [text for text in english_left(texts) if HOSTILE not in text]
    assert [text for text in left if not any(name in text for name in own)] == []


@pytest.mark.parametrize(("english", "spanish"), [
    ("4,313 of 5,224 incidents with a known place were re-hits: the surface had been cleared "
     "since the one before.", "4.313 de 5.224 casos de lugar conocido fueron reincidencias"),
    ("Worst: UP-0017, 20.4 a year (90 % interval 15.9 to 25.4).",
     "El peor: UP-0017, 20,4 al año (intervalo del 90 %: de 15,9 a 25,4)."),
    ("148 of 1,626 places account for half of the incidents.",
     "148 de 1.626 lugares reúnen la mitad de los casos."),
    ("1 of 12 streets accounts for half of the incidents.",
     "1 de 12 calles reúne la mitad de los casos."),
    ("1 site almost surely exceeds 4 incidents a year.",
     "1 sitio supera casi con seguridad 4 casos al año."),
    ("All incidents lie at one asset.", "Todos los casos están en un solo lugar (bien)."),
    ("12 of 40 incidents with a known place are taken for re-hits: the log gives too few clearance "
     "dates to tell, and they came at least 7 days after the one before.",
     "12 de 40 casos de lugar conocido se toman por reincidencias"),
    ("Worst: UP-0017, 20.4 a year (80 % interval 15.9 to 25.4).",
     "El peor: UP-0017, 20,4 al año (intervalo del 80 %: de 15,9 a 25,4)."),
    ("1 cluster of places within 50 m of a neighbour; most re-hits in Low Street (3 on 2 places).",
     "1 agrupación de lugares a menos de 50 m de otro; las más reincidencias, en Low Street"),
    ("All incidents lie within so few cells of 100 m that no part of town can be held against the "
     "others.", "Todos los casos están en tan pocas celdas de 100 m"),
])
def test_sentences_of_the_screen_are_said_with_numbers_and_money(english: str,
                                                                 spanish: str) -> None:
    assert spanish in SPANISH(english)
