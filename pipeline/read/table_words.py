"""How a table is written, in the words of the config."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pipeline.config.tables import Table, TimedTable
from pipeline.read.times import Form, zone_seconds


@dataclass(frozen=True)
class Words:
    """How a table is written, and where the config says so."""

    key: str = ""  # such as tables.track; empty for a table that the config does not describe
    columns: Mapping[str, str] = field(default_factory=dict)  # our name to the table's own
    delimiter: str | None = None
    decimal: str | None = None
    time: Form = "iso"
    zone_s: float = 0.0
    offset_s: float = 0.0

    @classmethod
    def of(cls, key: str, table: Table) -> Words:
        """The words of a section of the config."""
        columns = {str(ours): theirs for ours, theirs in getattr(table, "columns", {}).items()}
        words = cls(key, columns, table.delimiter, table.decimal)
        if not isinstance(table, TimedTable):
            return words
        zone_s = zone_seconds(table.zone)
        return cls(key, columns, table.delimiter, table.decimal, table.time, zone_s, table.offset_s)

    def theirs(self, name: str) -> str:
        """The table's own name of a column of ours."""
        return self.columns.get(name, name)

    def say(self, line: str) -> str:
        """Advice: a line of config that mends a table; nothing where no config describes it."""
        return f"Say {self.key}.{line} in the config" if self.key else ""


PLAIN = Words()
