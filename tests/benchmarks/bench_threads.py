"""A whole run on 1, 2, 4, ... threads up to what the machine has, and what more do not shorten.

Run from the checkout, on a quiet machine: `python tests/benchmarks/bench_threads.py`. One simulated
flight, calibrated anew each time, in `--repeat` rounds of all numbers of threads; medians. All but
the cubes, start and end included, is the part that knows of no threads or of two. The share that
does not scale is that of Amdahl's law (1967, from memory): of one thread's time T1 and that of n,
(n Tn / T1 - 1) / (n - 1).
"""

from __future__ import annotations

import argparse
import os
import signal
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

import bench_flight as bench

Runs = Mapping[int, Sequence[bench.Measured]]


def numbers(most: int) -> list[int]:
    """1, 2, 4, ... and the most."""
    doubled = [2**k for k in range(most.bit_length()) if 2**k < most]
    return [*doubled, most]


def measured(flight: Path, work: Path, threads: Sequence[int], repeat: int) -> Runs:
    """Runs by number of threads; the first one, which compiles, is thrown away."""
    out = work / "out"
    command = bench.run_command(flight / "flight.toml", out)
    bench.once(command, out, bench.RUN)
    found: dict[int, list[bench.Measured]] = {number: [] for number in threads}
    for turn in range(repeat):
        for number in threads:
            run = bench.once([*command, "--workers", str(number)], out, bench.RUN)
            found[number].append(run)
            bench.tell(f"round {turn + 1} of {repeat}: {number} threads {run.wall_s:.2f} s")
    return found


def unscaled(one_s: float, many_s: float, threads: int) -> str:
    """The share of one thread's time that more threads do not shorten."""
    if threads < 2:
        return "-"
    return f"{(threads * many_s / one_s - 1) / (threads - 1):.2f}"


def table(found: Runs) -> list[list[str]]:
    """A row a number of threads."""
    rows = [
        ["threads", "wall s", "cubes s", "all else s", "cpu s", "peak MB",
         "cubes' share that does not scale", "the run's"]
    ]  # fmt: skip
    first = found[min(found)]
    one, one_cubes = bench.median(first), bench.median(first, "cubes_s")
    for threads, runs in found.items():
        wall, cubes = bench.median(runs), bench.median(runs, "cubes_s")
        rows.append(
            [
                str(threads),
                f"{wall:.2f}",
                f"{cubes:.2f}",
                f"{wall - cubes:.2f}",
                f"{bench.median(runs, 'cpu_s'):.2f}",
                f"{max(run.peak_mb for run in runs):.0f}",
                unscaled(one_cubes, cubes, threads),
                unscaled(one, wall, threads),
            ]
        )
    return rows


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print."""
    signal.signal(signal.SIGALRM, bench.too_long)
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    for name, value in (("cubes", 4), ("lines", 1000), ("samples", 640), ("bands", 270)):
        parser.add_argument(f"--{name}", type=int, default=value, help="%(default)s")
    parser.add_argument("--most", type=int, default=os.cpu_count() or 1, help="%(default)s threads")
    parser.add_argument("--repeat", type=int, default=3, help="rounds; %(default)s")
    parser.add_argument("--folder", type=Path, help="where to make the flight; else temporary")
    parser.add_argument("--markdown", action="store_true", help="a markdown table")
    given = parser.parse_args(arguments)
    size = (given.cubes, given.lines, given.samples, given.bands)
    if min(*size, given.most, given.repeat) < 1:
        parser.error("expected 1 or more of each")
    with tempfile.TemporaryDirectory(prefix="bench-", dir=given.folder) as name:
        work = Path(name)
        bench.require_space(work, *size)
        flight = work / "flight"
        bench.measured(bench.step("make", flight, "--size", *map(str, size)))
        bench.tell("the flight is made")
        found = measured(flight, work, numbers(given.most), given.repeat)
    print(
        f"{given.cubes} cubes of {given.lines} lines x {given.samples} samples x {given.bands} "
        f"bands, {given.repeat} rounds, {os.cpu_count()} x {bench.processor()}\n"
    )
    print(bench.printed(table(found), given.markdown))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
