"""The door: any table of strings goes in; every row is accounted for; order does not matter."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st
from recleaned import as_fields

from rehit.errors import SettingError
from rehit.incidents.clean import clean_incidents
from rehit.incidents.rows import Cleaned, CleanSettings
from rehit.messages import from_text, message
from rehit.tables import check, table

SETTINGS = CleanSettings(time_zone="Europe/Lisbon", crs="EPSG:32625")
IN_AREA = CleanSettings(time_zone="Europe/Lisbon", crs="EPSG:32625",
                        study_area=(-33.0220, 45.9970, -32.9780, 46.0184))
NAMES = [name for name in table("fields").names if name not in ("source_file", "source_row")]
# No shrinking: each example cleans a whole log, and the failing one is small already.
SLOW = settings(max_examples=15, deadline=None, derandomize=True, database=None,
                phases=[Phase.explicit, Phase.generate],
                suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])

anything = st.one_of(st.none(), st.text(max_size=12))
telling = {
    "reported": st.sampled_from(["2025-03-03 09:00", "2025-03-03", "04/03/2025", "2025-03-05 10:00",
                                 "31/02/2025", "2035-01-01", "0", "", None]),
    "cleared": st.sampled_from(["2025-03-04 12:00", "2025-03-03", "2025-03-09", "2031-01-01",
                                "2020-01-01", "x", "", None]),
    "status": st.sampled_from(["Open", "Completed", "Completed - Dup", "Closed", "Cancelled",
                               "zz", "", None]),
    "report_id": st.sampled_from(["1", "2", "3", "N/A", "", None]),
    "duplicate_of": st.sampled_from(["1", "2", "3", "9", "", None, None, None]),
    "address": st.sampled_from(["12 Elm Street", "12 ELM ST", "Elm Street", "9 Oak Road", "",
                                "Call 01632 960123", None]),
    "latitude": st.sampled_from(["46.005000", "46.005020", "0", "XXXX", "-33.000500", "", None]),
    "longitude": st.sampled_from(["-33.000500", "-33.000510", "0", "XXXX", "46.005000", "33.0005",
                                  "", None]),
    "asset_id": st.sampled_from(["WL-1", "wl 1", "WL-2", "", None]),
    "asset_type": st.sampled_from(["Wall", "wall", "Pole", "", None]),
    "substrate": st.sampled_from(["Brick - Painted", "brik", "glass", "qq", "", None]),
    "size": st.sampled_from(["2x3m", "small", "9", "", None]),
    "priority": st.sampled_from(["Yes", "not offensive", "", None]),
    "outcome": st.sampled_from(["Removed", "Private owner", "Not found", "", None]),
    "description": st.sampled_from(["ring 01632 960123", 'says "X"', "=1+1", "", None]),
}


def frame_of(records: list[dict[str, object]]) -> pd.DataFrame:
    made = pd.DataFrame(records, columns=["source_file", *NAMES])
    made["source_row"] = made.groupby("source_file").cumcount() + 1 if len(made) else 1
    return made


wild_rows = st.lists(st.fixed_dictionaries(
    {"source_file": st.sampled_from(["a.csv", "b.csv"]), **dict.fromkeys(NAMES, anything)}),
    max_size=5).map(frame_of)
telling_rows = st.lists(st.fixed_dictionaries(
    {"source_file": st.sampled_from(["a.csv", "b.csv"]), **telling}), max_size=9).map(frame_of)


def assert_accounted(cleaned: Cleaned, fields: pd.DataFrame) -> None:
    counts = cleaned.counts
    assert counts["rows_in"].sum() == len(fields)
    assert (counts["rows_in"] == counts["rows_kept"] + counts["rows_joined"]
            + counts["rows_set_aside"] + counts["rows_other_service"]).all()
    rows = [r for text in cleaned.incidents["source_rows"] for r in text.split(";")]
    aside = (cleaned.set_aside["source_file"] + "#"
             + cleaned.set_aside["source_row"].astype("str")).tolist()
    given_rows = (fields["source_file"] + "#" + fields["source_row"].astype("str")).tolist()
    assert sorted(rows + aside) == sorted(given_rows)
    assert cleaned.incidents["n_reports"].sum() == len(rows)
    check(cleaned.incidents, "incidents", where="test")
    check(cleaned.set_aside, "set_aside", where="test")
    check(cleaned.ledger, "ledger", where="test")


def essence(cleaned: Cleaned) -> list[tuple[object, ...]]:
    columns = [c for c in cleaned.incidents.columns if c not in ("geometry", "source_rows")]
    plain = cleaned.incidents[columns].astype(object).where(cleaned.incidents[columns].notna(), "")
    spot = cleaned.incidents.geometry.to_wkt(rounding_precision=2).fillna("")
    return sorted(tuple(map(str, row)) for row in plain.assign(spot=spot).to_numpy())


@SLOW
@given(wild_rows)
def test_any_table_of_strings_is_accounted_for(fields: pd.DataFrame) -> None:
    assert_accounted(clean_incidents(fields, mapping=None, settings=IN_AREA), fields)


@SLOW
@given(telling_rows)
def test_likely_rows_are_accounted_for(fields: pd.DataFrame) -> None:
    before = fields.copy(deep=True)
    assert_accounted(clean_incidents(fields, mapping=None, settings=IN_AREA), fields)
    pd.testing.assert_frame_equal(fields, before)


@SLOW
@given(telling_rows, st.randoms(use_true_random=False))
def test_row_order_does_not_matter(fields: pd.DataFrame, order: object) -> None:
    place = list(range(len(fields)))
    order.shuffle(place)  # type: ignore[attr-defined]
    shuffled = fields.iloc[place].reset_index(drop=True)
    renumbered = frame_of(shuffled.drop(columns="source_row").to_dict("records"))
    first = clean_incidents(fields, mapping=None, settings=IN_AREA)
    pd.testing.assert_frame_equal(
        first.incidents.drop(columns="geometry"),
        clean_incidents(shuffled, mapping=None, settings=IN_AREA).incidents.drop(
            columns="geometry"))
    # Even when the rows come in another order within their file.
    assert essence(first) == essence(clean_incidents(renumbered, mapping=None, settings=IN_AREA))


# A duplicate older than the report it names: the incident waits since the duplicate came.
OLDER_DUPLICATE = frame_of([
    {"source_file": "a.csv", "report_id": "1", "duplicate_of": "2",
     "reported": "2025-03-03 09:00", "status": "Open"},
    {"source_file": "a.csv", "report_id": "2", "reported": "2025-03-05 10:00", "status": "Open",
     "address": "12 Elm Street"},
    {"source_file": "a.csv", "report_id": "3", "reported": "04/03/2025",
     "cleared": "2025-03-04 12:00", "address": "12 Elm Street"}])


@SLOW
@example(OLDER_DUPLICATE)
@given(telling_rows)
def test_cleaning_the_cleaned_changes_nothing(fields: pd.DataFrame) -> None:
    once = clean_incidents(fields, mapping=None, settings=IN_AREA)
    end = f"{once.window.end - pd.Timedelta(minutes=1):%Y-%m-%dT%H:%M:%SZ}"
    again = clean_incidents(as_fields(once, settings=IN_AREA), mapping=None,
                            settings=CleanSettings(
        time_zone=IN_AREA.time_zone, crs=IN_AREA.crs, study_area=IN_AREA.study_area,
        extract_end=end if len(once.incidents) else None))
    assert again.set_aside.empty
    keep = ["incident_id", "reported_at", "reported_precision", "cleared_at", "status", "outcome",
            "priority", "substrate", "finish", "medium", "area_m2", "area_basis", "place_quality",
            "address", "address_key", "description"]
    pd.testing.assert_frame_equal(once.incidents[keep], again.incidents[keep])
    assert (once.incidents.geometry.isna() == again.incidents.geometry.isna()).all()
    moved = once.incidents.geometry.distance(again.incidents.geometry).fillna(0)
    assert (moved < 0.001).all()  # metres; texts go through degrees


def dense_log(groups: int) -> pd.DataFrame:
    """Spots a kilometre apart, each with reports that are hard to tell apart."""
    rng = np.random.default_rng(6)
    rows: list[dict[str, object]] = []

    def one(*choices: object) -> object:
        return choices[rng.integers(len(choices))]

    for spot in range(groups):
        size = rng.integers(4, 12)
        for turn in range(size):
            day, wait = rng.integers(1, 7), rng.integers(0, 6)
            rows.append({
                "source_file": "a.csv",
                "report_id": f"{spot}-{rng.integers(0, size) if rng.random() < 0.3 else turn}",
                "reported": f"2025-03-{day:02d}{one('', ' 09:00', ' 15:30')}",
                "cleared": one(None, f"2025-03-{day + wait:02d}{one('', ' 12:00')}"),
                "status": one("Open", "Completed", "Completed - Dup", "Closed", None),
                "duplicate_of": one(f"{spot}-{rng.integers(0, size)}", *[None] * 6),
                "address": one(f"12 Elm{spot} Street", f"14 Elm{spot} Street", None),
                "asset_id": one(f"A{spot}x", f"A{spot}y", *[None] * 6),
                "asset_type": one("wall", "bin", None, None),
                "substrate": one("brick", "metal", None, None)} | ({
                    "easting": f"{450_000 + 1000 * spot + rng.uniform(0, 30):.2f}",
                    "northing": f"{5_100_000 + rng.uniform(0, 10):.2f}"}
                    if rng.random() < 0.7 else {}))
    return frame_of(rows)


def test_cleaning_a_dense_log_again_changes_nothing() -> None:
    """One incident in some hundreds was joined to another, or lost its reports, before."""
    once = clean_incidents(dense_log(groups=400), mapping=None, settings=SETTINGS)
    end = f"{once.window.end - pd.Timedelta(minutes=1):%Y-%m-%dT%H:%M:%SZ}"
    again = clean_incidents(
        as_fields(once, settings=SETTINGS), mapping=None,
        settings=CleanSettings(time_zone=SETTINGS.time_zone, crs=SETTINGS.crs, extract_end=end))
    keep = ["incident_id", "reported_at", "cleared_at", "status", "object"]
    pd.testing.assert_frame_equal(once.incidents[keep], again.incidents[keep])


def test_an_incident_waits_since_the_first_of_its_reports() -> None:
    cleaned = clean_incidents(OLDER_DUPLICATE, mapping=None, settings=IN_AREA)
    assert cleaned.incidents["n_reports"].tolist() == [3]
    assert cleaned.incidents["cleared_at"].dt.strftime("%d %H:%M").tolist() == ["04 12:00"]


def test_empty_table_gives_empty_tables() -> None:
    cleaned = clean_incidents(frame_of([]), mapping=None, settings=SETTINGS)
    assert cleaned.incidents.empty
    assert cleaned.set_aside.empty
    assert cleaned.counts.empty
    check(cleaned.incidents, "incidents", where="test")


def test_missing_columns_count_as_empty() -> None:
    cleaned = clean_incidents(pd.DataFrame({"reported": ["2025-03-03"]}), mapping=None,
                              settings=SETTINGS)
    assert cleaned.counts.loc[0].tolist() == ["log", 1, 1, 0, 0, 0]
    assert cleaned.incidents["place_quality"].tolist() == ["none"]


def test_names_of_incidents_survive_a_longer_extract() -> None:
    rows = [{"source_file": "q1.csv", "reported": f"2025-03-0{k} 09:00", "address": f"{k} Elm Rd"}
            for k in range(1, 6)]
    short = clean_incidents(frame_of(rows[:3]), mapping=None, settings=SETTINGS)
    long = clean_incidents(frame_of(rows), mapping=None, settings=SETTINGS)
    assert set(short.incidents["incident_id"]) < set(long.incidents["incident_id"])


def test_exact_duplicates_are_joined_when_asked() -> None:
    rows = [{"source_file": "a.csv", "reported": "2025-03-03", "address": "Elm Street"}] * 3
    asked = CleanSettings(time_zone="UTC", crs="EPSG:32625", exact_duplicates="join")
    cleaned = clean_incidents(frame_of(rows), mapping=None, settings=asked)
    assert cleaned.counts.loc[0].tolist() == ["a.csv", 3, 1, 2, 0, 0]
    effect = cleaned.findings.set_index("code").loc["exact_duplicates", "effect"]
    assert from_text(effect) == message("finding.exact_duplicates_joined", groups=1, apart=3,
                                        alike=1)


@pytest.mark.parametrize("wrong", [{"crs": "EPSG:4326"}, {"crs": "nowhere"},
                                   {"study_area": (1, 2, 0, 3)}, {"exact_duplicates": "maybe"}])
def test_settings_that_cannot_be_used_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(SettingError):
        CleanSettings(**{"time_zone": "UTC", "crs": "EPSG:32625", **wrong})  # type: ignore[arg-type]


def test_extract_end_that_is_no_date_is_refused() -> None:
    with pytest.raises(SettingError, match="extract_end"):
        clean_incidents(frame_of([]), mapping=None, settings=CleanSettings(
            time_zone="UTC", crs="EPSG:32625", extract_end="soon"))


def test_marking_text_is_kept_only_when_asked() -> None:
    rows = [{"source_file": "a.csv", "reported": "2025-03-03", "description": 'says "ZORB"'}]
    kept = CleanSettings(time_zone="UTC", crs="EPSG:32625", keep_marking_text=True)
    assert clean_incidents(frame_of(rows), mapping=None, settings=kept).incidents[
        "description"].tolist() == ['says "ZORB"']
    assert clean_incidents(frame_of(rows), mapping=None, settings=SETTINGS).incidents[
        "description"].tolist() == ["[marking]"]
