"""Numbers as text."""

from __future__ import annotations

import re

# Possessive, for a long text would cost the square of its length in backtracking.
_DIGITS = r"[+-]?(?:[0-9]++\.?[0-9]*+|\.[0-9]++)"

#: A decimal number and what follows it, such as a unit.
NUMBER = re.compile(rf"({_DIGITS}(?:[eE][+-]?[0-9]{{1,4}})?)\s*+(.*)", re.S)
