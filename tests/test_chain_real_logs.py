"""The chain on three published city logs, which stand beside the checkout and are not carried."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from rehit.chain import Chain
from rehit.cli import main
from rehit.project import load_project

SHARED = Path(__file__).parents[2] / "shared" / "data"
LOGS = {
    "chicago": ("chicago/chicago_graffiti_historical_extract.csv", 12621, "America/Chicago"),
    "san_diego": ("san_diego/SDGraffiti3.csv", 19339, "America/Los_Angeles"),
    "westminster": ("westminster_uk/Graffiti.csv", 4867, "Europe/London"),
}
pytestmark = pytest.mark.skipif(
    not SHARED.is_dir(), reason="the published city logs are not beside this checkout")


@pytest.fixture(scope="module")
def projects(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Chain]:
    folder = tmp_path_factory.mktemp("towns")
    chains = {}
    for name, (log, _, zone) in LOGS.items():
        arguments = ["new", str(folder / name), "--log", str(SHARED / log), "--time-zone", zone]
        assert main(arguments) == 0
        chains[name] = Chain(load_project(folder / name))
    return chains


@pytest.mark.parametrize("name", LOGS)
def test_every_row_of_a_real_log_is_accounted_for(name: str, projects: dict[str, Chain]) -> None:
    counts = projects[name].cleaned.counts.iloc[0]
    assert counts["rows_in"] == LOGS[name][1]
    assert counts["rows_in"] == counts[["rows_kept", "rows_joined", "rows_set_aside",
                                      "rows_other_service"]].sum()


def rows_of(chain: Chain, chosen: pd.Series) -> set[int]:
    raw = chain.raw_logs[0].table
    return {int(number) for number in raw.index[chosen]}


def own_rows(chain: Chain) -> set[int]:
    first = chain.cleaned.incidents["source_rows"].str.split(";").str[0]
    return set(first.str.rpartition("#")[2].astype(int))


def test_chicago_duplicates_are_never_incidents_and_always_in_the_ledger(
        projects: dict[str, Chain]) -> None:
    chain = projects["chicago"]
    duplicates = rows_of(chain, chain.raw_logs[0].table["Status"].str.contains("Dup"))
    assert len(duplicates) == 536
    assert not duplicates & own_rows(chain)
    assert duplicates <= set(chain.cleaned.ledger["source_row"].astype(int))


def test_chicago_rows_with_projected_coordinates_only_are_kept_with_their_place(
        projects: dict[str, Chain]) -> None:
    chain = projects["chicago"]
    table = chain.raw_logs[0].table
    # Two further rows without degrees have an easting far west of the city; one row is a duplicate.
    in_city = pd.to_numeric(table["X Coordinate"], errors="coerce") > 1_110_000
    blank = table["Latitude"].fillna("").eq("")
    only_plane = rows_of(chain, blank & in_city & ~table["Status"].str.contains("Dup"))
    assert len(rows_of(chain, blank & in_city)) == 13
    assert len(only_plane) == 12
    rows = chain.cleaned.incidents.assign(
        row=chain.cleaned.incidents["source_rows"].str.split(";")).explode("row")
    number = rows["row"].str.rpartition("#")[2].astype(int)
    placed = rows[number.isin(only_plane)]
    assert len(placed) == 12
    assert placed.geometry.notna().all()


def test_chicago_request_number_given_twice_is_one_incident_of_two_rows(
        projects: dict[str, Chain]) -> None:
    chain = projects["chicago"]
    numbers = chain.raw_logs[0].table["Service Request Number"]
    twice = numbers[numbers.duplicated(keep=False)]
    assert len(twice) == 2
    sources = chain.cleaned.incidents["source_rows"].str.split(";").map(
        lambda rows: {int(row.rpartition("#")[2]) for row in rows})
    assert sum(set(twice.index) <= rows for rows in sources) == 1


def test_westminster_streets_never_become_recurring_walls(projects: dict[str, Chain]) -> None:
    chain = projects["westminster"]
    kinds = chain.incidents["place_kind"].value_counts()
    assert kinds.get("asset", 0) == 0
    assert kinds.get("site", 0) < 0.02 * len(chain.incidents)
    assert "limits.street_only" in {each.code for each in chain.limits}
    assert "limits.no_clearance" in {each.code for each in chain.limits}


def test_san_diego_closed_cases_only_is_said(projects: dict[str, Chain]) -> None:
    assert "limits.closed_only" in {each.code for each in projects["san_diego"].limits}


def test_report_runs_on_a_log_that_lacks_nearly_everything(
        projects: dict[str, Chain], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = str(projects["westminster"].project.folder)
    assert main(["report", folder, "--out", str(tmp_path / "out"), "--json"]) == 0
    summary = json.loads(capsys.readouterr().out)
    assert summary["rows"]["rows_in"] == 4867
    assert len(summary["limits"]) >= 4
    names = {Path(name).name for name in summary["files"]}
    assert {"report.html", "report.pdf", "map.html", "workbook.xlsx", "summary.json"} <= names
    assert all(Path(name).exists() for name in summary["files"])
