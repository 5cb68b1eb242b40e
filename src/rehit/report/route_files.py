"""The day's routes for other programs: GPX 1.1, GeoJSON and CSV."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import gpxpy.gpx
import pandas as pd
import shapely

from rehit.files.safe_text import neutralise_table
from rehit.files.spatial import WGS84
from rehit.patrol.day import Sheet
from rehit.patrol.routes import clock
from rehit.report.runsheet import expect_words, method_words
from rehit.report.say import Say

M_PER_KM = 1000.0
#: The streets around the day's routes: so much of their width beyond them, kinks below so many
#: metres left out.
STREETS_FILE, NEAR_SHARE, NEAR_SIMPLE_M = "routes_streets.geojson", 0.08, 2.0
#: Columns of the day's stops, written on a day without any too.
STOPS_CSV = ("crew", "stop", "kind", "place", "arrive", "start", "leave", "drive_min", "method",
             "expected", "paint_l", "remover_l", "wash_water_l", "materials", "cautions", "x", "y")


def write_gpx(sheet: Sheet, path: Path, *, say: Say) -> None:
    """Write a crew's day as GPX 1.1: stops as way points and a route, the way driven as a track.

    Parameters
    ----------
    sheet
        One crew's day.
    path
        File to write.
    say
        The language of the descriptions.

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
        name, desc = point_name(row, say), _describe(row, say)
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


def point_name(row: dict[str, object], say: Say) -> str:
    """Return what a stop is called on the map: its number and name."""
    name = _xml(str(row["name"])) or say("sheet.break")
    return f"{row['number']} {name}" if row["number"] else name


def _describe(row: dict[str, object], say: Say) -> str:
    """Return when the crew is there and what for; at a hotspot that is a look."""
    arrive = clock(float(str(row["arrive_min"])))
    if not row["number"]:
        return arrive
    return _xml(say("sheet.point", clock=arrive, what=method_words(row, say),
                    expect=expect_words(row, say)))


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


def write_streets_near(sheets: list[Sheet], streets: gpd.GeoDataFrame, path: Path) -> None:
    """Write the streets around the day's routes as GeoJSON (RFC 7946), to be drawn behind them."""
    ways = routes_table(sheets)
    west, south, east, north = ways.total_bounds
    edge = NEAR_SHARE * max(east - west, north - south)
    near = streets.geometry.cx[west - edge:east + edge, south - edge:north + edge]
    lines = near.simplify(NEAR_SIMPLE_M).to_crs(WGS84)
    path.write_text(gpd.GeoDataFrame(geometry=lines).to_json(drop_id=True), encoding="utf-8")


def routes_table(sheets: list[Sheet]) -> gpd.GeoDataFrame:
    """Return one row per crew: stops, kilometres, minutes and the line driven."""
    crs = sheets[0].rows.crs if sheets else None
    rows = []
    for sheet in sheets:
        line = shapely.LineString(shapely.get_coordinates(sheet.legs))
        rows.append({
            "route_id": str(sheet.crew["crew_id"]), "crew": str(sheet.crew["name"]),
            "n_stops": len(sheet.stops),
            "length_km": line.length / M_PER_KM,
            "minutes": float(sheet.rows["leave_min"].iloc[-1] - sheet.rows["leave_min"].iloc[0]),
            "geometry": line})
    table = pd.DataFrame(rows, columns=[
        "route_id", "crew", "n_stops", "length_km", "minutes", "geometry"])
    return gpd.GeoDataFrame(table, geometry="geometry", crs=crs)


def write_stops_csv(sheets: list[Sheet], path: Path, *, say: Say) -> None:
    """Write all rows of the day as CSV, safe to open in a spreadsheet."""
    parts = []
    for sheet in sheets:
        rows = say.columns(sheet.rows, {"materials": "kit", "cautions": "caution"})
        parts.append(pd.DataFrame({
            "crew": str(sheet.crew["name"]), "stop": rows["number"].where(rows["number"] > 0),
            "kind": rows["kind"],
            "place": rows["name"].where(rows["kind"] != "break", say("sheet.break")),
            "arrive": rows["arrive_min"].map(clock), "start": rows["start_min"].map(clock),
            "leave": rows["leave_min"].map(clock), "drive_min": rows["travel_min"].round(1),
            "method": rows["method"], "expected": rows["expected"].round(3),
            "paint_l": rows["paint_l"].round(2), "remover_l": rows["remover_l"].round(2),
            "wash_water_l": rows["wash_water_l"].round(1), "materials": rows["materials"],
            "cautions": rows["cautions"], "x": sheet.rows.geometry.x.round(1),
            "y": sheet.rows.geometry.y.round(1)}))
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=STOPS_CSV)
    neutralise_table(table.astype({"stop": "Int64"})).to_csv(path, index=False)
