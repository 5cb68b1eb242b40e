"""The view that reads results: the report, the map, the rows behind a figure, one place."""

from __future__ import annotations

import html
from collections.abc import Callable, Sequence
from datetime import date
from functools import cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import panel as pn
from pyarrow.parquet import read_schema

from rehit.app.parts import (
    SHEET,
    button,
    frame,
    grid,
    heading,
    links,
    listed,
    note,
    put,
    tabs,
    text_input,
    words,
    written,
)
from rehit.files.safe_text import without_guard
from rehit.outputs.patrol import LOOKS_FILE
from rehit.report.catalogue import languages
from rehit.report.pages import DETAILS, FRONT, MAP, TRACE
from rehit.report.runsheet import caution_words
from rehit.report.say import Say
from rehit.treatment.methods import load_cautions

if TYPE_CHECKING:
    from rehit.app.page import Page

PAGES = {"report": FRONT, "details": DETAILS, "rows": TRACE, "map": MAP}
MOST_FOUND = 25
STRIP_WIDE = 720


def view(page: Page) -> Any:
    """Return the view: the pages of the report, and the search for one place."""
    say = page.say
    if not (page.results / FRONT).is_file():
        return pn.Column(heading(say("app.read_head")), note(say("app.nothing_yet")),
                         button(say("app.run_report"), lambda: page.show("run"), kind="main"))
    choices: dict[str, Callable[[], Any]] = {
        say(f"app.page_{name}"): partial(_page, page, file, say(f"app.page_{name}"))
        for name, file in PAGES.items() if (page.results / file).is_file()}
    choices[say("app.page_places")] = lambda: _places(page)
    return pn.Column(heading(say("app.read_head")), tabs(choices), sizing_mode="stretch_width")


def _page(page: Page, file: str, title: str) -> Any:
    address = page.desk.address(page.results.parent, file)
    return pn.Column(links([(page.say("app.own_window"), address)]), frame(address, title=title),
                     sizing_mode="stretch_width")


def _places(page: Page) -> Any:
    """Return the search for a place and the page of the one found."""
    say, told = page.say, pn.Column(sizing_mode="stretch_width")
    tables = Tables(page.results)
    asked = text_input(say("app.find_place"))

    def find(_event: object = None) -> None:
        found = tables.find(written(asked))
        told.objects = [_found(page, tables, found, told)]

    asked.param.watch(find, "value")
    find()
    return pn.Column(asked, told, sizing_mode="stretch_width")


def _found(page: Page, tables: Tables, found: list[str], told: pn.Column) -> Any:
    if not found:
        return note(page.say("app.no_such_place"))
    return pn.FlexBox(*(
        button(tables.names[place], partial(put, told, partial(place_page, page, tables, place)))
        for place in found))


class Tables:
    """Tables of the results, of which only the rows asked for are read.

    A large log's incidents would keep every reader of the page waiting.

    Parameters
    ----------
    results
        Folder of the project's results.
    """

    def __init__(self, results: Path) -> None:
        self._results = results

    @cached_property
    def names(self) -> pd.Series:
        """What a crew calls each place, by its code, the worst first."""
        file = self._file("repeats")
        if not file.is_file():
            return pd.Series([], index=pd.Index([], dtype="str"), dtype="str")
        columns = ["place_id", "place_name"]
        table = pd.read_parquet(file, columns=[
            name for name in columns if name in read_schema(file).names])
        return table.get("place_name", table["place_id"]).astype("str").set_axis(
            table["place_id"].astype("str"))

    def _file(self, name: str) -> Path:
        return self._results / "data" / f"{name}.parquet"

    def rows(self, name: str, column: str, wanted: Sequence[str]) -> pd.DataFrame:
        """Return the rows of a table in which a column has one of some values."""
        file = self._file(name)
        if not file.is_file() or column not in read_schema(file).names or not len(wanted):
            return pd.DataFrame()
        return pd.read_parquet(file, filters=[(column, "in", list(wanted))])

    def sheet(self, name: str, place: str) -> pd.DataFrame:
        """Return the rows about a place of one of the day's tables, as text; none without it."""
        file = self._results / name
        if not file.is_file():
            return pd.DataFrame()
        table = pd.read_csv(file, dtype="str", keep_default_na=False)
        return table[table["place_id"].map(without_guard) == place].map(without_guard)

    def find(self, text: str) -> list[str]:
        """Return the places whose name or code holds a text, the worst first.

        Parameters
        ----------
        text
            What is looked for; all places where empty. At most :data:`MOST_FOUND` are returned.
        """
        named = self.names.str.casefold() + " " + self.names.index.str.casefold()
        asked = text.strip().casefold()
        return self.names.index[named.str.contains(asked, regex=False)][:MOST_FOUND].tolist()

    def of(self, name: str, place: str) -> pd.DataFrame:
        """Return the rows of a table that are about a place."""
        return self.rows(name, "place_id", [place])


