"""Small invented logs in the forms of real exports, each with its true mapping beside it.

A field is right, asked (another column may be meant, and a question says so), wrong or missed; the
counts are printed, and none may be wrong in silence.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
from pyproj import Transformer

from rehit.files.rows import RawTable
from rehit.incidents.propose import propose_mapping

ROWS = 60
RNG = np.random.default_rng(20261129)
TOWNS = {"us": (-87.65, 41.85), "gb": (-1.55, 53.8), "fr": (2.35, 48.86), "de": (13.4, 52.52),
         "es": (-3.7, 40.42), "pt": (-9.14, 38.72), "pl": (21.0, 52.23), "nl": (4.9, 52.37),
         "ch": (8.54, 47.37)}
ZONES = {"us": "America/Chicago", "gb": "Europe/London", "fr": "Europe/Paris",
         "de": "Europe/Berlin", "es": "Europe/Madrid", "pt": "Europe/Lisbon",
         "pl": "Europe/Warsaw", "nl": "Europe/Amsterdam", "ch": "Europe/Zurich"}
STREETS = {"us": "{n} W ELM ST", "gb": "{n} Mill Lane", "fr": "{n} Rue des Acacias",
           "de": "Lindenstrasse {n}", "es": "Calle Mayor, {n}", "pt": "Rua das Flores, {n}",
           "pl": "ulica Lipowa {n}", "nl": "Kerkstraat {n}", "ch": "Bahnhofstrasse {n}"}
Cells = list[str]


@dataclass(frozen=True)
class Case:
    """A log: columns in order, the true column of each field, and the country it is from."""

    name: str
    columns: dict[str, Cells]
    truth: dict[str, str]
    land: str = "us"
    named: bool = True


def numbers(form: str = "{n}") -> Cells:
    return [form.format(n=1000 + 7 * n) for n in range(ROWS)]


def days(form: str, *, shift: int = 0, clock: bool = True) -> Cells:
    start = pd.Timestamp("2025-01-03 09:17") + pd.Timedelta(days=shift)
    times = [start + pd.Timedelta(days=5 * n, minutes=37 * n if clock else 0) for n in range(ROWS)]
    if form == "epoch":
        return [str(int(t.timestamp())) for t in times]
    if form == "milliseconds":
        return [str(int(t.timestamp() * 1000)) for t in times]
    return [t.strftime(form) for t in times]


def spots(land: str) -> tuple[Cells, Cells]:
    longitude, latitude = TOWNS[land]
    return ([f"{longitude + d:.6f}" for d in RNG.uniform(-0.03, 0.03, ROWS)],
            [f"{latitude + d:.6f}" for d in RNG.uniform(-0.03, 0.03, ROWS)])


def grid(land: str, code: str) -> tuple[Cells, Cells]:
    x, y = spots(land)
    east, north = Transformer.from_crs("EPSG:4326", code, always_xy=True).transform(
        np.array(x, dtype=float), np.array(y, dtype=float))
    return [f"{v:.0f}" for v in east], [f"{v:.0f}" for v in north]


def streets(land: str) -> Cells:
    return [STREETS[land].format(n=2 + 3 * n) for n in range(ROWS)]


def kinds(*values: str) -> Cells:
    return [values[n % len(values)] for n in range(ROWS)]


# Per country: names of the columns for number, report, clearance, status, address, kind; the form
# of its dates; words for open and closed; kinds of request, graffiti first.
CUSTOMS = {
    "us": (("SR Number", "Created Date", "Closed Date", "Status", "Address", "Request Type"),
           "%m/%d/%Y %I:%M:%S %p", ("Open", "Closed"), ("Graffiti Removal", "Pothole", "Tree")),
    "gb": (("Enquiry Ref", "Date Reported", "Date Completed", "Status", "Street Address",
            "Category"),
           "%d/%m/%Y %H:%M", ("Open", "Completed"), ("Graffiti", "Fly tipping", "Street lighting")),
    "fr": (("Numéro", "Date de signalement", "Date de clôture", "Statut", "Adresse", "Catégorie"),
           "%d/%m/%Y", ("En cours", "Terminé"), ("Graffitis", "Voirie", "Propreté")),
    "de": (("Meldungsnummer", "Meldedatum", "Erledigt am", "Status", "Adresse", "Kategorie"),
           "%d.%m.%Y", ("Offen", "Erledigt"), ("Graffiti", "Abfall", "Beleuchtung")),
    "es": (("Número", "Fecha de alta", "Fecha de cierre", "Estado", "Dirección", "Categoría"),
           "%d/%m/%Y", ("Abierto", "Cerrado"), ("Pintadas", "Baches", "Alumbrado")),
    "pt": (("Número", "Data de registo", "Data de fecho", "Estado", "Morada", "Categoria"),
           "%d-%m-%Y", ("Aberto", "Fechado"), ("Grafite", "Buraco", "Lixo")),
    "nl": (("Meldingsnummer", "Datum melding", "Datum afgehandeld", "Status", "Adres",
            "Hoofdcategorie"),
           "%d-%m-%Y", ("Open", "Afgehandeld"), ("Bekladding", "Zwerfafval", "Bomen")),
    "pl": (("Numer", "Data zgłoszenia", "Data zakończenia", "Status", "Adres", "Kategoria"),
           "%d.%m.%Y", ("Otwarte", "Zakończone"), ("Graffiti", "Odpady", "Oświetlenie")),
}


def customs(land: str, *, services: bool) -> Case:
    names, form, states, requests = CUSTOMS[land]
    x, y = spots(land)
    columns = {names[0]: numbers("R{n}"), names[1]: days(form), names[2]: days(form, shift=3),
               names[3]: kinds(*states), names[4]: streets(land), "Latitude": y, "Longitude": x}
    truth = dict(zip(("report_id", "reported", "cleared", "status", "address"), names[:5],
                     strict=True)) | {"latitude": "Latitude", "longitude": "Longitude"}
    if services:
        columns = {names[5]: kinds(*requests), **columns}
        truth["service"] = names[5]
    return Case(f"{land} {'all services' if services else 'graffiti alone'}", columns, truth, land)


def gridded(land: str, code: str, east: str, north: str) -> Case:
    x, y = grid(land, code)
    return Case(f"{land} {code}", {"Date": days("%Y-%m-%d"), east: x, north: y},
                {"reported": "Date", "easting": east, "northing": north}, land)


def dated(form: str, name: str) -> Case:
    x, y = spots("us")
    return Case(f"dates {name}", {"Reported": days(form), "lat": y, "lon": x},
                {"reported": "Reported", "latitude": "lat", "longitude": "lon"})


def pointed(name: str, form: str) -> Case:
    x, y = spots("us")
    cells = [form.format(x=a, y=b) for a, b in zip(x, y, strict=True)]
    return Case(f"point as {name}", {"Reported": days("%Y-%m-%d"), "Location": cells},
                {"reported": "Reported", "location": "Location"})


def addressed(name: str, form: str) -> Case:
    return Case(f"address as {name}", {"Reported": days("%Y-%m-%d"), "Address": [
        form.format(n=11 + n) for n in range(ROWS)]}, {"reported": "Reported",
                                                       "address": "Address"})


def cases() -> list[Case]:
    """The corpus."""
    x, y = spots("gb")
    found = [customs(land, services=services) for land in CUSTOMS for services in (False, True)]
    found += [gridded(*each) for each in (
        ("gb", "EPSG:27700", "Easting", "Northing"), ("ch", "EPSG:2056", "e", "n"),
        ("fr", "EPSG:2154", "X", "Y"), ("nl", "EPSG:28992", "X coord", "Y coord"),
        ("pl", "EPSG:2180", "X", "Y"), ("de", "EPSG:25833", "Ostwert", "Nordwert"),
        ("pt", "EPSG:3763", "X", "Y"), ("es", "EPSG:25830", "Coordenada X", "Coordenada Y"),
        ("us", "EPSG:3435", "X Coordinate", "Y Coordinate"), ("gb", "EPSG:27700", "X", "Y"))]
    found += [dated(form, name) for form, name in (
        ("%Y-%m-%dT%H:%M:%S", "iso"), ("%Y-%m-%d", "iso day"), ("%d/%m/%Y", "day first"),
        ("%m/%d/%Y", "month first"), ("%d.%m.%Y %H:%M", "points"), ("%d %B %Y", "month in words"),
        ("%b %d, %Y %I:%M %p", "short month"), ("%Y%m%d", "bare"), ("epoch", "epoch seconds"),
        ("milliseconds", "epoch milliseconds"), ("%Y/%m/%d %H:%M:%S", "slashes"),
        ("%A, %d %B %Y", "name of the day"), ("%d-%b-%y", "two-digit year"))]
    found += [pointed(name, form) for name, form in (
        ("pair", "({y}, {x})"), ("bare pair", "{y},{x}"), ("well-known text", "POINT ({x} {y})"),
        ("mapping", "{{'lon': {x}, 'lat': {y}}}"), ("json", '{{"lat": {y}, "lng": {x}}}'),
        ("feature", "{{'type': 'Feature', 'geometry': {{'type': 'Point', 'coordinates': "
                    "[{x}, {y}]}}, 'properties': {{}}}}"),
        ("text with its number", "SRID=4326;POINT({x} {y})"))]
    found += [addressed(name, form) for name, form in (
        ("masked block", "{n}## W ELM ST"), ("block in letters", "{n}XX ELM ST"),
        ("range", "{n}00 - {n}99 ELM ST"), ("block of", "{n}00 block of Elm St"),
        ("crossing", "INTERSECTION of {n}th St & Elm Ave"), ("unit", "Unit 4, {n} High Street"),
        ("floor", "Calle Mayor, {n}, 3º B"), ("range of houses", "{n}-{n}A Mill Road"))]
    parts = pd.to_datetime(pd.Series(days("%Y-%m-%d %H:%M")))
    split = {name: getattr(parts.dt, name.lower()).astype("str").tolist()
             for name in ("Year", "Month", "Day", "Hour", "Minute")}
    found += [
        Case("split dates", {**split, "lat": y, "lon": x},
             {"reported": "Year", "latitude": "lat", "longitude": "lon"}, "gb"),
        Case("day and clock", {"Date": days("%d/%m/%Y"), "Time": days("%H:%M"), "lat": y, "lon": x},
             {"reported": "Date", "latitude": "lat", "longitude": "lon"}, "gb"),
        Case("number repeats the address", {
            "Reported": days("%Y-%m-%d"), "Address": streets("us"), "HouseNumber": [
                str(2 + 3 * n) for n in range(ROWS)]}, {"reported": "Reported",
                                                        "address": "Address"}),
        Case("type of address", {"Reported": days("%Y-%m-%d"), "Property_Type": kinds(
            "Address", "Intersection"), "lat": y, "lon": x},
            {"reported": "Reported", "latitude": "lat", "longitude": "lon"}, "gb"),
        *(Case(f"{name} is a place's number", {"Reported": days("%Y-%m-%d"), name: kinds(
            "164780.0", "1668.0", "3390.0", "88.0"), "Address": streets("us")},
            {"reported": "Reported", "address": "Address"})
          for name in ("Property_ID", "Parcel No", "UPRN", "Referencia catastral")),
        Case("row numbers", {"X.1": [str(n + 1) for n in range(ROWS)], "Reported": days("%Y-%m-%d"),
                             "lat": y, "lon": x},
             {"reported": "Reported", "latitude": "lat", "longitude": "lon"}, "gb"),
        Case("object and surface", {"Reported": days("%Y-%m-%d"), "Asset type": kinds(
            "Bus shelter", "Bridge", "Wall"), "Surface": kinds("Brick", "Metal", "Glass"),
            "lat": y, "lon": x}, {"reported": "Reported", "asset_type": "Asset type",
                                  "substrate": "Surface", "latitude": "lat", "longitude": "lon"},
            "gb"),
        Case("outcome beside status", {"Opened": days("%Y-%m-%d"), "State": kinds("Open", "Closed"),
                                       "Outcome": kinds("Removed", "Not found", "Referred"),
                                       "lat": y, "lon": x},
             {"reported": "Opened", "status": "State", "outcome": "Outcome", "latitude": "lat",
              "longitude": "lon"}, "gb"),
        Case("size", {"Reported": days("%Y-%m-%d"), "Size": kinds("2 m2", "small", "1x2 m"),
                      "lat": y, "lon": x}, {"reported": "Reported", "size": "Size",
                                            "latitude": "lat", "longitude": "lon"}, "gb"),
        Case("no names of columns", {
            "column_1": numbers("GR{n}"), "column_2": days("%d/%m/%Y %H:%M"),
            "column_3": days("%d/%m/%Y %H:%M", shift=4), "column_4": streets("gb"),
            "column_5": kinds("Eastville", "Northtown", "Westbay"),
            "column_6": kinds("Removed", "Not found", "Owner refused")},
            {"report_id": "column_1", "reported": "column_2", "cleared": "column_3",
             "address": "column_4", "locality": "column_5", "outcome": "column_6"}, "gb",
            named=False),
        Case("no names of columns, lots beside the streets", {
            "column_1": numbers("GR{n}"), "column_2": days("%d/%m/%Y %H:%M"),
            "column_3": kinds("Mill Lane", "Quay Street", "Elm Road", "Bank Street", "Oak Avenue"),
            "column_4": kinds("Removed", "Not found", "Owner refused"),
            "column_5": [f"LOT {n % 37}" for n in range(ROWS)]},
            {"report_id": "column_1", "reported": "column_2", "address": "column_3",
             "outcome": "column_4"}, "gb", named=False),
        Case("clock with an h, number beside the street", {
            "Identifiant": numbers("A{n}"), "Date du signalement": days("%d/%m/%Y"),
            "Heure": days("%Hh%M"), "Rue": kinds("rue de la Paix", "avenue des Lilas"),
            "N°": numbers("{n}"), "Type d'anomalie": kinds("Tag / graffiti", "Nid de poule",
                                                           "Arbre")},
            {"report_id": "Identifiant", "reported": "Date du signalement", "address": "Rue",
             "service": "Type d'anomalie"}, "fr"),
        Case("finer kind names the thing", {
            "Vorgangsnummer": numbers(), "Eingang": days("%d.%m.%Y %H:%M"),
            "Kategorie": kinds("Graffiti", "Müll", "Straßenschaden"),
            "Unterkategorie": kinds("Stromkasten", "Brücke", "Hauswand", "Schild"),
            "Rückmeldung": kinds("Graffiti wurde entfernt", "nicht zuständig")},
            {"report_id": "Vorgangsnummer", "reported": "Eingang", "service": "Kategorie",
             "asset_type": "Unterkategorie", "outcome": "Rückmeldung"}, "de"),
        Case("hours of labour", {
            "Job No": numbers(), "Date of Work": days("%d/%m/%Y", clock=False),
            "Location": streets("gb"), "Labour hours": kinds("1", "2", "4"),
            "Materials cost": kinds("12.5", "14"), "Total cost": kinds("88", "90")},
            {"report_id": "Job No", "reported": "Date of Work", "address": "Location"}, "gb"),
        Case("months in Polish", {"Nr zgłoszenia": numbers(), "Data zgłoszenia": [
            f"{1 + n % 28} {('stycznia', 'lutego', 'września', 'października')[n % 4]} 2024 r."
            for n in range(ROWS)], "Kategoria": kinds("Graffiti", "Odpady", "Zieleń")},
            {"report_id": "Nr zgłoszenia", "reported": "Data zgłoszenia",
             "service": "Kategoria"}, "pl"),
        Case("promised date", {"Reported": days("%Y-%m-%d"), "Due date": days("%Y-%m-%d", shift=9),
                               "Closed": days("%Y-%m-%d", shift=4), "lat": y, "lon": x},
             {"reported": "Reported", "cleared": "Closed", "latitude": "lat", "longitude": "lon"},
             "gb")]
    return found


CORPUS = cases()


def judged(case: Case) -> dict[str, str]:
    """Return for each field whether the proposal is right, wrong, missed or asked."""
    index = pd.RangeIndex(1, ROWS + 1, name="source_row")
    raw = RawTable(pd.DataFrame(case.columns, index=index).astype("str"), name=f"{case.name}.csv",
                   has_header=case.named)
    mapping = propose_mapping(raw, time_zone=ZONES[case.land])
    asked = {question.key.split(".")[1] for question in mapping.questions
             if question.key.startswith("fields.")}
    found = {name: source.columns[0] for name, source in mapping.fields.items()}
    verdicts = {}
    for name in sorted({*case.truth, *found} - {"service_detail"}):
        right = found.get(name) == case.truth.get(name)
        verdicts[name] = ("right" if right else "asked" if name in asked else
                          "missed" if name not in found else "wrong")
    return verdicts


def test_the_corpus_is_read_right_or_asked() -> None:
    assert len(CORPUS) >= 60
    assert len({case.name for case in CORPUS}) >= len(CORPUS) - 1
    counts: Counter[str] = Counter()
    faults = []
    for case in CORPUS:
        for name, verdict in judged(case).items():
            counts[verdict] += 1
            if verdict in ("wrong", "missed"):
                faults.append((case.name, name, verdict))
    print(f"{len(CORPUS)} logs: {dict(counts)}; {faults}")
    assert [fault for fault in faults if fault[2] == "wrong"] == []
    assert (counts["right"] + counts["asked"]) / counts.total() >= 0.97, faults


@pytest.mark.parametrize(("code", "land"), [
    ("EPSG:27700", "gb"), ("EPSG:2056", "ch"), ("EPSG:2154", "fr"), ("EPSG:28992", "nl"),
    ("EPSG:2180", "pl"), ("EPSG:25833", "de"), ("EPSG:3763", "pt"), ("EPSG:25830", "es")])
def test_the_grid_of_a_country_is_proposed_and_asked(code: str, land: str) -> None:
    case = gridded(land, code, "X", "Y")
    index = pd.RangeIndex(1, ROWS + 1, name="source_row")
    raw = RawTable(pd.DataFrame(case.columns, index=index).astype("str"), name="log.csv")
    mapping = propose_mapping(raw, time_zone=ZONES[land])
    asked = next(q for q in mapping.questions if q.key == "places.crs")
    assert code in asked.choices
