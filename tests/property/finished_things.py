"""What a run and a sweep leave on the disk, damaged, and everything that reads it again.

Not only must no reader fall over: what was altered is never taken for what it was.
"""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable
from pathlib import Path

from pipeline.campaign.ledger import Ledger, Moment
from pipeline.config.flight import load_config
from pipeline.flight.measurement_cache import load
from pipeline.flight.run import run
from pipeline.inspect import exports
from pipeline.inspect.compare import compare
from pipeline.inspect.verify import verify
from pipeline.write.run_record import read_run

Reader = Callable[[Path], object]


def finished_things(flight: Path, chance: random.Random) -> dict[str, tuple[Path, Reader]]:
    """Calibrate a small flight to both formats; each kind of file that is left, and its readers."""
    found: dict[str, tuple[Path, Reader]] = {}
    text = (flight / "flight.toml").read_text()
    for form, suffix in (("netcdf", "nc"), ("zarr", "zarr")):
        config = flight / f"{form}.toml"
        config.write_text(text.replace('format = "netcdf"', f'format = "{form}"'))
        results = flight / form
        folder = run(load_config(config, output=results), workers=1).folder
        cube = next(folder.glob(f"*.{suffix}"))
        inner = cube if cube.is_file() else cube / "zarr.json"
        found[f"{form} cube"] = (inner, _read_cube(flight, folder, chance))
        if form == "zarr":
            shard = max((p for p in cube.rglob("*") if p.is_file()), key=lambda p: p.stat().st_size)
            found["zarr shard"] = (shard, _read_cube(flight, folder, chance))
            continue
        found["run.json"] = (folder / "run.json", _read_record(folder, flight, chance))
        (kept,) = results.rglob("measured-*.npz")
        found["kept measurement"] = (kept, _read_kept)
    ledger = flight / "ledger.sqlite"
    with Ledger(ledger) as made:
        made.still_s("a", "files", Moment(1.0))
        made.end(made.begin("a", "work", 1.0), "failed", "why", "", 2.0)
    found["ledger"] = (ledger, _read_ledger)
    return found


def _require_found(folder: Path) -> None:
    """`verify` must see that something was altered."""
    if all(finding.ok for finding in verify(folder, inputs=False)):
        raise AssertionError("verify finds nothing altered")


def _read_cube(flight: Path, folder: Path, chance: random.Random) -> Reader:
    target = flight / "out"
    ways: tuple[Callable[[], object], ...] = (
        lambda: _require_found(folder),
        lambda: list(exports.quicklooks(folder, target=target)),
        lambda: list(exports.cubes(folder, "geotiff", target=target)),
        lambda: list(exports.cubes(folder, "flat", target=target)),
        lambda: exports.spectra(folder, flight / "areas.kml", target / "s.csv"),
        lambda: list(exports.map_files(folder, target=target)),
        lambda: compare(folder, folder),
    )

    def read(path: Path) -> None:
        target.mkdir()
        try:
            chance.choice(ways)()
        finally:
            shutil.rmtree(target)

    return read


def _read_record(folder: Path, flight: Path, chance: random.Random) -> Reader:
    ways: tuple[Callable[[], object], ...] = (
        lambda: _require_found(folder),
        lambda: read_run(folder),
        lambda: compare(folder, folder),
        lambda: run(load_config(flight / "netcdf.toml", output=flight / "netcdf"), workers=1),
    )
    # The last one may calibrate again, which takes a second.
    return lambda path: chance.choices(ways, weights=(30, 30, 30, 1))[0]()


def _read_kept(path: Path) -> None:
    if load(path.parent, path.stem.removeprefix("measured-")) is not None:
        raise AssertionError("an altered measurement is taken")


def _read_ledger(path: Path) -> None:
    with Ledger(path) as ledger:
        ledger.close_killed(3.0)
        for row in ledger.flights():
            ledger.still_s(row.name, "files", Moment(9.0))
            ledger.tries(row.name, row.work)
            ledger.last_reason(row.name, row.work)
