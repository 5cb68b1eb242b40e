"""One crew's run sheet on paper: map, stops in order, what to load, water and cautions."""

from __future__ import annotations

import math
from importlib.resources import files

import geopandas as gpd
import shapely

from rehit.patrol.route_map import draw_map
from rehit.patrol.sheets import Sheet, clock
from rehit.pdf import render_pdf, typst_text
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
    template = (files("rehit") / "patrol" / "runsheet.typ").read_text(encoding="utf-8")
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
