"""What is said about a bid, its two pages and its workbook, in both languages."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import contract_town
import numpy as np
import pandas as pd
import pytest
from openpyxl import load_workbook
from python_calamine import CalamineWorkbook
from readers_questions import QUESTIONS, Question

from rehit.contract.compare import comparison_findings
from rehit.contract.price import Contract, expected_year, sensitivity, tender_figures
from rehit.report.bid import (
    assumptions,
    bid_findings,
    bid_summary,
    crews_step,
    exclusions,
    tender_messages,
)
from rehit.report.bid_workbook import write_bid_workbook
from rehit.report.say import Say
from rehit.tables import check

HOSTILE = contract_town.HOSTILE
EN, ES = Say("en"), Say("es")
STEPS = pd.DataFrame({"step": ["known", "first_year", "lump_sum"], "jobs": [10.0, 10.0, np.nan],
                      "money": [500.0, 500.0, 500.0]})


@pytest.fixture(scope="module")
def contract() -> Contract:
    return contract_town.priced(years=2, margin=0.15)


@pytest.fixture(scope="module")
def stepped() -> Contract:
    """A smaller patch, whose next smaller crew could do the work but not in time."""
    return contract_town.priced(950, years=2, margin=0.15)


@pytest.fixture(scope="module")
def moved(contract: Contract) -> pd.DataFrame:
    return sensitivity(contract, rng=np.random.default_rng(2))


def with_volume(contract: Contract, **changed: object) -> Contract:
    volume = replace(contract.volume, **changed)
    return replace(contract, demand=replace(contract.demand, volume=volume))


def test_findings_say_what_to_ask_in_the_language_of_the_project(stepped, moved) -> None:
    told = bid_findings(stepped, moved)
    assert [one.code for one in told] == ["bid.ask_years", "bid.first_year", "bid.kept",
                                          "bid.step", "bid.moved_most", "bid.excluded"]
    english, spanish = EN.all(told), ES.all(told)
    assert "keeps a margin of 15% of the price in 80 of 100 simulated contracts" in english[0]
    assert "mantiene un margen del 15\u00a0% del precio en 80 de cada 100" in spanish[0]
    first = tender_figures(stepped)["value"].iloc[0]
    assert f"€{first:,.0f} as a lump sum for the first year" in english[0]
    assert f"{first:,.0f}".replace(",", ".") in spanish[0]


def test_a_step_to_more_crews_is_announced_with_what_it_buys(stepped) -> None:
    """"One crew: 190,701, 90.3 % in time; two: 292,000, 100 %, 39 % of their time"."""
    chosen = stepped.crews[stepped.crews["chosen"]].iloc[0]
    told = crews_step(stepped)[0]
    assert told.facts["price"] == pytest.approx(chosen["lump_sum"])
    assert told.facts["fewer_in_time"] < 0.95 <= told.facts["in_time"]
    assert EN(told).startswith("One step fewer, 0.25 of a crew: €")
    assert "a tiempo" in ES(told)


def test_one_crew_is_said_in_the_singular() -> None:
    one, part = (EN("bid.kept_none_offensive", crews=crews, ordinary=0.9984) for crews in (
        EN("bid.crews", n=1.0), EN("bid.part_of_crew", n=0.25)))
    assert one.startswith("With 1 crew, 99.8% of markings are cleared in time")
    assert part.startswith("With 0.25 of a crew, ")


def test_summary_says_whose_holidays_and_where_the_log_is_short(contract) -> None:
    said = " ".join(EN.all(assumptions(contract)))
    assert "public holidays (PT) excepted" in said
    assert "salvo festivos (PT)" in " ".join(ES.all(assumptions(contract)))
    assert "less than a year" not in said
    assert "as they would come now" not in said
    classes = contract.volume.classes
    coated = with_volume(contract, classes=classes.assign(n=classes["n"] * 0.9))
    n = len(contract.jobs)
    assert f"as they would come now ({0.9 * n:,.0f} of {n:,})" in EN(assumptions(coated)[0])
    brief = replace(with_volume(contract, observed_years=0.5), region=None)
    told = assumptions(brief)
    said = " ".join(EN.all(told))
    assert "names no country" in said
    assert "The log covers 183 days, less than a year" in said
    assert "El registro abarca 183 días, menos de un año" in " ".join(ES.all(told))


def test_what_is_outside_the_price_is_named_with_how_often_it_came(contract) -> None:
    told = {one.code: one.facts for one in exclusions(contract)}
    counts = contract.excluded["exclusion"].value_counts() / contract.volume.observed_years
    assert told["bid.outside_thrown_paint"]["per_year"] == pytest.approx(counts["thrown_paint"])
    assert told["bid.outside_specialist"]["per_year"] == 0
    assert "Pintura arrojada" in " ".join(ES.all(exclusions(contract)))


def test_figures_to_write_are_those_of_the_tender_table(contract) -> None:
    first = tender_figures(contract)["value"].iloc[0]
    told = tender_messages(contract)
    assert EN(told["lump_sum"]) == f"€{first:,.0f} in the first year."
    assert ES(told["lump_sum"]).endswith("en el primer año.")


def test_prices_received_are_said_lowest_first() -> None:
    table = pd.DataFrame({"tenderer": ["C", "=B"], "form": ["cost_plus", "lump_sum"],
                          "mean": [90_000.0, 95_000.0], "chance_cheapest": [0.75, 0.25],
                          "below_cost": [0.9, 0.2]})
    told = comparison_findings(table)
    assert EN(told[0]).startswith("Of 2 prices received, that of C (cost plus) costs least on "
                                  "average: €90,000 in the first year, and is cheapest in 75%")
    assert "Por debajo de la estimación de coste de rehit en la mayoría de los años: C." in ES(
        told[1])






@pytest.mark.parametrize("say", [EN, ES], ids=["en", "es"])
def test_libreoffice_works_out_the_same_figures_to_the_cent(
        say: Say, contract, tmp_path, recomputed) -> None:
    path = write_bid_workbook(tmp_path / "bid.xlsx", contract, say, name=HOSTILE)
    book = recomputed(path)
    rows = book.get_sheet_by_name(say("bid.sheet_prices")).to_python()
    seen = {(row[0], row[1]): row for row in rows if str(row[1]).startswith("P")}
    for row in contract.prices.to_dict("records"):
        cells = seen[(say.code("price_form", row["form"]), f"P{round(100 * row['level'])}")]
        assert cells[2] == pytest.approx(row["cost_per_year"], abs=0.005)
        assert cells[4] == pytest.approx(row["price_per_year"], abs=0.005)
        assert cells[5] == pytest.approx(row["expected_margin"], abs=1e-6)
    checks = book.get_sheet_by_name(say("bid.sheet_checks")).to_python()
    verdicts = [row[3] for row in checks if row[3] in (say("bid.yes"), say("bid.no"))]
    assert len(verdicts) > 50
    assert set(verdicts) == {say("bid.yes")}
    for year in (1, 2):
        total = next(r for r in checks if r[0] == say("bid.check_year", year=year))[1]
        assert total == pytest.approx(sum(expected_year(contract, year=year).values()), abs=0.005)


def test_spanish_workbook_leaves_no_english_behind(contract, tmp_path) -> None:
    """Every text of the Spanish file differs from the English one's cell, but for names."""
    texts = {}
    for say in (EN, ES):
        path = write_bid_workbook(tmp_path / f"{say.language}.xlsx", contract, say, name="Town",
                                  steps=STEPS, cautions=["test_patch"])
        book = load_workbook(path)
        texts[say.language] = [cell.value for sheet in book for row in sheet.iter_rows()
                               for cell in row if cell.data_type == "s"]
        assert book.sheetnames[0] == say("bid.sheet_prices")
    same = {a for a, b in zip(texts["en"], texts["es"], strict=True) if a == b}
    assert len(texts["en"]) > 200
    assert {text for text in same if not re.fullmatch(r"P\d+", text)} == set()


