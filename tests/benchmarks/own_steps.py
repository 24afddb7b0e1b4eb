"""Steps of `bench_flight.py` that use the package, one a process: `own_steps.py STEP ...`.

`make`, `prepare` and `agree` get things ready; the floors and `alone` print the seconds that count
as JSON, `{"wall_s": ..., "cpu_s": ...}`, and leave out reading and start-up.
"""

from __future__ import annotations

import argparse
import json
import os
import pickle
import resource
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from pipeline.calibrate.cube import CubeTask
    from pipeline.write.netcdf import NetcdfWriter

#: Shares of samples that may differ at all: other orders of the same float32 operations.
MOST_REFLECTANCE, MOST_UNCERTAINTY, MOST_FLAGS = 1e-3, 1e-3, 1e-4
#: Lines read at a time where a whole cube need not be in memory.
SLAB_LINES = 512
#: Where each format's codec is.
FLOORS = {
    "floor": ("pipeline.write.deflate", "deflated"),
    "lz4-floor": ("pipeline.write.shards", "chunk_bytes"),
}


@dataclass
class Counted:
    """Wall and processor seconds of the parts that count."""

    wall_s: float = 0.0
    cpu_s: float = 0.0

    @contextmanager
    def part(self) -> Iterator[None]:
        """Count what happens inside."""
        wall, cpu = time.perf_counter(), _cpu_s()
        yield
        self.wall_s += time.perf_counter() - wall
        self.cpu_s += _cpu_s() - cpu


def _cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def make(folder: Path, cubes: int, lines: int, samples: int, bands: int) -> None:
    """A simulated flight with a track and the light falling, and a config without uncertainty."""
    from pipeline.synthetic import FlightPlan, make_flight

    plan = FlightPlan(
        cubes=cubes,
        lines=lines,
        samples=samples,
        bands=bands,
        dark_frames=1000,
        illumination="irradiance log",
        irradiance_fall=0.05,
        fast=True,
    )
    make_flight(folder, plan)
    config = (folder / "flight.toml").read_text()
    (folder / "plain.toml").write_text(f"{config.rstrip()}\nuncertainty = false\n")
    (folder / "zarr.toml").write_text(config.replace('format = "netcdf"', 'format = "zarr"'))
    for count in range(1, cubes + 1):
        listed = ", ".join(f'"{stem}.hdr"' for stem in plan.stems[:count])
        some = config.replace('"strip-*.hdr"', listed)
        (folder / f"first-{count}.toml").write_text(some)


def prepare(folder: Path) -> None:
    """Coefficients for the peers, and the tasks of our own steps."""
    from pipeline.calibrate.kernel_tables import cube_task
    from pipeline.calibrate.prepare import prepare as prepared_of
    from pipeline.config.flight import load_config

    prepared = prepared_of(load_config(folder / "flight.toml"))
    line, config = prepared.fit.empirical_line, prepared.config
    (folder / "coefficients").mkdir(exist_ok=True)
    (folder / "tasks").mkdir(exist_ok=True)
    for capture in prepared.recording.cubes:
        task = cube_task(prepared, capture, Path(f"{capture.name}.nc"), {})
        (folder / "tasks" / f"{capture.name}.pickle").write_bytes(pickle.dumps(task))
        dark, light = (
            prepared.measured.detector.dark_of(prepared.recording.times[capture.name], capture),
            prepared.light.by_cube[capture.name],
        )

        def band(values: NDArray[Any]) -> NDArray[np.float32]:
            return np.where(line.calibrated, values, np.nan).astype(np.float32)

        single: dict[str, Any] = {
            "dark": dark.middle,
            "dark_change": dark.change,
            "dark_uncertainty": dark.uncertainty,
            "read_noise": prepared.measured.detector.noise,
            "response": prepared.measured.detector.flat.response,
            "response_uncertainty": prepared.measured.detector.flat.uncertainty,
            "dark_weight": dark.weight,
            "ratio": light.ratio,
            "ratio_uncertainty": light.uncertainty,
            "electrons_per_count": np.array(prepared.measured.detector.electrons_per_count),
            "saturation_counts": np.array(config.sensor.saturation_counts),
            "snr": np.array(config.quality.low_signal_snr),
        }
        stored: dict[str, Any] = {n: np.asarray(v, np.float32) for n, v in single.items()}
        np.savez(
            folder / "coefficients" / f"{capture.name}.npz",
            **stored,
            bad=prepared.measured.detector.bad.any,
            wavelength=capture.wavelength_nm,
            gain=band(line.gain),
            offset=band(line.offset),
            gain_variance=band(line.gain_variance),
            offset_variance=band(line.offset_variance),
            covariance=band(line.covariance),
            low=band(line.low),
            high=band(line.high),
            line_flag=task.lines.line_flags,
            path=str(capture.data.absolute()),
        )


