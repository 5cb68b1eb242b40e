"""Settings files a person edits: TOML held against a pydantic model, every fault said at once.

A field's ``description`` is the message of what is allowed, which a fault repeats.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar, get_args

import tomlkit
from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError
from tomlkit.exceptions import TOMLKitError

from rehit.errors import InputFileError, RehitError, SettingError, Where
from rehit.messages import Message, as_text, from_text, message

_SHOWN = 80  # letters of a value that a message repeats
_LISTED = 12


class Section(BaseModel):
    """A table of a settings file: no unknown keys, no value turned into another kind."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


M = TypeVar("M", bound=BaseModel)


def parse_toml(file: Path, *, missing: str) -> tomlkit.TOMLDocument:
    """Read a TOML file with its comments, turning every way it can fail into one message.

    Parameters
    ----------
    file
        Path of the file.
    missing
        Code of the fault when there is no such file; it says how to get one.

    Raises
    ------
    InputFileError
        If there is no such file, or it is not TOML in UTF-8.
    """
    if not file.is_file():
        found = "errors.found_folder" if file.is_dir() else "errors.found_nothing"
        raise InputFileError(str(file), missing, found=message(found))
    try:
        return tomlkit.parse(file.read_bytes().decode("utf-8-sig"))
    except (TOMLKitError, UnicodeDecodeError, OSError, ValueError) as error:
        raise InputFileError(str(file), "errors.unreadable_toml", said=str(error)) from error


def checked(model: type[M], settings: Mapping[str, Any], *, where: str,
            context: Mapping[str, Any] | None = None) -> tuple[M | None, list[RehitError]]:
    """Hold settings against a model; return the model's instance, or every fault.

    Parameters
    ----------
    model
        A :class:`Section` whose fields are the tables and keys of the file.
    settings
        The parsed file.
    where
        Name of the file, for the messages.
    context
        Handed to the validators.
    """
    try:
        return model.model_validate(settings, context=context), []
    except ValidationError as error:
        return None, [_fault(model, each, where) for each in error.errors()]


def wrong(code: str, /, **facts: Any) -> PydanticCustomError:
    """Return the error that a validator raises to name a fault itself."""
    return PydanticCustomError("named", "{code}", {"code": code, "facts": facts})


def one_of(words: Sequence[str]) -> str:
    """Return a field's description that allows these words."""
    return as_text(message("allowed.one_of", words=tuple(words)))


def table_named(name: str) -> str:
    """Return the description of a field that is a table of the file."""
    return as_text(message("allowed.table", name=name))


def listed(names: Iterable[object]) -> Message:
    """Return the first of some names, as the allowed ones of a fault."""
    words = tuple(map(str, names))
    return message("errors.some" if len(words) > _LISTED else "errors.all", names=words[:_LISTED])


def misspelt(code: str, word: str, known: Sequence[str], *, where: Where) -> SettingError:
    """Return the fault of an unknown word; `code` with ``_near`` where one was probably meant."""
    near = get_close_matches(word.casefold(), known, n=1)
    return SettingError(where, f"{code}_near" if near else code, known=tuple(known),
                        near=near[0] if near else "")


def _fault(model: type[BaseModel], error: ErrorDetails, where: str) -> SettingError:
    """Put one of pydantic's errors into where, got, allowed and remedy."""
    spot, allowed, keys = _located(model, error["loc"])
    place, value, facts = f"{where} {spot}", error["input"], error.get("ctx", {})
    if error["type"] == "named":
        return SettingError(place, facts["code"], **facts["facts"])
    if error["type"] == "extra_forbidden":
        code = "errors.unknown_table" if isinstance(value, Mapping) else "errors.unknown_key"
        return misspelt(code, str(error["loc"][-1]), keys, where=place)
    told = from_text(allowed or "allowed.other_value")
    if error["type"] == "missing":
        return SettingError(place, "errors.no_key", allowed=told)
    return SettingError(place, "errors.not_allowed", value=repr(value)[:_SHOWN], allowed=told)


def _located(model: type[BaseModel], loc: tuple[int | str, ...]) -> tuple[str, str, list[str]]:
    """Return a fault's place as a person finds it, what is allowed there, and its table's keys."""
    here: Any = model
    tables: list[str] = []
    key = allowed = number = ""
    keys: list[str] = []
    for step in loc:
        owner = next(_models(here), None)
        if isinstance(step, int) or owner is None:
            number = f" {step + 1}" if isinstance(step, int) and number == "[]" else number
            continue
        fields = {field.alias or name: field for name, field in owner.model_fields.items()}
        keys, field = list(fields), fields.get(step)
        if field is None:  # a key that the model does not know
            key = step
            break
        allowed, here = field.description or allowed, field.annotation
        if next(_models(here), None) is None:
            key = step
        else:
            tables.append(step)
            number = "[]" if list in (getattr(a, "__origin__", None) for a in _annotations(here)
                                      ) else number
    if not tables:
        return f"[{key}]", allowed, keys
    name = f"[{'.'.join(tables)}]"
    return (f"[{name}]{number}" if number else name) + (f" {key}" if key else ""), allowed, keys


def _annotations(annotation: Any) -> Iterator[Any]:
    yield annotation
    for part in get_args(annotation):
        yield from _annotations(part)


def _models(annotation: Any) -> Iterator[type[BaseModel]]:
    """Yield the models that an annotation holds."""
    for part in _annotations(annotation):
        if isinstance(part, type) and issubclass(part, BaseModel):
            yield part
