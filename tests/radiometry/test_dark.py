"""Dark captures: robust mean, noise without drift, and the choice of captures by time."""

import math

import numpy as np
import pytest

from pipeline.errors import CalibrationError
from pipeline.radiometry import dark, dark_frames
from pipeline.records import DarkCapture


@pytest.fixture
def rng():
    return np.random.default_rng(20260611)


def frames(rng, n=256, bands=6, samples=40, noise=3.0, drift=0.0):
    pattern = 100 + rng.normal(0, 4, (bands, samples))
    course = drift * np.arange(n) / n
    counts = pattern + course[:, None, None] + rng.normal(0, noise, (n, bands, samples))
    return pattern, np.rint(counts).astype(np.uint16)


def summed(counts, chunk=64):
    total = None
    for start in range(0, len(counts), chunk):
        part = dark.clipped_sums(counts[start : start + chunk])
        total = part if total is None else dark.combine(total, part)
    return total


def capture(mean, *, time_s=0.0, noise=2.0, frames=100):
    mean = np.full((2, 3), mean, dtype=np.float32)
    return DarkCapture(
        "cap", time_s, frames, frames, mean, np.full_like(mean, noise), np.zeros(frames), mean < 0
    )


def test_chunks_of_any_length_give_numpys_mean_and_pooled_variance(rng):
    _, counts = frames(rng, n=150)
    sums = summed(counts, chunk=64)  # 64, 64 and 22
    np.testing.assert_allclose(sums.mean, counts.mean(axis=0), rtol=1e-12)
    m2 = sum(part.var(axis=0) * len(part) for part in np.split(counts, [64, 128]))
    np.testing.assert_allclose(sums.m2, m2, rtol=1e-9)
    assert sums.frames == 150
    assert (sums.n == 150).all()
    assert (sums.dof == 147).all()


@pytest.mark.parametrize("dtype", ["u1", "i2", ">u2", "i4", "f4", "f8"])
def test_every_real_type_gives_the_same(rng, dtype):
    counts = rng.integers(80, 120, (20, 3, 8))
    np.testing.assert_allclose(
        dark.clipped_sums(counts.astype(dtype)).mean, counts.mean(axis=0), rtol=1e-12
    )


@pytest.mark.parametrize("n", [8, 20, 64])
def test_single_frame_spikes_leave_mean_and_noise_alone(rng, n):
    _, counts = frames(rng, n=n)
    clean = dark.clipped_sums(counts)
    hit = counts.copy()
    place = rng.integers(0, n, counts.shape[1:])
    np.put_along_axis(hit, place[None], 4000, axis=0)
    sums = dark.clipped_sums(hit)
    assert (sums.n == n - 1).all()
    # What is left is the lost frame's own noise.
    lost = np.take_along_axis(counts, place[None], axis=0)[0]
    expected = (counts.sum(axis=0) - lost) / (n - 1)
    np.testing.assert_allclose(sums.mean, expected, rtol=1e-12)
    assert abs(np.sqrt(sums.m2 / sums.dof).mean() / np.sqrt(clean.m2 / clean.dof).mean() - 1) < 0.05


def test_ordinary_noise_loses_fewer_than_one_sample_in_ten_thousand(rng):
    for n in (5, 10, 31, 64):
        counts = np.rint(100 + rng.normal(0, 3, (n, 100, 200)))
        assert (n - dark.clipped_sums(counts).n).sum() < 1e-4 * counts.size


def test_an_element_that_keeps_jumping_keeps_its_noise(rng):
    counts = rng.normal(100, 2, (64, 1, 50))
    counts[::4, 0, 7] += 80
    sums = dark.clipped_sums(counts)
    assert sums.n[0, 7] == 64
    assert math.sqrt(sums.m2[0, 7] / sums.dof[0, 7]) > 30


