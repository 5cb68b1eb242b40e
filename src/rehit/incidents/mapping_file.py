"""The mapping as a TOML file that a person can read and edit."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Comment, Table

from rehit.errors import InputFileError, ManyErrors
from rehit.files import staged_folder
from rehit.incidents.dates import DateStyle
from rehit.incidents.mapping_answers import answered
from rehit.incidents.mapping_faults import mapping_faults
from rehit.incidents.mapping_model import FieldSource, Mapping, Places, Question

HEAD = (
    "How rehit reads this log. Check it, change what is wrong, and keep it for the next quarter.",
    "Under [fields.X], columns names the log's columns that hold X; delete a table to leave X out.",
    "Under [[questions]], write one of the choices into answer; an answer wins over the setting",
    "above that it decides. Until then the assumed answer is used.",
)
_EVIDENCE = "# evidence: "


def save_mapping(mapping: Mapping, path: Path | str) -> None:
    """Write a mapping as TOML, its evidence as comments; whole or not at all.

    Parameters
    ----------
    mapping
        The mapping. Saving, loading and saving again gives the same bytes.
    path
        The file; its folder is made if missing.

    Raises
    ------
    InputFileError
        If the file cannot be written.
    """
    file = Path(path)
    text = mapping_text(mapping)
    with staged_folder(file.parent) as stage:
        (stage / file.name).write_text(text, encoding="utf-8", newline="\n")


def mapping_text(mapping: Mapping) -> str:
    """Return a mapping as TOML text."""
    document = tomlkit.document()
    for line in HEAD:
        document.add(tomlkit.comment(line))
    document.add("log", _table({"name": mapping.log_name, "has_header": mapping.has_header,
                                "columns": mapping.columns}))
    fields = tomlkit.table(is_super_table=True)
    for name, source in mapping.fields.items():
        fields.add(name, _field_table(source))
    if mapping.fields:
        document.add("fields", fields)
    places = mapping.places
    document.add("places", _table({"crs": places.crs, "location_crs": places.location_crs,
                                   "location_order": places.location_order}, places.evidence))
    document.add("sizes", _table({"unit": mapping.size_unit}))
    document.add("words", _table(dict(mapping.words), (
        "the words seen when this mapping was made; a new one next quarter is reported",)))
    questions = tomlkit.aot()
    for question in mapping.questions:
        questions.append(_question_table(question))
    if mapping.questions:
        document.add("questions", questions)
    return tomlkit.dumps(document)


def _field_table(source: FieldSource) -> Table:
    values: dict[str, Any] = {"columns": source.columns}
    if source.parts:
        values["parts"] = source.parts
    if source.dates is not None:
        values |= {"day_first": source.dates.day_first, "clock": source.dates.clock,
                   "formats": source.dates.formats}
    values["confidence"] = source.confidence
    return _table(values, source.evidence)


def _question_table(question: Question) -> Table:
    return _table({"key": question.key, "ask": question.ask, "choices": question.choices,
                   "assumed": question.assumed, "answer": question.answer}, question.evidence)


def _table(values: dict[str, Any], evidence: tuple[str, ...] = ()) -> Table:
    table = tomlkit.table()
    for line in evidence:
        table.add(tomlkit.comment(f"evidence: {_one_line(line)}"))
    for key, value in values.items():
        table.add(key, _array(value) if isinstance(value, tuple) else value)
    return table


def _array(values: tuple[str, ...]) -> Any:
    array = tomlkit.array()
    array.extend(values)
    # Long lists read better one to a line.
    return array.multiline(sum(len(value) + 4 for value in values) > 80)


def _one_line(text: str) -> str:
    """Make a text fit a TOML comment, which must not hold control characters."""
    return "".join(c if c.isprintable() else " " for c in text).strip()


def load_mapping(path: Path | str) -> Mapping:
    """Read a mapping file, with the answers given in it put into its settings.

    Parameters
    ----------
    path
        The TOML file, as :func:`save_mapping` wrote it and a person may have edited it.

    Raises
    ------
    InputFileError
        If there is no such file or it is not TOML.
    ManyErrors
        Listing every fault with file and key.
    """
    file = Path(path)
    document = _parsed(file)
    faults = mapping_faults(document.unwrap(), where=str(file))
    if faults:
        raise ManyErrors(str(file), faults)
    return answered(_mapping(document))


def _parsed(file: Path) -> tomlkit.TOMLDocument:
    if not file.is_file():
        raise InputFileError(str(file), got="no such file" if not file.exists() else "a folder",
                             allowed="a mapping file in TOML",
                             remedy="propose one with: rehit new FOLDER --log YOUR_LOG")
    try:
        return tomlkit.parse(file.read_bytes().decode("utf-8-sig"))
    except (TOMLKitError, UnicodeDecodeError, OSError, ValueError) as error:
        raise InputFileError(str(file), got=f"unreadable TOML ({error})",
                             allowed="TOML text in UTF-8", remedy="mend that line") from error


def _mapping(document: tomlkit.TOMLDocument) -> Mapping:
    plain: dict[str, Any] = document.unwrap()
    log, places = plain["log"], plain.get("places", {})
    fields = {name: _field(values, _evidence(document["fields"][name]))
              for name, values in plain.get("fields", {}).items()}
    questions = tuple(
        Question(q["key"], q["ask"], tuple(q["choices"]), q["assumed"], q.get("answer", ""),
                 _evidence(document["questions"][number]))
        for number, q in enumerate(plain.get("questions", [])))
    return Mapping(
        log.get("name", ""), log["has_header"], tuple(log["columns"]), fields,
        Places(places.get("crs", ""), places.get("location_crs", "EPSG:4326"),
               places.get("location_order", "lat_lon"), _evidence(document.get("places"))),
        plain.get("sizes", {}).get("unit", ""),
        {name: tuple(words) for name, words in plain.get("words", {}).items()}, questions)


def _field(values: dict[str, Any], evidence: tuple[str, ...]) -> FieldSource:
    dates = None
    if "day_first" in values or "clock" in values or "formats" in values:
        dates = DateStyle(values.get("day_first", True), values.get("clock", "24"),
                          tuple(values.get("formats", ())))
    return FieldSource(tuple(values["columns"]), tuple(values.get("parts", ())), dates,
                       float(values.get("confidence", 1.0)), evidence)


def _evidence(table: object) -> tuple[str, ...]:
    """Read the evidence back from the comments of a table."""
    body = getattr(getattr(table, "value", None), "body", [])
    lines = [item.as_string().strip() for _, item in body if isinstance(item, Comment)]
    return tuple(line.removeprefix(_EVIDENCE) for line in lines if line.startswith(_EVIDENCE))