def test_no_text_becomes_a_formula_and_no_result_is_stored(contract, tmp_path) -> None:
    path = write_bid_workbook(tmp_path / "bid.xlsx", contract, Say("en", "=1+1"), name=HOSTILE)
    formulas, values = load_workbook(path), load_workbook(path, data_only=True)
    seen = 0
    for sheet in formulas:
        for cell in (cell for row in sheet.iter_rows() for cell in row):
            if cell.data_type == "f":
                seen += 1
                assert not re.search(r"HYPERLINK|1\+1\b", cell.value)
                assert values[sheet.title][cell.coordinate].value is None
    assert seen > 150


def test_log_that_flags_nothing_as_offensive_claims_no_share_of_it(
        tmp_path, monkeypatch) -> None:
    table, advice = contract_town.incidents()
    monkeypatch.setattr(contract_town, "incidents",
                        lambda _: (table.assign(priority="ordinary"), advice))
    plain = contract_town.priced()
    check(plain.crews, "contract_crews", where="test")
    assert plain.crews["in_time_offensive"].isna().all()
    assert plain.queue.meets(plain.parameters["contract.standard_share"])
    path = write_bid_workbook(tmp_path / "bid.xlsx", plain, EN, name="plain")
    words = [cell.value for row in load_workbook(path)["Risk"].iter_rows() for cell in row]
    assert words.count("none flagged") == len(plain.crews)
    moved = sensitivity(plain, rng=np.random.default_rng(2))
    assert bid_summary(plain, moved, EN, name="plain").startswith(b"%PDF")


@pytest.mark.parametrize("say", [EN, ES], ids=["en", "es"])
def test_summary_has_two_pages_and_quotes_hostile_names(say: Say, contract, moved) -> None:
    pdf = bid_summary(contract, moved, say, name='#panic("x") "')
    assert pdf.startswith(b"%PDF")
    assert pdf == bid_summary(contract, moved, say, name='#panic("x") "')
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 2
    limits = ["#panic() A long sentence on what this log cannot tell, to fill more than a line of "
              "the page, and a half."] * 8
    long = bid_summary(contract, moved, say, name="x", limits=limits)
    assert len(re.findall(rb"/Type\s*/Page\b", long)) == 2
    assert len(long) > len(pdf)


@pytest.fixture(scope="module")
def handed_in(contract: Contract, moved: pd.DataFrame,
              tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Both files of a bid."""
    folder = tmp_path_factory.mktemp("bid")
    (folder / "bid_summary.pdf").write_bytes(bid_summary(contract, moved, EN, name="Town"))
    write_bid_workbook(folder / "bid.xlsx", contract, EN, name="Town", steps=STEPS)
    return folder


@pytest.mark.parametrize("question", [q for q in QUESTIONS if q.who == "contractor"],
                         ids=lambda question: question.asked)
def test_each_question_of_the_contractor_is_answered_within_one_click(
        question: Question, handed_in: Path) -> None:
    """The first page as it opens, or the tab that the list names, with its head at the top."""
    path = handed_in / question.file
    if path.suffix == ".pdf":
        if shutil.which("pdftotext") is None:
            pytest.skip("needs pdftotext")
        first = subprocess.run(["pdftotext", "-layout", "-l", "1", str(path), "-"],
                               capture_output=True, check=True, text=True).stdout
        assert not question.clicks
        assert question.under in first
    else:
        (tab,) = question.clicks
        top = CalamineWorkbook.from_path(str(path)).get_sheet_by_name(tab).to_python()[0]
        assert top[0] == question.under
