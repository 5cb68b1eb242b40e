"""The log as the council keeps it: rows of text, with the faults that logs have."""

from __future__ import annotations

import numpy as np
import pandas as pd
from pyproj import Transformer

from town.model import CRS, ORIGIN_XY, TIME_ZONE, Settings
from town.simulate import to_instants
from town.words import (
    MEDIUM_WORDS,
    NOTES,
    OUTCOME_WORDS,
    REPEAT_NOTES,
    STATUS_WORDS,
    SURFACE_WORDS,
    TYPE_WORDS,
)

HEADER = {"case_ref": "Case Ref", "reported": "Logged On", "closed": "Closed On",
          "status": "Case State", "outcome": "Resolution", "linked": "Repeat Of",
          "asset": "Asset No", "item": "Item Marked", "surface": "Surface",
          "medium": "Marked With", "size": "Approx Size", "offensive": "Offensive?",
          "location": "Location", "lat": "Lat", "lon": "Long", "channel": "Taken By",
          "notes": "Notes"}
SHORT = {"Street": "St", "Road": "Rd", "Lane": "Ln", "Close": "Cl", "Court": "Ct",
         "Terrace": "Ter"}


def degrees(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return longitude and latitude of projected coordinates."""
    lon, lat = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(x, y)
    return np.asarray(lon), np.asarray(lat)


def default_point() -> tuple[float, float]:
    """Return longitude and latitude of the point the geocoder falls back to: the town hall."""
    lon, lat = degrees(np.array([ORIGIN_XY[0] + 20.0]), np.array([ORIGIN_XY[1] + 330.0]))
    return round(float(lon[0]), 6), round(float(lat[0]), 6)


def write_rows(reports: pd.DataFrame, settings: Settings,
               rng: np.random.Generator) -> pd.DataFrame:
    """Return the reports as text columns, still without planted faults."""
    n = len(reports)
    old = (reports["report_day"] < settings.log_days * 0.45).to_numpy()
    text = pd.DataFrame(index=reports.index)
    text["case_ref"] = _references(reports, settings)
    text["reported"] = format_times(to_instants(reports["report_day"], settings), old)
    closed = reports["cleared_day"] < settings.log_days
    text["closed"] = format_times(to_instants(reports["cleared_day"], settings), old)
    text["closed"] = text["closed"].where(closed, "")
    repeat = (reports["role"] == "repeat").to_numpy()
    named = repeat & (rng.random(n) < 0.35)
    state = np.where(named, "duplicate", np.where(closed, "cleared", "open"))
    text["status"] = _word(pd.Series(state), STATUS_WORDS, rng)
    outcome = reports["outcome"].where(closed, "pending")
    text["outcome"] = _word(outcome, OUTCOME_WORDS, rng)
    first_ref = text["case_ref"][~repeat].set_axis(reports["true_id"][~repeat])
    linked = first_ref.reindex(reports["true_id"]).to_numpy()
    text["linked"] = np.where(named & (rng.random(n) < 0.8), linked, "")
    text["asset"] = np.where(reports["gives_id"], reports["asset_id"], "")
    text["item"] = _word(reports["asset_type"], TYPE_WORDS, rng)
    pair = reports["substrate"] + "|" + reports["finish"]
    text["surface"] = _word(pair, {f"{a}|{b}": w for (a, b), w in SURFACE_WORDS.items()}, rng)
    text["surface"] = text["surface"].where(rng.random(n) > 0.09, "")
    text["medium"] = pd.Series(_word(reports["medium"], MEDIUM_WORDS, rng)).where(
        rng.random(n) > 0.15, "")
    text["size"] = _sizes(reports["area_m2"].to_numpy(), rng)
    flags = np.where(reports["offensive"], "offensive", "ordinary")
    text["offensive"] = _word(pd.Series(flags), {
        "offensive": ("Yes", "Y", "yes"), "ordinary": ("No", "N", "No", "")}, rng)
    text["location"] = _locations(reports["address"].to_numpy(dtype=object), rng)
    lon, lat = degrees(reports["filed_x"].to_numpy(), reports["filed_y"].to_numpy())
    text["lat"], text["lon"] = decimals(lat), decimals(lon)
    text["channel"] = reports["channel"]
    plain, again = np.array(NOTES, dtype=object), np.array(REPEAT_NOTES, dtype=object)
    text["notes"] = np.where(repeat, again[rng.integers(len(again), size=n)],
                             plain[rng.integers(len(plain), size=n)])
    return text


def format_times(instants: pd.Series, old: np.ndarray) -> pd.Series:
    """Write instants in local time: day/month/year in the old system's export, ISO in the new."""
    local = instants.dt.tz_convert(TIME_ZONE)
    return local.dt.strftime("%d/%m/%Y %H:%M").where(old, local.dt.strftime("%Y-%m-%d %H:%M"))


def decimals(values: np.ndarray) -> np.ndarray:
    """Write degrees with six decimals."""
    return np.char.mod("%.6f", values).astype(object)


def _references(reports: pd.DataFrame, settings: Settings) -> pd.Series:
    year = to_instants(reports["report_day"], settings).dt.year.astype(str)
    return "GR" + year.str[2:] + "-" + pd.Series(range(1, len(reports) + 1)).astype(
        str).str.zfill(6)


def _word(codes: pd.Series, words: dict[str, tuple[str, ...]],
          rng: np.random.Generator) -> np.ndarray:
    """Return a spelling for each code: the first ones listed are the commonest."""
    result = np.full(len(codes), "", dtype=object)
    draw = rng.random(len(codes)) ** 1.8
    values = codes.to_numpy(dtype=object)
    for code, options in words.items():
        here = np.flatnonzero(values == code)
        listed = np.array(options, dtype=object)
        result[here] = listed[(draw[here] * len(options)).astype(int)]
    return result


def _sizes(area: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Write areas as people do: width by height, square feet, a comparison, a word, nothing."""
    n = len(area)
    wide = np.round(np.maximum(np.sqrt(area * rng.uniform(1.0, 2.5, n)), 0.1), 1)
    tall = np.round(np.maximum(area / wide, 0.1), 1)
    w, h = (np.char.mod("%g", v) for v in (wide, tall))
    across = np.char.add(np.char.add(w, "x"), np.char.add(h, "m"))
    spaced = np.char.add(np.char.add(w, "m x "), np.char.add(h, "m"))
    feet = np.char.add(np.char.add("approx ", np.char.mod("%d", np.maximum(
        np.round(area * 10.7639), 1).astype(int))), " sq ft")
    metres = np.char.add(np.char.mod("%g", np.round(area, 2)), " m2")
    word = np.select([area < 0.12, area < 0.6, area < 2.5], ["A4 size", "small", "medium"], "large")
    kind = rng.choice(6, size=n, p=[0.22, 0.1, 0.1, 0.2, 0.26, 0.12])
    return np.select([kind == k for k in range(5)], [across, spaced, feet, metres, word],
                     "").astype(object)


def _locations(addresses: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Write addresses as people do: short and long forms, capitals, a hint in front."""
    place = pd.Series(addresses, dtype="str")
    style = rng.random(len(place))
    short = place
    for long, brief in SHORT.items():
        short = short.str.replace(rf" {long}\b", f" {brief}", regex=True)
    hint = "o/s " + place
    double = place.str.replace(" ", "  ", n=1, regex=False)
    return np.select([style < 0.62, style < 0.8, style < 0.88, style < 0.94],
                     [place, short, place.str.upper(), hint], double).astype(object)
