"""One crew's run sheet on paper: map, stops in order, what to load, water and cautions."""

from __future__ import annotations

import base64
import math
from html import escape
from importlib.resources import files
from pathlib import Path

import geopandas as gpd
import gpxpy.gpx
import pandas as pd
import shapely

from rehit.files.safe_text import neutralise_table
from rehit.patrol.day import Sheet, clock
from rehit.report.pdf import render_pdf, typst_text
from rehit.report.route_map import draw_map
from rehit.wording import counted

WGS84 = 4326
# Above so many rows the list would take a third page: map and type shrink, then each row is a line.
FULL_ROWS = (18, 40)
MAP_WIDTHS = ("100%", "80%", "80%")
CAUTION = ("Follow the safety data sheets, the local code of practice and what your training "
           "allows; where in doubt, stop and ask. Work with electrics, at height, in traffic or on "
           "old lead paint is for those licensed to do it.")
WATER_HELD = ("Keep all wash water out of drains and gullies: cover them, collect it, and bring "
              "it back.")


def render_run_sheet(sheet: Sheet, *, when: str, streets: gpd.GeoDataFrame | None) -> bytes:
    """Return the run sheet as a PDF of a page or two, large enough to read in a van.

    Parameters
    ----------
    sheet
        One crew's day.
    when
        The day in words.
    streets
        Lines drawn under the route, in the CRS of the sheet.
    """
    template = (files("rehit.report") / "templates" / "runsheet.typ").read_text(encoding="utf-8")
    parts = [
        template,
        f"#show: sheet.with(title: {typst_text(sheet_title(sheet))}, when: {typst_text(when)})",
        f"#heading-line({typst_text(sheet_title(sheet))}, {typst_text(when)}, "
        f"{typst_text(head_words(sheet))})",
        f'#align(center, image("map.png", width: {MAP_WIDTHS[_length(sheet)]}, '
        f"alt: {typst_text(_alt(sheet))}))",
        _say("Filled square: reported job, must be done. Open circle: hotspot, look and treat what "
             "is there. Arrows show the direction.", size="9pt"),
        f'#part({typst_text(load_title(sheet))})', load_list(sheet),
        '#part("Stops in order")', _stop_table(sheet), '#part("Take care")', _care(sheet)]
    return render_pdf("\n".join(parts), attachments={"map.png": draw_map(sheet, streets=streets)})


def sheet_title(sheet: Sheet) -> str:
    """Return the crew's name, and when its day was changed, so that no old sheet is followed."""
    name = str(sheet.crew["name"])
    return name if sheet.since_min is None else f"{name}, changed {clock(sheet.since_min)}"


def head_words(sheet: Sheet) -> str:
    """Return what the crew's day, or what is left of it, comes to in a line or two."""
    rows, crew = sheet.rows, sheet.crew
    back = f"back {clock(rows['arrive_min'].iloc[-1])}"
    people = f"Crew of {crew['crew_size']:g}, {str(crew['kind']).replace('_', ' ')}."
    n = len(sheet.stops)
    stops = counted(n, "stop")
    if sheet.since_min is None:
        return (f"{stops}; out {clock(rows['leave_min'].iloc[0])} from {rows['name'].iloc[0]}, "
                f"{back}. {people}")
    return (f"Use this sheet from {clock(sheet.since_min)} on. {sheet.n_done} done, {stops} to go "
            f"from {rows['name'].iloc[0]}, {back}. {people}")


def load_title(sheet: Sheet) -> str:
    """Return the heading of the load list."""
    return "Load before leaving" if sheet.since_min is None else "Needed for the rest of the day"


def _say(text: str, *, size: str = "10.5pt", bold: bool = False) -> str:
    weight = ', weight: "bold"' if bold else ""
    return f"#text({size}{weight}, {typst_text(text)})"


def _alt(sheet: Sheet) -> str:
    return f"Map of the route of {sheet.crew['name']} with {len(sheet.stops)} numbered stops"


