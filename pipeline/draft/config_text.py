"""A config as text, with a comment at each line that says what it was concluded from."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from pipeline.foreign import one_line

#: Longest line with its comment; a longer comment goes above its line.
_WIDTH = 100


@dataclass(frozen=True)
class Section:
    """A table of the config; a name in double brackets may be there several times."""

    name: str
    lines: list[tuple[str, object, str]] = field(default_factory=list)  # key, value, why

    def add(self, key: str, value: object, why: str = "") -> None:
        """A key with its value and what that was concluded from."""
        self.lines.append((key, value, why))


def config_text(head: Iterable[str], sections: Sequence[Section]) -> str:
    """The whole text; sections without a line are left out."""
    parts = ["".join(f"# {one_line(line)}\n" for line in head)]
    for section in sections:
        if not section.lines:
            continue
        text = f"{section.name}\n"
        for key, value, why in section.lines:
            text += _line(key, value, one_line(why))
        parts.append(text)
    return "\n".join(parts)


def _line(key: str, value: object, why: str) -> str:
    line = f"{_key(key)} = {toml(value)}"
    if not why:
        return f"{line}\n"
    beside = f"{line}  # {why}"
    return f"{beside}\n" if len(beside) <= _WIDTH else f"# {why}\n{line}\n"


def _key(key: str) -> str:
    return key if key.replace("_", "").replace("-", "").isalnum() and key.isascii() else toml(key)


def toml(value: object) -> str:
    """A value as TOML writes it: text, number, list or inline table."""
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            # JSON's escapes are TOML's too, but for a lone surrogate, which neither may hold.
            return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
        case Mapping():
            return "{ " + ", ".join(f"{_key(str(k))} = {toml(v)}" for k, v in value.items()) + " }"
        case list() | tuple():
            return "[" + ", ".join(map(toml, value)) + "]"
        case float():
            return f"{value:.10g}" if value % 1 else f"{value:.1f}"
    return str(value)
