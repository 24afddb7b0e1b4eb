"""The command line: thin, and quick to answer `--help`."""

from __future__ import annotations

import argparse
import atexit
import gc
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.cli.ending import INTERRUPTED, TERMINATED, Terminated, ends_when_terminated
from pipeline.cli.prune import add_prune
from pipeline.cli.record import add_record
from pipeline.cli.standard_output import guarded_output
from pipeline.cli.start import loading
from pipeline.errors import ReflectoryError
from pipeline.version import __version__

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.progress.protocol import Progress

EPILOG = "exit: 0 done, 1 done in part or unusable, 2 the request is wrong, 3 another sweep at work"

#: Measured by tests/benchmarks/bench_threads.py, up to 16 threads.
_WORKERS = (
    "threads; all processors. Memory: 0.5 GB, and 0.1 GB for each thread, at 640 samples x "
    "270 bands"
)


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

    draft = commands.add_parser(
        "draft", help="from a folder off the card to a config", epilog=EPILOG
    )
    draft.add_argument("folder", type=Path, metavar="FOLDER", help="of one flight's files")
    draft.set_defaults(call=_draft)

    check = _on_config(commands, "check", _check, "all but the cubes: may I calibrate this flight?")
    check.add_argument("--json", action="store_true", help="one JSON object on standard output")

    run = _on_config(commands, "run", _run, "calibrate a flight")
    run.add_argument("--output", type=Path, metavar="DIR", help="instead of output.folder")
    run.add_argument("--workers", type=_positive, metavar="N", help=_WORKERS)
    run.add_argument(
        "--cluster", metavar="ADDRESS", help="calibrate the cubes on a dask.distributed scheduler"
    )
    run.add_argument("--again", action="store_true", help="even if it is already done")
    run.add_argument("--json", action="store_true", help="run.json on standard output")

    sweep = _on_config(commands, "sweep", _sweep, "calibrate all that is new in an inbox")
    sweep.add_argument("--workers", type=_positive, metavar="N", help=_WORKERS)

    add_record(commands, EPILOG)
    _compare_parser(commands)
    _verify_parser(commands)
    _export_parser(commands)
    add_prune(commands, EPILOG)
    return parser


def _compare_parser(commands: Any) -> None:
    compare = commands.add_parser("compare", help="what changed between two runs", epilog=EPILOG)
    compare.add_argument("runs", nargs=2, type=Path, metavar="RUN")
    compare.add_argument("--json", action="store_true", help="one JSON object on standard output")
    compare.set_defaults(call=_compare)


def _verify_parser(commands: Any) -> None:
    verify = commands.add_parser(
        "verify", help="are results and inputs still what they were?", epilog=EPILOG
    )
    verify.add_argument("run", type=Path, metavar="RUN")
    verify.add_argument(
        "--quick", action="store_true", help="inputs by presence and size, not by digest"
    )
    verify.add_argument(
        "--all", action="store_true", help="list also what is as it was, not only what differs"
    )
    verify.add_argument(
        "--inputs",
        type=Path,
        action="append",
        default=[],
        metavar="DIR",
        help="a folder that inputs may lie in, or did before the run moved; may be repeated",
    )
    verify.set_defaults(call=_verify)


def _export_parser(commands: Any) -> None:
    beside = (
        "By default the files go into the folder RUN-export beside the run; nothing is added to "
        "the run itself. Each file's path is printed."
    )
    export = commands.add_parser(
        "export",
        help="quicklooks, spectra, map and other forms of a run",
        description=beside,
        epilog=EPILOG,
    )
    export.add_argument("run", type=Path, metavar="RUN", help="folder of a finished run")
    kinds = export.add_subparsers(dest="kind", required=True, metavar="WHAT")
    told = "true-colour GeoTIFF of each cube"
    quicklook = kinds.add_parser("quicklook", help=told, description=f"{told}. {beside}")
    quicklook.add_argument("--cube", metavar="STEM", help="one cube only")
    quicklook.add_argument(
        "--target", type=Path, metavar="PATH", help="folder, made where absent; or one cube's .tif"
    )
    told = "CSV of named regions' mean spectra"
    spectra = kinds.add_parser("spectra", help=told, description=f"{told}. {beside}")
    spectra.add_argument("--regions", type=Path, required=True, metavar="FILE", help="KML, GeoJSON")
    spectra.add_argument(
        "--target", type=Path, metavar="PATH", help="the CSV, or a folder there is"
    )
    _map_parser(kinds, beside)
    _cube_parser(kinds, beside)
    export.set_defaults(call=_export)


