"""Dates: every usual style, impossible ones, clocks and zones, against published values."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rehit.errors import SettingError
from rehit.incidents.dates import FAULT_CODES, REMARK_CODES, DateStyle, find_style, parse_dates
from rehit.messages import message
from rehit.parameters import load_parameters

MARCH_5 = "2018-03-05 14:22:00+00:00"


def one(text: str | None, *, zone: str = "UTC", style: DateStyle | None = None
        ) -> tuple[str, object, object]:
    parsed = parse_dates(pd.Series([text], dtype="str"), style=style, time_zone=zone)
    return str(parsed.times[0]), parsed.codes[0], parsed.precision[0]


@pytest.mark.parametrize("text", [
    "2018-03-05 14:22", "2018-03-05T14:22:00", "2018-03-05T14:22:00.000Z", "2018/03/05 14:22",
    "2018.03.05 14:22", "2018-03-05T15:22:00+01:00", "2018-03-05T08:22-0600", "05/03/2018 14:22",
    "5/3/2018 14:22:00", "05-03-2018 14:22", "05.03.2018 14:22", "5.3.18 14.22", "05 03 2018 14:22",
    "05/03/2018 02:22 PM", "5/3/2018 2:22:00 pm", "05/03/2018 2:22 p.m.", "05/03/2018, 14:22",
    "14:22 05/03/2018", "2:22 PM 5/3/18", "5 March 2018 14:22", "05-Mar-2018 14:22",
    "05-MAR-18 02:22 PM", "5th of March 2018, 14:22", "Mon 5 Mar 2018 14:22", "Mar 5, 2018 2:22 PM",
    "March 5th, 2018 at 14:22", "Monday, March 5, 2018 14:22", "Mon Mar 05 2018 14:22:00 GMT+0000",
    "2018-Mar-05 14:22", "20180305T1422", "20180305142200", "5 de marzo de 2018 14:22",
    "5 mars 2018 14h22", "5. März 2018 14.22 Uhr", "5 de março de 2018 14:22",
    " 05/03/2018   14:22 ",
    "1520259720", "1520259720000", "/Date(1520259720000)/", "05/03/2018\u00a014:22",
])
def test_one_moment_in_every_usual_style(text: str) -> None:
    assert one(text) == (MARCH_5, pytest.approx(np.nan, nan_ok=True), "minute")


@pytest.mark.parametrize(("text", "code"), [
    ("", "date_missing"), (None, "date_missing"), ("n/a", "date_missing"), ("NULL", "date_missing"),
    ("0000-00-00", "date_missing"), ("00/00/0000", "date_missing"), ("pending", "date_missing"),
    ("yesterday", "date_unreadable"), ("12 Elm Street", "date_unreadable"),
    ("2018", "date_unreadable"), ("05/2018", "date_unreadable"), ("32", "date_unreadable"),
    ("31/02/2018", "date_impossible"), ("29/02/2018", "date_impossible"),
    ("2018-13-01", "date_impossible"), ("13/13/2018", "date_impossible"),
    ("00/03/2018", "date_impossible"), ("05/03/2018 25:00", "date_impossible"),
    ("05/03/2018 10:61", "date_impossible"), ("05/03/2018 24:30", "date_impossible"),
    ("05/03/2018 14:22 AM", "date_impossible"), ("31 April 2018", "date_impossible"),
    ("5 Foo 2018", "date_impossible"), ("05/03/1899", "date_out_of_range"),
    ("05/03/2999", "date_out_of_range"), ("01/01/1900", "date_out_of_range"),
])
def test_unusable_dates_have_a_code_and_no_time(text: str | None, code: str) -> None:
    assert one(text) == ("NaT", code, pytest.approx(np.nan, nan_ok=True))
    assert code in FAULT_CODES


def test_day_and_month_follow_the_style_unless_size_speaks_against_it() -> None:
    day, month = DateStyle(day_first=True), DateStyle(day_first=False)
    assert one("03/04/2018", style=day)[0].startswith("2018-04-03")
    assert one("03/04/2018", style=month)[0].startswith("2018-03-04")
    for style in (day, month):
        assert one("25/03/2018", style=style)[0].startswith("2018-03-25")
        assert one("03/25/2018", style=style)[0].startswith("2018-03-25")
    assert one("03/25/2018", style=day)[1] == "date_order_switched"
    assert one("25/03/2018", style=month)[1] == "date_order_switched"
    # Say and year-first dates have no order to follow.
    assert one("5 Mar 2018", style=month)[0] == one("2018-03-05", style=day)[0]


def test_two_digit_years_against_posix_strptime() -> None:
    """POSIX.1-2017, strptime: %y 69 to 99 mean 1969 to 1999, 00 to 68 mean 2000 to 2068."""
    wide = load_parameters().override({"incidents.date_year_low": 1960})
    texts = pd.Series([f"05/03/{year:02d}" for year in range(100)])
    years = parse_dates(texts, parameters=wide).times.dt.year.tolist()
    assert years == [dt.datetime.strptime(text, "%d/%m/%y").year for text in texts]


def test_spreadsheet_day_numbers_against_ecma_376() -> None:
    """ECMA-376 part 1, 18.17.4.1: day 1 of the 1900 system is 1900-01-01, with a leap day in 1900
    that never was; so 2018-03-05 is 43164, and half a day is noon."""
    assert one("43164")[0] == "2018-03-05 00:00:00+00:00"
    assert one("43164")[2] == "day"
    assert one("43164.5")[0] == "2018-03-05 12:00:00+00:00"
    assert one("43164.6041666667", zone="Europe/London")[0] == "2018-03-05 14:30:00+00:00"


def test_unix_times_are_utc_whatever_the_zone() -> None:
    """POSIX.1-2017, 4.16: seconds since 1970-01-01 00:00:00 UTC."""
    assert one("1520259720", zone="America/Chicago")[0] == MARCH_5
    assert one("1520259720000", zone="Asia/Tokyo")[0] == MARCH_5


def test_wall_clocks_of_summer_and_winter() -> None:
    assert one("01/07/2018 09:30", zone="Europe/London")[0] == "2018-07-01 08:30:00+00:00"
    assert one("01/01/2018 09:30", zone="Europe/London")[0] == "2018-01-01 09:30:00+00:00"
    assert one("2018-07-01", zone="America/Chicago")[0] == "2018-07-01 05:00:00+00:00"
    assert one("2018-07-01T09:30:00-07:00", zone="Europe/London")[0] == "2018-07-01 16:30:00+00:00"


def test_a_skipped_clock_time_moves_to_the_end_of_the_gap() -> None:
    """London went from 01:00 GMT to 02:00 BST on 25 March 2018 (IANA tz database)."""
    assert one("25/03/2018 01:30", zone="Europe/London") == (
        "2018-03-25 01:00:00+00:00", "clock_skipped", "minute")


def test_a_repeated_clock_time_is_the_first_of_the_two_as_pep_495_fold_0() -> None:
    text = "28/10/2018 01:30"
    first = dt.datetime(2018, 10, 28, 1, 30, tzinfo=ZoneInfo("Europe/London"), fold=0)
    moment, code, _ = one(text, zone="Europe/London")
    assert pd.Timestamp(moment) == first.astimezone(dt.UTC)
    assert code == "clock_repeated"
    # With an offset there is nothing to decide.
    stated, none, _ = one("2018-10-28T01:30+00:00", zone="Europe/London")
    assert (stated, pd.isna(none)) == ("2018-10-28 01:30:00+00:00", True)


def test_a_day_that_begins_inside_the_gap_still_has_a_first_moment() -> None:
    """Sao Paulo skipped midnight on 4 November 2018 (IANA tz database)."""
    assert one("04/11/2018", zone="America/Sao_Paulo") == (
        "2018-11-04 03:00:00+00:00", "clock_skipped", "day")


def test_24_00_is_the_end_of_the_day() -> None:
    """ISO 8601-1:2019, 4.3.13: 24:00 is the instant at the end of a day."""
    assert one("2018-03-05 24:00")[0] == "2018-03-06 00:00:00+00:00"


@pytest.mark.parametrize(("text", "hour"), [
    ("12:00 AM", 0), ("12:30 am", 0), ("01:00 AM", 1), ("11:59 AM", 11), ("12:00 PM", 12),
    ("12:59 pm", 12), ("01:00 PM", 13), ("11:59 p.m.", 23), ("14:05 PM", 14)])
def test_twelve_hour_clock(text: str, hour: int) -> None:
    assert pd.Timestamp(one(f"05/03/2018 {text}")[0]).hour == hour


def test_midnight_is_a_day_only_where_the_log_has_no_clock() -> None:
    text = "16/05/2012 00:00"
    assert one(text, style=DateStyle(clock="none"))[2] == "day"
    assert one(text, style=DateStyle(clock="24"))[2] == "minute"
    assert one("16/05/2012")[2] == "day"


def test_rows_keep_their_index_and_input_is_not_changed() -> None:
    texts = pd.Series(["05/03/2018", None, "x"], index=[7, 3, 9], dtype="str")
    before = texts.copy()
    parsed = parse_dates(texts)
    assert all(part.index.tolist() == [7, 3, 9] for part in parsed)
    assert texts.equals(before)
    assert str(parsed.times.dtype) == "datetime64[us, UTC]"


def test_an_unknown_time_zone_is_refused() -> None:
    with pytest.raises(SettingError, match="Mars/Base"):
        parse_dates(pd.Series(["05/03/2018"]), time_zone="Mars/Base")


def test_an_empty_column_gives_an_empty_result() -> None:
    assert [len(part) for part in parse_dates(pd.Series([], dtype="str"))] == [0, 0, 0]


MOMENTS = st.datetimes(dt.datetime(1985, 1, 1), dt.datetime(2099, 12, 31))
STYLES = st.sampled_from(["%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%S", "%d/%m/%Y %H:%M:%S",
                          "%d.%m.%Y %H:%M:%S", "%d %B %Y %H:%M:%S", "%d-%b-%Y %I:%M:%S %p",
                          "%B %d, %Y %I:%M:%S %p", "%Y%m%d%H%M%S", "%a %d %b %Y %H:%M:%S"])


@settings(max_examples=120, deadline=None)
@given(moments=st.lists(MOMENTS, min_size=1, max_size=6), style=STYLES)
def test_what_strftime_writes_is_read_back(moments: list[dt.datetime], style: str) -> None:
    """Python's strftime is the authority for how the styles are written."""
    texts = pd.Series([moment.strftime(style) for moment in moments])
    parsed = parse_dates(texts, style=DateStyle(day_first=True))
    expected = [moment.replace(microsecond=0, tzinfo=dt.UTC) for moment in moments]
    assert parsed.times.tolist() == expected
    assert parsed.codes.isna().all()


