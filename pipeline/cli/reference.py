"""The parts of the documents that are made from the code, between two marks each.

`python -m pipeline.cli.reference` brings every document up to date; a test holds them to the code.
"""

from __future__ import annotations

import argparse
import datetime as dt
import inspect
import json
import sys
import types
import typing
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from pipeline.campaign.config import Sweep
from pipeline.cli.commands import build_parser
from pipeline.config.flight import Config
from pipeline.radiometry import equation
from pipeline.radiometry.limits import SECTIONS, CheckLimits, Limit

ROOT = Path(__file__).parents[2]
#: What brings the documents up to date.
COMMAND = "python -m pipeline.cli.reference"
_BEGIN, _END = "<!-- made from the code: {} -->", "<!-- end: {} -->"

#: How a value of a type is told of in a config.
_TAKES: Mapping[object, str] = {
    str: "text",
    int: "whole number",
    float: "number",
    bool: "true or false",
    Path: "path",
    dt.date: "date",
}
#: How a bound on a number is told of, by the name of its attribute.
_BOUNDS = {"gt": "above {:g}", "ge": "{:g} or more", "lt": "below {:g}", "le": "{:g} or less"}


def command_table() -> str:
    """Every command of the program and what it is for."""
    rows = [f"| `{' '.join(words)}` | {told} |" for words, told in _commands(build_parser(), [])]
    return "\n".join(["| command | does |", "|---|---|", *rows])


def _commands(
    parser: argparse.ArgumentParser, before: list[str]
) -> Iterator[tuple[list[str], str]]:
    """Each command's words and its help; one of several kinds once for each of them."""
    for action in parser._actions:
        if not isinstance(action, argparse._SubParsersAction):
            continue
        for shown in action._choices_actions:
            inner = action.choices[shown.dest]
            needed = [a for a in inner._actions if a.option_strings and a.required]
            given = [w for a in (*inner._get_positional_actions(), *needed) for w in _named(a)]
            words = [*(before or [parser.prog]), shown.dest, *given]
            yield from list(_commands(inner, words)) or [(words, shown.help or "")]


def _named(argument: argparse.Action) -> list[str]:
    name = " ".join([*argument.option_strings[-1:], str(argument.metavar or argument.dest)])
    if isinstance(argument, argparse._SubParsersAction):
        return []
    match argument.nargs:
        case "?":
            return [f"[{name}]"]
        case int():
            return [name] * argument.nargs
        case _:
            return [name]


def flight_keys() -> str:
    """Every key of a flight's config: what it takes, its default, what it means."""
    seen: dict[type[BaseModel], str] = {}
    return "\n\n".join(
        part
        for name, field in Config.model_fields.items()
        if not field.exclude
        for part in _sections(name, field, seen)
    )


def campaign_keys() -> str:
    """The same of a campaign's own table."""
    return "\n\n".join(_sections("sweep", FieldInfo.from_annotation(Sweep), {}))


def _sections(name: str, field: FieldInfo, seen: dict[type[BaseModel], str]) -> Iterator[str]:
    """A TOML table with its keys, then the tables in it, each under its heading."""
    heading = f"[[{name}]]" if _unwrapped(field.annotation)[0] is tuple else f"[{name}]"
    (model,) = _models_in(field.annotation)
    if model in seen:
        yield f"### `{heading}`\n\nAs `{seen[model]}`."
        return
    seen[model] = heading
    own: list[str] = []
    inner: list[tuple[str, FieldInfo]] = []
    for key, value in model.model_fields.items():
        full = f"{name}.{_quoted(value.alias or key)}"
        if _is_table(value):
            inner.append((full, value))
        else:
            own += _rows(full, value)
    if _unwrapped(field.annotation)[0] is dict:
        own = [row.replace(f"`{name}.", f"`{name}.NAME.") for row in own]
    lines = [f"### `{heading}`", "", inspect.getdoc(model) or "", ""]
    if own:
        lines += ["| key | takes | default | meaning |", "|---|---|---|---|", *own]
    yield "\n".join(lines).rstrip()
    for full, value in inner:
        yield from _sections(full, value, seen)


def _rows(full: str, field: FieldInfo) -> Iterator[str]:
    """A key, and the keys of the inline tables that it may hold."""
    cells = (f"`{full}`", _takes(field), _default(field), field.description or "")
    yield "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"
    for model in _models_in(field.annotation):
        for key, value in model.model_fields.items():
            yield from _rows(f"{full}.{_quoted(value.alias or key)}", value)


def _quoted(key: str) -> str:
    return f'"{key}"' if " " in key else key


def _is_table(field: FieldInfo) -> bool:
    """Whether a key is a TOML table of its own rather than a value."""
    origin, inside = _unwrapped(field.annotation)
    if origin in (tuple, dict):
        return isinstance(inside[-1] if origin is dict else inside[0], type(BaseModel))
    kinds = [part for part in inside or (origin,) if part is not type(None)]
    return _alone(field) is None and all(isinstance(kind, type(BaseModel)) for kind in kinds)


def _alone(field: FieldInfo) -> tuple[FieldInfo, object] | None:
    """The one key that a default table is made of, and its value, which may be given alone."""
    default = field.default
    if not isinstance(default, BaseModel) or len(default.model_fields_set) != 1:
        return None
    (name,) = default.model_fields_set
    return type(default).model_fields[name], getattr(default, name)


def _unwrapped(annotation: object) -> tuple[Any, tuple[Any, ...]]:
    """A type and what is in it, without what is only said about it."""
    while typing.get_origin(annotation) is Annotated:
        annotation = typing.get_args(annotation)[0]
    return typing.get_origin(annotation) or annotation, typing.get_args(annotation)