def _map_parser(kinds: Any, beside: str) -> None:
    told = "GeoTIFFs of all strips laid on the ground, for orientation"
    laid = kinds.add_parser("map", help=told, description=f"{told}. {beside}")
    laid.add_argument(
        "--wavelength",
        type=float,
        nargs="+",
        default=[],
        metavar="NM",
        help="the bands nearest to these; all bands",
    )
    laid.add_argument(
        "--step", type=_above_zero, metavar="M", help="side of a cell; the width of a sample"
    )
    laid.add_argument("--target", type=Path, metavar="DIR", help="folder, made where absent")
    laid.add_argument("--workers", type=_positive, metavar="N", help="threads; all processors")


def _cube_parser(kinds: Any, beside: str) -> None:
    told = "cubes as GeoTIFF or flat binary, a band a wavelength, values as they are packed"
    cube = kinds.add_parser("cube", help=told, description=f"{told}. {beside}")
    cube.add_argument("--format", choices=("geotiff", "flat"), required=True, help="of the files")
    cube.add_argument("--cube", metavar="STEM", help="one cube only")
    cube.add_argument("--target", type=Path, metavar="DIR", help="folder, made where absent")


def _on_config(
    commands: Any, name: str, call: Callable[[argparse.Namespace], int], told: str
) -> argparse.ArgumentParser:
    """A command that takes a config and writes a log."""
    parser: argparse.ArgumentParser = commands.add_parser(name, help=told, epilog=EPILOG)
    parser.add_argument("config", type=Path, metavar="CONFIG")
    parser.add_argument("--log", type=Path, metavar="FILE", help="append events as JSON lines")
    parser.set_defaults(call=call)
    return parser


def _positive(text: str) -> int:
    value = int(text)
    if value < 1:
        raise argparse.ArgumentTypeError("expected 1 or more")
    return value


