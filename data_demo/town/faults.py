"""The faults planted in the log, each noted by name in the truth.

Every planting function changes the text of some rows and returns which; no row gets two faults
about its place, nor two about its dates.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from town.messy import decimals, default_point, degrees, format_times
from town.model import TIME_ZONE, Settings
from town.personal import plant_personal
from town.simulate import to_instants
from town.words import FORMULAS, MARKUP, NOTES, REPEAT_NOTES

PLACE_FAULTS = {"no_coordinates": 0.075, "swapped": 0.008, "zero_point": 0.006,
                "default_point": 0.016, "lost_sign": 0.006, "street_only": 0.011, "no_place": 0.003,
                "masked_number": 0.004}
DATE_FAULTS = {"cleared_before_reported": 0.005, "closed_undated": 0.013,
               "cleared_in_future": 0.002, "no_report_date": 0.002, "long_date": 0.012,
               "serial_date": 0.004, "day_only": 0.02}


@dataclass
class Planter:
    """Rows of text and their truth, while faults are being planted."""

    text: pd.DataFrame
    reports: pd.DataFrame
    settings: Settings
    rng: np.random.Generator
    faults: pd.Series = field(init=False)

    def __post_init__(self) -> None:
        self.faults = pd.Series("", index=self.text.index, dtype=object)

    def note(self, rows: np.ndarray, name: str) -> None:
        """Write a fault's name beside its rows."""
        before = self.faults.to_numpy()[rows]
        self.faults.iloc[rows] = [f"{b};{name}" if b else name for b in before]

    def put(self, rows: np.ndarray, column: str, values: np.ndarray | str) -> None:
        """Write values into a column of some rows."""
        changed = self.text[column].to_numpy(dtype=object, copy=True)
        changed[rows] = values
        self.text[column] = changed

    def deal(self, shares: dict[str, float]) -> dict[str, np.ndarray]:
        """Return disjoint sets of rows, one per fault."""
        draw = self.rng.random(len(self.text))
        edges = np.concatenate([[0.0], np.cumsum(list(shares.values()))])
        return {name: np.flatnonzero((draw >= low) & (draw < high))
                for name, low, high in zip(shares, edges[:-1], edges[1:], strict=True)}


def plant_place_faults(p: Planter) -> None:
    """Missing, swapped, zero, default and sign-less coordinates; streets without a number."""
    dealt = p.deal(PLACE_FAULTS)
    for name, rows in dealt.items():
        p.note(rows, name)
    for name in ("no_coordinates", "street_only", "no_place"):
        p.put(dealt[name], "lat", "")
        p.put(dealt[name], "lon", "")
    rows = dealt["swapped"]
    lat, lon = p.text["lat"].to_numpy()[rows], p.text["lon"].to_numpy()[rows]
    p.put(rows, "lat", lon)
    p.put(rows, "lon", lat)
    p.put(dealt["zero_point"], "lat", "0")
    p.put(dealt["zero_point"], "lon", "0.000000")
    lon0, lat0 = default_point()
    p.put(dealt["default_point"], "lat", f"{lat0:.6f}")
    p.put(dealt["default_point"], "lon", f"{lon0:.6f}")
    rows = dealt["lost_sign"]
    p.put(rows, "lon", p.text["lon"].iloc[rows].str.lstrip("-").to_numpy())
    rows = dealt["street_only"]
    p.put(rows, "location", p.reports["street"].iloc[rows].to_numpy())
    _street_points(p, rows)
    p.put(dealt["no_place"], "location", "")
    rows = dealt["masked_number"]
    masked = p.reports["address"].iloc[rows].str.replace(r"(?<=\d)\d", "X", regex=True)
    p.put(rows, "location", masked.to_numpy())
    for name in ("street_only", "no_place"):
        p.put(dealt[name], "asset", "")


def _street_points(p: Planter, rows: np.ndarray) -> None:
    """Give every second street-only row the one point that the geocoder keeps for its street."""
    chosen = rows[::2]
    middle = p.reports.groupby("street")[["x", "y"]].median()
    lon, lat = degrees(*middle.loc[p.reports["street"].iloc[chosen]].to_numpy().T)
    p.put(chosen, "lat", decimals(lat))
    p.put(chosen, "lon", decimals(lon))
    p.note(chosen, "street_point")


