"""A whole run against its limits and against the ways it could be done otherwise.

Run from the checkout, on a quiet machine: `python tests/benchmarks/bench_flight.py`. One simulated
flight; every step is a process of its own, measured from outside, in `--repeat` rounds of all
steps, so that a change of the machine's mood falls on all of them; medians are shown. Before
anything is timed, the peers' numbers are held against ours.

What a `reflectory run` does and the others do not: measures two dark captures of 1000 frames (as
many bytes as two cubes of 1000 lines), panels and scene, fits, checks, digests inputs and outputs,
reads a sample of chunks again, writes the report and flushes every file to the disk (so does `cp`;
the peers do not). The peers are given dark, fit and bad elements: cube work alone is compared.
"""

# Nothing beyond the standard library here: a child's peak memory, as the kernel counts it, is at
# least that of the process that started it.
from __future__ import annotations

import argparse
import json
import os
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

HERE = Path(__file__).resolve().parent
CHECKOUT = HERE.parents[1]
#: A step that takes longer hangs.
LONGEST_S = 900
GROWTH = (1, 2, 4, 8)
DARK_FRAMES = 2 * 1000

RUN, PLAIN, TO_ZARR = "run", "run, no uncertainty", "run, to Zarr"
COPY = "cp + flush of every copy"
FLOOR, ALONE = "deflate floor", "kernel + deflate + write"
LZ4_FLOOR = "lz4 floor"
PEERS = {
    "numpy": "numpy, xarray to netCDF",
    "netcdf": "xarray + dask to netCDF",
    "zarr": "xarray + dask to Zarr",
}


def named(peer: str, plain: bool) -> str:
    """A peer's row."""
    return PEERS[peer] + (", no uncertainty" if plain else "")


@dataclass(frozen=True)
class Measured:
    """One step, once."""

    wall_s: float
    cpu_s: float
    peak_mb: float
    written_mb: float = 0.0
    says: str = ""  # what it printed
    cubes_s: float = 0.0  # of a whole run: the stage of the cubes alone


def environment() -> dict[str, str]:
    """A step's variables: this checkout's code, and its bytecode kept as everywhere by default.

    Compiled anew each time, our modules alone would take 0.15 s of every start.
    """
    ours = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return ours | {"PYTHONPATH": str(CHECKOUT)}


def measured(command: Sequence[str | Path], out: Path | None = None) -> Measured:
    """Run a command to its end; RuntimeError with its last words if it fails or hangs."""
    os.sync()
    with tempfile.TemporaryFile("w+") as said, tempfile.TemporaryFile("w+") as errors:
        began = time.perf_counter()
        child = subprocess.Popen(
            [str(part) for part in command],
            stdout=said,
            stderr=errors,
            cwd=CHECKOUT,
            env=environment(),
        )
        signal.alarm(LONGEST_S)
        try:
            _, status, used = os.wait4(child.pid, 0)
        except BaseException:
            child.kill()
            child.wait()
            raise
        finally:
            signal.alarm(0)
        wall = time.perf_counter() - began
        child.returncode = os.waitstatus_to_exitcode(status)
        said.seek(0)
        errors.seek(0)
        if child.returncode:
            words = " ".join(map(str, command))
            raise RuntimeError(f"exit {child.returncode} of {words}\n{errors.read()[-2000:]}")
        written = sum(p.stat().st_size for p in out.rglob("*") if p.is_file()) if out else 0
        return Measured(
            wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, written / 1e6, said.read()
        )


def too_long(_number: int, _frame: object) -> None:
    """End a step that hangs: a handler of the alarm."""
    raise TimeoutError(f"a step took more than {LONGEST_S} s")


def step(name: str, *arguments: str | Path) -> list[str | Path]:
    """The command of one step of `own_steps.py`."""
    return [sys.executable, HERE / "own_steps.py", name, *arguments]


def run_command(config: Path, out: Path) -> list[str | Path]:
    """The command of a whole run."""
    return [sys.executable, "-m", "pipeline", "run", config, "--output", out, "--again"]


def commands(
    flight: Path, out: Path, ours: Path, peers: Sequence[str]
) -> dict[str, list[str | Path]]:
    """Every step's command by its row, to write to `out`; `ours` holds a finished run."""
    raws = sorted((flight / "raw").glob("strip-*.raw"))
    copy = 'mkdir "$0" && cp "$@" "$0" && sync "$0"/*'
    found: dict[str, list[str | Path]] = {
        RUN: run_command(flight / "flight.toml", out),
        PLAIN: run_command(flight / "plain.toml", out),
        TO_ZARR: run_command(flight / "zarr.toml", out),
        COPY: ["sh", "-c", copy, out, *raws],
        FLOOR: step("floor", ours),
        LZ4_FLOOR: step("lz4-floor", ours),
        ALONE: step("alone", flight, out),
    }
    for peer in peers:
        for plain in (False, True):
            words: list[str | Path] = [sys.executable, HERE / "peers.py", peer, flight, out]
            found[named(peer, plain)] = [*words, *(["--plain"] if plain else [])]
    return found


