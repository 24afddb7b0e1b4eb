"""A camera that hangs the other way round is told by the ground that strips share."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.calibrate.recording import Recording, read_recording
from pipeline.config.flight import load_config
from pipeline.draft.draft import draft
from pipeline.draft.glance import Glance, glances
from pipeline.draft.mount import AGREES, samples_run
from pipeline.read.inventory import take_inventory
from pipeline.synthetic import FlightPlan, make_flight


def flown(folder: Path, *, mirrored: bool, **knobs: object) -> tuple[Recording, list[Glance]]:
    """A flight on disk; mirrored, each line of its strips the other way round."""
    plan = FlightPlan(
        **({"cubes": 3, "lines": 400, "samples": 128, "bands": 30, "dark_frames": 20,
            "manifest": False} | knobs)  # type: ignore[arg-type]
    )  # fmt: skip
    make_flight(folder, plan)
    for stem in plan.stems if mirrored else ():
        shape = (plan.lines, plan.bands, plan.samples)
        raw = np.memmap(folder / "raw" / f"{stem}.raw", "<u2", "r+", shape=shape)
        raw[:] = raw[:, :, ::-1].copy()
        raw.flush()
    config = load_config(folder / "flight.toml")
    recording = read_recording(config, take_inventory(config))
    return recording, glances(recording.cubes, 4000)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("seed", [1, 2])
def test_strips_that_overlap_tell(tmp_path: Path, mirrored: bool, seed: int) -> None:
    recording, seen = flown(tmp_path, mirrored=mirrored, seed=seed, height_m=40.0)
    assert recording.track is not None
    side, left, right = samples_run(seen, recording.times, recording.track)
    assert side == ("right" if mirrored else "left")
    assert max(left, right) > AGREES > 0.35 > min(left, right)


@pytest.mark.parametrize("knobs", [{"cubes": 1}, {"side_lap": -0.5}])
def test_strips_that_do_not_overlap_tell_nothing(tmp_path: Path, knobs: dict[str, float]) -> None:
    recording, seen = flown(tmp_path, mirrored=False, **knobs)
    assert recording.track is not None
    assert samples_run(seen, recording.times, recording.track)[0] == ""


def test_strips_of_unlike_ground_tell_nothing(tmp_path: Path) -> None:
    """Each strip from a flight of its own: brightness agrees neither way."""
    drawn = [flown(tmp_path / f"{i}", mirrored=False, seed=i) for i in range(3)]
    recording = drawn[0][0]
    assert recording.track is not None
    unlike = [seen[i] for i, (_, seen) in enumerate(drawn)]
    assert samples_run(unlike, recording.times, recording.track)[0] == ""


def test_a_draft_says_so_where_the_first_sample_is_to_the_right(tmp_path: Path) -> None:
    flown(tmp_path / "card", mirrored=True)
    (tmp_path / "card" / "flight.toml").unlink()
    made = draft(tmp_path / "card")
    assert made.exit_code == 0
    assert load_config(made.path).sensor.first_sample == "right"
    at = made.text.splitlines().index('first_sample = "right"')
    assert "correlate by 0." in made.text.splitlines()[at - 1]
    shutil.rmtree(tmp_path / "card")
    flown(tmp_path / "card", mirrored=False)
    (tmp_path / "card" / "flight.toml").unlink()
    assert "first_sample" not in draft(tmp_path / "card").text


def test_heights_above_the_sea_are_asked_about(tmp_path: Path) -> None:
    flown(tmp_path / "card", mirrored=False)
    (tmp_path / "card" / "flight.toml").unlink()
    track = tmp_path / "card" / "track.csv"
    track.write_text(track.read_text().replace("height_m", "alt_msl", 1))
    text = draft(tmp_path / "card").text
    assert "# worth adding: tables.track.ground_m" in text
    assert "alt_msl of track.csv is above the sea" in text


def test_a_strip_that_cannot_be_read_is_passed_over(tmp_path: Path) -> None:
    flown(tmp_path / "card", mirrored=True)
    (tmp_path / "card" / "flight.toml").unlink()
    header = tmp_path / "card" / "raw" / "strip-02.hdr"
    lines = [f"{line.split('=')[0]}= .." if line.startswith("frame period") else line
             for line in header.read_text().splitlines()]  # fmt: skip
    header.write_text("\n".join(lines))
    made = draft(tmp_path / "card")
    assert load_config(made.path).sensor.first_sample == "right"


def test_a_track_that_does_not_see_the_strips_tells_nothing(tmp_path: Path) -> None:
    recording, seen = flown(tmp_path, mirrored=False)
    assert recording.track is not None
    unseen = {name: replace(t, time_s=t.time_s + 1e5) for name, t in recording.times.items()}
    assert samples_run(seen, unseen, recording.track) == ("", -1.0, -1.0)
