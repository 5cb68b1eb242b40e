"""The part for one day's patrol: who goes out, what is in the plan, what came of it."""

from __future__ import annotations

import html
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import partial
from math import cos, radians
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import panel as pn
from matplotlib.colors import to_rgba

from rehit.app.parts import (
    AROUND,
    SHEET,
    Field,
    TwoLists,
    button,
    choose_many,
    drop,
    frame,
    grid,
    heading,
    labelled,
    note,
    put,
    select,
    text_input,
    words,
    written,
)
from rehit.app.project_file import add_works, keep_file
from rehit.app.running import downloads, resume, run
from rehit.files.reader import read_table
from rehit.files.safe_text import without_guard
from rehit.files.writing import write_csv
from rehit.outputs.patrol import OUTCOMES, RESULTS, WORKS_FILE, file_names
from rehit.outputs.report import ROUTES_FILE
from rehit.patrol.day import PLAN_FILE
from rehit.report.figures import SERIES, ink_on
from rehit.report.route_files import STREETS_FILE

if TYPE_CHECKING:
    from rehit.app.jobs import Job
    from rehit.app.page import Page

#: Files that a plan of a day needs beside the log.
NEEDED = ("streets", "depots", "vehicles")
#: Folder of the project for sheets that came back and for what was noted on the page.
RETURNED = "returned"
#: Width of the map and the room around its routes, in units of the drawing.
MAP_WIDE, MAP_EDGE = 720, 14
OUTCOME_CODES = tuple(dict.fromkeys(OUTCOMES.values()))


@dataclass
class Wished:
    """Places brought into the day and left out of it so far: id and name."""

    bring_in: dict[str, str] = field(default_factory=dict)
    leave_out: dict[str, str] = field(default_factory=dict)

    def take(self, bring_in: Sequence[str], leave_out: Sequence[str],
             names: dict[str, str]) -> None:
        """Add what was chosen; what was chosen the other way round before is taken back."""
        for each in bring_in:
            if self.leave_out.pop(each, None) is None:
                self.bring_in[each] = names[each]
        for each in leave_out:
            if self.bring_in.pop(each, None) is None:
                self.leave_out[each] = names[each]

    def options(self) -> list[str]:
        """Return the wishes as the command takes them."""
        return [*(["--bring-in", *self.bring_in] if self.bring_in else []),
                *(["--leave-out", *self.leave_out] if self.leave_out else [])]


def patrol(page: Page) -> Any:
    """Return the part: plan a day, change it, look at the sheets, note what came of it."""
    say, told = page.say, pn.Column(sizing_mode="stretch_width")
    shown, wished = pn.Column(sizing_mode="stretch_width"), Wished()
    project = page.project()
    missing = [role for role in NEEDED if project is None or project.path(role) is None]
    day = text_input(say("app.patrol_day"), date.today().isoformat())
    names = crew_names(page)
    start, end = (text_input(say(f"app.patrol_{name}"), max_width=150)
                  for name in ("from", "to"))
    fields = {"--date": Field(day), "--hours": Field(pn.Row(start, end))}
    crews = choose_many(say("app.patrol_crews"), {name: name for name in names}, names)
    back, taken_told = drop(many=True), pn.Column(sizing_mode="stretch_width")

    def plan(results: Sequence[Path] = (), *, below: pn.Column = told,
             then: Callable[[Job], None] | None = None) -> None:
        given: list[str | Path] = ["--date", written(day)]
        for option, values in (("--crews", crews.value), ("--results", results)):
            given += [option, *values] if values else []
        hours = [written(start), written(end)]
        given += ["--hours", "-".join(hours)] if any(hours) else []
        run(page, below, "patrol", [*given, *wished.options()], fields=fields, then=then or draw)

    def draw(_job: Job | None = None) -> None:
        shown.objects = plan_shown(page, wished, plan)

    def take_in() -> None:
        dropped = list(back.value.values())

        def taken(_job: Job) -> None:
            for path in dropped:
                keep_file(page.results.parent / RETURNED, path)
            back.value = {}
            draw()
            join_works(page, taken_told)

        if dropped:
            plan(dropped, below=taken_told, then=taken)
        else:
            taken_told.objects = [note(say("app.results_missing"), kind="fault")]

    draw()
    resume(page, told, "patrol", then=draw)
    lacking = [note(say("app.patrol_needs", files=tuple(say(f"app.file_{role}")
                                                       for role in missing)), kind="fault")]
    return pn.Column(
        heading(say("app.part_patrol"), level=3), words(html.escape(say("app.patrol_about"))),
        *(lacking if missing else []), pn.FlexBox(*fields.values(), crews),
        button(say("app.patrol_plan"), plan, kind="main"), told, shown,
        labelled(say("app.patrol_results"), back), button(say("app.patrol_take_in"), take_in),
        taken_told, sizing_mode="stretch_width")


