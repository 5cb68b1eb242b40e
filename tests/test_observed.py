"""Time at risk, and what is a re-hit, by hand-made histories."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rehit.errors import SettingError, TableError
from rehit.observed import (
    Window,
    incident_kinds,
    known_places,
    known_timeline,
    places_for_half,
    plausible_waits,
    rehit_range,
    surface_basis,
    surfaces_told,
    time_at_risk,
    timeline,
    waiting_between,
)
from rehit.parameters import load_parameters

START = pd.Timestamp("2024-01-01", tz="UTC")
END = START + pd.Timedelta(days=100)


def log(*rows: tuple) -> pd.DataFrame:
    """Rows of (place, reported day, cleared day or None, status)."""
    days = [START + pd.Timedelta(days=r[1]) for r in rows]
    clear = [pd.NaT if r[2] is None else START + pd.Timedelta(days=r[2]) for r in rows]
    return pd.DataFrame({
        "incident_id": [f"I{k}" for k in range(len(rows))], "place_id": [r[0] for r in rows],
        "place_kind": "asset", "reported_at": pd.to_datetime(pd.Series(days), utc=True),
        "cleared_at": pd.to_datetime(pd.Series(clear), utc=True),
        "status": [r[3] for r in rows]})


def risk(table: pd.DataFrame) -> pd.DataFrame:
    numbers = load_parameters()
    laid = timeline(table, window=Window(START, END), parameters=numbers)
    return time_at_risk(laid, length_days=Window(START, END).days, parameters=numbers)


def test_waiting_days_are_not_at_risk():
    place = risk(log(("w", 10, 20, "cleared"), ("w", 50, 55, "cleared"))).loc[0]
    assert place["waiting_days"] == pytest.approx(15)
    assert place["exposure_years"] == pytest.approx(85 / 365.25)
    assert place["n_rehits"] == 1
    assert place["exposure_basis"] == "observed"


def test_a_report_while_the_first_still_waits_is_no_rehit():
    place = risk(log(("w", 10, 30, "cleared"), ("w", 20, 40, "cleared"),
                     ("w", 60, 61, "cleared"))).loc[0]
    assert place["n_incidents"] == 3
    assert place["n_at_risk"] == 2
    assert place["n_rehits"] == 1
    assert place["waiting_days"] == pytest.approx(31)  # the overlap counts once


def test_a_wait_inside_a_longer_wait_adds_nothing():
    place = risk(log(("w", 10, 50, "cleared"), ("w", 20, 25, "cleared"),
                     ("w", 60, 61, "cleared"))).loc[0]
    assert place["waiting_days"] == pytest.approx(41)
    assert place["n_rehits"] == 1


def test_an_open_case_waits_to_the_end_of_the_window():
    place = risk(log(("w", 10, 20, "cleared"), ("w", 70, None, "open"))).loc[0]
    assert place["waiting_days"] == pytest.approx(40)
    assert place["n_rehits"] == 1


def test_a_forgotten_open_case_ends_with_the_next_clearance_there():
    place = risk(log(("w", 10, None, "open"), ("w", 30, 40, "cleared"),
                     ("w", 60, 65, "cleared"))).loc[0]
    assert place["waiting_days"] == pytest.approx(35)
    assert place["n_rehits"] == 1


def test_a_closed_case_without_a_date_waits_the_median_of_the_log():
    table = log(("w", 10, 20, "cleared"), ("v", 10, 14, "cleared"), ("v", 30, 36, "cleared"),
                ("u", 50, None, "closed_undated"))
    found = risk(table)  # codes in order of place_id: u, v, w; waits 10, 4, 6
    assert found["waiting_days"].tolist() == pytest.approx([6, 10, 10])
    assert found["exposure_basis"].tolist() == ["imputed", "observed", "observed"]


def test_a_log_without_clearance_dates_gives_the_whole_window_with_a_flag():
    found = risk(log(("w", 10, None, "unknown"), ("w", 12, None, "unknown"),
                     ("w", 40, None, "unknown"))).loc[0]
    assert found["exposure_years"] == pytest.approx(100 / 365.25)
    assert found["exposure_basis"] == "whole_window"
    assert found["n_rehits"] == 1  # day 12 is too soon after day 10


def test_a_place_that_always_waits_keeps_some_exposure():
    place = risk(log(("w", 0, None, "open"))).loc[0]
    assert place["exposure_years"] == pytest.approx(
        load_parameters()["hotspots.min_exposure_days"] / 365.25)


def test_incidents_outside_the_window_are_not_used():
    found = risk(log(("w", -5, 2, "cleared"), ("w", 30, 31, "cleared"), ("w", 120, 121, "cleared")))
    assert found["n_incidents"].tolist() == [1]
    assert found["n_rehits"].tolist() == [0]


def test_waiting_between_two_days_adds_up_over_parts():
    table = log(("w", 10, 50, "cleared"), ("w", 20, 60, "cleared"), ("v", 5, None, "open"))
    laid = timeline(table, window=Window(START, END), parameters=load_parameters())
    parts = [waiting_between(laid, from_day=a, to_day=a + 25) for a in (0, 25, 50, 75)]
    assert sum(parts).tolist() == pytest.approx([95, 50])
    assert parts[0].tolist() == pytest.approx([20, 15])


def test_one_place_at_a_time_equals_all_places_together():
    rng = np.random.default_rng(6)
    rows = []
    for k in range(300):
        day = float(rng.uniform(0, 99))
        rows.append((f"p{k % 20:02d}", day, day + float(rng.exponential(6)), "cleared"))
    whole = log(*rows)
    together = risk(whole)
    for code, place in enumerate(sorted(whole["place_id"].unique())):
        alone = risk(whole[whole["place_id"] == place]).loc[0]
        columns = ["n_incidents", "n_at_risk", "n_rehits", "waiting_days"]
        assert together.loc[code, columns].tolist() == pytest.approx(alone[columns].tolist())


def test_poor_places_never_make_an_asset_or_site_recur():
    table = log(*[("w", d, d + 1, "cleared") for d in (1, 11, 21, 31, 41)]).assign(
        place_quality=["surveyed", "street", "default", "none", "street"],
        street_key=[None, "HIGH ST", "HIGH ST", None, None],
        asset_id_given=[None, None, None, None, "A7"])
    kept = known_places(table)
    assert kept["incident_id"].tolist() == ["I0", "I1", "I4"]
    assert kept["place_kind"].tolist() == ["asset", "street", "asset"]
    assert kept["place_id"].tolist() == ["w", "street: HIGH ST", "w"]


def test_a_street_has_the_whole_window_and_no_rehits():
    """Another wall of the street may be hit while one waits; which wall it is nobody knows."""
    table = log(("s", 10, 60, "cleared"), ("s", 20, 30, "cleared"), ("s", 80, 90, "cleared"),
                ("w", 10, 20, "cleared"), ("w", 40, 50, "cleared"))
    table["place_kind"] = ["street"] * 3 + ["asset"] * 2
    found = risk(table)
    assert found["n_at_risk"].tolist() == [3, 2]
    assert found["n_rehits"].tolist() == [0, 1]
    assert found["exposure_basis"].tolist() == ["whole_window", "observed"]
    assert found["waiting_days"].tolist() == pytest.approx([0, 20])


def test_incidents_without_a_place_are_left_out():
    table = log(("w", 1, 2, "cleared"), (None, 3, 4, "cleared"))
    table["place_kind"] = ["site", "none"]
    assert known_places(table)["incident_id"].tolist() == ["I0"]


def test_bad_windows_and_missing_columns_are_refused():
    with pytest.raises(SettingError, match="observation window"):
        Window(END, START).checked()
    with pytest.raises(SettingError, match="time zone"):
        Window(START.tz_localize(None), END.tz_localize(None)).checked()
    with pytest.raises(TableError, match="place_kind"):
        known_places(log(("w", 1, 2, "cleared")).drop(columns="place_kind"))


# What each incident is on its place: first, re-hit, uncertain, or no place to recur.

def kinds_of(table: pd.DataFrame) -> pd.Series:
    window = Window(pd.Timestamp("2025-01-01", tz="UTC"), pd.Timestamp("2025-06-01", tz="UTC"))
    return incident_kinds(table, window=window, parameters=load_parameters())


def dated(rows: list[tuple[str, str | None, str, str | None]]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["place_id", "place_kind", "reported", "cleared"])
    return pd.DataFrame({
        "incident_id": [f"i{n}" for n in range(len(frame))],
        "place_id": frame["place_id"], "place_kind": frame["place_kind"],
        "place_quality": "surveyed", "asset_id_given": None,
        "reported_at": pd.to_datetime(frame["reported"], utc=True),
        "cleared_at": pd.to_datetime(frame["cleared"], utc=True),
        "status": np.where(frame["cleared"].isna(), "open", "cleared")})


def test_kinds_on_one_wall_by_hand() -> None:
    log = dated([
        ("w1", "asset", "2025-01-01", "2025-01-03"),   # first
        ("w1", "asset", "2025-02-01", None),           # cleared before: re-hit
        ("w1", "asset", "2025-03-01", "2025-03-02"),   # the one before has no date: uncertain
        ("w2", "street", "2025-01-01", "2025-01-02"),  # street only
        ("w2", "street", "2025-02-01", "2025-02-02"),
        ("w3", "site", "2025-01-10", "2025-02-10"),
        ("w3", "site", "2025-02-01", "2025-02-10"),    # came before the clearance
    ])
    shuffled = log.sample(frac=1, random_state=1)
    kinds = kinds_of(shuffled).reindex(log.index)
    assert kinds.tolist() == ["first", "rehit", "uncertain", "no_place", "no_place", "first",
                              "uncertain"]


def test_a_stand_in_point_shows_no_rehit_unless_the_log_gives_the_number() -> None:
    """As the ranking of places counts them, so that both say the same."""
    log = dated([("w1", "asset", f"2025-0{m}-01", f"2025-0{m}-03") for m in (1, 2, 3)])
    log["place_quality"] = ["surveyed", "default", "default"]
    log.loc[2, "asset_id_given"] = "w 1"
    assert kinds_of(log).tolist() == ["first", "no_place", "rehit"]


def test_kind_does_not_change_its_input() -> None:
    log = dated([("w1", "asset", "2025-01-01", "2025-01-03")])
    before = log.copy()
    kinds_of(log)
    pd.testing.assert_frame_equal(log, before)


def test_a_later_report_cleared_first_leaves_the_wall_dirty() -> None:
    """The second is cleared before the first: the third still meets a dirty wall."""
    log = dated([("w1", "asset", "2025-01-01", "2025-03-01"),
                 ("w1", "asset", "2025-01-10", "2025-01-20"),
                ("w1", "asset", "2025-02-01", "2025-02-02"),
                ("w1", "asset", "2025-04-01", "2025-04-02")])
    assert kinds_of(log).tolist() == ["first", "uncertain", "uncertain", "rehit"]


def test_a_last_report_that_overlaps_an_earlier_wait_adds_only_its_own_days():
    """Waiting from day 10 to 30 and, reported meanwhile, to 40: thirty days, none twice."""
    place = risk(log(("w", 10, 30, "cleared"), ("w", 20, 40, "cleared"))).loc[0]
    assert place["waiting_days"] == pytest.approx(30)
    within = risk(log(("w", 10, 50, "cleared"), ("w", 20, 25, "cleared"))).loc[0]
    assert within["waiting_days"] == pytest.approx(40)


def undated(days: list[float]) -> pd.DataFrame:
    return log(*(("w", day, None, "unknown") for day in days))


def test_without_dates_rehits_are_a_range_over_plausible_waits() -> None:
    """Gaps of 0.5, 3, 10 and 40 days; plausible waits 1 to 30 days, usually 7."""
    table, window = undated([1, 1.5, 4.5, 14.5, 54.5]), Window(START, END)
    numbers = load_parameters()
    assert plausible_waits(table, parameters=numbers) == (1.0, 7.0, 30.0)
    assert rehit_range(table, window=window, parameters=numbers) == (1, 3)
    usual = incident_kinds(table, window=window, parameters=numbers)
    assert (usual == "rehit").sum() == 2


def test_the_wait_is_learnt_from_the_rows_that_have_a_date() -> None:
    """Forty of 400 rows dated, 4 days each: too few to date the rest, enough for a median."""
    dated_rows = [("v", 0.1 * k, 0.1 * k + 4, "cleared") for k in range(40)]
    rows = [(f"w{k}", 1.0, None, "unknown") for k in range(358)]
    table = log(*dated_rows, *rows, ("x", 10, None, "unknown"), ("x", 15, None, "unknown"))
    numbers = load_parameters()
    assert plausible_waits(table, parameters=numbers) == (4.0, 4.0, 4.0)
    kinds = incident_kinds(table, window=Window(START, END), parameters=numbers)
    assert kinds.iloc[-1] == "rehit"  # five days after; seven were assumed without the forty


def test_half_of_the_incidents_counts_places_and_streets_only_where_nothing_better_is_known():
    """Ten of twelve incidents lie on places; the two worst have six of them."""
    table = pd.DataFrame({"place_kind": ["street", "asset", "site", "asset", "asset"],
                          "n_incidents": [9, 3, 3, 2, 2]})
    assert places_for_half(table) == 2
    assert places_for_half(table.assign(place_kind="street")) == 2
    assert places_for_half(table.assign(n_incidents=1)) == 2
    assert places_for_half(table.iloc[[1]]) == 1


# Places that hold many surfaces: a re-hit there needs the same thing.

def at_one_place(kind: str, things: list[str | None], **columns: object) -> pd.DataFrame:
    """One marking every ten days, each cleared after a day, at one place."""
    days = range(1, 10 * len(things), 10)
    table = log(*[("p", float(d), d + 1.0, "cleared") for d in days])
    return table.assign(place_kind=kind, object=pd.Series(things, dtype="str"), **columns)


def rehits_of(table: pd.DataFrame) -> list[bool]:
    laid = timeline(table, window=Window(START, END), parameters=load_parameters())
    return laid["rehit"].tolist()


@pytest.mark.parametrize("kind", ["crossing", "block"])
def test_a_mailbox_after_a_pole_is_no_rehit_at_a_crossing_or_block(kind: str) -> None:
    assert rehits_of(at_one_place(kind, ["pole", "post_box", "pole", None, "post_box"])) == [
        False, False, True, False, True]


def test_at_a_site_two_things_are_two_surfaces_and_one_not_named_may_be_either() -> None:
    assert rehits_of(at_one_place("site", ["pole", "post_box", "pole", None, "post_box"])) == [
        False, False, True, True, True]


def test_an_asset_is_one_surface_whatever_the_log_calls_it() -> None:
    assert rehits_of(at_one_place("asset", ["pole", "post_box", None])) == [False, True, True]


def test_in_a_log_that_names_no_things_no_surface_of_a_crossing_or_block_is_told() -> None:
    assert rehits_of(at_one_place("crossing", [None] * 3)) == [False, False, False]
    assert rehits_of(at_one_place("block", [None] * 3)) == [False, False, False]
    assert rehits_of(at_one_place("street", [None] * 3)) == [False, False, False]


def test_a_thing_that_still_waits_at_a_crossing_is_no_rehit_but_another_thing_goes_on() -> None:
    table = log(("p", 1, 50, "cleared"), ("p", 5, 6, "cleared"), ("p", 10, 11, "cleared"),
                ("p", 20, 21, "cleared")).assign(
        place_kind="crossing", object=["pole", "post_box", "pole", "post_box"])
    assert rehits_of(table) == [False, False, False, True]
    found = risk(table).loc[0]
    assert (found["exposure_basis"], found["waiting_days"]) == ("whole_window", 0)


def test_what_shows_the_same_surface_is_told_for_every_rehit() -> None:
    """One place of each kind, marked three times."""
    parts = [at_one_place("asset", ["pole"] * 3), at_one_place("site", ["pole"] * 3),
             at_one_place("site", [None] * 3, place_quality="address"),
             at_one_place("site", [None] * 3), at_one_place("block", ["pole"] * 3)]
    table = pd.concat([part.assign(place_id=str(n), place_quality=part.get(
        "place_quality", "surveyed")) for n, part in enumerate(parts)], ignore_index=True)
    table["incident_id"] = [f"I{n}" for n in table.index]
    table.loc[table["place_kind"] == "block", "place_quality"] = "block"
    table["asset_id_given"] = None
    window = Window(START, END)
    basis = surface_basis(*known_timeline(table, window=window, parameters=load_parameters()))
    assert basis.tolist() == [code for code in (
        "asset", "object", "address", "point", "object") for _ in range(2)]
    told = surfaces_told(table, table.drop_duplicates("place_id"), window=window,
                         parameters=load_parameters())
    assert told[0].facts["n"] == 10
    shares = {each.name: each.facts["share"] for each in told[0].facts["parts"]}
    assert shares["same_object"] == pytest.approx(0.4)
    assert "same_side" not in shares  # none was: nothing is said of it
    assert told[1].facts["n"] == 1


def test_incidents_at_a_block_without_a_named_thing_have_no_place_to_recur() -> None:
    table = at_one_place("block", ["pole", None, "pole"], place_quality="block",
                         asset_id_given=None)
    window = Window(START, END)
    assert incident_kinds(table, window=window, parameters=load_parameters()).tolist() == [
        "first", "no_place", "rehit"]


@pytest.mark.parametrize(("kind", "things", "least", "most"), [
    ("crossing", [None] * 3, 0, 2),                     # any of its things may be the same
    ("block", [None] * 3, 0, 0),                        # a stretch is never one surface
    ("site", ["front", "side", "front"], 1, 2),         # two sides may be one wall
    ("site", ["front", "pole", "pole"], 1, 2),          # or the side a pole stands on
    ("site", ["pole", "post_box", "bench"], 0, 0),      # three things are not one
    ("asset", ["front", "side", "rear"], 2, 2)])
def test_what_the_log_leaves_open_of_the_surface_is_a_range(kind: str, things: list[str | None],
                                                           least: int, most: int) -> None:
    table, window = at_one_place(kind, things), Window(START, END)
    assert rehit_range(table, window=window, parameters=load_parameters()) == (least, most)
    told = [each for each in surfaces_told(table, table.iloc[:1], window=window,
                                           parameters=load_parameters())
            if each.name == "surface_doubt"]
    assert [(each.facts["least"], each.facts["most"]) for each in told] == [
        (least, most)] * (most > least)


def test_a_side_named_twice_is_told_as_a_side_not_as_a_thing() -> None:
    table = at_one_place("site", ["front", "front", "pole", "pole"], place_quality="address")
    basis = surface_basis(*known_timeline(table, window=Window(START, END),
                                          parameters=load_parameters()))
    assert basis.tolist() == ["side", "object"]


def test_a_report_in_the_minute_of_the_clearing_is_a_rehit():
    place = risk(log(("w", 10, 20, "cleared"), ("w", 20, 25, "cleared"))).loc[0]
    assert place["n_rehits"] == 1


def test_a_case_closed_before_its_report_tells_nothing_of_waits():
    dated = log(*[("w", 10, 14, "cleared")] * 30, *[("w", 14, 10, "cleared")] * 30)
    assert plausible_waits(dated, parameters=load_parameters()) == (4.0, 4.0, 4.0)