def plant_date_faults(p: Planter) -> None:
    """Dates that contradict each other, lie ahead, are missing or are written another way."""
    dealt = p.deal(DATE_FAULTS)
    closed = (p.text["closed"] != "").to_numpy()
    for name in ("cleared_before_reported", "closed_undated", "cleared_in_future"):
        dealt[name] = dealt[name][closed[dealt[name]]]
    for name, rows in dealt.items():
        p.note(rows, name)
    old = (p.reports["report_day"] < p.settings.log_days * 0.45).to_numpy()
    report_day, cleared_day = p.reports["report_day"], p.reports["cleared_day"]
    rows = dealt["cleared_before_reported"]
    early = to_instants(report_day.iloc[rows] - 1.0 - 20 * p.rng.random(len(rows)), p.settings)
    p.put(rows, "closed", format_times(early, old[rows]).to_numpy())
    p.put(dealt["closed_undated"], "closed", "")
    rows = dealt["cleared_in_future"]
    later = to_instants(cleared_day.iloc[rows] * 0 + p.settings.log_days + 200 + 300 *
                        p.rng.random(len(rows)), p.settings)
    p.put(rows, "closed", format_times(later, old[rows]).to_numpy())
    p.put(dealt["no_report_date"], "reported", "")
    local = to_instants(report_day, p.settings).dt.tz_convert(TIME_ZONE).dt.tz_localize(None)
    rows = dealt["long_date"]
    p.put(rows, "reported", local.iloc[rows].dt.strftime("%d %b %Y %H:%M").to_numpy())
    rows = dealt["serial_date"]
    serial = (local.iloc[rows] - pd.Timestamp("1899-12-30")) / pd.Timedelta(days=1)
    p.put(rows, "reported", np.char.mod("%.4f", serial.to_numpy()).astype(object))
    rows = dealt["day_only"]
    p.put(rows, "reported", p.text["reported"].iloc[rows].str.slice(0, 10).to_numpy())


def plant_id_faults(p: Planter) -> None:
    """Asset numbers typed loosely, and a few that belong to another asset or to none."""
    given = np.flatnonzero((p.text["asset"] != "").to_numpy())
    draw = p.rng.random(len(given))
    loose = given[draw < 0.06]
    typed = p.text["asset"].iloc[loose].str.lower().str.replace("-", " ")
    p.put(loose, "asset", typed.to_numpy())
    p.note(loose, "id_loose")
    wrong = given[(draw >= 0.06) & (draw < 0.066)]
    p.put(wrong, "asset", "ZZ-" + pd.Series(p.rng.integers(1000, 9999, len(wrong))).astype(
        str).to_numpy(dtype=object))
    p.note(wrong, "id_unknown")


def plant_notes(p: Planter) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Plant personal data, spreadsheet formulas and markup in the notes; return the two truths."""
    n = len(p.text)
    rows = p.rng.permutation(n)[: max(int(n * 0.028), 60)]
    cut = int(len(rows) * 0.75)
    mine, hostile = np.sort(rows[:cut]), np.sort(rows[cut:])
    personal = plant_personal(len(mine), p.rng)
    p.put(mine, "notes", personal["note"].to_numpy())
    p.note(mine, "personal")
    personal.insert(0, "row", mine)
    kinds = np.where(p.rng.random(len(hostile)) < 0.55, "formula", "markup")
    words = [(FORMULAS if k == "formula" else MARKUP)[i % 6] for i, k in enumerate(kinds)]
    p.put(hostile, "notes", np.array(words, dtype=object))
    for kind in ("formula", "markup"):
        p.note(hostile[kinds == kind], kind)
    return personal, pd.DataFrame({"row": hostile, "kind": kinds, "note": words})


def junk_rows(text: pd.DataFrame, rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return rows that are no report of graffiti here, with the reason for each.

    Exact copies of a row, test rows, places far outside the town, and the empty rows that a
    spreadsheet leaves at the end.
    """
    n = len(text)
    plain = np.flatnonzero(text["notes"].isin((*NOTES, *REPEAT_NOTES)).to_numpy())
    copies = rng.choice(plain, size=max(n // 400, 5), replace=False)
    copied = text.iloc[np.sort(copies)].copy()
    tests = text.iloc[rng.choice(n, size=5, replace=False)].copy()
    tests[["asset", "linked", "lat", "lon", "closed"]] = ""
    tests["status"], tests["outcome"] = "Cancelled", ""
    tests["notes"], tests["location"] = "TEST PLEASE IGNORE", "test"
    blank = pd.DataFrame("", index=range(4), columns=text.columns)
    outside = text.iloc[rng.choice(n, size=6, replace=False)].copy()
    outside[["asset", "linked"]] = ""
    outside["lat"], outside["lon"] = "47.912345", "-29.456789"
    outside["location"], outside["notes"] = "Other district", "Not our area?"
    parts = [("exact_copy", copied), ("test_row", tests), ("blank_row", blank),
             ("outside_area", outside)]
    for number, (reason, part) in enumerate(parts):
        if reason in ("test_row", "outside_area"):
            part["case_ref"] = [f"GR99-{number}{k:05d}" for k in range(len(part))]
    rows = pd.concat([part for _, part in parts])
    truth = pd.DataFrame({"junk_reason": np.repeat([r for r, _ in parts],
                                                   [len(part) for _, part in parts]),
                          "copy_of": np.where(rows.index < n, rows.index, -1)})
    truth.loc[truth["junk_reason"] != "exact_copy", "copy_of"] = -1
    return rows.reset_index(drop=True), truth