def _models_in(annotation: object) -> list[type[BaseModel]]:
    """The models that an annotation names at any depth, each once, in order."""
    origin, inside = _unwrapped(annotation)
    if isinstance(origin, type) and issubclass(origin, BaseModel):
        return [origin]
    return list(dict.fromkeys(model for part in inside for model in _models_in(part)))


def _takes(field: FieldInfo) -> str:
    alone = _alone(field)
    words = [*(_kinds(alone[0].annotation) if alone else []), *_kinds(field.annotation)]
    bounds = [
        word.format(getattr(said, name))
        for said in field.metadata
        for name, word in _BOUNDS.items()
        if isinstance(getattr(said, name, None), int | float)
    ]
    return ", ".join([" or ".join(dict.fromkeys(words)), *bounds])


def _kinds(annotation: object) -> list[str]:
    origin, inside = _unwrapped(annotation)
    if origin in (typing.Union, types.UnionType):
        return [word for part in inside if part is not type(None) for word in _kinds(part)]
    if origin is typing.Literal:
        return [f"`{_toml(value)}`" for value in inside]
    if origin in (tuple, list):
        kinds = dict.fromkeys(word for part in inside if part is not ... for word in _kinds(part))
        if len(inside) == 1:
            return list(kinds)
        word = " or ".join(map(_several, kinds))
        return [f"list of {word}" if ... in inside else f"pair of {word}"]
    if origin is dict and typing.get_origin(inside[0]) is typing.Literal:
        return [f"table of {' or '.join(_kinds(inside[1]))} by {', '.join(_kinds(inside[0]))}"]
    if origin is dict or isinstance(origin, type(BaseModel)):
        return ["table"]
    return [_TAKES.get(origin, "value")]


def _several(kind: str) -> str:
    return kind if kind == "text" or kind.startswith("`") else f"{kind}s"


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    alone = _alone(field)
    default = alone[1] if alone else field.get_default(call_default_factory=True)
    return "absent" if default is None else f"`{_toml(default)}`"


def _toml(value: object) -> str:
    match value:
        case bool():
            return str(value).lower()
        case int() | float():
            return f"{value:g}"
        case tuple() | list():
            return "[" + ", ".join(map(_toml, value)) + "]"
        case dict():
            return "{" + ", ".join(f"{key} = {_toml(v)}" for key, v in value.items()) + "}"
        case _:
            return json.dumps(str(value))


def check_table() -> str:
    """Every check with its limits, their source, what it looks at and what to do."""
    return "\n\n".join(
        f"## {section}\n\n" + "\n".join(_check_rows(rows)) for section, rows in SECTIONS.items()
    )


def _check_rows(rows: Iterable[CheckLimits]) -> Iterator[str]:
    yield "| check | value | caution | fail | what to do | source |"
    yield "|---|---|---|---|---|---|"
    for limits in rows:
        cells = (
            f'<a id="{limits.name}"></a>`{limits.name}`',
            limits.about,
            _limit(limits.caution, limits.kind, limits.unit),
            _limit(limits.fail, limits.kind, limits.unit),
            limits.do,
            limits.source,
        )
        yield "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def _limit(limit: Limit | None, kind: str, unit: str) -> str:
    if limit is None:
        return "-"
    unit = "" if unit == "1" else f" {unit}"
    if isinstance(limit, tuple):
        return f"outside {limit[0]:g} to {limit[1]:g}{unit}"
    if limit == 0 and kind in ("any", "above", "from"):
        return "any"
    word = {"any": "above", "outside": "below", "from": "from"}.get(kind, kind)
    return f"{word} {limit:g}{unit}"


def measurement_equation() -> str:
    """The equation as `radiometry.equation` states it."""
    text = inspect.getdoc(equation) or ""
    stated = [line.strip() for line in text.splitlines() if line.startswith("    ")]
    return "\n".join(["```text", *stated, "```"])


def term_table() -> str:
    """Each term of the variance: its formula, whose error it is, how errors go together."""
    lines = [
        "| term | variance of R | the error of | along lines | along samples | along bands |",
        "|---|---|---|---|---|---|",
    ]
    for name, term in equation.TERMS.items():
        formula, of = (inspect.getdoc(term.variance) or "").split(": ", 1)
        of = " ".join(of.split()).removesuffix(".")
        cells = (f"`{name}`", f"`{formula}`", of, term.line, term.sample, term.band)
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


#: What is made from the code, by the name in its marks.
PARTS: Mapping[str, Callable[[], str]] = {
    "commands": command_table,
    "keys of a flight": flight_keys,
    "keys of a campaign": campaign_keys,
    "checks": check_table,
    "equation": measurement_equation,
    "terms of uncertainty": term_table,
}

#: The documents that hold them.
DOCUMENTS: Mapping[Path, tuple[str, ...]] = {
    ROOT / "README.md": ("commands",),
    ROOT / "configs" / "README.md": ("keys of a flight", "keys of a campaign"),
    ROOT / "pipeline" / "radiometry" / "README.md": ("equation", "terms of uncertainty"),
    ROOT / "pipeline" / "radiometry" / "checks" / "README.md": ("checks",),
}


def updated(text: str, names: tuple[str, ...]) -> str:
    """A document's text with the named parts made anew."""
    for name in names:
        begin, end = _BEGIN.format(name), _END.format(name)
        before, rest = text.split(begin)
        _, after = rest.split(end)
        text = f"{before}{begin}\n{PARTS[name]()}\n{end}{after}"
    return text


def main() -> int:
    """Bring the documents of the checkout up to date; names those that changed."""
    for path, names in DOCUMENTS.items():
        text = path.read_text(encoding="utf-8")
        new = updated(text, names)
        if new != text:
            path.write_text(new, encoding="utf-8")
            print(f"updated: {path.relative_to(ROOT)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