def join_works(page: Page, told: pn.Column) -> None:
    """Let the jobs that crews have done count as the project's works log, and say so."""
    if add_works(page.results.parent, page.results / WORKS_FILE):
        told.append(note(page.say("app.works_added", file=WORKS_FILE), kind="good"))


def plan_shown(page: Page, wished: Wished, plan: Any) -> list[Any]:
    """Return the plan that stands in the results: what is in it, its sheets, its results."""
    form = newest_form(page.results)
    if form is None:
        return []
    stops = _as_text(form)
    return [heading(page.say("app.day_head", day=date.fromisoformat(stops["day"].iloc[0])),
                    level=3),
            *_map(page), *_sheets(page, stops["day"].iloc[0]), _wishes(page, wished, stops, plan),
            _noting(page, form, stops, plan)]


def newest_form(results: Path) -> Path | None:
    """Return the table of stops of the day planned last that has any."""
    found = [each for each in results.glob(f"{RESULTS}_*.csv") if len(_as_text(each))]
    return max(found, key=lambda path: path.stat().st_mtime, default=None)


def _as_text(table: Path) -> pd.DataFrame:
    return pd.read_csv(table, dtype="str", keep_default_na=False).map(without_guard)


def crew_names(page: Page) -> list[str]:
    """Return the names of the project's vehicles; none where it names no table of them."""
    project = page.project()
    file = None if project is None else project.path("vehicles")
    if file is None or not file.is_file():
        return []
    table = read_table(file, has_header=True).filled().table
    return table["name" if "name" in table else table.columns[0]].tolist()


def _map(page: Page) -> list[Any]:
    """Return the routes of the day as a map, each crew's in its own colour, and who they are."""
    file = page.results / ROUTES_FILE
    if not file.is_file():
        return []
    found = json.loads(file.read_text(encoding="utf-8"))["features"]
    routes = {each["properties"]["route_id"]: each for each in found
              if each["geometry"]["type"] == "LineString"}
    names = crews_planned(page.results).set_index("crew_id")["name"]
    colours = {crew: SERIES[at % len(SERIES)] for at, crew in enumerate(routes)}
    told = [page.say("app.day_route", crew=names.get(crew, crew), stops=int(way["n_stops"]),
                     length=float(way["length_km"]) * 1000)
            for crew, each in routes.items() for way in [each["properties"]]]
    legend = "".join(f'<li><span style="background:{colours[crew]}"></span>{html.escape(text)}</li>'
                     for crew, text in zip(routes, told, strict=True))
    return [pn.pane.HTML(routes_drawn(found, colours, label="; ".join(told),
                                      streets=_streets(page.results / STREETS_FILE))
                         + f'<ul class="legend">{legend}</ul>', stylesheets=[SHEET], margin=AROUND,
                         sizing_mode="stretch_width")]


def _streets(file: Path) -> list[Any]:
    """Return the lines of the streets around the routes; none where no plan has left them."""
    try:
        found = json.loads(file.read_text(encoding="utf-8"))["features"]
    except (OSError, ValueError, KeyError):
        return []
    parts = [each["geometry"] for each in found if each["geometry"]]
    return [line for part in parts for line in (
        part["coordinates"] if part["type"] == "MultiLineString" else [part["coordinates"]])]


