"""The README's reference tables, made from the models and the limits.

`python -m pipeline.cli.reference` brings the README up to date; a test holds it to them.
"""

from __future__ import annotations

import sys
import types
import typing
from pathlib import Path

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from pipeline.config.flight import Config
from pipeline.config.sensor import HeaderKey
from pipeline.radiometry.limits import LIMITS, Limit

_BEGIN, _END = "<!-- made from the code: {} -->", "<!-- end: {} -->"


def config_table() -> str:
    """Every key of the config with its default and what it means."""
    lines = ["| key | default | meaning |", "|---|---|---|"]
    for section, field in Config.model_fields.items():
        if field.exclude:
            continue
        model = _model_in(field.annotation)
        if model is None:
            lines.append(f"| `[{section}]` | | A check's limits by its name: see the checks. |")
            continue
        listed = typing.get_origin(field.annotation) is tuple
        lines += _rows(model, f"[[{section}]] " if listed else f"{section}.")
    return "\n".join(lines)


def _rows(model: type[BaseModel], prefix: str) -> list[str]:
    rows = []
    for name, field in model.model_fields.items():
        inner, key = _model_in(field.annotation), field.alias or name
        if (
            inner is not None
            and field.default is not PydanticUndefined
            and not issubclass(inner, HeaderKey)
        ):
            rows += _rows(inner, f"{prefix}{name}.")
            continue
        key = f'"{key}"' if " " in key else key
        rows.append(f"| `{prefix}{key}` | {_default(field)} | {_said(field)} |")
    return rows


def _model_in(annotation: object) -> type[BaseModel] | None:
    """The one model that a field holds, alone, in a list or as an option; None for plain values."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if typing.get_origin(annotation) is tuple:
        return _model_in(typing.get_args(annotation)[0])
    if isinstance(annotation, types.UnionType):
        return next(filter(None, map(_model_in, typing.get_args(annotation))), None)
    return None


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    default = field.get_default(call_default_factory=True)
    match default:
        case None:
            return "absent"
        case HeaderKey():
            return f'`"{default.key}"`'
        case bool():
            return f"`{str(default).lower()}`"
        case tuple():
            return "`[" + ", ".join(f'"{v}"' for v in default) + "]`"
        case dict():
            return "`{}`"
        case str() | Path():
            return f'`"{default}"`'
        case _:
            return f"`{default:g}`"


def _said(field: FieldInfo) -> str:
    return (field.description or "").replace("|", "\\|")


def checks_table() -> str:
    """Every check with its limits, their source, what it looks at and what to do."""
    lines = [
        "| check | looks at | caution | fail | what to do | source |",
        "|---|---|---|---|---|---|",
    ]
    for name, limits in LIMITS.items():
        cells = (
            f'<a id="{name}"></a>`{name}`',
            limits.about,
            _limit(limits.caution, limits.kind, limits.unit),
            _limit(limits.fail, limits.kind, limits.unit),
            limits.do,
            limits.source,
        )
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(lines)


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


TABLES = {"config": config_table, "checks": checks_table}


def updated(text: str) -> str:
    """The README's text with its tables made anew."""
    for name, table in TABLES.items():
        begin, end = _BEGIN.format(name), _END.format(name)
        before, rest = text.split(begin)
        _, after = rest.split(end)
        text = f"{before}{begin}\n{table()}\n{end}{after}"
    return text


def main() -> int:
    """Bring the README beside the package up to date."""
    readme = Path(__file__).parents[2] / "README.md"
    readme.write_text(updated(readme.read_text(encoding="utf-8")), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
