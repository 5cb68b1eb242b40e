"""A mapping used on a raw log: the ``fields`` table, nothing interpreted yet."""

from __future__ import annotations

from collections.abc import Iterable
from collections.abc import Mapping as MappingOf
from dataclasses import replace

import pandas as pd

from rehit.errors import InputFileError
from rehit.incidents.mapping_model import FIELDS, FieldSource, Mapping
from rehit.incidents.read import RawLog


def apply_mapping(raw: RawLog, mapping: Mapping) -> pd.DataFrame:
    """Return the ``fields`` table of a raw log: one row for every row, nothing interpreted yet.

    Parameters
    ----------
    raw
        A log as :func:`rehit.incidents.read.read_log` gives it.
    mapping
        Which column means what. Columns it names that the log lacks give empty fields as long as
        another mapped column is there.

    Returns
    -------
    pandas.DataFrame
        The ``fields`` contract, key ``source_file, source_row``; blank cells are NaN.

    Raises
    ------
    InputFileError
        If the log has none of the columns that the mapping names, or the mapping says that its
        first row, read as column names, is an incident.
    """
    raw = _header_as_answered(raw, mapping)
    wanted = {column for source in mapping.fields.values() for column in source.columns}
    if wanted and not wanted & set(raw.table.columns):
        raise InputFileError(
            raw.name, got=f"a log without any mapped column (it has: {_listed(raw.table.columns)})",
            allowed=f"columns such as {_listed(sorted(wanted))}",
            remedy="use the mapping made for this log, or propose a new one with: rehit new")
    made: dict[str, object] = {
        "source_file": pd.Series(raw.name, index=raw.table.index, dtype="str"),
        "source_row": raw.table.index.to_series().astype("int64"),
    }
    for name in FIELDS:
        made[name] = _field(raw.table, mapping.fields.get(name))
    return pd.DataFrame(made).reset_index(drop=True)


def _header_as_answered(raw: RawLog, mapping: Mapping) -> RawLog:
    """Drop the first row of a log if a person said that it holds column names after all."""
    if mapping.has_header == raw.has_header:
        return raw
    if mapping.has_header:
        return replace(raw, table=raw.table.iloc[1:])
    raise InputFileError(
        raw.name, got="a first row that was read as column names",
        allowed="no column names (has_header = false in the mapping)",
        remedy="read the log again as one without a header: read_log(..., has_header=False)")


def _listed(names: Iterable[object]) -> str:
    words = [repr(str(name)) for name in names]
    return ", ".join(words[:8]) + (" ..." if len(words) > 8 else "")


def _field(frame: pd.DataFrame, source: FieldSource | None) -> pd.Series:
    nothing = pd.Series(float("nan"), index=frame.index, dtype="str")
    if source is None:
        return nothing
    present = [place for place, name in enumerate(source.columns) if name in frame.columns]
    if not present:
        return nothing
    texts = [frame[source.columns[place]].str.strip().fillna("") for place in present]
    parts = [source.parts[place] for place in present] if source.parts else []
    joined = _join_parts(dict(zip(parts, texts, strict=True))) if parts else _join(texts)
    return joined.mask(joined == "")


def _join(texts: list[pd.Series]) -> pd.Series:
    joined = texts[0]
    for text in texts[1:]:
        joined = (joined + " " + text).str.strip()
    return joined


def _join_parts(parts: MappingOf[str, pd.Series]) -> pd.Series:
    """Put split dates together as ISO text; where no part is given the result is blank."""
    date = parts.get("date")
    if date is None:
        pieces = [parts[key].str.replace(r"\.0+$", "", regex=True)
                  for key in ("year", "month", "day") if key in parts]
        date = pieces[0]
        for piece in pieces[1:]:
            date = date + "-" + piece
        date = date.mask(date.str.fullmatch(r"-*"), "")
    clock = parts.get("time")
    if clock is None and "hour" in parts:
        clock = parts["hour"] + ":" + _two_digits(parts.get("minute", "00"))
        clock = clock.mask(parts["hour"] == "", "")
        if "second" in parts:
            clock = (clock + ":" + _two_digits(parts["second"])).mask(clock == "", "")
    if clock is None:
        return date
    if "half" in parts:
        clock = (clock + " " + parts["half"]).str.strip()
    return (date + " " + clock).mask(date == "", "").str.strip()


def _two_digits(text: pd.Series | str) -> pd.Series | str:
    if isinstance(text, str):
        return text
    return text.str.replace(r"\.0+$", "", regex=True).str.zfill(2)