def crews_planned(results: Path) -> pd.DataFrame:
    """Return ``crew_id, name`` of the plan that stands in the results; none without one."""
    try:
        told = json.loads((results / PLAN_FILE).read_text(encoding="utf-8"))["crews"]
        return pd.DataFrame({name: [str(crew[name]) for crew in told]
                             for name in ("crew_id", "name")})
    except (OSError, ValueError, KeyError, TypeError):
        return pd.DataFrame({"crew_id": [], "name": []}, dtype="str")


def routes_drawn(found: Sequence[Any], colours: Mapping[str, str], *, label: str,
                 streets: Sequence[Any] = ()) -> str:
    """Return routes as a picture, north up: a line for each crew, its stops numbered in order.

    Parameters
    ----------
    found
        Features of ``routes.geojson``: lines and numbered stops, in degrees.
    colours
        Crew to colour.
    label
        What the picture shows, for those who do not see it.
    streets
        Lines to draw behind them, in degrees.
    """
    points = [point for each in found for point in (
        each["geometry"]["coordinates"] if each["geometry"]["type"] == "LineString"
        else [each["geometry"]["coordinates"]])]
    west, north = min(x for x, _ in points), max(y for _, y in points)
    shrink = cos(radians(north))
    wide = max((max(x for x, _ in points) - west) * shrink, 1e-6)
    tall = max(north - min(y for _, y in points), 1e-6)
    scale = (MAP_WIDE - 2 * MAP_EDGE) / max(wide, tall)

    def at(point: Sequence[float]) -> tuple[float, float]:
        return (MAP_EDGE + (point[0] - west) * shrink * scale,
                MAP_EDGE + (north - point[1]) * scale)

    def way(line: Sequence[Sequence[float]]) -> str:
        return " ".join(f"{x:.1f},{y:.1f}" for x, y in (at(point) for point in line))

    behind = "".join(f'<polyline class="streets" points="{way(line)}"/>' for line in streets)
    lines, marks = [], []
    for each in found:
        told, where = each["properties"], each["geometry"]["coordinates"]
        if each["geometry"]["type"] == "LineString":
            lines.append(f'<polyline points="{way(where)}" stroke="{colours[told["route_id"]]}"/>')
        elif told.get("number"):
            (x, y), colour = at(where), colours[told["crew_id"]]
            name = html.escape(f"{told['number']:g} {told['name']}")
            marks.append(f'<g><title>{name}</title><circle cx="{x:.1f}" cy="{y:.1f}" r="9" '
                         f'fill="{colour}"/><text x="{x:.1f}" y="{y + 3.5:.1f}" '
                         f'fill="{ink_on(to_rgba(colour))}">{told["number"]:g}</text></g>')
    return (f'<svg class="map" viewBox="0 0 {MAP_WIDE} {tall * scale + 2 * MAP_EDGE:.0f}" '
            f'role="img" aria-label="{html.escape(label, quote=True)}">'
            f'{behind}{"".join(lines)}{"".join(marks)}</svg>')


def _sheets(page: Page, day: str) -> list[Any]:
    """Return a button for each crew's sheet and where it is shown."""
    shown = pn.Column(sizing_mode="stretch_width")
    start = f"run_sheet_{day}_"
    files = sorted(page.results.glob(f"{start}*.html"))
    crews = crews_planned(page.results)
    names = {file_names(crews)[code]: name for code, name in zip(
        crews["crew_id"], crews["name"], strict=True)}
    buttons = [button(page.say("app.day_sheet", crew=names.get(stem, stem)),
                      partial(put, shown, partial(_sheet, page, path)))
               for path in files for stem in [path.stem.removeprefix(start)]]
    handed = [path.name for path in sorted((*files, *files_of(page.results, day)))]
    return [pn.FlexBox(*buttons), shown, words(html.escape(page.say("app.day_files")), css="small"),
            downloads(page, handed, save=True)]


def files_of(results: Path, day: str) -> list[Path]:
    """Return what crews print and put on their phones for a day: run sheets, routes."""
    return [*results.glob(f"run_sheet_{day}_*.pdf"), *results.glob(f"route_{day}_*.gpx")]


def _sheet(page: Page, path: Path) -> Any:
    return frame(page.desk.address(page.results.parent, path.name), title=path.stem)


