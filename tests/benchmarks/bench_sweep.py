"""Twenty small flights, three of them broken: how a night's sweep goes.

`python tests/benchmarks/bench_sweep.py`
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from pipeline.campaign.sweep import sweep
from pipeline.synthetic import FlightPlan, make_flight

FLIGHTS = 20


def break_flights(inbox: Path) -> dict[str, str]:
    """Break three flights, each its own way; the name of each with a word of its reason."""
    raw = inbox / "flight-03" / "raw"
    os.truncate(raw / "strip-00.raw", 1000)
    (raw / "manifest.sha256").unlink()
    config = inbox / "flight-08" / "flight.toml"
    config.write_text(config.read_text() + "\n[colour]\nred = 1\n")
    raw = inbox / "flight-15" / "raw"
    (raw / "cap-before.hdr").write_text("nothing")
    (raw / "manifest.sha256").unlink()
    return {"flight-03": "strip-00", "flight-08": "colour", "flight-15": "cap-before.hdr"}


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder)
        plan = FlightPlan(cubes=1, lines=160, samples=64, bands=30, dark_frames=60)
        for i in range(FLIGHTS):
            make_flight(base / "inbox" / f"flight-{i:02d}", plan)
        broken = break_flights(base / "inbox")
        (base / "campaign.toml").write_text("[sweep]\nsettle_minutes = 0\nattempts = 1\n")
        began = time.perf_counter()
        result = sweep(base / "campaign.toml")
        first_s = time.perf_counter() - began
        aside = {f.flight: f.reason for f in result.flights if f.state == "set aside"}
        done = sum(f.state == "done" for f in result.flights)
        print(f"first sweep: {done} done, {len(aside)} set aside, exit {result.exit_code}, "
              f"{first_s:.1f} s")  # fmt: skip
        for flight, reason in aside.items():
            print(f"  {flight}: {reason}")
        command = [sys.executable, "-m", "pipeline", "sweep", str(base / "campaign.toml")]
        began = time.perf_counter()
        second = subprocess.run(command, capture_output=True, text=True, check=False)
        second_s = time.perf_counter() - began
        print(f"second sweep, as a command: exit {second.returncode}, {second_s:.2f} s")
        right = (
            done == FLIGHTS - len(broken)
            and set(aside) == set(broken)
            and all(word in aside[flight] for flight, word in broken.items())
            and (result.exit_code, second.returncode) == (1, 0)
            and second_s < 3
        )
    print("as expected" if right else "NOT as expected")
    return 0 if right else 1


if __name__ == "__main__":
    raise SystemExit(main())
