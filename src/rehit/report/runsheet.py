"""One crew's run sheet on A4 paper, and what paper and phone say alike."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date

import geopandas as gpd
import pandas as pd
import shapely

from rehit.files.spatial import WGS84
from rehit.patrol.day import Sheet
from rehit.patrol.fleet import HEIGHTS, ON_FOOT
from rehit.patrol.routes import clock
from rehit.patrol.stops import NOT_FOR_CREWS
from rehit.report.pdf import paper, render_pdf, typst_text
from rehit.report.say import Say
from rehit.report.static_map import draw_route

#: Widths of the map to try, of the page's: a smaller one where that saves a page, still legible.
MAP_WIDTHS = (1.0, 0.85, 0.7)
#: From this chance on a marking is told in tenths instead of one in so many.
LIKELY = 0.5
#: A look made on so many of a hundred days has no time told by which the crew drives on.
SURELY_MADE = 0.99


def render_run_sheet(sheet: Sheet, *, day: date, say: Say,
                     streets: gpd.GeoDataFrame | None) -> bytes:
    """Return the run sheet as a PDF to read in a van: map, load, stops with boxes, cautions.

    However long the day, each stop says all that is known of it; some ten stops fill a page.

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
    """
    title, when = typst_text(sheet_title(sheet, say)), typst_text(say.full_day(day))
    page = typst_text(say("sheet.page"))
    parts = [
        paper("runsheet"),
        f"#show: sheet.with(title: {title}, when: {when}, page-word: {page}, "
        f"language: {typst_text(say.language)})",
        f"#heading-line({title}, {when}, {typst_text(head_words(sheet, say))})",
        '#align(center, image("map.png", width: 100% * scale, '
        f"alt: {typst_text(map_words(sheet, say))}))",
        _text(say("sheet.legend"), size="9pt"),
        f"#part({typst_text(load_title(sheet, say))})", _list(load_words(sheet, say)),
        f"#part({typst_text(say('sheet.stops_in_order'))})", _stop_table(sheet, say),
        f"#part({typst_text(say('sheet.take_care'))})",
        _two_lists(care_words(sheet, say), size="8pt"),
        _text(say("sheet.caution"), bold=True)]
    return render_pdf("\n".join(parts), scales=MAP_WIDTHS,
                      attachments={"map.png": draw_route(sheet, say=say, streets=streets)})


def render_calendar(visits: pd.DataFrame, *, say: Say) -> bytes:
    """Return the planned looks of the coming weeks as a PDF: by crew and day, a box to tick each.

    Parameters
    ----------
    visits
        The `patrol_calendar` table with ``crew`` (name), ``address`` and ``asset_type``; not empty.
    say
        The language it is in.
    """
    title = typst_text(say("sheet.calendar"))
    days = [date.fromisoformat(day) for day in (visits["day"].min(), visits["day"].max())]
    when = typst_text(say("sheet.calendar_when", first=days[0], last=days[1]))
    parts = [paper("runsheet"), f"#show: sheet.with(title: {title}, when: {when}, "
             f"page-word: {typst_text(say('sheet.page'))}, language: {typst_text(say.language)})",
             f"#heading-line({title}, [], {when})", _text(say("sheet.calendar_how"))]
    for crew, own in visits.groupby("crew", sort=False):
        parts.append(f"#part({typst_text(crew)})")
        for day, looks in own.groupby("day"):
            head = say("sheet.calendar_day", day=date.fromisoformat(str(day)), n=len(looks),
                       hours=float(looks["visit_h"].sum()))
            names = ", ".join(
                typst_text(address if pd.isna(kind) else f"{address}, {say.thing(kind)}")
                for address, kind in zip(looks["address"], looks["asset_type"], strict=True))
            parts.append(f"#look-day({typst_text(head)}, ({names},))")
    return render_pdf("\n".join(parts))


def _text(text: str, *, size: str = "10pt", bold: bool = False) -> str:
    weight = ', weight: "bold"' if bold else ""
    return f"#text({size}{weight}, {typst_text(text)})"


def _list(lines: Sequence[str], *, size: str = "10.5pt") -> str:
    """Return typst markup of a list."""
    said = ", ".join(_text(line, size=size)[1:] for line in lines)
    return f"#list({said})\n" if lines else ""


def _two_lists(lines: Sequence[str], *, size: str) -> str:
    """Return typst markup of a list in two columns of like length."""
    half = math.ceil(len(lines) / 2)
    parts = ", ".join(f"[{_list(part, size=size)}]" for part in (lines[:half], lines[half:]))
    return f"#grid(columns: (1fr, 1fr), column-gutter: 5mm, {parts})"


def _stop_table(sheet: Sheet, say: Say) -> str:
    """Return the stops in order as typst markup."""
    degrees = sheet.rows.geometry.to_crs(WGS84)
    leg = "sheet.walk" if sheet.crew["kind"] == ON_FOOT else "sheet.drive"
    rows = [_table_row(row, point, say, leg=leg) for row, point in
            zip(sheet.rows.to_dict("records")[1:], degrees[1:], strict=True)]
    heads = ", ".join(typst_text(say(f"sheet.column_{name}")) for name in
                      ("stop", "when", "place", "expect", "record"))
    return f"#stops(heads: ({heads}), (" + ", ".join(rows) + ",))"


def _table_row(row: dict[str, object], point: shapely.Point, say: Say, *, leg: str) -> str:
    times = [clock(_number(row["arrive_min"])), clock(_number(row["leave_min"]))]
    drive = say(leg, minutes=_number(row["travel_min"]))
    if not row["number"]:
        back = row["kind"] == "return"
        name = say({"return": "sheet.depot_again", "refill": "sheet.refill_here"}.get(
            str(row["kind"]), "sheet.break"))
        note = say("sheet.break_where") if row["kind"] == "break" else str(row["name"])
        moment = f"moment({typst_text(times[0])}, {typst_text('' if back else times[1])}, " \
                 f"{typst_text(drive)})"
        return f"([], {moment}, {_cell('place', name, note)}, [], [])"
    notes = [point_words(row, point, say), window_words(row, say), wait_words(row, say),
             detail_words(row, say)]
    expect = expect_words(row, say)
    if _known(row, "what_reported"):
        told = say("sheet.was_reported", text=row["what_reported"])
        expect = told if expect == say("sheet.reported") else f"{expect}; {told}"
    urgent = say("sheet.offensive") if row["offensive"] else ""
    refer = is_referral(row)
    boxes = ", ".join(typst_text(say(f"sheet.box_{name}")) for name in (
        "referred" if refer else "done", "clean", "minutes", "litres", "remark"))
    return (f"(tag({typst_text(row['number'])}, {str(row['kind'] == 'reported').lower()}), "
            f"moment({typst_text(times[0])}, {typst_text(times[1])}, {typst_text(drive)}), "
            f"{_cell('place', str(row['name']), '; '.join(filter(None, notes)), urgent)}, "
            f"{_cell('refer' if refer else 'place', method_words(row, say), expect)}, "
            f"boxes({boxes}))")


def _cell(look: str, name: str, note: str, urgent: str = "") -> str:
    """Return a name with its notes below it, after one of the paper's looks."""
    return f"{look}({typst_text(name)}, {typst_text(urgent)}, {typst_text(note)})"