@settings(max_examples=120, deadline=None)
@given(moment=MOMENTS, zone=st.sampled_from(["Europe/London", "America/Chicago", "Asia/Kolkata",
                                             "Australia/Lord_Howe", "America/St_Johns"]))
def test_wall_clocks_against_zoneinfo(moment: dt.datetime, zone: str) -> None:
    local = moment.replace(microsecond=0)
    stamp, code, _ = one(local.isoformat(sep=" "), zone=zone)
    aware = local.replace(tzinfo=ZoneInfo(zone), fold=0)
    if code != "clock_skipped":
        assert pd.Timestamp(stamp) == aware.astimezone(dt.UTC)
    else:  # the clock never showed it: there and back gives another time
        assert aware.astimezone(dt.UTC).astimezone(ZoneInfo(zone)).replace(tzinfo=None) != local


@settings(max_examples=120, deadline=None)
@given(st.lists(st.one_of(
    st.text(max_size=25), st.from_regex(r"[\d/:.\- TAPM]{1,20}", fullmatch=True)), max_size=8))
def test_any_texts_give_a_time_or_a_code(texts: list[str]) -> None:
    parsed = parse_dates(pd.Series(texts, dtype="str"), time_zone="America/New_York")
    assert parsed.codes.dropna().isin(FAULT_CODES + REMARK_CODES).all()
    assert (parsed.times.isna() == parsed.codes.isin(FAULT_CODES)).all()
    assert (parsed.times.isna() == parsed.precision.isna()).all()