def place_page(page: Page, tables: Tables, place: str) -> Any:
    """Return what is known about one place, what was done, what is advised, and what comes next."""
    say, row = page.say, tables.of("repeats", place).iloc[0]
    incidents = tables.of("incidents", place)
    if len(incidents):
        # One that may well belong to another place counts at none.
        incidents = incidents[incidents["kind"] != "no_place"].sort_values("reported_at")
    parts: list[Any] = [heading(tables.names[place], level=3)]
    parts.append(words(html.escape(say(
        "app.place_rate", markings=int(row["n_incidents"]), rehits=int(row["n_rehits"]),
        rate=float(row["rate_per_year"]), low=float(row["rate_low"]),
        high=float(row["rate_high"])))))
    parts += _strip(page, incidents)
    parts.append(_next_visit(page, tables, place))
    parts += _advice(page, tables, incidents)
    costs = tables.of("strategy_costs", place)
    if not costs.empty:
        parts.append(grid(costs_told(page, costs), title=say("app.place_costs")))
    parts += _done(page, tables, place, incidents)
    return pn.Column(*parts, *_history(page, incidents), sizing_mode="stretch_width")


def _strip(page: Page, incidents: pd.DataFrame) -> list[Any]:
    """Return the markings of a place as a strip over the years."""
    if incidents.empty:
        return []
    title = page.say("app.place_strip", n=len(incidents), first=incidents["reported_at"].iloc[0],
                     last=incidents["reported_at"].iloc[-1])
    return [words(html.escape(title), css="small"),
            pn.pane.HTML(strip(incidents, label=title), sizing_mode="stretch_width",
                         stylesheets=[SHEET])]


def _history(page: Page, incidents: pd.DataFrame) -> list[Any]:
    """Return each marking of a place with the rows of the log behind it."""
    say = page.say
    if incidents.empty:
        return []
    days = pd.DataFrame({
        say("app.col_reported"): [say("app.day", day=at) for at in incidents["reported_at"]],
        say("app.col_cleared"): ["" if pd.isna(at) else say("app.day", day=at)
                                 for at in incidents["cleared_at"]],
        say("app.col_rows"): incidents["source_rows"].astype("str").tolist()})
    return [grid(days.iloc[::-1], title=say("app.place_history"))]


def strip(incidents: pd.DataFrame, *, label: str) -> str:
    """Return the markings of a place over the years: a bar from each report to its clearance.

    Parameters
    ----------
    incidents
        ``reported_at, cleared_at``, the earliest first; a bar without clearance ends at once.
    label
        What the picture shows, for those who do not see it.
    """
    begun, over = incidents["reported_at"], incidents["cleared_at"].fillna(incidents["reported_at"])
    first, last = begun.iloc[0].year, max(begun.iloc[-1].year, over.max().year) + 1
    day_one = pd.Timestamp(year=first, month=1, day=1, tz="UTC")
    per_day = STRIP_WIDE / ((pd.Timestamp(year=last, month=1, day=1, tz="UTC") - day_one).days)
    bars = "".join(
        f'<rect x="{(at - day_one).days * per_day:.1f}" y="4" height="26" '
        f'width="{max(2.0, (end - at).days * per_day):.1f}"/>'
        for at, end in zip(begun, over, strict=True))
    years = "".join(
        f'<line x1="{at:.1f}" x2="{at:.1f}" y1="0" y2="34"/>'
        f'<text x="{at + 4:.1f}" y="46">{year}</text>'
        for year in range(first, last)
        for at in [(pd.Timestamp(year=year, month=1, day=1, tz="UTC") - day_one).days * per_day])
    return (f'<svg class="strip" viewBox="0 0 {STRIP_WIDE} 50" role="img" '
            f'aria-label="{html.escape(label, quote=True)}">'
            f'<line x1="0" x2="{STRIP_WIDE}" y1="30" y2="30"/>{years}{bars}</svg>')