# What paper and phone say alike.

def sheet_title(sheet: Sheet, say: Say) -> str:
    """Return the crew's name, and when its day was changed, so that no old sheet is followed."""
    name = str(sheet.crew["name"])
    return name if sheet.since_min is None else say("sheet.changed", crew=name,
                                                    clock=clock(sheet.since_min))


def head_words(sheet: Sheet, say: Say) -> str:
    """Return what the crew's day, or what is left of it, comes to in a line or two."""
    rows = sheet.rows
    facts = {"stops": len(sheet.stops), "from": rows["name"].iloc[0],
             "out": clock(rows["leave_min"].iloc[0]), "back": clock(rows["arrive_min"].iloc[-1]),
             "people": float(sheet.crew["crew_size"]), "vehicle": str(sheet.crew["kind"])}
    if sheet.since_min is None:
        return say("sheet.head", **facts)
    return say("sheet.head_changed", since=clock(sheet.since_min), done=sheet.n_done, **facts)


def map_words(sheet: Sheet, say: Say) -> str:
    """Return the map's alternative text."""
    return say("sheet.map", crew=str(sheet.crew["name"]), stops=len(sheet.stops))


def load_title(sheet: Sheet, say: Say) -> str:
    """Return the heading of the load list."""
    return say("sheet.load" if sheet.since_min is None else "sheet.load_rest")


