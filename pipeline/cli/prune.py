"""The command `prune`."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any


def add_prune(commands: Any, epilog: str) -> None:
    """The parser of `prune`."""
    prune = commands.add_parser(
        "prune", help="list runs that a later one follows; remove them", epilog=epilog
    )
    prune.add_argument("folder", type=Path, metavar="FOLDER", help="of results")
    prune.add_argument("--yes", action="store_true", help="remove what is listed")
    prune.add_argument(
        "--keep", action="append", default=[], metavar="RUN", help="not this one; may be repeated"
    )
    prune.set_defaults(call=_prune)


def _prune(options: argparse.Namespace) -> int:
    from pipeline.foreign import one_line
    from pipeline.inspect.prune import remove, superseded

    found = superseded(options.folder, options.keep)
    size = sum(one.bytes for one in found) / 1e9
    for one in remove(found) if options.yes else found:
        told = "removed" if options.yes else "would be removed"
        what = f"{one.bytes / 1e9:.2f} GB, followed by {one.followed_by}"
        print(one_line(f"{told}: {one.run} ({what})"), flush=True)
    count = f"{len(found)} run{'' if len(found) == 1 else 's'}, {size:.2f} GB"
    print(f"{count} {'removed' if options.yes else 'would be removed; add --yes to remove'}")
    return 0
