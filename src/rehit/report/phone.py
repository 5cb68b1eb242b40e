"""A crew's day on the phone: one page that needs no network and hands back what was found."""

from __future__ import annotations

import base64
from datetime import date
from typing import Any

import geopandas as gpd
import shapely
from markupsafe import Markup

from rehit.files.spatial import WGS84
from rehit.patrol.day import Sheet
from rehit.patrol.routes import clock, split
from rehit.report.pages import environment, policy, refuse_external, resource, safe_json
from rehit.report.runsheet import (
    care_words,
    caution_words,
    expect_words,
    head_words,
    is_referral,
    load_title,
    load_words,
    map_words,
    method_words,
    need_words,
    sheet_title,
    wait_words,
    window_words,
)
from rehit.report.say import Say
from rehit.report.static_map import draw_route

#: What a crew may say of a stop, in the order in which the page offers it.
OUTCOMES = ("done", "clean", "left", "not_seen")
#: Columns that name a stop in the file that comes back.
NAMED = ("stop_id", "place_id", "case_number", "asset_id")


def phone_page(sheet: Sheet, *, day: date, say: Say, streets: gpd.GeoDataFrame | None,
               file: str, project: str) -> str:
    """Return the HTML of one crew's day; every text from a log is escaped.

    What the crew enters stays in the browser's storage until it is saved as a file that
    ``rehit patrol --results`` reads. Each place has a ``geo:`` link (RFC 5870) that opens whatever
    map the phone has. Cautions are given in full: those of most stops once, with the stops they are
    for and a reminder at each; others at their stop.

    Parameters
    ----------
    sheet
        One crew's day.
    day
        The day it is for.
    say
        The language it is in.
    streets
        Lines drawn under the route, in the CRS of the sheet.
    file
        Name of the file of results, without its ending.
    project
        Name of the project: entries of two towns are kept apart.

    Raises
    ------
    TableError
        If anything in the page would load from elsewhere.
    """
    own = resource("phone.js")
    picture = base64.b64encode(draw_route(sheet, say=say, streets=streets)).decode("ascii")
    most = len(sheet.stops) / 2
    common = tuple(c for c, numbers in sheet.cautions if len(numbers) > max(most, 1))
    places = sheet.rows.geometry.to_crs(WGS84)
    rows = [_row(row, point, common, sheet, say) for row, point in
            zip(sheet.rows.to_dict("records"), places, strict=True)]
    html = environment().get_template("phone.html.j2").render(
        say=say, title=sheet_title(sheet, say), when=say.full_day(day),
        head=head_words(sheet, say), n_stops=len(sheet.stops), map_words=map_words(sheet, say),
        picture=Markup(f"data:image/png;base64,{picture}"), load_title=load_title(sheet, say),
        load=load_words(sheet, say), care=care_words(sheet, say, above=max(most, 1)), rows=rows,
        policy=policy(scripts=[own]), own=Markup(own),
        style=Markup(resource("phone.css")),
        data=Markup(safe_json(_data(sheet, day, say, file, project))))
    refuse_external(html, beside={row["link"] for row in rows if row["number"]})
    return html


def _row(row: dict[str, Any], point: shapely.Point, common: tuple[str, ...], sheet: Sheet,
         say: Say) -> dict[str, Any]:
    """Return what the page says of one row of the day."""
    kind = str(row["kind"])
    arrive = clock(float(row["leave_min" if kind == "depart" else "arrive_min"]))
    if not row["number"]:
        code = {"depart": "leave" if sheet.since_min is None else "go_on",
                "return": "back_at"}.get(kind, kind)
        return {"number": 0, "arrive": arrive, "said": say(f"sheet.{code}", place=row["name"])}
    cautions = split(_known(row, "cautions"))
    said_above = "; ".join(say.code("caution", c) for c in cautions if c in common)
    refer = is_referral(row)
    return {
        "number": row["number"], "kind": kind, "arrive": arrive,
        "leave": clock(float(row["leave_min"])), "name": row["name"], "stop_id": row["stop_id"],
        "link": f"geo:{point.y:.6f},{point.x:.6f}", "offensive": row["offensive"],
        "refer": refer, "outcomes": [
            (code, say("phone.outcome_referred" if refer and code == "left"
                       else f"phone.outcome_{code}"))
            for code in OUTCOMES if not (refer and code == "done")],
        "method": method_words(row, say), "expect": expect_words(row, say),
        "notes": [line for line in (window_words(row, say), wait_words(row, say)) if line],
        "facts": stop_facts(row, say),
        "said_above": say("phone.care_above", cautions=said_above) if said_above else "",
        "cautions": [caution_words(c, say) for c in cautions if c not in common]}


def stop_facts(row: dict[str, Any], say: Say) -> list[tuple[str, str]]:
    """Return what is known of a stop's object and report, each with its heading."""
    said = {
        "case": _known(row, "case_number"), "asset": _known(row, "asset_id"),
        "asset_name": _known(row, "asset_name"),
        "asset_kind": say.thing(row["asset_type"]) if _known(row, "asset_type") else "",
        "surface": _coded(row, "substrate", say), "finish": _coded(row, "finish", say),
        "colour": _known(row, "colour"), "medium": _coded(row, "medium", say),
        "area": say("sheet.size", m2=row["area_m2"]) if _known(row, "area_m2") else "",
        "owner": _known(row, "owner"), "needs": ", ".join(need_words(row, say)),
        "reported": _known(row, "what_reported")}
    return [(say(f"phone.fact_{name}"), str(text)) for name, text in said.items() if text]


def _coded(row: dict[str, Any], name: str, say: Say) -> str:
    return say.code(name, row[name]) if _known(row, name) else ""


def _known(row: dict[str, Any], name: str) -> Any:
    value = row.get(name)
    return "" if value is None or value != value else value


def _data(sheet: Sheet, day: date, say: Say, file: str, project: str) -> dict[str, Any]:
    """Return what the page's script needs to name the stops in the file it saves."""
    stops = [{"stop": int(row["number"]), **{name: str(_known(row, name)) for name in NAMED},
              "place": str(row["name"]), "method": str(row["method"])}
             for row in sheet.stops.to_dict("records")]
    words = {name: say(f"phone.{name}") for name in ("photo_kept", "photo_bad", "yes")}
    told = say("phone.told", n="{n}", all="{all}")
    return {"day": day.isoformat(), "crew": str(sheet.crew["name"]), "project": project,
            "file": file, "stops": stops, "words": {**words, "told": told}}