def _wishes(page: Page, wished: Wished, stops: pd.DataFrame, plan: Any) -> Any:
    """Return the two lists between which stops and places are moved before planning again."""
    say = page.say
    left = _as_text(page.results / "left_out.csv")
    inside = [{"id": each.stop_id, "name": f"{each.crew} {each.stop}: {each.place}"}
              for each in stops.itertuples()]
    outside = [{"id": stop, "name": name if name == stop else f"{name} ({stop})"}
               for name, stop in zip(left["name"], left["stop_id"], strict=True)]
    outside += [{"id": stop, "name": say("app.day_left_out", name=name)}
                for stop, name in wished.leave_out.items()]
    lists = TwoLists(inside=inside, outside=outside, stylesheets=[SHEET], margin=AROUND, texts={
        "inside": say("app.day_inside"), "outside": say("app.day_outside"),
        "out": say("app.day_out"), "come": say("app.day_come")}, sizing_mode="stretch_width")
    names = dict(zip(stops["stop_id"], stops["place"], strict=True)) | dict(
        zip(left["stop_id"], left["name"], strict=True)) | wished.leave_out

    def again() -> None:
        wished.take(*lists.moved(), names)
        plan()

    return pn.Column(words(html.escape(say("app.day_move")), css="small"), lists,
                     button(say("app.day_again"), again), sizing_mode="stretch_width")


def _noting(page: Page, form: Path, stops: pd.DataFrame, plan: Any) -> Any:
    """Return the lines in which what came of each stop is noted, and the table of what was."""
    say, shown = page.say, pn.Column(sizing_mode="stretch_width")
    told = pn.Column(sizing_mode="stretch_width")
    file = page.results.parent / RETURNED / form.name
    labels = {f"{crew} {number}: {place}": str(at) for at, (crew, number, place) in enumerate(
        zip(stops["crew"], stops["stop"], stops["place"], strict=True))}
    stop = select("", labels, "0", label=say("app.day_stop"))
    came = select("", {say(f"app.outcome_{code}"): code for code in OUTCOME_CODES},
                  OUTCOME_CODES[0], label=say("app.day_outcome"))
    lines = {name: text_input(say(f"app.day_{name}"), max_width=width)
             for name, width in (("minutes", 150), ("litres", 150), ("why", 300))}

    def draw() -> None:
        table = _as_text(file) if file.is_file() else stops[:0]
        done = table[table["outcome"] != ""]
        shown.objects = [grid(pd.DataFrame({
            say("app.day_stop"): done["place"],
            say("app.day_outcome"): [say(f"app.outcome_{OUTCOMES[each]}")
                                     for each in done["outcome"]],
            **{say(f"app.day_{name}"): done[name] for name in lines}}),
            title=say("app.day_noted", n=len(done)))] if len(done) else []

    def keep() -> None:
        table = noted(_as_text(file) if file.is_file() else stops, at=int(stop.value),
                      outcome=came.value, **{name: written(line) for name, line in lines.items()})
        file.parent.mkdir(parents=True, exist_ok=True)
        write_csv(table, file)
        stop.value = str(min(int(stop.value) + 1, len(stops) - 1))
        for line in lines.values():
            line.value = line.value_input = ""
        draw()

    def take_in() -> None:
        plan([file] if file.is_file() else [], below=told, then=lambda _job: join_works(page, told))

    draw()
    return pn.Column(heading(say("app.day_came"), level=3), pn.FlexBox(stop, came),
                     pn.FlexBox(*lines.values()), button(say("app.day_note"), keep), shown,
                     button(say("app.day_take_in"), take_in), told, sizing_mode="stretch_width")


def noted(table: pd.DataFrame, *, at: int, **values: str) -> pd.DataFrame:
    """Return the table of stops with what came of one of them.

    Parameters
    ----------
    table
        Stops of a day, as the crews' table has them.
    at
        Which row.
    values
        What to write, by column.

    Examples
    --------
    >>> stops = pd.DataFrame({"place": ["1 Elm Road", "2 Elm Road"], "outcome": ""})
    >>> noted(stops, at=1, outcome="done")["outcome"].tolist()
    ['', 'done']
    """
    new = table.copy()
    for name, value in values.items():
        new.loc[new.index[at], name] = value
    return new
