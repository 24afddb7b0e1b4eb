"""The command line: thin, and quick to answer `--help`."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import __version__
from pipeline.errors import ReflectoryError

if TYPE_CHECKING:
    from collections.abc import Mapping

EPILOG = "exit: 0 done, 1 done in part or unusable, 2 the request is wrong, 3 another sweep at work"


def build_parser() -> argparse.ArgumentParser:
    """The parser of all commands."""
    parser = argparse.ArgumentParser(
        prog="reflectory",
        description="Raw line-scan hyperspectral counts to calibrated reflectance "
        "with its uncertainty.",
        epilog=EPILOG,
    )
    parser.add_argument("--version", action="version", version=f"reflectory {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    demo = commands.add_parser("demo", help="calibrate the sample flight", epilog=EPILOG)
    demo.add_argument("folder", nargs="?", default="demo", type=Path, metavar="DIR")
    demo.add_argument("--workers", type=_positive, metavar="N", help="threads")
    demo.set_defaults(call=_demo)

    check = commands.add_parser(
        "check", help="all but the cubes: may I calibrate this flight?", epilog=EPILOG
    )
    check.add_argument("config", type=Path, metavar="CONFIG")
    check.add_argument("--json", action="store_true", help="one JSON object on standard output")
    check.set_defaults(call=_check)

    run = commands.add_parser("run", help="calibrate a flight", epilog=EPILOG)
    run.add_argument("config", type=Path, metavar="CONFIG")
    run.add_argument("--output", type=Path, metavar="DIR", help="instead of output.folder")
    run.add_argument("--workers", type=_positive, metavar="N", help="threads; all processors")
    run.add_argument(
        "--cluster", metavar="ADDRESS", help="calibrate the cubes on a dask.distributed scheduler"
    )
    run.add_argument("--again", action="store_true", help="even if it is already done")
    run.add_argument("--json", action="store_true", help="run.json on standard output")
    run.set_defaults(call=_run)
    return parser


def _positive(text: str) -> int:
    value = int(text)
    if value < 1:
        raise argparse.ArgumentTypeError("expected 1 or more")
    return value


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; the exit code."""
    options = build_parser().parse_args(arguments)
    try:
        code: int = options.call(options)
    except ReflectoryError as error:
        print(f"reflectory: {error}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        print("reflectory: interrupted; nothing half-written is left", file=sys.stderr)
        return 130
    except BrokenPipeError:
        # The reader of our output has gone; there is nobody to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except MemoryError:
        print("reflectory: not enough memory for this flight; use --workers 1", file=sys.stderr)
        return 1
    return code


def _run(options: argparse.Namespace) -> int:
    from pipeline.run.execute import run
    from pipeline.terminal import Terminal, show

    with Terminal() as terminal:
        result = run(
            options.config,
            output=options.output,
            workers=options.workers,
            cluster=options.cluster,
            again=options.again,
            progress=terminal,
        )
    if options.json:
        _print_json(result.document)
    else:
        show(result.document, result.folder, reused=result.reused)
    return result.exit_code


def _check(options: argparse.Namespace) -> int:
    from pipeline.run.look import look
    from pipeline.terminal import Terminal, show

    with Terminal() as terminal:
        document = look(options.config, progress=terminal)
    if options.json:
        _print_json(document)
    else:
        show(document, None)
    return 1 if document["verdict"] == "unusable" or document["outcome"] == "partial" else 0


def _demo(options: argparse.Namespace) -> int:
    from pipeline.run.demo import lay_out
    from pipeline.run.execute import run
    from pipeline.terminal import Terminal, show

    config = lay_out(options.folder)
    with Terminal() as terminal:
        result = run(config, workers=options.workers, progress=terminal)
    show(result.document, result.folder, reused=result.reused)
    return result.exit_code


def _print_json(document: Mapping[str, object]) -> None:
    json.dump(document, sys.stdout, indent=1)
    print()