def load_words(sheet: Sheet) -> list[str]:
    """Return what to load, summed for the day, in plain words."""
    lines = []
    if sheet.paint_l > 0:
        lines.append(f"Paint: {sheet.paint_l:.1f} L expected in all, and a reserve")
    if sheet.remover_l > 0:
        lines.append(f"Remover: {sheet.remover_l:.1f} L expected in all, and a reserve")
    if sheet.wash_water_l > 0:
        lines.append(f"Wash water: {sheet.wash_water_l:.0f} L needed, the tank holds "
                     f"{sheet.tank_l:.0f} L; the same amount to collect and bring back")
    if sheet.materials:
        lines.append("Also: " + "; ".join(sheet.materials))
    return lines or ["Nothing but the usual kit"]


def load_list(sheet: Sheet) -> str:
    """Return typst markup of the load list."""
    said = [_say(line)[1:] for line in load_words(sheet)]
    if sheet.wash_water_l > 0:
        said.append(_say(WATER_HELD)[1:])
    return "#list(" + ", ".join(said) + ")"


def _length(sheet: Sheet) -> int:
    """Return 0 for a short list of stops, 1 for a long one, 2 for a very long one."""
    return sum(len(sheet.rows) > limit for limit in FULL_ROWS)


def _stop_table(sheet: Sheet) -> str:
    degrees = sheet.rows.geometry.to_crs(WGS84)
    one_line = _length(sheet) == 2
    rows = [_table_row(row, point_words(row, point), one_line=one_line) for row, point in
            zip(sheet.rows.to_dict("records")[1:], degrees[1:], strict=True)]
    return f"#stops(length: {_length(sheet)}, (" + ", ".join(rows) + ",))"


def point_words(row: dict[str, object], point: shapely.Point) -> str:
    """Return a stop's latitude and longitude where its name is no address to drive to."""
    if not row["number"] or " " in str(row["name"]):
        return ""
    return f"at {point.y:.5f}, {point.x:.5f}"


def _table_row(row: dict[str, object], where: str, *, one_line: bool) -> str:
    arrive = float(str(row["arrive_min"]))
    drive = "" if one_line else f"{float(str(row['travel_min'])):.0f} min drive"
    wait = float(str(row["start_min"])) - arrive
    moment = f"moment({typst_text(clock(arrive))}, {typst_text(drive)})"
    leave = f"text(1.05em, {typst_text(clock(float(str(row['leave_min']))))})"
    if not row["number"]:
        name = "Back at the depot" if row["kind"] == "return" else "Break"
        note = str(row["name"]) if row["kind"] == "return" else "take it here or close by"
        gone = "[]" if row["kind"] == "return" else leave
        return f"([], {moment}, {_pair(name, note, one_line)}, [], {gone})"
    reported = row["kind"] == "reported"
    notes = ["OFFENSIVE, urgent" if row["offensive"] else "", where, window_words(row),
             f"wait until {clock(float(str(row['start_min'])))}" if wait >= 1 else ""]
    note = "; ".join(filter(None, notes))
    number = typst_text(row["number"])
    return (f"(tag({number}, {str(reported).lower()}), {moment}, "
            f"{_pair(str(row['name']), note, one_line)}, "
            f"{_pair(method_words(row), expect_words(row), one_line)}, {leave})")


def _pair(name: str, note: str, one_line: bool) -> str:
    """Return a name with its note below it or, in a long list, beside it."""
    return f"{'beside' if one_line else 'place'}({typst_text(name)}, {typst_text(note)})"


def window_words(row: dict[str, object]) -> str:
    """Return a stop's time window in words, or nothing."""
    first, last = float(str(row["earliest_min"])), float(str(row["latest_min"]))
    if math.isnan(first) and math.isnan(last):
        return ""
    if math.isnan(first):
        return f"begin by {clock(last)}"
    if math.isnan(last):
        return f"not before {clock(first)}"
    return f"begin between {clock(first)} and {clock(last)}"


METHODS = {"paint_out": "Paint out", "solvent_wipe": "Solvent wipe", "hot_wash": "Hot wash",
           "scrape": "Scrape", "inspect": "Look only", "refer": "Refer",
           "polish_or_replace": "Polish or replace"}


