"""Wrong lines at the joints, put in one at a time, and whether the tests see them.

    python tests/mutants.py [--only TEXT] [--workers N]

Each mutant is a file, a piece of it that stands there once, and what is put in its place: a term
dropped, two columns swapped, a key left out. The tests named beside it must fail then. Prints a
table and exits 1 if one lives. `tests/test_mutants.py` holds the list to the code, so that a
mutant cannot rot unseen.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from mutant_list import MUTANTS, Mutant  # noqa: E402

ROOT = Path(__file__).resolve().parents[1]
#: A mutant that hangs is killed, and counts as seen.
SECONDS = 600


def killed(mutant: Mutant) -> tuple[bool, str, float]:
    """Whether a mutant's tests fail with it, the test that did, and the seconds it took."""
    began = time.perf_counter()
    with tempfile.TemporaryDirectory(prefix="mutant-") as name:
        tree = Path(name) / "tree"
        ignored = shutil.ignore_patterns(".git", "__pycache__", "results*", ".venv", ".*_cache")
        shutil.copytree(ROOT, tree, ignore=ignored)
        path = tree / mutant.file
        text = path.read_text(encoding="utf-8")
        if text.count(mutant.before) != 1:
            raise SystemExit(f"{mutant.file}: not there once: {mutant.before!r}")
        path.write_text(text.replace(mutant.before, mutant.after), encoding="utf-8")
        # The tree's own package, whatever is installed; compiled kernels must not be shared.
        environment = {
            **os.environ,
            "PYTHONPATH": str(tree),
            "NUMBA_CACHE_DIR": str(Path(name) / "numba"),
        }
        command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider"]
        try:
            done = subprocess.run(
                [*command, "-n", "0", *mutant.tests],
                cwd=tree,
                env=environment,
                capture_output=True,
                text=True,
                timeout=SECONDS,
            )
        except subprocess.TimeoutExpired:
            return True, "hung", time.perf_counter() - began
    seconds = time.perf_counter() - began
    if done.returncode == 0:
        return False, "", seconds
    seen = [line for line in done.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))]
    if done.returncode != 1 or not seen:
        raise SystemExit(f"{mutant.says}: the tests did not run\n{done.stdout[-2000:]}{done.stderr}")
    return True, seen[0].split(" ", 1)[1].split(" - ")[0], seconds


def main(arguments: Sequence[str] | None = None) -> int:
    """Try every mutant; the table on standard output."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--only", default="", help="mutants whose description holds this text")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    given = parser.parse_args(arguments)
    chosen = [m for m in MUTANTS if given.only in m.says]
    alive = 0
    with ThreadPoolExecutor(given.workers) as threads:
        for mutant, (seen, by, seconds) in zip(chosen, threads.map(killed, chosen), strict=True):
            alive += not seen
            what = f"killed by {by}" if seen else "LIVES"
            print(f"{mutant.says:<68} {seconds:5.0f} s  {what}", flush=True)
    print(f"{len(chosen)} wrong lines, {len(chosen) - alive} seen, {alive} unseen")
    return 1 if alive else 0


if __name__ == "__main__":
    raise SystemExit(main())
