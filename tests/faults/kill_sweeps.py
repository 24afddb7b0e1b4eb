"""Kill sweeps at random moments: after the next one ledger, index, summary and record agree.

`python tests/faults/kill_sweeps.py --kills 200`

Two flights lie in an inbox. Before every sweep something is new: all of it, the results, or one
flight's files. The sweep is ended by SIGKILL or SIGTERM, another runs undisturbed, and what it
leaves is held against the runs on disk.
"""

from __future__ import annotations

import argparse
import os
import random
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import unquote

from pipeline.campaign.ledger import Ledger
from pipeline.campaign.record_files import CSV, PAGE
from pipeline.flight.finished_runs import runs_by_flight
from pipeline.inspect.verify import verify
from pipeline.synthetic import FlightPlan, make_flight

PLAN = FlightPlan(cubes=1, lines=80, samples=48, bands=20, dark_frames=30, seed=5)
FLIGHTS = ("june", "july")
NEWS = ("everything", "results", "one flight")


def command(base: Path) -> list[str]:
    return [sys.executable, "-m", "pipeline", "sweep", str(base / "campaign.toml"),
            "--workers", "2"]  # fmt: skip


def make_inbox(base: Path) -> None:
    for name in FLIGHTS:
        make_flight(base / "inbox" / name, PLAN)
    # However often it is killed: here that is never the flight's fault.
    (base / "campaign.toml").write_text("[sweep]\nsettle_minutes = 0\nattempts = 1000000\n")


def make_new(base: Path, news: str) -> None:
    """Give the next sweep something to do."""
    if news == "everything":
        for ledger in base.glob("ledger.sqlite*"):
            ledger.unlink()
    if news in ("everything", "results"):
        shutil.rmtree(base / "results", ignore_errors=True)
    else:
        config = base / "inbox" / FLIGHTS[0] / "flight.toml"
        config.write_text(config.read_text() + f"# {time.time_ns()}\n")


def faults_of(base: Path) -> Iterator[str]:
    """What a campaign's ledger, pages and record say that the runs on disk do not, and the other
    way round; nothing, if all is well."""
    results = base / "results"
    runs = {runs[-1] for runs in runs_by_flight(results)}
    if len(runs) != len(FLIGHTS):
        yield f"{len(runs)} flights have results"
    for run in runs:
        yield from (f"{run}: {f.file}: {f.what}" for f in verify(run, inputs=False) if not f.ok)
        if (run.parent / "latest").resolve() != run.resolve():
            yield f"{run.parent}: latest does not lead to the newest run"
    with Ledger(base / "ledger.sqlite") as ledger:
        rows = ledger.flights()
    if {row.run_folder for row in rows} != runs or {row.state for row in rows} != {"done"}:
        yield "the ledger tells of other runs or states"
    with sqlite3.connect(base / "ledger.sqlite") as db:
        if db.execute("select count(*) from tries where ended_s is null").fetchone()[0]:
            yield "the ledger has a try without an end"
    index = (results / "index.html").read_text()
    links = {unquote(link) for link in re.findall(r'(?:href|src)="([^"#:]+)"', index)}
    told = {f"{run.relative_to(results)}/{file}" for run in runs
            for file in ("report.html", "picture.jpg")}  # fmt: skip
    if links != told | {PAGE}:
        yield f"the index leads elsewhere: {sorted(links ^ (told | {PAGE}))}"
    summary = (results / "summary.txt").read_text()
    if not all(f"[{run.relative_to(results)}/report.html]" in summary for run in runs):
        yield "the summary leads elsewhere"
    record = (results / CSV).read_text()
    if not all(run.name in record for run in runs):
        yield "the record lacks a run"
    yield from (f"left: {path}" for path in results.rglob(".*")
                if path.name not in (".kept", ".record"))  # fmt: skip


def killed(base: Path, delay_s: float, number: signal.Signals) -> bool:
    """Start a sweep and end it after a delay; whether it was still at work."""
    process = subprocess.Popen(command(base), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        process.wait(delay_s)
    except subprocess.TimeoutExpired:
        process.send_signal(number)
        process.wait()
        return True
    return False


def undisturbed(base: Path) -> tuple[float, list[str]]:
    """Let a sweep run to its end: how long it took [s], and what is wrong afterwards."""
    began = time.perf_counter()
    done = subprocess.run(command(base), capture_output=True, text=True, check=False)
    took_s = time.perf_counter() - began
    if done.returncode:
        return took_s, [f"exit {done.returncode}: {done.stdout} {done.stderr}"]
    return took_s, list(faults_of(base))


def kill_sweeps(base: Path, kills: int, seed: int) -> tuple[int, list[str]]:
    """Kill so many sweeps at work; how many were started, and what was wrong after the next."""
    chance = random.Random(seed)
    make_inbox(base)
    took_s, found = {}, []
    for news in ("everything", *NEWS):  # the first pays for what is kept between runs
        make_new(base, news)
        took_s[news], wrong = undisturbed(base)
        found += [f"{news}, undisturbed: {what}" for what in wrong]
    started = at_work = 0
    while at_work < kills:
        news = NEWS[started % len(NEWS)]
        make_new(base, news)
        number = (signal.SIGKILL, signal.SIGTERM)[started // len(NEWS) % 2]
        # Every other one near the end, where the pages and the record are written.
        delay_s = chance.uniform(0.1 if started % 2 else 0.6, 1.0) * took_s[news]
        at_work += killed(base, delay_s, number)
        started += 1
        _, wrong = undisturbed(base)
        found += [f"{news}, {number.name} after {delay_s:.3f} s: {what}" for what in wrong]
    return started, found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    os.environ.setdefault("PYTHONPATH", str(Path(__file__).parents[2]))
    with tempfile.TemporaryDirectory() as folder:
        started, found = kill_sweeps(Path(folder), options.kills, options.seed)
    print(f"{options.kills} of {started} sweeps killed at work, {len(found)} faults")
    for what in found:
        print(f"  {what}")
    return 1 if found else 0


if __name__ == "__main__":
    raise SystemExit(main())