def method_words(row: dict[str, object]) -> str:
    """Return what to do on arrival: at a hotspot, look before anything else."""
    if row["kind"] == "hotspot":
        return "Look first"
    if row["method"] == "inspect":
        return "Decide on site"
    return _method_name(row)


def _method_name(row: dict[str, object]) -> str:
    """Return the name of a stop's method, a user's own code written out."""
    code = str(row["method"])
    return METHODS.get(code, code.replace("_", " ").capitalize())


def expect_words(row: dict[str, object]) -> str:
    """Return how likely there is something to do, and what then."""
    if row["kind"] == "reported":
        return "surface not known" if row["method"] == "inspect" else "reported"
    chance = f"if marked ({float(str(row['expected'])):.0%})"
    if row["method"] == "inspect":
        return f"{chance}: record it"
    return f"{chance}: {_method_name(row).lower()}"


def stop_numbers(numbers: tuple[int, ...], n: int, *, first: int = 1) -> str:
    """Return stop numbers in few words, where there are `n` from `first` on.

    Examples
    --------
    >>> stop_numbers((1, 2, 3, 5), 9), stop_numbers((1, 2, 4, 5), 5), stop_numbers((1, 2), 2)
    ('stops 1-3, 5', 'all stops but 3', 'all stops')
    """
    others = tuple(i for i in range(first, first + n) if i not in numbers)
    if not others:
        return "all stops"
    if len(others) < len(numbers) / 2:
        return f"all stops but {_ranges(others)}"
    return ("stop " if len(numbers) == 1 else "stops ") + _ranges(numbers)


def _ranges(numbers: tuple[int, ...]) -> str:
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(str(r[0]) if len(r) == 1 else f"{r[0]}-{r[-1]}" for r in runs)


def care_words(sheet: Sheet) -> list[str]:
    """Return the cautions with the stops they belong to."""
    n = len(sheet.stops)
    said = []
    for caution, numbers in sheet.cautions:
        where = stop_numbers(numbers, n, first=sheet.n_done + 1)
        said.append(f"{caution[:1].upper()}{caution[1:]} ({where})")
    return said


def _care(sheet: Sheet) -> str:
    said = [_say(line, size="10pt")[1:] for line in care_words(sheet)]
    listed = "#list(" + ", ".join(said) + ")\n" if said else ""
    return listed + _say(CAUTION, size="10pt", bold=True)


# Routes for other programs: GPX 1.1, GeoJSON and CSV.

WGS84 = 4326
M_PER_KM = 1000.0


def write_gpx(sheet: Sheet, path: Path) -> None:
    """Write a crew's day as GPX 1.1: stops as way points and a route, the way driven as a track.

    Parameters
    ----------
    sheet
        One crew's day.
    path
        File to write.

    References
    ----------
    GPX 1.1 schema, topografix.com/GPX/1/1 (Topografix 2004).
    """
    gpx = gpxpy.gpx.GPX()
    gpx.creator = "rehit"
    gpx.name = str(sheet.crew["name"])
    route = gpxpy.gpx.GPXRoute(name=str(sheet.crew["name"]))
    places = sheet.rows.geometry.to_crs(WGS84)
    for row, point in zip(sheet.rows.to_dict("records"), places, strict=True):
        name, desc = point_name(row), _describe(row)
        route.points.append(gpxpy.gpx.GPXRoutePoint(
            round(point.y, 6), round(point.x, 6), name=name, description=desc))
        if row["number"]:
            gpx.waypoints.append(gpxpy.gpx.GPXWaypoint(
                round(point.y, 6), round(point.x, 6), name=name, description=desc))
    gpx.routes.append(route)
    track = gpxpy.gpx.GPXTrack(name=str(sheet.crew["name"]))
    segment = gpxpy.gpx.GPXTrackSegment()
    for line in gpd.GeoSeries(sheet.legs, crs=sheet.rows.crs).to_crs(WGS84):
        segment.points += [gpxpy.gpx.GPXTrackPoint(round(y, 6), round(x, 6))
                           for x, y in shapely.get_coordinates(line)]
    track.segments.append(segment)
    gpx.tracks.append(track)
    path.write_text(gpx.to_xml(version="1.1"), encoding="utf-8")


