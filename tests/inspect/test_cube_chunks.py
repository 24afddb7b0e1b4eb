"""Chunks of a cube as its library reads them, by any number of threads, and no more than asked."""

from __future__ import annotations

import gc
import json
import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import h5py
import netCDF4
import numpy as np
import pytest

from pipeline.errors import InputError
from pipeline.flight.run import RunResult
from pipeline.inspect.cube_chunks import CubeChunks, Kept
from pipeline.inspect.finished_run import open_store

LARGE = ("reflectance", "reflectance_uncertainty", "quality_flag")


def test_every_chunk_is_what_netcdf4_reads(rich_run: RunResult) -> None:
    path = rich_run.folder / "strip-01.nc"
    cube = CubeChunks(path, Kept())
    with netCDF4.Dataset(path) as whole:
        whole.set_auto_maskandscale(False)
        for name in LARGE:
            height, width, _ = cube.chunk(name)
            bands, lines, _ = whole[name].shape
            for band in range(0, bands, height):
                for line in range(0, lines, width):
                    expected = whole[name][band : band + height, line : line + width]
                    np.testing.assert_array_equal(cube.values(name, (band, line)), expected)
                    some = np.array([0, len(expected) - 1])
                    np.testing.assert_array_equal(
                        cube.values(name, (band, line), some), expected[some]
                    )
        rows = cube.chunk("latitude")[0]
        np.testing.assert_array_equal(cube.values("latitude", (0,)), whole["latitude"][:rows])
    cube.close()


def test_threads_get_the_same(rich_run: RunResult) -> None:
    path = rich_run.folder / "strip-00.nc"
    cube, kept = CubeChunks(path, Kept(most_bytes=10_000)), Kept()
    alone = CubeChunks(path, kept)
    height, width, _ = cube.chunk("reflectance")
    places = [(b, n) for b in range(0, 30, height) for n in range(0, 100, width)] * 5
    with ThreadPoolExecutor(8) as pool:
        for at, found in zip(
            places, pool.map(lambda at: cube.values("reflectance", at), places), strict=True
        ):
            np.testing.assert_array_equal(found, alone.values("reflectance", at))
    cube.close()
    alone.close()


def test_what_is_kept_is_bounded_and_the_last_used_stays() -> None:
    kept, made = Kept(most_bytes=3000), []

    def get(key: int) -> None:
        def make() -> np.ndarray:
            made.append(key)
            return np.zeros(1000, np.uint8)

        kept.get(key, make)

    for key in (1, 2, 3, 1, 4, 1, 3, 2):
        get(key)
    assert made == [1, 2, 3, 4, 2]
    assert kept._bytes <= 3000


def test_a_file_packed_otherwise_is_read_all_the_same(tmp_path: Path) -> None:
    values = np.random.default_rng(1).integers(-5, 5, (6, 10, 4)).astype(np.int16)
    ways = {"plain": {}, "lzf": {"compression": "lzf"}, "split": {"chunks": (2, 5, 2)},
            "checked": {"compression": "gzip", "shuffle": True, "fletcher32": True}}  # fmt: skip
    with h5py.File(tmp_path / "a.nc", "w") as file:
        for name, options in ways.items():
            chosen = {"chunks": (3, 4, 4), **options}
            file.create_dataset(name, data=values, **chosen)
    cube = CubeChunks(tmp_path / "a.nc", Kept())
    for name in ("plain", "lzf", "checked"):
        np.testing.assert_array_equal(cube.values(name, (3, 8)), values[3:, 8:])
        np.testing.assert_array_equal(cube.values(name, (0, 4), np.array([2])), values[2:3, 4:8])
    cube.close()


def test_a_damaged_chunk_is_one_line(rich_run: RunResult, tmp_path: Path) -> None:
    path = Path(shutil.copy(rich_run.folder / "strip-00.nc", tmp_path))
    with h5py.File(path) as file:
        info = file["reflectance"].id.get_chunk_info(0)
    with path.open("r+b") as raw:
        raw.seek(info.byte_offset + info.size // 2)
        raw.write(b"\xff" * 64)
    cube = CubeChunks(path, Kept())
    with pytest.raises(InputError, match=r"a chunk of reflectance cannot be read.*verify"):
        cube.values("reflectance", (0, 0))
    cube.close()
    with pytest.raises(InputError, match="cannot be opened"):
        CubeChunks(tmp_path / "nowhere.nc", Kept())


@pytest.mark.parametrize("damaged", ["shape", "chunks", "columns"])
def test_a_store_of_other_sizes_than_its_values_is_refused(tmp_path: Path, damaged: str) -> None:
    """A damaged size would be worked through for hours."""
    import zarr

    group = zarr.create_group(tmp_path / "a.zarr")
    for name, lines in (("reflectance", 12), ("quality_flag", 12)):
        group.create_array(
            name, shape=(4, lines, 8), chunks=(2, 4, 8), dtype="u1",
            dimension_names=("wavelength", "line", "sample"),
        )  # fmt: skip
    open_store(tmp_path / "a.zarr")
    file = tmp_path / "a.zarr" / "reflectance" / "zarr.json"
    document = json.loads(file.read_text())
    chunk = document["chunk_grid"]["configuration"]["chunk_shape"]
    if damaged == "shape":
        document["shape"][1] = 1200
    else:
        chunk[0 if damaged == "chunks" else 2] = 1 << 30 if damaged == "chunks" else 1
    file.write_text(json.dumps(document))
    with pytest.raises(InputError, match=r"unlike others|has chunks of"):
        open_store(tmp_path / "a.zarr")


@pytest.mark.parametrize("content", ["{", "{}", None])
def test_documents_that_are_damaged_are_told_in_one_line(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], content: str | None
) -> None:
    """Read side by side, the library prints the traceback of all but the first."""
    import zarr

    group = zarr.create_group(tmp_path / "a.zarr")
    for name in "cdefgh":
        group.create_array(name, shape=(4,), dtype="u1", dimension_names=("line",))
        file = tmp_path / "a.zarr" / name / "zarr.json"
        if name > "e" and content is None:
            file.unlink()
        elif name > "e":
            file.write_text(content or "")
    with pytest.raises(InputError, match="cannot be opened: ") as caught:
        open_store(tmp_path / "a.zarr")
    if content is None:
        caught.match("f is no array, its zarr.json is lost or damaged")
    del caught
    gc.collect()
    assert capfd.readouterr().err == ""