def agree(ours: Path, theirs: Path) -> None:
    """Exit with a sentence unless a peer's cubes hold the numbers of ours.

    Reflectance within one packing step, uncertainty within one unit of its second digit, the same
    samples blank, and few that differ at all. Reads through xarray, which unpacks nothing here.
    """
    import xarray as xr

    paths = sorted(p for p in ours.rglob("*") if p.suffix in (".nc", ".zarr"))
    assert paths, f"no cubes in {ours}"
    for path in paths:
        (other,) = theirs.glob(f"{path.stem}.*")
        mine, peer = (
            xr.open_dataset(p, engine="zarr", mask_and_scale=False, consolidated=False, chunks=None)
            if p.suffix == ".zarr"
            else xr.open_dataset(p, mask_and_scale=False)
            for p in (path, other)
        )
        names, others = ([str(n) for n in d.data_vars if d[n].ndim == 3] for d in (mine, peer))
        assert set(names) == set(others), (names, others)
        for start in range(0, mine.sizes["line"], SLAB_LINES):
            at = {"line": slice(start, start + SLAB_LINES)}
            for name in names:
                a, b = (d[name].isel(at).values for d in (mine, peer))
                assert a.dtype == b.dtype, (name, a.dtype, b.dtype)
                _require_alike(f"{other.name} {name}", name, a, b)


def _require_alike(what: str, name: str, a: NDArray[Any], b: NDArray[Any]) -> None:
    differ = a != b
    share = float(differ.mean())
    if name == "quality_flag":
        if share > MOST_FLAGS:
            raise SystemExit(f"{what}: {share:.1e} of the samples have other flags")
        return
    a, b = a[differ].astype(np.int64), b[differ].astype(np.int64)
    fill, most = (-32768, MOST_REFLECTANCE) if name == "reflectance" else (65535, MOST_UNCERTAINTY)
    if ((a == fill) != (b == fill)).any():
        raise SystemExit(f"{what}: other samples are blank")
    unit = np.ones_like(a)
    if name == "reflectance_uncertainty":
        for least, step in ((100, 10), (1000, 100), (10000, 1000)):
            unit[np.maximum(a, b) >= least] = step
    if (np.abs(a - b) > unit).any():
        raise SystemExit(f"{what}: departs by up to {np.abs(a - b).max()} packing steps")
    if share > most:
        raise SystemExit(f"{what}: {share:.1e} of the samples differ")


def floor(run: Path, packed: Callable[[NDArray[Any]], bytes]) -> Counted:
    """Shuffle and compress what a run wrote again, in its chunks, on every core."""
    import h5py

    counted = Counted()
    packed(np.zeros(4, np.int16))
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        for path in sorted(run.rglob("*.nc")):
            with h5py.File(path) as file:
                names = [n for n, v in file.items() if v.ndim == 3]
                height, width, _ = file[names[0]].chunks
                for start in range(0, file[names[0]].shape[1], SLAB_LINES):
                    parts = [
                        np.ascontiguousarray(slab[band : band + height, line : line + width])
                        for name in names
                        for slab in (file[name][:, start : start + SLAB_LINES],)
                        for line in range(0, slab.shape[1], width)
                        for band in range(0, slab.shape[0], height)
                    ]
                    with counted.part():
                        sum(len(data) for data in pool.map(packed, parts))
    return counted


def alone(folder: Path, out: Path) -> Counted:
    """Kernel, deflate and write on all threads, the counts in memory already; no flush."""
    from pipeline.radiometry.kernel import block_buffers, calibrate_block
    from pipeline.read.flat_binary import FlatBinaryReader
    from pipeline.write.netcdf import NetcdfWriter

    workers = os.cpu_count() or 1
    counted = Counted()
    out.mkdir(parents=True)
    with ThreadPoolExecutor(workers) as pool:
        for path in sorted((folder / "tasks").glob("*.pickle")):
            task = replace(pickle.loads(path.read_bytes()), path=out / f"{path.stem}.nc")
            product = task.product
            with FlatBinaryReader(task.capture) as raw:
                blocks = list(raw.blocks(product.chunk[1]))
            writer = NetcdfWriter(task.path, product)
            own = threading.local()

            def work(
                item: tuple[int, NDArray[Any]],
                task: CubeTask = task,
                writer: NetcdfWriter = writer,
                own: threading.local = own,
            ) -> int:
                start, counts = item
                lines = task.lines.part(start, start + len(counts))
                if getattr(own, "lines", 0) != len(counts):
                    own.lines = len(counts)
                    own.kept = block_buffers(task.product.bands, own.lines, task.product.samples)
                return writer.write(
                    start, calibrate_block(counts[:, task.bands], task.table, lines, out=own.kept)
                )

            work(blocks[0])  # compiled code is loaded
            with counted.part(), writer:
                list(pool.map(work, blocks))
    return counted


def main(arguments: Sequence[str] | None = None) -> int:
    """Do one step."""
    parser = argparse.ArgumentParser()
    parser.add_argument("step", choices=("make", "prepare", "agree", *FLOORS, "alone"))
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--size", type=int, nargs=4, metavar=("CUBES", "LINES", "SAMPLES", "BANDS"))
    given = parser.parse_args(arguments)
    match given.step:
        case "make":
            make(*given.folders, *given.size)
        case "prepare":
            prepare(*given.folders)
        case "agree":
            agree(*given.folders)
        case "floor" | "lz4-floor" as which:
            codec = getattr(import_module(FLOORS[which][0]), FLOORS[which][1])
            print(json.dumps(vars(floor(*given.folders, codec))))
        case "alone":
            print(json.dumps(vars(alone(*given.folders))))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