def point_name(row: dict[str, object]) -> str:
    """Return what a stop is called on the map: its number and name."""
    name = _xml(str(row["name"]))
    return f"{row['number']} {name}" if row["number"] else name


def _describe(row: dict[str, object]) -> str:
    words = [clock(float(str(row["arrive_min"])))]
    if row["number"]:
        words.append(str(row["method"]).replace("_", " "))
    return " ".join(words)


def _xml(text: str) -> str:
    """Drop the characters that XML 1.0 does not allow at all."""
    return "".join(c for c in text if c in "\t\n\r" or (
        ord(c) >= 0x20 and ord(c) not in (0xFFFE, 0xFFFF) and not 0xD800 <= ord(c) <= 0xDFFF))


def write_geojson(sheets: list[Sheet], path: Path) -> None:
    """Write all stops and ways of the day as one GeoJSON file (RFC 7946: WGS 84 degrees)."""
    # On a day without any route there is nothing to convert, and no projection to convert from.
    parts = [routes_table(sheets).to_crs(WGS84).assign(what="route")] if sheets else []
    for sheet in sheets:
        rows = sheet.rows[["crew_id", "position", "number", "kind", "stop_id", "name", "method",
                           "arrive_min", "leave_min", "geometry"]].to_crs(WGS84)
        parts.append(rows.assign(arrive=rows["arrive_min"].map(clock),
                                 leave=rows["leave_min"].map(clock), what="stop"))
    whole = gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), crs=WGS84) if parts else (
        gpd.GeoDataFrame(geometry=[], crs=WGS84))
    path.write_text(whole.to_json(drop_id=True, na="drop"), encoding="utf-8")


def routes_table(sheets: list[Sheet]) -> gpd.GeoDataFrame:
    """Return one row per crew: stops, kilometres, minutes and the line driven."""
    crs = sheets[0].rows.crs if sheets else None
    rows = []
    for sheet in sheets:
        line = shapely.LineString(shapely.get_coordinates(sheet.legs))
        rows.append({
            "route_id": str(sheet.crew["crew_id"]), "n_stops": len(sheet.stops),
            "length_km": line.length / M_PER_KM,
            "minutes": float(sheet.rows["leave_min"].iloc[-1] - sheet.rows["leave_min"].iloc[0]),
            "geometry": line})
    table = pd.DataFrame(rows, columns=["route_id", "n_stops", "length_km", "minutes", "geometry"])
    return gpd.GeoDataFrame(table, geometry="geometry", crs=crs)


def write_stops_csv(sheets: list[Sheet], path: Path) -> None:
    """Write all rows of the day as CSV, safe to open in a spreadsheet."""
    parts = []
    for sheet in sheets:
        rows = sheet.rows
        parts.append(pd.DataFrame({
            "crew": str(sheet.crew["name"]), "stop": rows["number"].where(rows["number"] > 0),
            "kind": rows["kind"], "place": rows["name"], "arrive": rows["arrive_min"].map(clock),
            "start": rows["start_min"].map(clock), "leave": rows["leave_min"].map(clock),
            "drive_min": rows["travel_min"].round(1), "method": rows["method"],
            "expected": rows["expected"].round(3), "paint_l": rows["paint_l"].round(2),
            "remover_l": rows["remover_l"].round(2), "wash_water_l": rows["wash_water_l"].round(1),
            "materials": rows["materials"], "cautions": rows["cautions"],
            "x": rows.geometry.x.round(1), "y": rows.geometry.y.round(1)}))
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    neutralise_table(table.astype({"stop": "Int64"}) if parts else table).to_csv(path, index=False)


# The run sheet as one small page for a phone, complete in itself: no network, no script.

