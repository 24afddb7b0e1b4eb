"""The Zarr cube: the same as the netCDF one in another container."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import Any

import google_crc32c
import netCDF4
import numcodecs.blosc
import numpy as np
import pytest
import xarray as xr
import zarr

import pipeline
from pipeline.write.shards import array_document, shard_parts


@pytest.fixture(scope="module")
def zarr_run(rich_flight: Any, tmp_path_factory: pytest.TempPathFactory) -> Any:
    flight = rich_flight.copy(tmp_path_factory.mktemp("zarr") / "flight")
    flight.edit('format = "netcdf"', 'format = "zarr"')
    return pipeline.run(flight.config, workers=2)


@pytest.fixture(scope="module")
def pair(zarr_run: Any, rich_run: Any) -> tuple[Path, Path]:
    return zarr_run.folder / "strip-01.zarr", rich_run.folder / "strip-01.nc"


def test_same_variables_types_and_packed_values(pair: tuple[Path, Path]) -> None:
    store, file = pair
    group = zarr.open_group(store, mode="r")
    with netCDF4.Dataset(file) as nc:
        nc.set_auto_maskandscale(False)
        assert set(group.array_keys()) == set(nc.variables)
        for name, variable in nc.variables.items():
            array: Any = group[name]
            assert array.dtype == variable.dtype, name
            np.testing.assert_array_equal(array[...], variable[...], err_msg=name)


def test_same_attributes(pair: tuple[Path, Path]) -> None:
    store, file = pair
    with (
        xr.open_zarr(store, consolidated=False, decode_cf=False) as one,
        xr.open_dataset(file, decode_cf=False) as other,
    ):
        for name in other.variables:
            there = {k: v for k, v in other[name].attrs.items() if k != "_FillValue"}
            here = {k: v for k, v in one[name].attrs.items() if k != "_FillValue"}
            assert set(here) == set(there), name
            for key, value in there.items():
                np.testing.assert_array_equal(here[key], value, err_msg=f"{name}: {key}")
        volatile = {"date_created", "history", "config", "config_sha256", "id", "run_id", "inputs"}
        assert set(one.attrs) == set(other.attrs)
        for key in set(one.attrs) - volatile:
            assert one.attrs[key] == other.attrs[key], key


def test_xarray_decodes_both_alike(pair: tuple[Path, Path]) -> None:
    store, file = pair
    with xr.open_zarr(store, consolidated=False) as one, xr.open_dataset(file) as other:
        for name in ("reflectance", "reflectance_uncertainty", "quality_flag", "time"):
            # JSON has no float32: xarray unpacks the store with the same step as a float64.
            wanted = other[name].values
            exact = wanted.dtype.kind != "f"
            compare = np.testing.assert_array_equal if exact else np.testing.assert_allclose
            compare(one[name].values, wanted, **({} if exact else {"rtol": 1e-6}))
        assert one.quality_flag.dtype == np.uint8
        assert np.isnan(one.reflectance.values).any()


def test_opens_without_a_warning_as_the_readme_says(
    pair: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    called = re.search(r'`xarray\.open_zarr\("strip-00\.zarr", (\w+)=(\w+)\)`', readme)
    assert called, "README shows how a Zarr cube is read"
    monkeypatch.chdir(pair[0].parent)
    # Warnings are errors here.
    with xr.open_zarr("strip-00.zarr", **{called[1]: json.loads(called[2].lower())}) as cube:
        assert cube.attrs["run_id"] == pair[0].parent.name


def test_is_version_3_and_sharded(pair: tuple[Path, Path]) -> None:
    store, _ = pair
    assert json.loads((store / "zarr.json").read_text())["zarr_format"] == 3
    for name in ("reflectance", "reflectance_uncertainty", "quality_flag"):
        told = json.loads((store / name / "zarr.json").read_text())
        assert [codec["name"] for codec in told["codecs"]] == ["sharding_indexed"]
        within = told["codecs"][0]["configuration"]["codecs"]
        assert [codec["name"] for codec in within] == ["bytes", "blosc", "crc32c"]
        array: Any = zarr.open_group(store, mode="r")[name]
        assert array.chunks == (3, 64, 64)
        assert array.shards == (30, 64, 64)
        shards = [p for p in (store / name / "c").rglob("*") if p.is_file()]
        assert len(shards) == 2  # 100 lines in blocks of 64


def test_no_attribute_is_empty(pair: tuple[Path, Path]) -> None:
    group = zarr.open_group(pair[0], mode="r")
    for owner in (group, *(group[name] for name in group.array_keys())):
        for name, value in owner.attrs.asdict().items():
            assert value not in ("", [], None), name


def test_a_shard_that_is_gone_is_blank_and_one_that_is_damaged_is_told(
    zarr_run: Any, tmp_path: Path
) -> None:
    store = Path(shutil.copytree(zarr_run.folder / "strip-01.zarr", tmp_path / "strip-01.zarr"))
    (store / "reflectance/c/0/1/0").unlink()
    with xr.open_zarr(store, consolidated=False) as cube:
        assert np.isnan(cube.reflectance.values[:, 64:]).all()
        assert not np.isnan(cube.reflectance.values[:, :64]).all()
    shard = store / "reflectance/c/0/0/0"
    index_turned = bytearray(shard.read_bytes())
    index_turned[-20] ^= 1
    shard.write_bytes(index_turned)
    with pytest.raises(ValueError, match="checksum"):
        zarr.open_group(store, mode="r")["reflectance"][:, :64]  # type: ignore[index]


def test_chunks_decode_by_the_codec_library_alone() -> None:
    """The shard's index as the specification has it: offset and length of each chunk, CRC-32C."""
    values = np.arange(5 * 2 * 3, dtype=np.int16).reshape(5, 2, 3)
    whole = b"".join(shard_parts(values, (2, 2, 3), -32768))
    assert google_crc32c.value(whole[-52:-4]) == int.from_bytes(whole[-4:], "little")
    index = np.frombuffer(whole[-52:-4], "<u8").reshape(3, 2)
    chunks = [
        np.frombuffer(numcodecs.blosc.decompress(whole[at : at + size]), "<i2").reshape(2, 2, 3)
        for at, size in index.tolist()
    ]
    read = np.concatenate(chunks)
    np.testing.assert_array_equal(read[:5], values)
    assert (read[5] == -32768).all()


def test_a_flipped_bit_is_told_before_the_decompressor_sees_it(tmp_path: Path) -> None:
    """A damaged chunk once ended the program in the decompressor, without a word."""
    chance = np.random.default_rng(1)
    values = chance.integers(0, 900, (6, 4, 64)).astype("<i2")
    document = array_document(
        (6, 4, 64), values.dtype, ("wavelength", "line", "sample"), {}, fill=-1,
        chunk=(3, 4, 64), shard=(6, 4, 64),
    )  # fmt: skip
    shard = bytearray(b"".join(shard_parts(values, (3, 4, 64), -1)))
    at = tmp_path / "c" / "0" / "0" / "0"
    at.parent.mkdir(parents=True)
    (tmp_path / "zarr.json").write_text(json.dumps(document))
    at.write_bytes(shard)
    array: Any = zarr.open_array(tmp_path, mode="r")
    np.testing.assert_array_equal(array[:], values)
    # Anywhere but in the index at the end, which has a checksum of its own.
    for place in chance.integers(0, len(shard) - 36, 60):
        damaged = bytearray(shard)
        damaged[place] ^= 1 << int(chance.integers(8))
        at.write_bytes(damaged)
        with pytest.raises(ValueError, match="checksum do not match"):
            array[:]
