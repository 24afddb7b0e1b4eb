"""Shuffle and deflate, undone by plain zlib and numpy."""

from __future__ import annotations

import zlib
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from pipeline.write import deflate


def undone(data: bytes, dtype: Any, shape: tuple[int, ...]) -> Any:
    """HDF5's shuffle keeps all first bytes, then all second bytes."""
    kind = np.dtype(dtype).newbyteorder("<")
    raw = np.frombuffer(zlib.decompress(data), np.uint8).reshape(kind.itemsize, -1)
    return np.ascontiguousarray(raw.T).view(kind).reshape(shape)


arrays = st.sampled_from([np.uint8, np.int16, np.uint16, np.float32, np.float64]).flatmap(
    lambda kind: hnp.arrays(kind, hnp.array_shapes(min_dims=3, max_dims=3, max_side=9))
)


@settings(deadline=None)
@given(arrays)
def test_zlib_gives_back_the_values(values: Any) -> None:
    before = values.copy()
    np.testing.assert_array_equal(
        undone(deflate.deflated(values), values.dtype, values.shape), before
    )
    np.testing.assert_array_equal(values, before)


@pytest.mark.parametrize("kind", [np.uint8, np.int16, np.uint16])
def test_without_isal_the_values_are_the_same(kind: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    values = np.random.default_rng(1).integers(0, 200, (3, 16, 40)).astype(kind)
    fast = undone(deflate.deflated(values), kind, values.shape)
    monkeypatch.setattr(deflate, "_fast", None)
    data = deflate.deflated(values)
    assert data == zlib.compress(deflate.shuffled(values), 1)
    np.testing.assert_array_equal(undone(data, kind, values.shape), fast)


def test_noise_in_the_low_bytes_is_stored_and_still_plain_zlib() -> None:
    noise = np.random.default_rng(2).integers(0, 256, (27, 64, 100))
    for values in (noise.astype(np.int16), (noise + 256 * (noise > 128)).astype(np.uint16)):
        data = deflate.deflated(values)
        np.testing.assert_array_equal(undone(data, values.dtype, values.shape), values)
        stored = len(zlib.compress(deflate.shuffled(values)[: values.size], 0))
        assert stored < len(data) <= 1.02 * len(zlib.compress(deflate.shuffled(values), 1))


def test_few_values_in_the_low_bytes_are_deflated() -> None:
    values = np.random.default_rng(3).integers(0, 4, (27, 64, 100)).astype(np.uint16)
    assert len(deflate.deflated(values)) < 0.4 * values.size


@pytest.mark.parametrize("size", [0, 1, 65_535, 65_536, 200_000])
def test_planes_of_any_length_are_stored_whole(size: int) -> None:
    values = np.random.default_rng(4).integers(0, 65_536, size).astype(np.uint16)
    np.testing.assert_array_equal(undone(deflate.deflated(values), np.uint16, (size,)), values)
