"""Looking a place up by what people call it."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from rehit.app.reading import Tables, in_full
from rehit.report.runsheet import caution_words
from rehit.report.say import Say


def test_a_place_is_found_by_its_name_and_by_its_code(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    pd.DataFrame({"place_id": ["A1", "B2"], "place_name": ["5 Elm Road", "Old Bridge"]}).to_parquet(
        tmp_path / "data" / "repeats.parquet")
    tables = Tables(tmp_path)
    assert tables.find("elm") == ["A1"]
    assert tables.find("b2") == ["B2"]
    assert tables.called("B2") == "Old Bridge"
    assert tables.find("") == ["A1", "B2"]


def test_cautions_stand_in_full_in_the_language_of_the_page() -> None:
    """The results of a Spanish project, read on an English page."""
    short = "; ".join(Say("es").code("caution", code) for code in ("ppe", "sharps"))
    found = in_full(short, Say("en"))
    assert found == [caution_words(code, Say("en")).rstrip(".") for code in ("ppe", "sharps")]
    assert all(len(full) > len(Say("en").code("caution", code))
               for full, code in zip(found, ("ppe", "sharps"), strict=True))
