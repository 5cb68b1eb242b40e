"""Looking a place up by what people call it."""

from __future__ import annotations

import re
from pathlib import Path
from types import SimpleNamespace

import pandas as pd

from rehit.app.reading import Tables, costs_told, in_full, strip
from rehit.report.runsheet import caution_words
from rehit.report.say import Say


def test_a_place_is_found_by_its_name_and_by_its_code(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    pd.DataFrame({"place_id": ["A1", "B2"], "place_name": ["5 Elm Road", "Old Bridge"]}).to_parquet(
        tmp_path / "data" / "repeats.parquet")
    tables = Tables(tmp_path)
    assert tables.find("elm") == ["A1"]
    assert tables.find("b2") == ["B2"]
    assert tables.names["B2"] == "Old Bridge"
    assert tables.find("") == ["A1", "B2"]


def test_nothing_is_found_in_results_that_have_no_places(tmp_path: Path) -> None:
    assert Tables(tmp_path).find("elm") == []
    assert Tables(tmp_path).of("incidents", "A1").empty
    assert Tables(tmp_path).sheet("looks_log.csv", "A1").empty


def test_what_may_not_be_done_at_a_place_has_its_reason_and_no_chance() -> None:
    """Fault: the cheaper way had a chance below 1% to be cheapest, and nothing said why."""
    costs = pd.DataFrame({
        "strategy": ["remove_each_time", "paint_out_each_time"], "pv_mean": [1400.0, 1200.0],
        "pv_low": [640.0, 530.0], "pv_high": [2800.0, 2500.0], "chance_cheapest": [1.0, 0.0],
        "allowed": [True, False], "why_not": [None, "the surface is not known: look at it first"]})
    told = costs_told(SimpleNamespace(say=Say("en", "EUR")), costs)  # type: ignore[arg-type]
    assert told.iloc[:, -1].tolist() == [
        ">\xa099%", "not here: the surface is not known: look at it first"]
    assert told.iloc[1, 1].endswith("1,200")


def test_a_strip_has_a_bar_for_each_marking_as_long_as_it_stood() -> None:
    """Two years are 731 days on 720 units: 73 days take 72; one not cleared is a thin mark."""
    incidents = pd.DataFrame({
        "reported_at": pd.to_datetime(["2024-01-01", "2025-03-01"], utc=True),
        "cleared_at": pd.to_datetime(["2024-03-14", None], utc=True)})
    drawn = strip(incidents, label='2 markings, "A"')
    assert [float(w) for w in re.findall(r'<rect [^>]*width="([0-9.]+)"', drawn)] == [71.9, 2.0]
    assert re.findall(r">(20\d\d)<", drawn) == ["2024", "2025"]
    assert 'aria-label="2 markings, &quot;A&quot;"' in drawn


def test_cautions_stand_in_full_in_the_language_of_the_page() -> None:
    """The results of a Spanish project, read on an English page."""
    short = "; ".join(Say("es").code("caution", code) for code in ("ppe", "sharps"))
    found = in_full(short, Say("en"))
    assert found == [caution_words(code, Say("en")).rstrip(".") for code in ("ppe", "sharps")]
    assert all(len(full) > len(Say("en").code("caution", code))
               for full, code in zip(found, ("ppe", "sharps"), strict=True))
