"""Dark captures: matched, averaged, and at a line's time."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.calibrate.blocks_in_order import Helpers
from pipeline.calibrate.darks import (
    CHUNK_FRAMES,
    dark_of,
    measure_dark,
    overall_noise,
    require_matching,
)
from pipeline.config.flight import load_config
from pipeline.errors import InputError
from pipeline.read.inventory import Inventory, take_inventory
from pipeline.records import LineTimes


@pytest.fixture(scope="module")
def found(rich_flight: Any) -> Inventory:
    return take_inventory(load_config(rich_flight.config))


def test_a_matching_dark_is_accepted(found: Inventory) -> None:
    require_matching(found.darks, found.cubes[0])


@pytest.mark.parametrize(
    ("setting", "value", "words"),
    [
        ("exposure_ms", 4.8, ["exposure", "2.4", "4.8"]),
        ("frame_period_ms", 9.0, ["frame period", "4.5", "9"]),
        ("gain", 2.0, ["gain", "1", "2"]),
    ],
)
def test_another_setting_is_refused_with_both_values(
    found: Inventory, setting: str, value: float, words: list[str]
) -> None:
    one = found.darks[0]
    other = replace(one, settings=replace(one.settings, **{setting: value}))
    with pytest.raises(InputError) as caught:
        require_matching([one, other], found.cubes[0])
    for word in words:
        assert word in str(caught.value)


def test_a_setting_within_a_thousandth_or_unknown_is_no_difference(found: Inventory) -> None:
    one = found.darks[0]
    for value in (one.settings.exposure_ms * 1.0009, float("nan")):
        require_matching(
            [replace(one, settings=replace(one.settings, exposure_ms=value))], found.cubes[0]
        )


def test_mean_noise_and_digest_are_those_of_the_frames(rich_flight: Any, found: Inventory) -> None:
    capture = next(d for d in found.darks if d.name == "cap-before")
    measured, sha256 = measure_dark(capture, 12.0)
    frames = rich_flight.counts("cap-before").astype(float)
    good = ~rich_flight.truth.bad.any
    np.testing.assert_allclose(measured.mean[good], frames.mean(axis=0)[good], atol=0.3)
    ratio = measured.noise[good] / frames.std(axis=0, ddof=1)[good]
    assert abs(np.median(ratio) - 1) < 0.02
    assert measured.frames == len(frames)
    assert measured.time_s == 12.0
    import hashlib

    assert sha256 == hashlib.sha256(Path(capture.data).read_bytes()).hexdigest()


def test_dark_at_the_lines_is_linear_between_the_captures(
    rich_flight: Any, found: Inventory
) -> None:
    truth = rich_flight.truth
    measured = tuple(
        measure_dark(c, truth.dark_time_s[0 if c.name == "cap-before" else 1])[0]
        for c in found.darks
    )
    for cube, times in zip(found.cubes, truth.line_time_s, strict=True):
        at = dark_of(measured, LineTimes(times, np.zeros(times.size, np.uint8), 0.0045), cube)
        assert not at.extrapolated.any()
        good = ~truth.bad.any
        for i in (0, times.size // 2, times.size - 1):
            got = at.middle + at.weight[i] * at.change
            error = (got - truth.dark_at(times[i]))[good]
            assert abs(error.mean()) < 0.02
            assert error.std() < 3 * 1.6 / np.sqrt(100)


def test_before_the_first_and_after_the_last_capture_the_nearest_holds(
    rich_flight: Any, found: Inventory
) -> None:
    first, last = rich_flight.truth.dark_time_s
    by_name = {c.name: measure_dark(c, 0.0)[0] for c in found.darks}
    darks = (
        replace(by_name["cap-before"], time_s=first),
        replace(by_name["cap-after"], time_s=last),
    )
    for when, wanted in ((first - 60, darks[0]), (last + 60, darks[1])):
        time_s = when + np.arange(5) * 0.0045
        at = dark_of(darks, LineTimes(time_s, np.zeros(5, np.uint8), 0.0045), found.cubes[0])
        assert at.extrapolated.all()
        got = at.middle + at.weight[2] * at.change
        np.testing.assert_allclose(got, wanted.mean, atol=1e-3)


def test_overall_noise_weighs_the_captures_by_their_frames(found: Inventory) -> None:
    one = measure_dark(found.darks[0], 0.0)[0]
    few = replace(one, noise=np.full_like(one.noise, 2.0), frames_used=100)
    many = replace(one, noise=np.full_like(one.noise, 1.0), frames_used=300)
    np.testing.assert_allclose(overall_noise([few, many]), np.sqrt((4 + 3) / 4), rtol=1e-6)


def test_a_frame_with_light_on_it_has_no_part_in_the_mean(plain_copy: Any) -> None:
    capture = take_inventory(load_config(plain_copy.config)).darks[0]
    whole, _ = measure_dark(capture, 0.0)
    frames = np.memmap(capture.data, "<u2", "r+").reshape(capture.lines, -1)
    frames[7] += 900
    frames.flush()
    measured, _ = measure_dark(capture, 0.0)
    assert measured.frames_used == whole.frames_used - 1
    assert np.isnan(measured.level[7])
    np.testing.assert_allclose(measured.mean, whole.mean, atol=0.5)


def test_helpers_change_no_number(plain_copy: Any) -> None:
    """Threads beside the capture's own, a frame that repeats the last of the chunk before, and
    one with light on it: the same as by one thread, to the last bit."""
    capture = take_inventory(load_config(plain_copy.config)).darks[0]
    assert capture.lines > CHUNK_FRAMES
    frames = np.memmap(capture.data, "<u2", "r+").reshape(capture.lines, -1)
    frames[CHUNK_FRAMES] = frames[CHUNK_FRAMES - 1]
    frames[7] += 900
    frames.flush()
    alone, sha256 = measure_dark(capture, 0.0)
    with ThreadPoolExecutor(3) as threads:
        helped, again = measure_dark(capture, 0.0, helpers=Helpers(threads, 3))
    assert alone.repeated == helped.repeated == 1
    assert np.isnan(alone.level[7])
    assert np.isfinite(np.delete(alone.level, 7)).all()
    assert sha256 == again
    for field in fields(alone):
        np.testing.assert_array_equal(getattr(helped, field.name), getattr(alone, field.name))