def test_drift_moves_the_mean_but_not_the_noise(rng):
    _, counts = frames(rng, n=1000, noise=2.0, drift=20.0)
    made = dark.finish(
        summed(counts), name="cap", time_s=5.0, levels=dark_frames.frame_levels(counts)
    )
    assert counts.std(axis=0).mean() > 5
    assert np.sqrt((made.noise.astype(float) ** 2).mean()) == pytest.approx(
        math.sqrt(4 + 1 / 12), rel=0.02
    )
    np.testing.assert_allclose(made.mean, counts.mean(axis=0), atol=1e-4)
    assert (made.frames, made.frames_used, made.time_s) == (1000, 1000, 5.0)


def test_elements_at_zero_counts_are_told():
    counts = np.full((10, 1, 3), 5, dtype=np.uint16)
    counts[4, 0, 1] = 0
    assert dark.clipped_sums(counts).clipped.tolist() == [[False, True, False]]


def test_one_frame_has_a_mean_and_no_noise():
    counts = np.full((1, 2, 3), 7, dtype=np.uint16)
    made = dark.finish(
        dark.clipped_sums(counts), name="cap", time_s=0.0, levels=dark_frames.frame_levels(counts)
    )
    assert (made.mean == 7).all()
    assert np.isnan(made.noise).all()


def test_a_nan_stays_in_its_element():
    counts = np.full((10, 1, 3), 5.0)
    counts[4, 0, 1] = np.nan
    sums = dark.clipped_sums(counts)
    assert np.isnan(sums.mean).tolist() == [[False, True, False]]


def test_no_frames_are_refused():
    with pytest.raises(CalibrationError, match="expected frames"):
        dark.clipped_sums(np.zeros((0, 2, 3)))


COURSES = {
    "steady": lambda i: 0.0 * i,
    "linear drift": lambda i: 5.0 * i / 1000,
    "warm-up": lambda i: 8.0 * np.exp(-i / 100),
    "wander": lambda i: 0.1 * np.sin(i / 60),
}


@pytest.mark.parametrize("course", COURSES)
@pytest.mark.parametrize("scatter", [0.005, 0.05, 0.3])
def test_no_frame_of_a_smooth_course_is_outlying(rng, course, scatter):
    i = np.arange(1000)
    levels = 100 + COURSES[course](i) + rng.normal(0, scatter, 1000)
    assert not dark_frames.outlying_frames(levels).any()


@pytest.mark.parametrize("course", COURSES)
@pytest.mark.parametrize("scatter", [0.005, 0.3])
@pytest.mark.parametrize(
    ("start", "stop"), [(0, 100), (450, 550), (900, 1000), (200, 440), (100, 106), (0, 2), (7, 8)]
)
def test_a_block_of_frames_with_the_cap_lifted_is_outlying(rng, course, scatter, start, stop):
    i = np.arange(1000)
    levels = 100 + COURSES[course](i) + rng.normal(0, scatter, 1000)
    levels[start:stop] += 30 * (1 + 0.1 * rng.normal(size=stop - start))
    out = dark_frames.outlying_frames(levels)
    assert out[start:stop].all()
    assert out.sum() - (stop - start) <= 12  # a few frames beside the block at most


def test_a_cap_lifted_slowly_is_outlying(rng):
    levels = 100 + rng.normal(0, 0.01, 1000)
    levels[300:420] += np.interp(np.arange(120), [0, 20, 100, 119], [0, 50, 50, 0])
    out = dark_frames.outlying_frames(levels)
    assert out[302:417].all()
    assert not out[:300].any()
    assert not out[420:].any()


def test_a_lasting_step_rejects_nothing(rng):
    levels = 100 + rng.normal(0, 0.01, 1000)
    levels[500:] += 2
    assert not dark_frames.outlying_frames(levels).any()


def test_constant_levels_have_no_outlier_and_nan_is_one():
    levels = np.full(200, 100.0)
    assert not dark_frames.outlying_frames(levels).any()
    levels[5] = np.nan
    assert np.flatnonzero(dark_frames.outlying_frames(levels)).tolist() == [5]