def _above_zero(text: str) -> float:
    value = float(text)
    if not 0 < value < float("inf"):
        raise argparse.ArgumentTypeError("expected a number above 0")
    return value


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; the exit code."""
    # The last collection, of some 150,000 objects that end with the process, costs half a second.
    atexit.register(gc.freeze)
    try:
        with guarded_output():
            options = build_parser().parse_args(arguments)
            with ends_when_terminated():
                code: int = options.call(options)
    except ReflectoryError as error:
        _complain(str(error))
        return error.exit_code
    except KeyboardInterrupt as end:
        terminated = isinstance(end, Terminated)
        how = "terminated" if terminated else "interrupted"
        _complain(f"{how}; nothing half-written is left")
        return TERMINATED if terminated else INTERRUPTED
    except BrokenPipeError:
        # The reader of our output has gone; there is nobody to tell.
        return 1
    except MemoryError:
        _complain("not enough memory for this flight; use --workers 1")
        return 1
    return code


def _complain(text: str) -> None:
    """A line on standard error, if there is one: of none, `print` would make standard output."""
    if sys.stderr is not None:
        with suppress(OSError):
            print(f"reflectory: {text}", file=sys.stderr, flush=True)


@contextmanager
def _told(
    options: argparse.Namespace, flight: str = "", *, left_out: str = ""
) -> Iterator[Progress]:
    """Progress on the terminal, but for the events left out, and, where asked for, in a log."""
    from pipeline.progress.event_log import About, Both, LogFile
    from pipeline.progress.terminal import Terminal

    with ExitStack() as stack:
        log = stack.enter_context(LogFile(options.log)) if options.log else None
        terminal = stack.enter_context(Terminal(left_out=left_out))
        if log is None:
            yield terminal
        else:
            yield Both(terminal, About(log, flight=flight) if flight else log)


def _run(options: argparse.Namespace) -> int:
    with loading():
        from pipeline.cli.verdict import show_verdict
        from pipeline.config.flight import load_config, require_output_folder
        from pipeline.flight.run import run

    config = load_config(options.config, output=options.output)
    require_output_folder(config, "--output" if options.output is not None else "")
    with _told(options, config.flight.name) as progress:
        result = run(
            config,
            workers=options.workers,
            cluster=options.cluster,
            again=options.again,
            progress=progress,
        )
    if options.json:
        _print_json(result.document)
    else:
        show_verdict(result.record, result.folder, reused=result.reused)
    return result.exit_code


def _draft(options: argparse.Namespace) -> int:
    with loading():
        from pipeline.draft.draft import draft
        from pipeline.foreign import one_line
        from pipeline.progress.terminal import Terminal

    with Terminal() as progress:
        made = draft(options.folder, progress=progress)
    for line in made.told:
        print(one_line(line))
    return made.exit_code


def _check(options: argparse.Namespace) -> int:
    with loading():
        from pipeline.cli.verdict import show_verdict
        from pipeline.config.flight import load_config
        from pipeline.draft.look import page_of_check
        from pipeline.errors import CalibrationError
        from pipeline.flight.field_check import look

    config = load_config(options.config)
    with _told(options, config.flight.name) as progress:
        try:
            record = look(config, progress=progress)
        except CalibrationError as error:
            # Where panels are not found is where a person must look.
            print(f"look at: {page_of_check(config, None, error)}", file=sys.stderr)
            raise
        page = page_of_check(config, record)
    if options.json:
        _print_json({**record.to_json(), "page": str(page)})
    else:
        show_verdict(record, None)
        print(f"look at: {page}")
    return record.exit_code


def _sweep(options: argparse.Namespace) -> int:
    from pipeline.campaign.sweep import sweep

    with _told(options, left_out="flight ") as progress:
        result = sweep(options.config, progress=progress, workers=options.workers)
    for flight in result.flights:
        print(flight.line)
    for name in result.needing:
        print(f"needs somebody: {name}")
    number = len(result.flights)
    print(f"{number} flight{'' if number == 1 else 's'}; index: {result.index}")
    return result.exit_code


def _compare(options: argparse.Namespace) -> int:
    from pipeline.inspect.compare import compare
    from pipeline.inspect.comparison_tables import show_comparison

    comparison = compare(*options.runs)
    if options.json:
        _print_json(comparison)
    else:
        show_comparison(comparison)
    return 0


def _verify(options: argparse.Namespace) -> int:
    from pipeline.foreign import one_line
    from pipeline.inspect.verify import exit_code, verify

    findings = verify(options.run, inputs=not options.quick, folders=options.inputs)
    for finding in findings:
        if options.all or not finding.ok:
            print(one_line(f"{'ok' if finding.ok else 'DIFFERS'}  {finding.file}: {finding.what}"))
    sound = sum(finding.ok for finding in findings)
    how = " (inputs by presence and size alone)" if options.quick else ""
    print(f"{len(findings)} checked: {sound} as they were, {len(findings) - sound} differ{how}")
    return exit_code(findings)


def _export(options: argparse.Namespace) -> int:
    from pipeline.inspect import exports

    if options.kind == "spectra":
        print(f"written: {exports.spectra(options.run, options.regions, options.target)}")
        return 0
    if options.kind == "map":
        _print_written(
            lambda progress: exports.map_files(
                options.run,
                options.target,
                wavelength_nm=options.wavelength,
                step_m=options.step,
                workers=options.workers,
                progress=progress,
            )
        )
        return 0
    if options.kind == "cube":
        _print_written(
            lambda progress: exports.cubes(
                options.run, options.format, options.cube, options.target, progress=progress
            )
        )
        return 0
    for file in exports.quicklooks(options.run, options.cube, options.target):
        print(f"written: {file}")
    return 0


def _print_written(files: Callable[[Progress], Iterator[Path]]) -> None:
    from pipeline.progress.terminal import Terminal

    with Terminal() as progress:
        for file in files(progress):
            print(f"written: {file}", flush=True)


def _demo(options: argparse.Namespace) -> int:
    with loading():
        from pipeline.cli.demo import lay_out
        from pipeline.cli.verdict import show_verdict
        from pipeline.flight.run import run
        from pipeline.progress.terminal import Terminal

    config = lay_out(options.folder)
    with Terminal() as terminal:
        result = run(config, workers=options.workers, progress=terminal)
    show_verdict(result.record, result.folder, reused=result.reused)
    return result.exit_code


def _print_json(document: Mapping[str, object]) -> None:
    json.dump(document, sys.stdout, indent=1)
    print()