@settings(max_examples=15, deadline=None)
@given(st.permutations(["05/03/2018", "2018-03-05 14:00", "x", "", "31/02/2018", "1520259720"]))
def test_row_order_does_not_matter(texts: list[str]) -> None:
    whole = parse_dates(pd.Series(texts))
    alone = [parse_dates(pd.Series([text])).times[0] for text in texts]
    assert [str(moment) for moment in whole.times] == [str(moment) for moment in alone]


@pytest.mark.parametrize(("texts", "day_first", "clock", "formats", "certain"), [
    (["08/07/2017", "08/25/2017"], False, "none", ("MM/DD/YYYY",), True),
    (["16/05/2012 00:00", "19/09/2012 00:00"], True, "none", ("DD/MM/YYYY hh:mm",), True),
    (["2018-10-20T17:54:00"], True, "24", ("YYYY-MM-DDThh:mm:ss",), True),
    (["1/2/2018 3:04 PM"], True, "12", ("DD/MM/YYYY hh:mm AM",), False),
    (["01/02/2018", "03/04/2018"], True, "none", ("DD/MM/YYYY",), False),
    (["05/05/2018"], True, "none", ("DD/MM/YYYY",), True),
    (["43164", "43165.25"], True, "24", ("spreadsheet day number",), True),
    (["5 Mar 2018", "n/a"], True, "none", ("DD Mon YYYY",), True),
    (["n/a", ""], True, "none", (), True),
])
def test_style_found_from_cells(texts: list[str], day_first: bool, clock: str,
                                formats: tuple[str, ...], certain: bool) -> None:
    found = find_style(pd.Series(texts))
    assert (found.style, found.certain) == (DateStyle(day_first, clock, formats), certain)