@pytest.mark.parametrize(
    ("times", "at", "expected"),
    [
        ([0, 100], 50, (0, 1)),
        ([100, 0], 50, (1, 0)),
        ([0, 50, 100], 60, (1, 2)),
        ([0, 100], -5, (0, 0)),
        ([0, 100], 105, (1, 1)),
        ([0], 50, (0, 0)),
        ([np.nan, 100], 50, (1, 1)),
        ([np.nan, np.nan], 50, (0, 0)),
        ([0, 100], np.nan, (0, 0)),
    ],
)
def test_captures_around_a_cube(times, at, expected):
    assert dark.bracket(times, at) == expected


def test_weights_are_linear_and_within_zero_and_one():
    times = np.array([-10.0, 0, 25, 100, 130, np.nan])
    assert dark.weights(times, 0.0, 100.0).tolist() == [0, 0, 0.25, 1, 1, 0]
    assert dark.weights(times, 5.0, 5.0).tolist() == [0] * 6
    assert dark.weights(times, np.nan, 5.0).tolist() == [0] * 6


def test_dark_between_two_captures_is_linear_with_its_uncertainty():
    before, after = capture(100.0, noise=2.0), capture(110.0, time_s=10.0, noise=4.0)
    mean, uncertainty = dark.dark_at(before, after, np.array([0.0, 0.5, 1.0]))
    assert mean.shape == (3, 2, 3)
    assert mean[:, 0, 0].tolist() == [100, 105, 110]
    np.testing.assert_allclose(uncertainty[:, 0, 0], [0.2, math.hypot(0.1, 0.2), 0.4], rtol=1e-6)
    _, same = dark.dark_at(before, before, np.array([0.5]))
    np.testing.assert_allclose(same, 0.2, rtol=1e-6)


def test_lines_outside_the_captures_are_told():
    lines = np.array([-1.0, 0, 5, 10, 11, np.nan])
    assert dark.extrapolated(lines, [10.0, 0.0]).tolist() == [True, False, False, False, True, True]
    assert dark.extrapolated(lines, [np.nan]).all()


def test_does_not_change_input(rng):
    _, counts = frames(rng, n=64)
    counts[3, 0, 0] = 4000
    levels = dark_frames.frame_levels(counts)
    kept, kept_levels = counts.copy(), levels.copy()
    first = dark.clipped_sums(counts)
    mean = first.mean.copy()
    dark.combine(first, first)
    dark_frames.outlying_frames(levels)
    np.testing.assert_array_equal(counts, kept)
    np.testing.assert_array_equal(levels, kept_levels)
    np.testing.assert_array_equal(first.mean, mean)


@pytest.mark.parametrize("kind", ["u2", "u1", "i2", "f4"])
def test_a_frames_level_is_the_mean_of_its_counts(kind: str) -> None:
    counts = np.random.default_rng(5).integers(0, 120, (4, 7, 9)).astype(kind)
    wanted = counts.reshape(4, -1).astype(np.float64).mean(axis=1)
    np.testing.assert_array_equal(dark_frames.frame_levels(counts), wanted)
    full = np.full((2, 270, 640), 65535, np.uint16)
    np.testing.assert_array_equal(dark_frames.frame_levels(full), 65535.0)


@pytest.mark.parametrize("frames", [2, 3, 8])
def test_counted_and_ordered_noise_are_the_same(frames: int) -> None:
    """The typical noise of whole counts, which are counted, and of the same as numbers."""
    chunk = np.random.default_rng(frames).poisson(900, (frames, 3, 7)).astype(np.uint16)
    chunk[0, 0, 0], chunk[-1, 1, 1] = 0, 65535
    assert dark._typical_noise(chunk) == dark._typical_noise(chunk.astype(np.float64))
