"""The order of names in which a person numbers files."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path


def in_order(paths: Iterable[Path]) -> list[Path]:
    """Paths in natural order: strip-2 before strip-10."""
    return sorted(paths, key=_natural)


def _natural(path: Path) -> tuple[list[tuple[str, int]], str]:
    parts = re.split(r"([0-9]{1,18})", str(path))  # text and digits by turns, text first and last
    numbers = [int(text) for text in parts[1::2]] + [0]
    return list(zip(parts[::2], numbers, strict=True)), str(path)
