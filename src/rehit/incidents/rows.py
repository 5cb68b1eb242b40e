"""Rows before anything is decided about them: tidied, in an order of their own, with stable names.

The order of rows in the log must not matter, so rows are put in the order of a hash of their
content first. The same hash names incidents that have no request number.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from pyproj import CRS
from pyproj.exceptions import CRSError

from rehit.errors import SettingError
from rehit.observed import Window
from rehit.parameters import Parameters, load_parameters
from rehit.tables import table
from rehit.words.addresses import default_address_words

WHERE = ("source_file", "source_row")
_OWN_ID = re.compile(r"i[0-9a-f]{16}")
WIDE_SHARE = 0.5  # of addresses with two spaces behind the street, for these to part them
_BLANK = ("", "nan", "none", "null", "n/a", "na", "nil", "-", "--", "?", "#n/a", "nat", "<na>",
          "\\n")
# Texts that stand in a request-number column without being a number of a request.
_NO_ID = (*_BLANK, "0", "unknown", "not recorded", "tbc", "tba", "xxxx", "test", "no id", "none")


def prepare(fields: pd.DataFrame) -> pd.DataFrame:
    """Return `fields` with every contract column, white space tidied, and blanks empty.

    Parameters
    ----------
    fields
        Table ``fields``; missing columns are added empty, other columns are dropped.

    Returns
    -------
    pandas.DataFrame
        Text columns, ``source_file``, ``source_row`` and ``content`` (unsigned 64-bit hash of the
        row's cells); ordered by content, file and row, numbered from 0.
    """
    rows = pd.DataFrame(index=pd.RangeIndex(len(fields)))
    for name in table("fields").names:
        if name not in WHERE:
            given = fields.get(name)
            if name == "address" and given is not None:
                given = _parted(given)
            rows[name] = _tidy(given) if given is not None else pd.array(
                [None] * len(fields), dtype="str")
    rows["source_file"] = (fields["source_file"].astype("str").fillna("log").to_numpy()
                           if "source_file" in fields else "log")
    rows["source_row"] = _row_numbers(fields)
    rows["content"] = _content(rows)
    files = pd.factorize(rows["source_file"], sort=True)[0]
    order = np.lexsort((rows["source_row"], files, rows["content"]))
    return rows.take(order).reset_index(drop=True)


def _parted(addresses: pd.Series) -> pd.Series:
    """Put commas where a log parts the street from the locality by two spaces, if most cells do."""
    texts = addresses.astype("str")
    spaced = texts[texts.str.contains(r"\s\s", regex=True).fillna(False).astype(bool)]
    types = default_address_words()["type"]
    words = "|".join(sorted({re.escape(w) for pair in types.items() for w in pair}))
    wide = spaced.str.contains(rf"(?i)\b(?:{words})\b\.?\s{{2,}}\w", regex=True).fillna(False)
    if not len(texts) or wide.astype(bool).sum() < WIDE_SHARE * texts.notna().sum():
        return addresses
    return texts.str.replace(r"(?<=[^\W\d_.])\s{2,}(?=\w)", ", ", regex=True)


def is_blank_id(ids: pd.Series) -> pd.Series:
    """Return where a request number is missing or a placeholder."""
    return ids.isna() | ids.str.casefold().isin(_NO_ID)


def name_incidents(own: pd.DataFrame, report_ids: pd.Series) -> pd.Series:
    """Return a name for each row that stays the same between runs and for any row order.

    The name comes from the request number; where that is missing or not its own, from the
    content. Equal contents are numbered in turn.

    Parameters
    ----------
    own
        Rows that are an incident's own, with ``content``.
    report_ids
        Their usable request numbers, empty where there is none.
    """
    unique = report_ids.notna() & ~report_ids.duplicated(keep=False)
    numbers = own["content"].to_numpy(dtype=np.uint64).copy()
    known = np.flatnonzero(unique)
    numbers[known] = _hash(report_ids.iloc[known])
    turn = pd.Series(numbers).groupby(numbers).cumcount().to_numpy(dtype=np.uint64)
    with np.errstate(over="ignore"):
        numbers = numbers + turn * np.uint64(0x9E3779B97F4A7C15)
    names = pd.Series([f"i{number:016x}" for number in numbers.tolist()], index=own.index,
                      dtype="str")
    # A table that was cleaned before brings its names along.
    kept = unique & report_ids.fillna("").str.fullmatch(_OWN_ID.pattern)
    return names.where(~kept, report_ids)


def _tidy(values: pd.Series) -> pd.api.extensions.ExtensionArray:
    """Return the column tidied; each different text is looked at once."""
    cells = pa.array(values.astype("str"), type=pa.large_string(), from_pandas=True)
    if isinstance(cells, pa.ChunkedArray):
        cells = cells.combine_chunks()
    different = cells.dictionary_encode()
    if len(different.dictionary) > len(cells) / 2:
        tidied = _tidied(cells)
    else:
        tidied = _tidied(different.dictionary).take(different.indices)
    made: pd.api.extensions.ExtensionArray = pd.array(tidied, dtype="str")
    return made


def _tidied(cells: pa.Array) -> pa.Array:
    # pyarrow's own notion of white space is Unicode's, as str.split() has it.
    trimmed = pc.utf8_trim_whitespace(cells)
    tidy = pc.replace_substring_regex(trimmed, pattern=r"[\s\x{00A0}\x{2000}-\x{200A}\x{202F}]+",
                                      replacement=" ")
    blank = pc.is_in(pc.utf8_lower(tidy), value_set=pa.array(_BLANK, type=pa.large_string()))
    nothing = pa.scalar(None, type=pa.large_string())
    return pc.if_else(blank, nothing, tidy)


def _row_numbers(fields: pd.DataFrame) -> np.ndarray:
    if "source_row" not in fields:
        return np.arange(1, len(fields) + 1)
    numbers = pd.to_numeric(fields["source_row"], errors="coerce").astype("float64")
    place = np.arange(1, len(fields) + 1)
    return np.where(numbers.notna() & np.isfinite(numbers), numbers, place).astype(np.int64)


def _content(rows: pd.DataFrame) -> np.ndarray:
    """Hash each row's cells; an empty column adds nothing, so added columns change no names."""
    total = np.zeros(len(rows), dtype=np.uint64)
    with np.errstate(over="ignore"):
        for name in rows.columns:
            if name in WHERE or not rows[name].notna().any():
                continue
            salt = _hash(pd.Series([name], dtype="str"))[0] | np.uint64(1)
            total += np.where(rows[name].isna(), np.uint64(0), _hash(rows[name]) * salt)
    return total


def _hash(values: pd.Series) -> np.ndarray:
    codes, unique = pd.factorize(values, use_na_sentinel=True)
    hashed = pd.util.hash_array(np.asarray(unique, dtype=object), categorize=False)
    return np.append(hashed, np.uint64(0)).astype(np.uint64)[codes]


# What the cleaning is told, and what it gives back.

EXACT_DUPLICATE_CHOICES = ("keep", "join")


@dataclass(frozen=True)
class CleanSettings:
    """Facts about the place and choices of the user that a log does not carry itself.

    Attributes
    ----------
    time_zone
        IANA name of the zone of the log's clock.
    crs
        Projected CRS of the project, for the incidents' geometry.
    study_area
        West, south, east, north in degrees (WGS 84). Without it a study area is derived from the
        bulk of the log's own coordinates, and no row is set aside for lying outside it.
    extract_end
        Date (or date and time) at which the extract was made. Estimated from the log if not given.
    vocabulary
        Path, or paths, of the user's own word tables: CSV with the columns
        ``kind, word, code, language, reason``.
    parameters
        Numbers of ``defaults/incidents.csv``.
    exact_duplicates
        ``keep``: rows that are equal in every cell, have no request number and no place known well
        enough to tell, stay incidents of their own; ``join``: they become one. Both counts are
        given in the findings either way.
    keep_marking_text
        Whether to keep what the marking itself says where a description quotes it.
    translations_in_ledger
        Whether each row whose words were put into codes gets a ledger entry.
    """

    time_zone: str
    crs: str
    study_area: tuple[float, float, float, float] | None = None
    extract_end: str | None = None
    vocabulary: Path | str | Sequence[Path | str] | None = None
    parameters: Parameters = field(default_factory=load_parameters)
    exact_duplicates: str = "keep"
    keep_marking_text: bool = False
    translations_in_ledger: bool = True

    def __post_init__(self) -> None:
        try:
            projected = CRS.from_user_input(self.crs).is_projected
        except CRSError:
            projected = False
        if not projected:
            raise SettingError("crs", "errors.not_projected_metres", crs=self.crs)
        if self.exact_duplicates not in EXACT_DUPLICATE_CHOICES:
            raise SettingError("exact_duplicates", "errors.unknown_name",
                               name=self.exact_duplicates, known=EXACT_DUPLICATE_CHOICES)
        if self.study_area is not None:
            west, south, east, north = self.study_area
            if not (-180 <= west < east <= 180 and -90 <= south < north <= 90):
                raise SettingError("study_area", "errors.not_an_area", value=repr(self.study_area))


@dataclass(frozen=True)
class Cleaned:
    """Everything that cleaning gives; the tables keep the contracts of ``schemas``.

    Attributes
    ----------
    incidents, set_aside, ledger
        The tables of those names.
    counts
        One row per file: ``source_file, rows_in, rows_kept, rows_joined, rows_set_aside,
        rows_other_service``; the last four add up to the first.
    findings
        What the owner of the log should mend: ``code, severity, count, effect, advice``, the last
        two as messages.
    window
        First report and end of the extract (UTC).
    translations
        Each different word that was put into a code: ``field, before, after, rule, count``.
    """

    incidents: gpd.GeoDataFrame
    set_aside: pd.DataFrame
    ledger: pd.DataFrame
    counts: pd.DataFrame
    findings: pd.DataFrame
    window: Window
    translations: pd.DataFrame


# The tables that cleaning gives: incidents, set-aside rows and counts per file.

def build_incidents(rows: pd.DataFrame, own: np.ndarray, members: pd.DataFrame,
                    columns: dict[str, pd.Series], *, names: pd.Series, x: np.ndarray,
                    y: np.ndarray, crs: str) -> gpd.GeoDataFrame:
    """Return the ``incidents`` table, in the order of report and name.

    Parameters
    ----------
    rows
        Tidied rows.
    own
        Positions of the rows that are an incident's own.
    members
        On those positions, from :func:`gather_members`.
    columns
        Further columns of the contract, on all rows.
    names
        ``incident_id`` on `own`.
    x, y
        Points of all rows in `crs`.
    crs
        Projected CRS.
    """
    made = pd.DataFrame({name: values.iloc[own] for name, values in columns.items()})
    made["incident_id"] = names
    for name in members.columns:
        made[name] = members[name]
    made["asset_id_given"] = rows["asset_id"].iloc[own]
    geometry = gpd.GeoSeries.from_xy(x[own], y[own], index=made.index, crs=crs)
    geometry[np.isnan(x[own])] = None
    frame = gpd.GeoDataFrame(made, geometry=geometry, crs=crs)
    keys = pa.table({"at": pa.array(frame["reported_at"]), "id": pa.array(frame["incident_id"])})
    order = pc.sort_indices(keys, sort_keys=[("at", "ascending"), ("id", "ascending")])
    return frame[table("incidents").names].take(order.to_numpy()).reset_index(drop=True)


def gather_members(rows: pd.DataFrame, root: np.ndarray, active: np.ndarray,
                   reported_at: pd.Series, precision: pd.Series) -> pd.DataFrame:
    """Return for each incident's own row its first report, number of reports and source rows.

    The first report's precision comes with it: an hour known for one report is not lost to
    another of the same day.
    """
    at = np.flatnonzero(active)
    label = rows["source_file"].iloc[at] + "#" + rows["source_row"].iloc[at].astype("str")
    part = pd.DataFrame({"root": root[at], "joined": (root[at] != at), "label": label.array,
                         "reported_at": reported_at.iloc[at].array,
                         "reported_precision": precision.iloc[at].array,
                         "file": rows["source_file"].iloc[at].array,
                         "row": rows["source_row"].iloc[at].to_numpy()})
    many = part["root"].duplicated(keep=False)
    single = part[~many].set_index("root")
    made = pd.DataFrame({"reported_at": single["reported_at"], "n_reports": 1,
                         "source_rows": single["label"],
                         "reported_precision": single["reported_precision"]})
    if many.any():
        ordered = part[many].sort_values(["root", "joined", "file", "row"])
        grouped = ordered.groupby("root")
        size = grouped.size()
        ends = size.cumsum().to_numpy()
        labels = ordered["label"].tolist()
        joined = [";".join(labels[end - count:end]) for end, count in zip(
            ends.tolist(), size.tolist(), strict=True)]
        first = part[many].sort_values(["reported_at", "reported_precision"]).drop_duplicates(
            "root").set_index("root").reindex(size.index)
        made = pd.concat([made, pd.DataFrame({
            "reported_at": first["reported_at"], "n_reports": size,
            "source_rows": pd.Series(joined, index=size.index, dtype="str"),
            "reported_precision": first["reported_precision"]})])
    made["reported_at"] = pd.to_datetime(made["reported_at"], utc=True).astype(
        "datetime64[us, UTC]")
    for name in ("source_rows", "reported_precision"):
        made[name] = made[name].astype("str")
    made["n_reports"] = made["n_reports"].astype("int64")
    return made.sort_index()


def build_set_aside(rows: pd.DataFrame, reason: pd.Series) -> pd.DataFrame:
    """Return the ``set_aside`` table; personal data is out of the original values already."""
    out = rows[reason.notna().to_numpy()]
    cells = out.drop(columns=[*WHERE, "content"])
    original = [json.dumps({k: v for k, v in record.items() if isinstance(v, str)},
                           ensure_ascii=False) for record in cells.to_dict("records")]
    codes = reason[reason.notna()]
    made = pd.DataFrame({
        "source_file": out["source_file"].to_numpy(), "source_row": out["source_row"].to_numpy(),
        "reason": codes.to_numpy(), "original": original})
    for name in ("source_file", "reason", "original"):
        made[name] = made[name].astype("str")
    made["source_row"] = made["source_row"].astype("int64")
    return made.sort_values(list(WHERE), kind="stable").reset_index(drop=True)


def count_rows(rows: pd.DataFrame, root: np.ndarray, reason: pd.Series,
               another: pd.Series) -> pd.DataFrame:
    """Return rows in, kept, joined, set aside and of another service for each file."""
    aside = reason.notna().to_numpy()
    own = ~aside & (root == np.arange(len(rows)))
    part = pd.DataFrame({"source_file": rows["source_file"], "rows_in": 1,
                         "rows_kept": own.astype(int), "rows_joined": (~own & ~aside).astype(int),
                         "rows_set_aside": aside.astype(int)})
    counts = part.groupby("source_file", sort=True).sum()
    counts = counts.reindex(counts.index.union(another.index), fill_value=0)
    other = another.reindex(counts.index, fill_value=0)
    counts = counts.assign(rows_in=counts["rows_in"] + other, rows_other_service=other)
    return counts.rename_axis("source_file").reset_index().astype(
        dict.fromkeys(counts.columns, "int64"))
