"""Rasters: any counts in any profile come back, and any damage is refused in one line."""

from __future__ import annotations

import functools
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from numpy.typing import NDArray

from pipeline.config.sensor import Sensor
from pipeline.errors import ReflectoryError
from pipeline.read.registry import describe, open_capture

pytestmark = pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
QUICK = settings(deadline=None, max_examples=60)
#: Numbers of more than this many counts are not read: a damaged size is only a number.
MOST = 10_000_000


def write(path: Path, counts: NDArray[Any], profile: dict[str, Any]) -> Path:
    lines, bands, samples = counts.shape
    with rasterio.open(
        path, "w", driver="GTiff", width=samples, height=lines, count=bands,
        dtype=counts.dtype.name, **profile,
    ) as out:  # fmt: skip
        out.write(counts.transpose(1, 0, 2))
        out.update_tags(gain="2")
    return path


def sensor(bands: int) -> Sensor:
    return Sensor(wavelength_nm=tuple(400.0 + 10 * band for band in range(bands)), fwhm_nm=5.0)


profiles = st.fixed_dictionaries(
    {},
    optional={
        "compress": st.sampled_from(["deflate", "lzw", "packbits"]),
        "interleave": st.sampled_from(["band", "pixel"]),
        "BIGTIFF": st.sampled_from(["YES", "NO"]),
        "ENDIANNESS": st.sampled_from(["BIG", "LITTLE"]),
    },
)


@QUICK
@given(
    counts=arrays.arrays(
        st.sampled_from([np.uint8, np.int16, np.uint16, np.int32]),
        st.tuples(st.integers(1, 20), st.integers(1, 5), st.integers(1, 20)),
        elements=st.integers(0, 127),
    ),
    profile=profiles,
    tile=st.booleans(),
    at_once=st.integers(1, 7),
)
def test_any_counts_come_back(
    counts: NDArray[Any], profile: dict[str, Any], tile: bool, at_once: int
) -> None:
    if tile:
        profile = profile | {"tiled": True, "blockxsize": 16, "blockysize": 16}
    with tempfile.TemporaryDirectory() as folder:
        path = write(Path(folder, "a.tif"), counts, profile)
        with open_capture(describe(path, sensor(counts.shape[1]))) as cube:
            found = np.concatenate([block.copy() for _, block in cube.blocks(at_once)])
            np.testing.assert_array_equal(cube.lines(0, len(counts)), counts)
    assert found.dtype == counts.dtype
    np.testing.assert_array_equal(found, counts)


@functools.cache
def whole() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        counts = np.arange(105, dtype=np.uint16).reshape(7, 3, 5)
        return write(Path(folder, "a.tif"), counts, {"compress": "deflate"}).read_bytes()


@QUICK
@given(cut=st.tuples(st.floats(0, 1), st.floats(0, 1)), put=st.binary(max_size=12))
def test_any_damage_is_refused_in_one_line(cut: tuple[float, float], put: bytes) -> None:
    content = whole()
    a, b = sorted(round(share * len(content)) for share in cut)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "a.tif")
        path.write_bytes(content[:a] + put + content[min(b, a + 40) :])
        message = f"{path}"
        try:
            capture = describe(path, sensor(3))
            if capture.lines * capture.bands * capture.samples > MOST:
                return
            with open_capture(capture) as cube:
                assert cube.lines(0, capture.lines).shape == (capture.lines, 3, capture.samples)
        except ReflectoryError as error:
            message = str(error)
        assert "\n" not in message
        assert "a.tif" in message