def load_words(sheet: Sheet, say: Say) -> list[str]:
    """Return what to load, summed for the day."""
    # Rounded up to a tenth: what is loaded must suffice, and "0.0 L" would be left behind.
    lines = [say(f"sheet.{what}", litres=math.ceil(litres * 10 - 1e-6) / 10) for what, litres in
             (("paint", sheet.paint_l), ("remover", sheet.remover_l)) if litres > 0]
    if sheet.wash_water_l > 0:
        refills = sheet.rows.loc[sheet.rows["kind"] == "refill", "arrive_min"].map(clock)
        lines.append(say("sheet.water_refilled" if len(refills) else "sheet.water",
                         litres=sheet.wash_water_l, tank=sheet.tank_l, at=tuple(refills)))
    if sheet.materials:
        lines.append(say("sheet.also", things=said_codes(sheet.materials, "kit", say)))
    lines = lines or [say("sheet.usual_kit")]
    return [*lines, say("sheet.water_held")] if sheet.wash_water_l > 0 else lines


def point_words(row: dict[str, object], point: shapely.Point, say: Say) -> str:
    """Return a stop's latitude and longitude where its name is no address to drive to."""
    if not row["number"] or " " in str(row["name"]):
        return ""
    return say("sheet.at", degrees=f"{point.y:.5f}, {point.x:.5f}")


def window_words(row: dict[str, object], say: Say) -> str:
    """Return a stop's time window, or nothing."""
    first, last = _number(row["earliest_min"]), _number(row["latest_min"])
    if math.isnan(first) and math.isnan(last):
        return ""
    if math.isnan(first):
        return say("sheet.begin_by", last=clock(last))
    if math.isnan(last):
        return say("sheet.not_before", first=clock(first))
    return say("sheet.begin_between", first=clock(first), last=clock(last))


def wait_words(row: dict[str, object], say: Say) -> str:
    """Return until when to wait where the crew comes before the window opens, or nothing."""
    start = _number(row["start_min"])
    return say("sheet.wait", until=clock(start)) if start - _number(row["arrive_min"]) >= 1 else ""


def detail_words(row: dict[str, object], say: Say) -> str:
    """Return what is known of the object: kind and number, surface, size, owner, case, needs."""
    surface = _known(row, "substrate")
    finish = _known(row, "finish")
    said = [
        say.thing(row["asset_type"]) if _known(row, "asset_type") else "",
        str(_known(row, "asset_id")), str(_known(row, "asset_name")),
        say.code("substrate", surface) if surface else "",
        say.code("finish", finish) if finish else "", str(_known(row, "colour")),
        say.code("medium", row["medium"]) if _known(row, "medium") else "",
        say("sheet.size", m2=row["area_m2"]) if _known(row, "area_m2") else "",
        say("sheet.owner", owner=row["owner"]) if _known(row, "owner") else "",
        say("sheet.case", number=row["case_number"]) if _known(row, "case_number") else "",
        *need_words(row, say)]
    return ", ".join(filter(None, said))


def need_words(row: dict[str, object], say: Say) -> list[str]:
    """Return what a crew needs at a stop besides its tools: a key, a ladder, traffic control."""
    said = [say("sheet.permit", permit=row["permit"])] if _known(row, "permit") else []
    if _known(row, "access") and row["access"] != HEIGHTS[0]:
        said.append(say.code("access", row["access"]))
    return [*said, say("sheet.traffic")] if row.get("traffic_control") else said


