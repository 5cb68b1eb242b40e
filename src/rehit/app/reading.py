"""The view that reads results: the report, the map, the rows behind a figure, one place."""

from __future__ import annotations

import html
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import panel as pn

from rehit.app.parts import (
    button,
    frame,
    grid,
    heading,
    links,
    note,
    put,
    tabs,
    text_input,
    words,
    written,
)
from rehit.report.catalogue import languages
from rehit.report.pages import DETAILS, FRONT, MAP, TRACE
from rehit.report.runsheet import caution_words
from rehit.report.say import Say
from rehit.treatment.methods import load_cautions

if TYPE_CHECKING:
    from rehit.app.page import Page

PAGES = {"report": FRONT, "details": DETAILS, "rows": TRACE, "map": MAP}
MOST_FOUND = 25


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
        button(tables.called(place), partial(put, told, partial(place_page, page, tables, place)))
        for place in found))


class Tables:
    """Tables of the results, each read once when first needed.

    Parameters
    ----------
    results
        Folder of the project's results.
    """

    def __init__(self, results: Path) -> None:
        self._results = results
        self._read: dict[str, pd.DataFrame] = {}

    def __getitem__(self, name: str) -> pd.DataFrame:
        """Return a table, empty where the results have none of that name."""
        if name not in self._read:
            file = self._results / "data" / f"{name}.parquet"
            self._read[name] = pd.read_parquet(file) if file.is_file() else pd.DataFrame()
        return self._read[name]

    def find(self, text: str) -> list[str]:
        """Return the places whose name or code holds a text, the worst first.

        Parameters
        ----------
        text
            What is looked for; all places where empty. At most :data:`MOST_FOUND` are returned.
        """
        if self["repeats"].empty:
            return []
        places = self["repeats"]["place_id"].astype("str")
        named = self["repeats"].get("place_name", places).astype("str") + " " + places
        asked = text.strip().casefold()
        return places[named.str.casefold().str.contains(asked, regex=False)].head(
            MOST_FOUND).tolist()

    def called(self, place: str) -> str:
        """Return what a crew calls a place; its code in results that do not name it."""
        rows = self.of("repeats", place)
        return str(rows["place_name"].iloc[0]) if "place_name" in rows and len(rows) else place

    def of(self, name: str, place: str) -> pd.DataFrame:
        """Return the rows of a table that are about a place."""
        table = self[name]
        return table[table["place_id"].astype("str") == place] if "place_id" in table else table[:0]


def place_page(page: Page, tables: Tables, place: str) -> Any:
    """Return what is known about one place and what is advised for it."""
    say, row = page.say, tables.of("repeats", place).iloc[0]
    parts: list[Any] = [heading(tables.called(place), level=3)]
    parts.append(words(html.escape(say(
        "app.place_rate", markings=int(row["n_incidents"]), rehits=int(row["n_rehits"]),
        rate=float(row["rate_per_year"]), low=float(row["rate_low"]),
        high=float(row["rate_high"])))))
    parts += _history(page, tables, place)
    parts += _advice(page, tables, place)
    costs = tables.of("strategy_costs", place)
    if not costs.empty:
        parts.append(grid(_costs(page, costs), title=say("app.place_costs")))
    return pn.Column(*parts, sizing_mode="stretch_width")


def _history(page: Page, tables: Tables, place: str) -> list[Any]:
    say, incidents = page.say, tables.of("incidents", place).sort_values("reported_at")
    if incidents.empty:
        return []
    days = pd.DataFrame({
        say("app.col_reported"): [say("app.day", day=at) for at in incidents["reported_at"]],
        say("app.col_cleared"): ["" if pd.isna(at) else say("app.day", day=at)
                                 for at in incidents["cleared_at"]],
        say("app.col_rows"): incidents["source_rows"].astype("str").tolist()})
    return [grid(days.iloc[::-1], title=say("app.place_history"))]


def _advice(page: Page, tables: Tables, place: str) -> list[Any]:
    """Return what was advised for the last marking of the place, with its cautions in full."""
    say, incidents, advice = page.say, tables.of("incidents", place), tables["advice"]
    if incidents.empty or "incident_id" not in advice:
        return []
    last = incidents.sort_values("reported_at")["incident_id"].iloc[-1]
    found = advice[advice["incident_id"] == last]
    if found.empty:
        return []
    row = found.iloc[0]
    return [note(say("app.place_advice", method=say.code("method", row["method"]),
                     reason=str(row["reason"]))),
            note(say("app.place_cautions", cautions=" ".join(
                f"{each}." for each in in_full(str(row["cautions"]), say))), kind="fault")]


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


def _costs(page: Page, costs: pd.DataFrame) -> pd.DataFrame:
    say = page.say
    return pd.DataFrame({
        say("app.col_strategy"): [say.code("strategy", str(name)) for name in costs["strategy"]],
        say("app.col_cost"): [say("app.money", money=float(v)) if pd.notna(v) else ""
                              for v in costs["pv_mean"]],
        say("app.col_range"): [say("app.money_range", low=float(a), high=float(b))
                               if pd.notna(a) else "" for a, b in
                               zip(costs["pv_low"], costs["pv_high"], strict=True)],
        say("app.col_chance"): [say("app.chance", chance=float(v)) if pd.notna(v) else ""
                                for v in costs["chance_cheapest"]]})
