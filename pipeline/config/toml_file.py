"""TOML files as tables."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from pipeline.errors import ConfigError
from pipeline.files import read_bytes

#: A config is written by hand.
_CONFIG_BYTES = 10_000_000


def read_toml(path: Path) -> tuple[dict[str, Any], str]:
    """The table that a TOML file holds, and its text; ConfigError where it is no such file."""
    raw = read_bytes(path, _CONFIG_BYTES, error=ConfigError)
    try:
        text = raw.decode("utf-8-sig")
        return tomllib.loads(text), text
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ConfigError(f"not a TOML file: {error}", where=path) from None
    except RecursionError:
        raise ConfigError("not a TOML file: nested too deeply", where=path) from None
    except ValueError:
        # What the language itself says names a switch of the interpreter's.
        raise ConfigError("a whole number has thousands of digits", where=path) from None