def _done(page: Page, tables: Tables, place: str, incidents: pd.DataFrame) -> list[Any]:
    """Return what was done at a place: jobs of the works log, and looks with what was found."""
    say, parts = page.say, []
    numbers = [] if incidents.empty else incidents["report_id"].dropna().astype("str").tolist()
    works = pd.concat([tables.rows("works", "asset_id", [place]),
                       tables.rows("works", "report_id", numbers)])
    if len(works):
        works = works.drop_duplicates("work_id").sort_values("done_at", ascending=False)
        parts.append(grid(pd.DataFrame({
            say("app.col_done"): works["done_at"].astype("str").str[:10],
            say("app.col_method"): ["" if pd.isna(code) else say.code("method", code)
                                    for code in works["method"]],
            say("app.day_minutes"): ["" if pd.isna(v) else say.whole(v) for v in works["minutes"]],
            say("app.col_paid"): ["" if pd.isna(v) else say("app.sum", money=v)
                                  for v in works["cost"]],
            say("app.col_rows"): works["source_rows"].astype("str")}), title=say("app.place_done")))
    looks = tables.sheet(LOOKS_FILE, place)
    if len(looks):
        parts.append(grid(pd.DataFrame({
            say("app.col_looked"): looks["day"],
            say("app.day_outcome"): [say(f"app.outcome_{code}") for code in looks["outcome"]],
            say("app.day_why"): looks["why"]}).iloc[::-1], title=say("app.place_looks")))
    return parts or [note(say("app.place_nothing_done"))]


def _next_visit(page: Page, tables: Tables, place: str) -> Any:
    """Return when somebody is to look at a place again, as the days were planned last."""
    say, visits = page.say, tables.sheet("visit_calendar.csv", place)
    often = tables.sheet("visit_intervals.csv", place)
    if visits.empty:
        return note(say("app.place_no_visit"))
    days = visits.sort_values("day")
    told = say("app.place_visit", day=date.fromisoformat(days["day"].iloc[0]),
               crew=days["crew"].iloc[0])
    if len(often):
        told += " " + say("app.place_interval", n=float(often["interval_days"].iloc[0]))
    return note(told, kind="good")


def _advice(page: Page, tables: Tables, incidents: pd.DataFrame) -> list[Any]:
    """Return what was advised for the last marking of the place, with its cautions in full."""
    say = page.say
    if incidents.empty:
        return []
    found = tables.rows("advice", "incident_id", [incidents["incident_id"].iloc[-1]])
    if found.empty:
        return []
    row = found.iloc[0]
    return [note(say("app.place_advice", method=say.code("method", row["method"]),
                     reason=str(row["reason"]))),
            listed(say("app.place_cautions"),
                   [f"{each}." for each in in_full(str(row["cautions"]), say)])]


def in_full(cautions: str, say: Say) -> list[str]:
    """Return the cautions of a row of the results, written in short there, in full.

    Examples
    --------
    >>> from rehit.report.say import Say
    >>> in_full("cut hazard: cracked or broken glass; mind the dog", Say("en"))[1]
    'Mind the dog'
    """
    short = {Say(language).code("caution", code): code
             for language in languages() for code in load_cautions()["code"]}
    return [caution_words(short.get(each, each), say).rstrip(".")
            for each in cautions.split("; ") if each]


def costs_told(page: Page, costs: pd.DataFrame) -> pd.DataFrame:
    """Return what each strategy costs at a place in words, and why what may not be done may not."""
    say = page.say
    return pd.DataFrame({
        say("app.col_strategy"): [say.code("strategy", str(name)) for name in costs["strategy"]],
        say("app.col_cost"): [say("app.money", money=float(v)) if pd.notna(v) else ""
                              for v in costs["pv_mean"]],
        say("app.col_range"): [say("app.money_range", low=float(a), high=float(b))
                               if pd.notna(a) else "" for a, b in
                               zip(costs["pv_low"], costs["pv_high"], strict=True)],
        say("app.col_chance"): [_chance(page, *each) for each in zip(
            costs["chance_cheapest"], costs["allowed"], costs["why_not"], strict=True)]})


def _chance(page: Page, chance: float, allowed: bool, why_not: object) -> str:
    """Return the chance of being cheapest; of what may not be done here, why not."""
    if not allowed:
        return page.say("app.place_not_here", why=why_not if isinstance(why_not, str) else "")
    return page.say("app.chance", chance=float(chance)) if pd.notna(chance) else ""
