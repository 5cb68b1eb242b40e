"""Places are called by what a crew can find."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
from shapely.geometry import LineString, Point

from rehit.naming import map_points, name_places
from rehit.report.say import Say

CRS = "EPSG:32625"
EAST, NORTH = 500_000.0, 5_094_000.0  # on the central meridian, 33 degrees west


def repeats(*rows: tuple[str, str, float]) -> gpd.GeoDataFrame:
    """Places as (place, kind, metres east)."""
    return gpd.GeoDataFrame(
        {"place_id": [r[0] for r in rows], "place_kind": [r[1] for r in rows]},
        geometry=[Point(EAST + r[2], NORTH) for r in rows], crs=CRS)


def incidents(*rows: tuple[str, str | None]) -> pd.DataFrame:
    return pd.DataFrame({"place_id": [r[0] for r in rows],
                         "address": pd.Series([r[1] for r in rows], dtype="str")})


def said(places: gpd.GeoDataFrame, log: pd.DataFrame,
         streets: gpd.GeoDataFrame | None = None, language: str = "en") -> dict[str, str]:
    say = Say(language)
    return {place: say(told) for place, told in name_places(log, places, streets=streets).items()}


def test_an_address_is_written_as_people_write_it_and_an_assets_number_stands_behind_it() -> None:
    places = repeats(("W-1", "asset", 0), ("site-1-2", "site", 50), ("100 block elm street",
                     "block", 90), ("elm street & oak avenue", "crossing", 130),
                     ("W-2", "asset", 170))
    log = incidents(("W-1", "5 Elm Rd"), ("site-1-2", "12 Elm St."), ("site-1-2", "12 Elm St."),
                    ("site-1-2", "12 ELM STREET"), ("100 block elm street", "1XX Elm St"),
                    ("elm street & oak avenue", "Elm St & Oak Ave"), ("W-2", "Not Recorded"))
    assert said(places, log) == {
        "W-1": "5 Elm Rd (W-1)", "site-1-2": "12 Elm St.",
        "100 block elm street": "1XX Elm St (whole block)",
        "elm street & oak avenue": "Elm St & Oak Ave", "W-2": "W-2"}


def test_a_site_known_by_its_point_alone_is_called_by_the_nearest_street_within_reach() -> None:
    places = repeats(("site-1-2", "site", 0), ("site-9-9", "site", 5_000))
    streets = gpd.GeoDataFrame(
        {"name": ["Far Lane", "Elm Street", None]}, crs=CRS, geometry=[
            LineString([(EAST - 50, NORTH + y), (EAST + 50, NORTH + y)]) for y in (80, 20, 1)])
    found = said(places, incidents(("site-1-2", None)), streets)
    assert found["site-1-2"] == "near Elm Street"
    assert found["site-9-9"].startswith("at 45.99")
    assert said(places, incidents(("site-1-2", None)))["site-1-2"] == f"at {map_points(places)[0]}"
    assert map_points(places)[0].endswith(", -33.00000")


def test_a_site_beside_an_asset_that_it_may_not_be_is_called_by_it_where_no_street_is_known():
    places = repeats(("site-1-2", "site", 0))
    log = incidents(("site-1-2", None), ("site-1-2", None), ("site-1-2", None)).assign(
        near_asset_id=["B-7", "B-7", None])
    assert said(places, log) == {"site-1-2": "near B-7 of the register"}


def test_two_places_never_share_a_name() -> None:
    places = repeats(("site-1-2", "site", 0), ("site-1-3", "site", 200))
    found = said(places, incidents(("site-1-2", "12 Elm St"), ("site-1-3", "12 Elm St")))
    assert len(set(found.values())) == 2
    assert all(name.startswith("12 Elm St · 45.99") for name in found.values())


def test_names_are_said_in_the_projects_language() -> None:
    places = repeats(("100 block elm street", "block", 90))
    found = said(places, incidents(("100 block elm street", "1XX Elm St")), language="es")
    assert found["100 block elm street"] == "1XX Elm St (toda la manzana)"


def test_a_place_without_point_or_address_keeps_its_code() -> None:
    places = repeats(("W-1", "asset", 0))
    places.geometry = [None]
    assert said(places, incidents(("W-1", None))) == {"W-1": "W-1"}