STYLE = """
body{font:18px/1.4 "DejaVu Sans",system-ui,sans-serif;color:#1c2b36;background:#fff;margin:0 auto;
max-width:42rem;padding:.6rem .8rem 3rem}
h1{font-size:1.5rem;margin:.2rem 0}h2{font-size:1.2rem;margin:1.4rem 0 .4rem}
img{width:100%;border:1px solid #9aa4ab}
ol{list-style:none;padding:0;margin:0}
ol>li{display:grid;grid-template-columns:3.2rem 1fr;gap:.2rem .8rem;padding:.7rem 0;
border-bottom:1px solid #9aa4ab}
.n{font-weight:bold;font-size:1.4rem;text-align:center;padding:.3rem 0;border:2px solid #1c2b36;
border-radius:1.4rem;align-self:start}
.reported .n{background:#9c2f1f;border-color:#9c2f1f;color:#fff;border-radius:0}
.t{font-weight:bold;font-size:1.3rem}.p{font-weight:bold}
.first{font-weight:bold;color:#9c2f1f}
a{color:#0b6b67}label{display:inline-block;padding:.4rem 0}
input{width:1.4rem;height:1.4rem;vertical-align:middle}
input:checked+span{text-decoration:line-through}
"""


def phone_page(sheet: Sheet, *, when: str, streets: gpd.GeoDataFrame | None) -> str:
    """Return the HTML of one crew's day; every text from a log is escaped.

    Each place has a ``geo:`` link (RFC 5870) that opens whatever map the phone has.
    """
    name = escape(sheet_title(sheet))
    picture = base64.b64encode(draw_map(sheet, streets=streets)).decode("ascii")
    degrees = sheet.rows.geometry.to_crs(4326)
    leave = "Leave" if sheet.since_min is None else "Go on from"
    items = "".join(_item(row, point, leave) for row, point in
                    zip(sheet.rows.to_dict("records"), degrees, strict=True))
    water = f"<li>{WATER_HELD}</li>" if sheet.wash_water_l > 0 else ""
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>{name}, {escape(when)}</title><style>{STYLE}</style></head><body><main>"
        f"<h1>{name}</h1><p>{escape(when)}. {escape(head_words(sheet))}</p>"
        f'<img alt="Map of the route with numbered stops" src="data:image/png;base64,{picture}">'
        f"<h2>{load_title(sheet)}</h2><ul>{_points(load_words(sheet))}{water}</ul>"
        f"<h2>Stops in order</h2><ol>{items}</ol>"
        f"<h2>Take care</h2><ul>{_points(care_words(sheet))}</ul>"
        f"<p><strong>{CAUTION}</strong></p></main></body></html>\n")


def _points(lines: list[str]) -> str:
    return "".join(f"<li>{escape(line)}</li>" for line in lines)


def _item(row: dict[str, object], point: object, leave: str) -> str:
    arrive = clock(float(str(row["leave_min" if row["kind"] == "depart" else "arrive_min"])))
    place = escape(str(row["name"]))
    if not row["number"]:
        word = {"depart": leave, "return": "Back at", "break": "Break"}[str(row["kind"])]
        said = word if row["kind"] == "break" else f"{word} {place}"
        return (f'<li><span></span><div><span class="t">{arrive}</span> '
                f'<span class="p">{said}</span></div></li>')
    link = f"geo:{point.y:.6f},{point.x:.6f}"  # type: ignore[attr-defined]
    first = '<div class="first">Offensive, urgent</div>' if row["offensive"] else ""
    window = escape(window_words(row))
    cautions = escape("; ".join(filter(None, [str(row["cautions"] or "")])))
    return (f'<li class="{escape(str(row["kind"]))}"><span class="n">{row["number"]}</span><div>'
            f'<span class="t">{arrive}</span> to {clock(float(str(row["leave_min"])))}'
            f'<div class="p"><a href="{link}">{place}</a></div>{first}'
            f"<div>{escape(method_words(row))}: {escape(expect_words(row))}</div>"
            f"<div>{window}</div><details><summary>Cautions</summary>{cautions}</details>"
            f'<label><input type="checkbox"> <span>Done</span></label></div></li>')