def once(command: Sequence[str | Path], out: Path, row: str) -> Measured:
    """One step; what it wrote is removed. Of steps that time their own part, that part."""
    try:
        result = measured(command, out)
        for path in out.rglob("run.json"):
            result = replace(result, cubes_s=json.loads(path.read_text())["timings"]["cubes"])
    finally:
        shutil.rmtree(out, ignore_errors=True)
    if row in (FLOOR, LZ4_FLOOR, ALONE):
        own = json.loads(result.says)
        return Measured(own["wall_s"], own["cpu_s"], result.peak_mb, result.written_mb)
    return result


def ready(flight: Path, results: Path, out: Path, peers: Sequence[str]) -> None:
    """Warm up, and hold the peers' numbers against ours."""
    for config, folder in (("flight.toml", "with"), ("plain.toml", "plain"), ("zarr.toml", "zarr")):
        measured(run_command(flight / config, results / folder))
    measured(step("agree", results / "with", next((results / "zarr").glob("*/*/run.json")).parent))
    shutil.rmtree(results / "zarr")
    measured(step("prepare", flight))
    for peer in peers:
        for plain in (False, True):
            command: list[str | Path] = [sys.executable, HERE / "peers.py", peer, flight, out]
            measured([*command, *(["--plain"] if plain else [])])
            measured(step("agree", results / ("plain" if plain else "with"), out))
            shutil.rmtree(out)
            tell(f"agrees: {named(peer, plain)}")
    shutil.rmtree(results / "plain")


def compare(
    flight: Path, work: Path, repeat: int, peers: Sequence[str]
) -> dict[str, list[Measured]]:
    """All steps, `repeat` rounds of them."""
    out, results = work / "out", work / "results"
    ready(flight, results, out, peers)
    found: dict[str, list[Measured]] = {}
    for turn in range(repeat):
        for row, command in commands(flight, out, results / "with", peers).items():
            found.setdefault(row, []).append(once(command, out, row))
            tell(f"round {turn + 1} of {repeat}: {row} {found[row][-1].wall_s:.2f} s")
    return found


def growth(flight: Path, work: Path, most: int, repeat: int) -> dict[int, list[Measured]]:
    """Whole runs of ever more cubes of one flight."""
    out = work / "out"
    counts = [count for count in GROWTH if count <= most]
    once(run_command(flight / "first-1.toml", out), out, RUN)
    found: dict[int, list[Measured]] = {count: [] for count in counts}
    for _ in range(repeat):
        for count in counts:
            command = run_command(flight / f"first-{count}.toml", out)
            found[count].append(once(command, out, RUN))
            tell(f"{count} cubes: {found[count][-1].wall_s:.2f} s")
    return found


def help_s() -> float:
    """Median wall time of `reflectory --help`."""
    return median([measured([sys.executable, "-m", "pipeline", "--help"]) for _ in range(5)])


def median(runs: Sequence[Measured], what: str = "wall_s") -> float:
    """Median of one figure."""
    return float(statistics.median(getattr(run, what) for run in runs))


def main_table(found: Mapping[str, Sequence[Measured]]) -> list[list[str]]:
    """A row a step; the ratio is to the run that gives the same variables."""
    rows = [["step", "wall s (from - to)", "cpu s", "peak MB", "MB written", "over the run"]]
    for row, runs in found.items():
        walls = [run.wall_s for run in runs]
        base = median(found[PLAIN if row.endswith("no uncertainty") else RUN])
        own = row in (FLOOR, LZ4_FLOOR, ALONE)
        rows.append(
            [
                row,
                f"{median(runs):.2f} ({min(walls):.2f} - {max(walls):.2f})",
                f"{median(runs, 'cpu_s'):.2f}",
                "-" if own else f"{median(runs, 'peak_mb'):.0f}",
                f"{median(runs, 'written_mb'):.0f}",
                f"{median(runs) / base:.2f}",
            ]
        )
    return rows