def _known(row: dict[str, object], name: str) -> object:
    value = row.get(name)
    return "" if value is None or pd.isna(value) else value  # type: ignore[call-overload]


def method_words(row: dict[str, object], say: Say) -> str:
    """Return what to do on arrival: at a hotspot, look before anything else."""
    if row["kind"] == "hotspot":
        return say("sheet.look_first")
    if is_referral(row):
        return say("sheet.do_not_treat")
    if row["method"] == "inspect":
        return say("sheet.decide")
    return say.code("do", row["method"])


def is_referral(row: dict[str, object]) -> bool:
    """Return whether a stop is a reported job that the crew must not treat."""
    return row["kind"] == "reported" and row.get("advised") in NOT_FOR_CREWS


def expect_words(row: dict[str, object], say: Say) -> str:
    """Return how likely there is something to do, and what then."""
    if row["kind"] == "hotspot":
        found, of = odds(_number(row["expected"]))
        said = say("sheet.expect_look", found=found, of=of) if row["method"] == "inspect" else say(
            "sheet.expect_work", found=found, of=of, method=str(row["method"]))
        return say("sheet.look_by", said=said, by=clock(_number(row["leave_by_min"]))) if (
            may_be_late(row)) else said
    if is_referral(row):
        return say(f"sheet.for_specialist_{row['advised']}")
    return say("sheet.surface_unknown" if row["method"] == "inspect" else "sheet.reported")


def may_be_late(row: dict[str, object]) -> bool:
    """Return whether a look may have to be left out so that the crew is home in time."""
    made = _known(row, "made")
    return row["kind"] == "hotspot" and made != "" and _number(made) < SURELY_MADE


def odds(chance: float) -> tuple[int, int]:
    """Return a chance as so many in so many.

    Examples
    --------
    >>> odds(0.11), odds(0.3), odds(0.72), odds(0.999)
    ((1, 9), (1, 3), (7, 10), (9, 10))
    """
    if chance < LIKELY:
        return 1, max(math.ceil(1 / max(chance, 1e-3) - 0.5), 2)
    return min(round(chance * 10), 9), 10


def care_words(sheet: Sheet, say: Say, *, above: float = 0.0) -> list[str]:
    """Return the cautions with the stops they belong to: those of more than `above` stops."""
    n, first = len(sheet.stops), sheet.n_done + 1
    return [say("sheet.care", caution=caution_words(caution, say),
                stops=stop_numbers(numbers, n, say, first=first))
            for caution, numbers in sheet.cautions if len(numbers) > above]


def caution_words(caution: str, say: Say) -> str:
    """Return a caution in full, given as a code or as the user's own words, as a sentence."""
    said = say.code("caution_full", caution)
    return said[:1].upper() + said[1:]


def said_codes(codes: Sequence[str], group: str, say: Say) -> str:
    """Return codes in words, parted by semicolons."""
    return "; ".join(say.code(group, code) for code in codes)


def stop_numbers(numbers: tuple[int, ...], n: int, say: Say, *, first: int = 1) -> str:
    """Return stop numbers in few words, where there are `n` from `first` on.

    Examples
    --------
    >>> en = Say("en")
    >>> stop_numbers((1, 2, 3, 5), 9, en), stop_numbers((1, 2, 4, 5), 5, en)
    ('stops 1-3, 5', 'all stops but 3')
    """
    others = tuple(i for i in range(first, first + n) if i not in numbers)
    if not others:
        return say("sheet.all_stops")
    if len(others) < len(numbers) / 2:
        return say("sheet.all_but", stops=_ranges(others))
    return say("sheet.some_stops", n=len(numbers), stops=_ranges(numbers))


def _ranges(numbers: tuple[int, ...]) -> str:
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(str(r[0]) if len(r) == 1 else f"{r[0]}-{r[-1]}" for r in runs)


def _number(value: object) -> float:
    return float(str(value))
