"""What a typed model has against a TOML table, in our words: which key, expected what, got what."""

from __future__ import annotations

import datetime as dt
import typing
from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from pipeline.errors import ConfigError, one_line

#: Characters of a value that a message repeats.
_MOST = 80
#: Names that a message lists.
_FEW = 12

#: What was expected, by pydantic's name of the fault; its context fills the braces.
_EXPECTED = {
    "string_type": "text in quotes",
    "path_type": "a path in quotes",
    "float_type": "a number",
    "float_parsing": "a number",
    "finite_number": "a finite number",
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "greater_than": "a number above {gt:g}",
    "greater_than_equal": "{ge:g} or more",
    "literal_error": "{expected}",
    "date_type": "a date such as 2026-03-02",
    "date_parsing": "a date such as 2026-03-02",
    "date_from_datetime_parsing": "a date such as 2026-03-02",
    "date_from_datetime_inexact": "a date such as 2026-03-02, without a time of day",
    "tuple_type": "a list in brackets",
    "dict_type": "a table",
    "model_type": "a table",
    "too_short": "at least one entry",
    "string_too_short": "text that is not empty",
    "string_pattern_mismatch": (
        "letters, digits, dots, dashes and underscores, a letter or digit first"
    ),
}
_ATTRIBUTE_NAME = "letters, digits and underscores, a letter first"


def config_error(error: ValidationError, path: Path, model: type[BaseModel]) -> ConfigError:
    """The complaint that helps most: an unknown key before what it leaves missing.

    Parameters
    ----------
    error : pydantic's refusal of the table
    path : the TOML file
    model : what the table was held against; its keys are offered for an unknown one
    """
    found = error.errors(include_url=False)
    first = next((one for one in found if one["type"] == "extra_forbidden"), found[0])
    kind, got, parts = first["type"], first["input"], first["loc"]
    place = [part for part in parts if isinstance(part, int) or not _is_tag(part)]
    if kind == "extra_forbidden" and parts[-1] not in place:
        place.append(parts[-1])  # the user's own key, however it looks
    key, do = _dotted(place), ""
    match kind:
        case "extra_forbidden":
            what, name = "unknown key", str(place[-1])
            do = nearest(name, _keys(model, place[:-1]))
        case "missing":
            what = "missing"
        case "value_error":
            what = first["msg"].removeprefix("Value error, ")
        case _ if kind in _EXPECTED:
            expected = _EXPECTED[kind].format(**first.get("ctx", {})).replace("'", '"')
            if kind == "string_pattern_mismatch" and parts[-1] == "[key]":
                expected = _ATTRIBUTE_NAME
            elif kind == "tuple_type" and _models_at(model, place):
                expected = f"a list of tables, [[{key}]]"
            elif kind == "model_type" and isinstance(got, list):
                expected = f"one table, [{key}]"
            what = f"expected {expected}; got {shown(got)}"
        case _:
            what = f"{first['msg']}; got {shown(got)}"
    return ConfigError(one_line(what), where=f"{path}: {key}" if key else path, do=do)


def nearest(name: str, known: Iterable[str]) -> str:
    """Advice for a name that is not known: the nearest one, else all where there are few."""
    there = [one for one in known if one != name]
    close = get_close_matches(name, there, n=1)
    if close:
        return f"Did you mean {close[0]}?"
    return f"Known here: {', '.join(there)}" if 0 < len(there) <= _FEW else ""


def shown(value: object) -> str:
    """A value as TOML spells it, as far as a message has room."""
    match value:
        case bool():
            text = str(value).lower()
        case Mapping():
            text = f"a table of {', '.join(map(str, value))}" if value else "an empty table"
        case list() | tuple() if any(isinstance(one, Mapping) for one in value):
            text = "a list of tables"
        case list() | tuple():
            text = f"[{', '.join(map(shown, value))}]"
        case dt.date() | dt.time():
            text = value.isoformat()
        case str():
            text = f'"{value}"'
        case _:
            text = str(value)
    return text if len(text) <= _MOST else f"{text[:_MOST]}..."


def _is_tag(part: str) -> bool:
    """Whether a part of pydantic's place names no key but a form of the value."""
    return part == "[key]" or part.startswith(("tuple[", "function-", "literal[", "constrained-"))


def _dotted(place: Iterable[str | int]) -> str:
    key = ""
    for part in place:
        if isinstance(part, int):
            key += f"[{part}]"
        else:
            key += f".{part}" if key else part
    return key


def _models_at(model: type[BaseModel], place: Iterable[str | int]) -> set[type[BaseModel]]:
    """The models that hold at a place below `model`; none where plain values do."""
    models = {model}
    for part in place:
        fields = [
            field
            for one in models
            for name, field in one.model_fields.items()
            if part in (name, field.alias)
        ]
        # A name of the user's own, such as a limit's, is no field and leads nowhere else.
        if fields:
            models = {found for field in fields for found in _models_in(field.annotation)}
    return models


def _keys(model: type[BaseModel], place: Iterable[str | int]) -> list[str]:
    """Keys of the table at a place, as the TOML spells them."""
    return [
        field.alias or name
        for one in sorted(_models_at(model, place), key=lambda one: one.__name__)
        for name, field in one.model_fields.items()
        if not field.exclude
    ]


def _models_in(annotation: Any) -> Iterable[type[BaseModel]]:
    """Every model that a field can hold."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in typing.get_args(annotation):
        yield from _models_in(inner)
