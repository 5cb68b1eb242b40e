"""Settings files a person edits: TOML held against a pydantic model, every fault said at once.

A field's ``description`` says in words what is allowed; it becomes the ``allowed`` of the fault.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar, get_args

import tomlkit
from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError
from tomlkit.exceptions import TOMLKitError

from rehit.errors import InputFileError, RehitError, SettingError

_SHOWN = 80  # letters of a value that a message repeats
_LISTED = 12


class Section(BaseModel):
    """A table of a settings file: no unknown keys, no value turned into another kind."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


M = TypeVar("M", bound=BaseModel)


def parse_toml(file: Path, *, what: str, remedy: str) -> tomlkit.TOMLDocument:
    """Read a TOML file with its comments, turning every way it can fail into one message.

    Parameters
    ----------
    file
        Path of the file.
    what
        Kind of file, such as "a project file".
    remedy
        How to get one.

    Raises
    ------
    InputFileError
        If there is no such file, or it is not TOML in UTF-8.
    """
    if not file.is_file():
        raise InputFileError(str(file), got="a folder" if file.is_dir() else "no such file",
                             allowed=f"{what} in TOML", remedy=remedy)
    try:
        return tomlkit.parse(file.read_bytes().decode("utf-8-sig"))
    except (TOMLKitError, UnicodeDecodeError, OSError, ValueError) as error:
        raise InputFileError(str(file), got=f"unreadable TOML ({error})",
                             allowed="TOML text in UTF-8", remedy="mend that line") from error


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


def wrong(*, got: str, allowed: str, remedy: str = "change it") -> PydanticCustomError:
    """Return the error that a validator raises to word a fault itself."""
    return PydanticCustomError("worded", "{got}", {"got": got, "allowed": allowed,
                                                   "remedy": remedy})


def listed(names: list[str] | tuple[str, ...]) -> str:
    """Return the first of some names in quotes, as the allowed ones of a fault."""
    return ", ".join(map(repr, names[:_LISTED])) + (" ..." if len(names) > _LISTED else "")


def perhaps(word: str, allowed: list[str]) -> str:
    """Return the allowed word that was probably meant, as the beginning of a remedy."""
    near = get_close_matches(word.casefold(), allowed, n=1)
    return f"perhaps {near[0]} is meant; " if near else ""


def _fault(model: type[BaseModel], error: ErrorDetails, where: str) -> SettingError:
    """Put one of pydantic's errors into where, got, allowed and remedy."""
    spot, allowed, keys = _located(model, error["loc"])
    place, value, facts = f"{where} {spot}", error["input"], error.get("ctx", {})
    if error["type"] == "worded":
        return SettingError(place, got=facts["got"], allowed=facts["allowed"],
                            remedy=facts["remedy"])
    if error["type"] == "extra_forbidden":
        kind = "table" if isinstance(value, Mapping) else "key"
        return SettingError(place, got=f"an unknown {kind}", allowed=", ".join(keys),
                            remedy=perhaps(str(error["loc"][-1]), keys)
                            + "correct its spelling or delete it")
    if error["type"] == "missing":
        return SettingError(place, got="no such key", allowed=allowed, remedy="add it")
    return SettingError(place, got=repr(value)[:_SHOWN], allowed=allowed or error["msg"],
                        remedy="change it")


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
