"""Raw cubes: what numpy wrote comes back, and `spectral` agrees."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import spectral

from pipeline.config.sensor import Sensor
from pipeline.errors import InputError
from pipeline.files import file_sha256
from pipeline.read.flat_binary import FlatBinaryReader, describe
from pipeline.read.reader import thin_lines

SENSOR = Sensor()
Writer = Callable[..., Path]
TYPES = ["u1", "i2", "i4", "f4", "u2", "u4"]


def some_counts(kind: str, shape: tuple[int, int, int] = (7, 4, 5)) -> np.ndarray:
    rng = np.random.default_rng(20260601)
    dtype = np.dtype(kind)
    if dtype.kind == "f":
        return rng.normal(1000, 300, shape).astype(dtype)
    info = np.iinfo(dtype)
    # Within what float32 holds exactly; beyond it counts are refused.
    low, high = max(info.min, -(1 << 24)), min(info.max, 1 << 24)
    return rng.integers(low, high, shape, dtype=dtype, endpoint=True)


@pytest.mark.parametrize("kind", TYPES)
@pytest.mark.parametrize("interleave", ["bil", "bip", "bsq"])
@pytest.mark.parametrize("big_endian", [False, True], ids=["little", "big"])
@pytest.mark.parametrize("offset", [0, 129])
@pytest.mark.parametrize("wavelength", [None, "{530, 500, 510, 520}"], ids=["sorted", "unsorted"])
def test_round_trip(
    tmp_path: Path,
    cube_writer: Writer,
    kind: str,
    interleave: str,
    big_endian: bool,
    offset: int,
    wavelength: str | None,
) -> None:
    counts = some_counts(kind)
    header = {"wavelength": wavelength} if wavelength else {}
    path = cube_writer(
        tmp_path,
        counts=counts,
        interleave=interleave,
        big_endian=big_endian,
        offset=offset,
        **header,
    )
    capture = describe(path, SENSOR)
    expected = counts[:, [1, 2, 3, 0]] if wavelength else counts
    digest = hashlib.sha256()
    with FlatBinaryReader(capture) as cube:
        blocks = dict(cube.blocks(3, digest=digest))
        part = cube.lines(2, 5)
        again = []
        for start, block in cube.blocks(3):
            again.append(block.copy())
            cube.give_back(start)
    assert list(blocks) == [0, 3, 6]
    whole = np.concatenate(list(blocks.values()))
    assert whole.dtype == np.dtype(kind)
    assert whole.dtype.isnative
    np.testing.assert_array_equal(whole, expected)
    np.testing.assert_array_equal(part, expected[2:5])
    np.testing.assert_array_equal(np.concatenate(again), expected)
    assert digest.hexdigest() == file_sha256(capture.data)


@pytest.mark.parametrize(
    ("interleave", "kind", "big_endian"),
    [("bil", "u2", False), ("bip", "i2", True), ("bsq", "u4", True), ("bsq", "f4", False)],
)
def test_spectral_reads_the_same_counts(
    tmp_path: Path, cube_writer: Writer, interleave: str, kind: str, big_endian: bool
) -> None:
    path = cube_writer(
        tmp_path,
        counts=some_counts(kind),
        interleave=interleave,
        big_endian=big_endian,
        offset=16,
    )
    other = spectral.open_image(str(path))
    with FlatBinaryReader(describe(path, SENSOR)) as cube:
        ours = cube.lines(0, 7)
    # spectral gives (line, sample, band).
    theirs = np.stack([other.read_subregion((i, i + 1), (0, 5))[0].T for i in range(7)])
    other.fid.close()
    np.testing.assert_array_equal(ours, theirs)


def test_a_header_that_spectral_writes_is_read(tmp_path: Path) -> None:
    counts = some_counts("u2")
    spectral.envi.save_image(
        str(tmp_path / "cap-1.hdr"),
        counts.transpose(0, 2, 1),
        dtype=np.uint16,
        interleave="bil",
        ext=".raw",
        metadata={"wavelength": [400.5, 410, 420, 430], "wavelength units": "Nanometers"},
    )
    with FlatBinaryReader(describe(tmp_path / "cap-1.hdr", SENSOR)) as cube:
        np.testing.assert_array_equal(cube.lines(0, 7), counts)


def test_the_digest_is_that_of_a_published_example(tmp_path: Path) -> None:
    # NIST FIPS 180-4 examples, SHA-256 of "abc".
    (tmp_path / "abc").write_bytes(b"abc")
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert file_sha256(tmp_path / "abc") == expected


def test_sorted_native_counts_are_a_fresh_buffer_each(tmp_path: Path, cube_writer: Writer) -> None:
    with FlatBinaryReader(describe(cube_writer(tmp_path), SENSOR)) as cube:
        first, second = cube.lines(0, 2), cube.lines(0, 2)
        first[:] = 0
        assert second.max() > 0
        assert cube.lines(1, 1).shape == (0, 3, 5)


@pytest.mark.parametrize(("start", "stop"), [(-1, 2), (3, 2), (0, 5)])
def test_lines_outside_the_cube(tmp_path: Path, cube_writer: Writer, start: int, stop: int) -> None:
    with (
        FlatBinaryReader(describe(cube_writer(tmp_path), SENSOR)) as cube,
        pytest.raises(ValueError, match="of a cube of 4 lines"),
    ):
        cube.lines(start, stop)


@pytest.mark.parametrize("interleave", ["bil", "bip", "bsq"])
def test_a_cube_cut_while_open(tmp_path: Path, cube_writer: Writer, interleave: str) -> None:
    path = cube_writer(tmp_path, interleave=interleave)
    cube = FlatBinaryReader(describe(path, SENSOR)).__enter__()
    os.truncate(tmp_path / "strip-00.raw", 40)
    with pytest.raises(InputError, match=r"strip-00\.raw: changed while it was read"):
        cube.lines(0, 4)
    with pytest.raises(InputError, match="changed while it was read"):
        cube.__exit__(None, None, None)


@pytest.mark.parametrize(
    "change",
    [lambda data: os.truncate(data, 121), lambda data: os.utime(data, ns=(1, 1))],
    ids=["longer", "touched"],
)
def test_a_change_is_seen_at_the_end(
    tmp_path: Path, cube_writer: Writer, change: Callable[[Path], None]
) -> None:
    cube = FlatBinaryReader(describe(cube_writer(tmp_path), SENSOR)).__enter__()
    cube.lines(0, 4)
    change(tmp_path / "strip-00.raw")
    with pytest.raises(InputError, match="changed while it was read"):
        cube.__exit__(None, None, None)


def test_an_error_inside_is_not_replaced(tmp_path: Path, cube_writer: Writer) -> None:
    cube = FlatBinaryReader(describe(cube_writer(tmp_path), SENSOR)).__enter__()
    os.truncate(tmp_path / "strip-00.raw", 40)
    cube.__exit__(KeyError, KeyError("mine"), None)


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda data: os.truncate(data, 119), "too short: 119 bytes on disk, 120 claimed"),
        (lambda data: os.truncate(data, 121), "too long: 121 bytes on disk, 120 claimed"),
        (os.unlink, "no such file"),
    ],
    ids=["short", "long", "gone"],
)
def test_opening_a_spoilt_cube(
    tmp_path: Path, cube_writer: Writer, spoil: Callable[[Path], None], message: str
) -> None:
    capture = describe(cube_writer(tmp_path), SENSOR)
    spoil(capture.data)
    with pytest.raises(InputError, match=message), FlatBinaryReader(capture):
        pass


def test_no_file_stays_open(tmp_path: Path, cube_writer: Writer) -> None:
    capture = describe(cube_writer(tmp_path), SENSOR)
    before = len(os.listdir("/proc/self/fd"))  # noqa: PTH208
    with FlatBinaryReader(capture) as cube:
        cube.lines(0, 1)
    os.truncate(capture.data, 3)
    with pytest.raises(InputError), FlatBinaryReader(capture):
        pass
    assert len(os.listdir("/proc/self/fd")) == before  # noqa: PTH208


@pytest.mark.parametrize(
    ("lines", "wanted", "expected"),
    [(10, 4, [0, 3, 6, 9]), (3, 9, [0, 1, 2]), (1, 5, [0]), (9, 1, [4]), (2000, 2, [0, 1999])],
)
def test_thin_lines(lines: int, wanted: int, expected: list[int]) -> None:
    assert thin_lines(lines, wanted).tolist() == expected


def test_memory_given_back_is_filled_again_and_no_other(
    tmp_path: Path, cube_writer: Writer
) -> None:
    counts = np.arange(6 * 4 * 5, dtype=np.uint16).reshape(6, 4, 5)
    capture = describe(cube_writer(tmp_path, counts=counts), SENSOR)
    with FlatBinaryReader(capture) as cube:
        blocks = cube.blocks(2)
        _, first = next(blocks)
        start, second = next(blocks)
        cube.give_back(start)
        _, third = next(blocks)
    np.testing.assert_array_equal(first, counts[:2])
    np.testing.assert_array_equal(second, counts[4:])
    assert np.shares_memory(second, third)
    assert not np.shares_memory(first, third)


@pytest.mark.parametrize("interleave", ["bil", "bip", "bsq"])
@pytest.mark.parametrize("kind", ["u4", "i4"])
def test_counts_that_float32_does_not_hold_are_refused(
    tmp_path: Path, cube_writer: Writer, kind: str, interleave: str
) -> None:
    # IEEE 754: 2^24 + 1 is the first whole number that is not exact in 24 bits.
    counts = np.full((4, 3, 5), 1 << 24, kind)
    assert np.float32(counts[0, 0, 0]) == 1 << 24
    path = cube_writer(tmp_path, counts=counts, interleave=interleave)
    with FlatBinaryReader(describe(path, SENSOR)) as cube:
        np.testing.assert_array_equal(cube.lines(0, 4), counts)
    counts[2, 1, 3] += 1
    assert np.float32(counts[2, 1, 3]) != counts[2, 1, 3]
    cube_writer(tmp_path, counts=counts, interleave=interleave)
    with FlatBinaryReader(describe(path, SENSOR)) as cube:
        cube.lines(0, 2)
        with pytest.raises(InputError, match=r"line 2 has a count of 16777217; .* float32"):
            cube.lines(1, 4)
        with pytest.raises(InputError, match=r"line 2 has a count of 16777217"):
            list(cube.blocks(2))


def test_negative_counts_have_the_same_bound(tmp_path: Path, cube_writer: Writer) -> None:
    counts = np.full((4, 3, 5), -(1 << 24) - 1, "i4")
    path = cube_writer(tmp_path, counts=counts)
    with (
        FlatBinaryReader(describe(path, SENSOR)) as cube,
        pytest.raises(InputError, match="line 0 has a count of -16777217"),
    ):
        cube.lines(0, 4)
