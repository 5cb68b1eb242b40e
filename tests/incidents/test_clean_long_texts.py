"""A cell of a megabyte costs no more than a long one, and its row is kept and accounted for.

Patterns that go over the rest of a text from each of its places would take hours over one; a test
that hangs here has found one.
"""

from __future__ import annotations

import pandas as pd
import pytest

from rehit.files.rows import RawTable
from rehit.incidents.clean import clean_incidents
from rehit.incidents.propose import propose_mapping
from rehit.incidents.rows import CleanSettings
from rehit.incidents.sizes import read_size

SETTINGS = CleanSettings(time_zone="UTC", crs="EPSG:32630")
CELLS = ("report_id", "status", "outcome", "address", "description", "substrate", "size",
         "asset_id")


def log(piece: str) -> pd.DataFrame:
    """Return a row for each field with a megabyte in it, behind one row without."""
    fields = pd.DataFrame([
        {"source_file": "log.csv", "source_row": row, "report_id": f"R{row}", "status": "closed",
         "reported": f"2025-03-{row + 1:02d} 09:00", "cleared": f"2025-03-{row + 1:02d} 12:00",
         "address": f"{row} Elm Street", "description": "tag in black", "size": "2 m2"}
        for row in range(1, len(CELLS) + 2)])
    for row, name in enumerate(CELLS, start=1):
        fields.loc[row, name] = piece * (1_000_000 // len(piece))
    return fields


@pytest.mark.parametrize("piece", ["1", "a1", "Mr ", "1,", "x ", "'"])
def test_a_megabyte_in_every_field_is_cut_and_told(piece: str) -> None:
    cleaned = clean_incidents(log(piece), mapping=None, settings=SETTINGS)
    counts = cleaned.counts.iloc[0]
    assert counts["rows_in"] == len(CELLS) + 1
    assert counts["rows_in"] == counts[["rows_kept", "rows_joined", "rows_set_aside",
                                        "rows_other_service"]].sum()
    cut = cleaned.ledger[cleaned.ledger["rule"] == "long_text"]
    assert sorted(cut["column"]) == sorted(CELLS)
    assert cleaned.ledger["before"].str.len().max() <= 4000


def test_the_proposal_reads_the_beginning_of_a_long_cell_only() -> None:
    table = pd.DataFrame({"Opened": ["2025-03-05", "2025-03-06", "1" * 1_000_000],
                          "Address": ["1 Elm Street", "1" * 1_000_000, "2 Elm Street"]},
                         index=[1, 2, 3])
    found = propose_mapping(RawTable(table, name="log.csv"))
    assert found.fields["reported"].columns == ("Opened",)


def test_digits_without_end_are_no_size_and_hide_none() -> None:
    assert read_size("1" * 100_000).basis == "unknown"
    assert read_size("ref " + "1" * 40 + ", 2x3 m").area_m2 == 6.0