def test_rows_in_order_of_time_speak_for_an_order_but_do_not_prove_it() -> None:
    days = pd.date_range("2018-01-01", "2018-12-31")
    texts = pd.Series([d.strftime("%m/%d/%Y") for d in days if d.day <= 12])
    found = find_style(texts)
    assert not found.style.day_first
    assert not found.certain
    assert found.evidence[0].facts["month"] == 1


def test_a_long_column_is_judged_by_rows_spread_over_it() -> None:
    texts = pd.Series(["03/04/2018"] * 200_000 + ["25/04/2018"] * 50_000)
    found = find_style(texts)
    assert found.certain
    assert found.evidence == (message("shown.above_12_first", n=25000),
                              message("shown.one_row_in", step=2))


@pytest.mark.parametrize(("text", "day"), [
    ("3 stycznia 2024", "2024-01-03"), ("12 września 2024 r.", "2024-09-12"),
    ("5 października 2024", "2024-10-05"), ("3 maart 2024", "2024-03-03"),
    ("9 mei 2024", "2024-05-09"), ("7 luglio 2024", "2024-07-07")])
def test_months_in_polish_dutch_and_italian(text: str, day: str) -> None:
    read = parse_dates(pd.Series([text]), style=DateStyle(), time_zone="UTC")
    assert str(read.times.iloc[0].date()) == day


def test_an_hour_after_a_is_read() -> None:
    read = parse_dates(pd.Series(["3 février 2024 à 9h05"]), style=DateStyle(clock="24"),
                       time_zone="UTC")
    assert read.times.iloc[0] == pd.Timestamp("2024-02-03 09:05", tz="UTC")
