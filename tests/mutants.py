"""Puts each wrong line of `mutant_list.py` in and runs the tests that must see it.

`python tests/mutants.py [--only TEXT] [--jobs N]` prints a table; exit 1 if one lives. Each job
has a copy of the checkout; only a test that fails kills (pytest's exit 1), no error of collection.
"""

from __future__ import annotations

import argparse
import os
import queue
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from mutant_list import MUTANTS, Mutant

CHECKOUT = Path(__file__).resolve().parents[1]
KILLED, ALIVE, LONGEST_S = "killed", "ALIVE", 600


def copied(folder: Path) -> Path:
    """A copy of what git would carry."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=CHECKOUT, check=True, capture_output=True,
    ).stdout  # fmt: skip
    for name in filter(None, os.fsdecode(listed).split("\0")):
        if (CHECKOUT / name).is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(CHECKOUT / name, folder / name)
    return folder


def tried(mutant: Mutant, tree: Path) -> str:
    """What became of a wrong line: killed, alive, or why it could not be told."""
    path = tree / mutant.file
    text, stat = path.read_text(encoding="utf-8"), path.stat()
    if text.count(mutant.before) != 1:
        return "does not apply"
    try:
        path.write_text(text.replace(mutant.before, mutant.after), encoding="utf-8")
        done = subprocess.run(
            [sys.executable, "-B", "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider",
             *mutant.tests],
            cwd=tree, capture_output=True, text=True, timeout=LONGEST_S,
            env=os.environ | {"PYTHONPATH": str(tree)},
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return f"no answer in {LONGEST_S} s"
    finally:
        path.write_text(text, encoding="utf-8")
        # As it was, so that what was compiled of it still holds.
        os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    if done.returncode in (0, 1):
        return KILLED if done.returncode else ALIVE
    return f"pytest ended with {done.returncode}: {done.stdout.strip().splitlines()[-1:]}"


def main() -> int:
    """Try all, print the table; 1 if one lives."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--only", default="", metavar="TEXT", help="in the words or the file")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, metavar="N")
    asked = parser.parse_args()
    chosen = [m for m in MUTANTS if asked.only in f"{m.says} {m.file}"]
    began = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        trees: queue.SimpleQueue[Path] = queue.SimpleQueue()
        for job in range(asked.jobs):
            trees.put(copied(Path(folder) / str(job)))

        def one(mutant: Mutant) -> str:
            tree = trees.get()
            try:
                return tried(mutant, tree)
            finally:
                trees.put(tree)

        fates = []
        with ThreadPoolExecutor(asked.jobs) as pool:
            for mutant, fate in zip(chosen, pool.map(one, chosen), strict=True):
                print(f"| {mutant.file} | {mutant.says} | {fate} |", flush=True)
                fates.append(fate)
    killed = fates.count(KILLED)
    print(f"{killed} of {len(chosen)} killed in {time.perf_counter() - began:.0f} s")
    return 0 if killed == len(chosen) > 0 else 1


if __name__ == "__main__":
    sys.exit(main())