def ratio_table(found: Mapping[str, Sequence[Measured]]) -> list[list[str]]:
    """The ratios by which speed is judged; each round's own, then their median."""
    peers = [
        (named(peer, plain), PLAIN if plain else RUN)
        for peer in PEERS
        for plain in (False, True)
        if named(peer, plain) in found
    ]
    limits = [(RUN, COPY), (PLAIN, COPY), (RUN, ALONE), (RUN, FLOOR)]
    rows = [["ratio", "of", "to", "median (from - to)"]]

    def add(kind: str, above: str, below: str, of: str = "wall_s", to: str = "wall_s") -> None:
        each = [
            getattr(a, of) / getattr(b, to) for a, b in zip(found[above], found[below], strict=True)
        ]
        middle = f"{statistics.median(each):.2f} ({min(each):.2f} - {max(each):.2f})"
        rows.append([kind, above, below, middle])

    for above, below in peers:
        add("peer over run", above, below)
    for above, below in peers:
        add("peer over its cubes", above, below, to="cubes_s")
    if named("zarr", False) in found:
        add("peer over its cubes", named("zarr", False), TO_ZARR, to="cubes_s")
    for above, below in limits:
        add("run over limit", above, below)
    for limit in (ALONE, FLOOR):
        add("its cubes over limit", RUN, limit, of="cubes_s")
    for limit in (FLOOR, LZ4_FLOOR):
        add("its cubes over limit", TO_ZARR, limit, of="cubes_s")
    add("cubes over cubes", TO_ZARR, RUN, of="cubes_s", to="cubes_s")
    return rows


def growth_table(found: Mapping[int, Sequence[Measured]]) -> list[list[str]]:
    """A row a number of cubes."""
    rows = [["cubes", "wall s", "wall s a cube", "cpu s a cube", "peak MB"]]
    for count, runs in found.items():
        wall, cpu = median(runs), median(runs, "cpu_s")
        peak = max(run.peak_mb for run in runs)
        rows.append(
            [str(count), f"{wall:.2f}", f"{wall / count:.2f}", f"{cpu / count:.2f}", f"{peak:.0f}"]
        )
    return rows


def printed(rows: Sequence[Sequence[str]], markdown: bool) -> str:
    """A table for the terminal, or as markdown."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = []
    for number, row in enumerate(rows):
        cells = [cell.ljust(width) for cell, width in zip(row, widths, strict=True)]
        lines.append(f"| {' | '.join(cells)} |" if markdown else "  ".join(cells).rstrip())
        if number == 0:
            rule = ["-" * width for width in widths]
            lines.append(f"| {' | '.join(rule)} |" if markdown else "  ".join(rule))
    return "\n".join(lines)


def tell(what: str) -> None:
    """Progress, on standard error."""
    print(f"  {what}", file=sys.stderr, flush=True)


def require_space(folder: Path, cubes: int, lines: int, samples: int, bands: int) -> None:
    """Exit unless raw files, our results kept, and one step's output fit."""
    line = samples * bands
    needed = 1.1 * line * (cubes * lines * (2 + 5 + 5) + DARK_FRAMES * 2)
    free = shutil.disk_usage(folder).free
    if free < needed:
        raise SystemExit(f"{folder}: {free / 1e9:.1f} GB free, {needed / 1e9:.1f} GB needed")


def processor() -> str:
    """The processor's name, where the system tells."""
    for line in Path("/proc/cpuinfo").read_text().splitlines():
        if line.startswith("model name"):
            return line.partition(":")[2].strip()
    return "unknown processor"


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print; exit 1 where the peers' numbers are not ours."""
    signal.signal(signal.SIGALRM, too_long)
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    for name, value in (("cubes", 2), ("lines", 1000), ("samples", 640), ("bands", 270)):
        parser.add_argument(f"--{name}", type=int, default=value, help="%(default)s")
    parser.add_argument("--repeat", type=int, default=3, help="rounds; %(default)s")
    parser.add_argument("--folder", type=Path, help="where to make the flight; else temporary")
    parser.add_argument(
        "--peers", nargs="*", choices=PEERS, default=list(PEERS), help="all, but for large flights"
    )
    parser.add_argument("--growth", action="store_true", help="1, 2, 4, 8 cubes instead")
    parser.add_argument("--most", type=int, default=max(GROWTH), help="cubes of --growth")
    parser.add_argument("--markdown", action="store_true", help="markdown tables")
    given = parser.parse_args(arguments)
    cubes = given.most if given.growth else given.cubes
    size = (cubes, given.lines, given.samples, given.bands)
    if min(*size, given.repeat) < 1:
        parser.error("expected 1 or more of each")
    with tempfile.TemporaryDirectory(prefix="bench-", dir=given.folder) as name:
        work = Path(name)
        require_space(work, *size)
        flight = work / "flight"
        measured(step("make", flight, "--size", *map(str, size)))
        tell("the flight is made")
        tables = (
            [growth_table(growth(flight, work, cubes, given.repeat))]
            if given.growth
            else [
                main_table(found := compare(flight, work, given.repeat, given.peers)),
                ratio_table(found),
            ]
        )
    raw_mb = given.lines * given.samples * given.bands * 2 / 1e6
    print(
        f"{cubes} cubes of {given.lines} lines x {given.samples} samples x {given.bands} bands "
        f"({raw_mb:.0f} MB each), {given.repeat} rounds, {os.cpu_count()} x {processor()}"
    )
    for table in tables:
        print("\n" + printed(table, given.markdown))
    print(f"\nreflectory --help: {help_s():.2f} s, the median of 5")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
