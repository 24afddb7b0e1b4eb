"""Thousands of damaged inputs of every kind: an error of ours or an answer, never a traceback.

`python tests/property/fuzz_many.py --inputs 10000 [--only KIND ...]`

What goes in (headers, tables, polygons, configs, manifests) and what runs and sweeps leave behind
(cubes of both formats, run.json, kept measurements, the ledger). An input that takes more than ten
seconds counts as a hang, and what was altered and is taken for whole as a fault.
"""

from __future__ import annotations

import argparse
import collections
import importlib.util
import random
import signal
import tempfile
import traceback
import warnings
from collections.abc import Callable, Collection
from pathlib import Path
from types import FrameType, ModuleType

from pipeline.campaign.config import load_campaign
from pipeline.config.flight import load_config
from pipeline.config.sensor import Sensor
from pipeline.errors import ReflectoryError
from pipeline.read.certificate import read_certificate
from pipeline.read.flat_binary import describe
from pipeline.read.manifest import read_manifest
from pipeline.read.regions import read_regions
from pipeline.read.tables import read_irradiance, read_line_times, read_track
from pipeline.synthetic import FlightPlan, make_flight

Reader = Callable[[Path], object]
#: What readers are sent: the file of the flight that is damaged, and who reads it.
KINDS: dict[str, tuple[str, Reader]] = {
    "header": ("raw/strip-00.hdr", lambda p: describe(p, Sensor())),
    "config": ("flight.toml", load_config),
    "campaign": ("campaign.toml", load_campaign),
    "certificate": ("certificates/grey-24.csv", read_certificate),
    "times": ("raw/strip-00.times.csv", lambda p: read_line_times(p, 80)),
    "track": ("track.csv", read_track),
    "irradiance": ("irradiance.csv", read_irradiance),
    "regions": ("areas.kml", read_regions),
    "manifest": ("raw/manifest.sha256", read_manifest),
}
#: Pieces that have broken programs before.
TRICKS = [
    b"\0", b"\xff\xfe", b"\n", b"\r", b'"', b"'", b"{", b"}", b"[", b"]", b"=", b",", b"..",
    b"../..", b"/etc/passwd", b"<script>", b"&x;", b"<!DOCTYPE a [<!ENTITY x SYSTEM 'file:///etc/passwd'>]>",
    b"nan", b"inf", b"-1", b"0", b"1e999", b"99999999999999999999", b"9" * 5000, b"[" * 3000,
    b"a=[" * 500, "\u2028\u0661\x1b[31m".encode(), b"2026-13-45T99:99:99Z", b"9999-12-31T23:59:59Z",
    b"0001-01-01T00:00:00+23:59", b"*", b"**/*", b"{stem}", b"{0.__class__}", b"%s%n", b"~", b"\\",
]  # fmt: skip


def damaged(whole: bytes, chance: random.Random) -> bytes:
    """A few random injuries: cut, doubled, swapped, replaced, or nothing left of it."""
    content = bytearray(whole)
    for _ in range(chance.randint(1, 4)):
        a, b = sorted(chance.randrange(len(content) + 1) for _ in range(2))
        b = min(b, a + chance.choice([1, 4, 30, 10_000]))
        match chance.randrange(6):
            case 0:
                del content[a:b]
            case 1:
                content[a:a] = content[a:b]
            case 2:
                content[a:b] = chance.randbytes(b - a)
            case 3:
                content[a:b] = chance.choice(TRICKS)
            case 4:
                content[a:a] = chance.choice(TRICKS)
            case _:
                lines = bytes(content).split(b"\n")
                chance.shuffle(lines)
                content = bytearray(b"\n".join(lines))
    return bytes(content)


def beside(name: str) -> ModuleType:
    """A program of this folder, which is no package."""
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


class HangError(Exception):
    """A reader took too long."""


def _hangs(number: int, frame: FrameType | None) -> None:
    raise HangError


def fuzz(
    folder: Path, inputs: int, seed: int = 1, only: Collection[str] = ()
) -> tuple[collections.Counter[str], list[str]]:
    """Counts of answers and refusals by kind, and whatever else came out of a reader."""
    make_flight(folder, FlightPlan(cubes=1, lines=80, samples=64, bands=10, dark_frames=5))
    (folder / "inbox").mkdir()
    text = (folder / "flight.toml").read_text()
    table = text.replace('name = "saltmarsh-june"\n', "").replace('folder = "results"\n', "")
    (folder / "campaign.toml").write_text("[sweep]\nsettle_minutes = 0\n" + table)
    chance = random.Random(seed)
    counts: collections.Counter[str] = collections.Counter()
    found = []
    kinds = {kind: (folder / name, read) for kind, (name, read) in KINDS.items()}
    for path, read in kinds.values():
        read(path)
    finished = beside("finished_things").finished_things
    # Calibrating takes its time: only where it is asked for.
    if not only or set(only) - set(kinds):
        kinds |= finished(folder, chance)
    if only:
        kinds = {kind: kinds[kind] for kind in only}
    wholes = {kind: path.read_bytes() for kind, (path, _) in kinds.items()}
    signal.signal(signal.SIGALRM, _hangs)
    for _ in range(inputs):
        kind = chance.choice(list(kinds))
        path, read = kinds[kind]
        content = damaged(wholes[kind], chance)
        if content == wholes[kind]:
            counts[f"{kind}: read"] += 1
            continue
        path.write_bytes(content)
        signal.alarm(10)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                read(path)
            counts[f"{kind}: read"] += 1
        except ReflectoryError as error:
            counts[f"{kind}: refused"] += 1
            if not str(error).isprintable():
                found.append(f"{kind}: not one printable line: {error!r}")
        except Exception:
            found.append(f"{kind}: {traceback.format_exc()}\n{content[:2000]!r}")
        finally:
            signal.alarm(0)
            path.write_bytes(wholes[kind])
    return counts, found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="+", default=(), metavar="KIND")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        counts, found = fuzz(Path(folder), options.inputs, options.seed, options.only)
    for what, number in sorted(counts.items()):
        print(f"{number:6d}  {what}")
    print(f"{options.inputs} inputs, {len(found)} neither read nor refused")
    for text in found[:20]:
        print(text[:3000])
    return 1 if found else 0


if __name__ == "__main__":
    raise SystemExit(main())
