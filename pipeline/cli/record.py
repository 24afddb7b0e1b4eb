"""The command `record`."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any


def add_record(commands: Any, epilog: str) -> None:
    """Its parser, beside those of the other commands."""
    record = commands.add_parser(
        "record", help="camera and panels over all finished flights", epilog=epilog
    )
    record.add_argument(
        "folder", type=Path, metavar="FOLDER", help="of finished runs, at any depth"
    )
    record.add_argument("--json", action="store_true", help="one JSON object on standard output")
    record.set_defaults(call=_record)


def _record(options: argparse.Namespace) -> int:
    from pipeline.campaign.record import record
    from pipeline.foreign import one_line

    made = record(options.folder)
    if options.json:
        json.dump(made.to_json(), sys.stdout, indent=1)
        print()
        return made.exit_code
    for line in made.lines():
        print(one_line(line))
    for file in made.files:
        print(f"written: {one_line(file)}")
    return made.exit_code
