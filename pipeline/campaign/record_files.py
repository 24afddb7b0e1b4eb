"""The files of a record, in the folder that it is of."""

from __future__ import annotations

from typing import Final

CSV: Final = "record.csv"
PAGE: Final = "record.html"
#: Which runs the two tell of: written after them, so that it never promises too much.
STAMP: Final = ".record"
