"""Both writers by hand: edge chunks, and the reread that finds what the disk has changed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest
import xarray as xr
import zarr
from numpy.typing import NDArray

from pipeline.radiometry.kernel import CalibratedBlock
from pipeline.write.formats import FORMATS, RereadSample, reread
from pipeline.write.product import CubeProduct, chunk_shape

BOTH = pytest.mark.parametrize("name", sorted(FORMATS))
Arrays = dict[str, np.ndarray[Any, Any]]


def product_of(bands: int, lines: int, samples: int, *, uncertainty: bool = True) -> CubeProduct:
    height, _, _ = chunk_shape(bands, lines, samples, 2)
    return CubeProduct(
        name="strip-00",
        bands=bands,
        lines=lines,
        samples=samples,
        chunk=(height, min(8, lines), samples),
        uncertainty=uncertainty,
        values={"wavelength": np.arange(bands) + 400.0},
        attributes={"title": "test"},
    )


def written(path: Path, name: str, product: CubeProduct) -> tuple[Arrays, list[Any]]:
    """Random values written block by block; the values and their proofs."""
    rng = np.random.default_rng(product.bands)
    shape = (product.bands, product.lines, product.samples)
    values: Arrays = {
        n: rng.integers(0, np.iinfo(t).max, shape).astype(t) for n, t in product.packed.items()
    }
    sample, proofs = RereadSample(product), []
    step = product.chunk[1]
    with FORMATS[name].writer(path, product) as writer:
        for start in range(0, product.lines, step):
            part = {n: np.ascontiguousarray(v[:, start : start + step]) for n, v in values.items()}
            block = CalibratedBlock(
                part["reflectance"],
                part.get("reflectance_uncertainty"),
                part["quality_flag"],
                np.zeros((product.bands, 7), np.int64),
            )
            writer.write(start, block)
            proofs += sample.proofs(start, block)
    return values, proofs


def whole(path: Path, name: str, variable: str) -> NDArray[Any]:
    """A variable as the usual library of the format reads it, packed."""
    if name == "zarr":
        return np.asarray(zarr.open_group(path, mode="r")[variable][...])
    with netCDF4.Dataset(path) as nc:
        nc.set_auto_maskandscale(False)
        return np.asarray(nc[variable][...])


@BOTH
@pytest.mark.parametrize("uncertainty", [True, False])
@pytest.mark.parametrize("shape", [(1, 1, 1), (27, 8, 5), (31, 19, 7), (12, 16, 3), (2, 9, 1)])
def test_whole_and_edge_chunks_come_back(
    tmp_path: Path, name: str, shape: tuple[int, int, int], uncertainty: bool
) -> None:
    product = product_of(*shape, uncertainty=uncertainty)
    path = tmp_path / f"cube{FORMATS[name].suffix}"
    values, proofs = written(path, name, product)
    for variable, wanted in values.items():
        np.testing.assert_array_equal(whole(path, name, variable), wanted)
    assert ("reflectance_uncertainty" in values) == uncertainty
    assert reread(path, FORMATS[name], proofs) == 0


@BOTH
def test_the_reread_looks_at_sixteen_chunks_or_all(tmp_path: Path, name: str) -> None:
    _, proofs = written(tmp_path / "many", name, product_of(31, 19, 7))
    assert len(proofs) == 16
    _, proofs = written(tmp_path / "few", name, product_of(1, 1, 1))
    assert len(proofs) == 3


def test_the_reread_finds_a_value_that_changed(tmp_path: Path) -> None:
    path = tmp_path / "cube.nc"
    _, proofs = written(path, "netcdf", product_of(2, 9, 4))
    with netCDF4.Dataset(path, "a") as nc:
        nc.set_auto_maskandscale(False)
        nc["reflectance"][0, 0, 0] += 1
    assert reread(path, FORMATS["netcdf"], proofs) == 1


@BOTH
def test_the_reread_counts_what_cannot_be_read(tmp_path: Path, name: str) -> None:
    path = tmp_path / "cube"
    _, proofs = written(path, name, product_of(2, 9, 4))
    files = [path] if path.is_file() else [p for p in path.rglob("c/*/*/*") if p.is_file()]
    assert files
    for file in files:
        data = bytearray(file.read_bytes())
        data[len(data) // 4 :] = b"\x55" * len(data[len(data) // 4 :])
        file.write_bytes(data)
    assert reread(path, FORMATS[name], proofs) > 0


@BOTH
def test_attributes_are_added_to_a_finished_cube(tmp_path: Path, name: str) -> None:
    path = tmp_path / "cube"
    values, _ = written(path, name, product_of(3, 4, 5))
    FORMATS[name].set_attributes(path, {"run_id": "abc", "follows": "none"})
    np.testing.assert_array_equal(whole(path, name, "reflectance"), values["reflectance"])


@pytest.mark.parametrize(
    ("shape", "chunk"),
    [
        ((270, 2000, 640, 2), (27, 64, 640)),
        ((30, 100, 64, 2), (3, 64, 64)),
        ((1, 1, 1, 2), (1, 1, 1)),
        ((11, 10, 8, 2), (2, 10, 8)),
        # 64 lines of this would be 210 MB.
        ((1000, 5000, 1640, 4), (100, 3, 1640)),
    ],
)
def test_chunks(shape: tuple[int, int, int, int], chunk: tuple[int, int, int]) -> None:
    assert chunk_shape(*shape) == chunk


@BOTH
@pytest.mark.parametrize("lines", [200, 300, 301])
def test_small_variables_of_any_height_are_read_as_xarray_reads_them(
    tmp_path: Path, name: str, lines: int
) -> None:
    """Above some thousand values they lie in deflated chunks, the last of which may be lower."""
    rng = np.random.default_rng(lines)
    latitude = rng.normal(54.9, 1e-4, (lines, 500))
    latitude[3, 7] = np.nan
    response = rng.normal(1, 0.01, (40, 500)).astype(np.float32)
    small = {
        "latitude": latitude,
        "relative_response": response,
    }
    product = product_of(40, lines, 500)
    product = replace(product, values=product.values | small)
    path = tmp_path / f"cube{FORMATS[name].suffix}"
    with FORMATS[name].writer(path, product):
        pass
    opened = (
        xr.open_zarr(path, consolidated=False, chunks=None)
        if name == "zarr"
        else xr.open_dataset(path)
    )
    with opened:
        for variable, wanted in small.items():
            assert opened[variable].dtype == wanted.dtype
            np.testing.assert_array_equal(opened[variable].values, wanted)
