"""The checks of the offload, wired to what the run knows."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.calibrate.measure import Measured
from pipeline.calibrate.prepare import Preparation
from pipeline.calibrate.recording import Recording
from pipeline.calibrate.scene_sample import SceneSample
from pipeline.config.flight import Config
from pipeline.errors import ReflectoryError
from pipeline.flags import LineFlag
from pipeline.radiometry.checks import offload, recorder
from pipeline.radiometry.checks.no_data import no_data
from pipeline.radiometry.checks.row import Limits, band_names, listed, percent
from pipeline.records import Array, Check, DarkCapture, Mask
from pipeline.write.product import output_bytes


def offload_rows(
    config: Config, recording: Recording, measured: Measured, limits: Limits
) -> list[Check]:
    """Is everything there, whole, alike and in order?"""
    found, cubes, times = recording.found, recording.cubes, recording.times
    captures = [*found.cubes, *found.darks, *([found.flat] if found.flat else [])]
    claimed = {c.data.name: c.claimed_bytes for c in captures}
    on_disk = dict(claimed)
    unreadable: dict[str, ReflectoryError] = {}
    for name, error in found.refused.items():
        if name in found.torn:
            on_disk[name], claimed[name] = found.torn[name]
        else:
            unreadable[name] = error
    needed = sum(output_bytes(c, config.output.uncertainty) for c in cubes)
    folder = config.output.folder
    while not folder.exists():
        folder = folder.parent
    recorded = _recorded_times(recording)
    every = {c.name: times[c.name].time_s for c in cubes}
    period_s = cubes[0].settings.frame_period_ms / 1000
    return [
        _filled(
            _whole(offload.files_whole(on_disk, claimed, limits=limits), unreadable),
            recording,
            measured,
        ),
        no_data(
            {s.cube: s.unwritten for s in measured.scenes if s.lines.size < s.looked.size},
            panels={r.cube for r in measured.readings},
            limits=limits,
        ),
        offload.strip_missing(
            [c.name for c in found.cubes] + list(found.refused),
            [c.name for c in captures if c not in found.cubes],
            limits=limits,
        ),
        offload.settings_alike(found.cubes, limits=limits),
        offload.disk_space(shutil.disk_usage(folder).free, needed, limits=limits),
        offload.clock(
            np.concatenate(list(every.values())),
            None if recording.track is None else recording.track.time_s,
            limits=limits,
        ),
        offload.time_order(every, limits=limits),
        offload.line_gaps(recorded, period_s, limits=limits),
        offload.line_jitter(recorded, period_s, limits=limits),
    ]


def read_so_far(prepared: Preparation) -> dict[Path, str]:
    """SHA-256 of the files that were read to their end before the cubes."""
    return prepared.inputs.sha256_of


def manifest_row(recording: Recording, sha256_of: Mapping[Path, str], limits: Limits) -> Check:
    """Listed files that are gone, or whose digest, where it was computed, is another.

    A cube without a digest is one that is still to be read.
    """
    found = recording.found
    if found.manifest_problems is None:
        return offload.manifest(None, limits=limits)
    unread = found.manifest.keys() - sha256_of
    changed = [path.name for path, sha in found.manifest.items() if sha256_of.get(path, sha) != sha]
    return offload.manifest(
        len(found.manifest) + len(found.manifest_problems),
        [problem.removesuffix(": missing") for problem in found.manifest_problems],
        changed,
        unread=[c.data.name for c in recording.cubes if c.data in unread],
        limits=limits,
    )


def frozen_row(measured: Measured, by_cube: Mapping[str, int] | None, limits: Limits) -> Check:
    """Lines and frames that repeat; `by_cube` of all lines, or None for what thin ones show."""
    darks = measured.detector.darks
    lines = by_cube if by_cube is not None else {s.cube: s.repeated for s in measured.scenes}
    return recorder.frozen(
        {**lines, **{d.name: d.repeated for d in darks}},
        {d.name: float(((d.noise == 0) & ~d.clipped).mean()) for d in darks},
        thin=by_cube is None,
        limits=limits,
    )


def _whole(check: Check, unreadable: Mapping[str, ReflectoryError]) -> Check:
    """The check of sizes, or the first cube that has another fault than its size."""
    if check.verdict == "fail" or not unreadable:
        return check
    name, error = next(iter(unreadable.items()))
    return replace(
        check,
        subject=name,
        value=None,
        verdict="fail",
        says=f"{name} cannot be used: {error.what}.",
        do=f"{error.do or 'Copy the file again from the recorder'}.",
        costs_part=True,
    )


def _filled(check: Check, recording: Recording, measured: Measured) -> Check:
    """The check of sizes, or the cube whose bytes are there and hold no light.

    A band in which the darks themselves have no noise, or lie at zero, tells nothing alone: there
    a line counts only when it is alike in every band.
    """
    if check.verdict == "fail":
        return check
    silent = np.any([_silent(d) for d in measured.detector.darks], axis=0)
    empty = {
        s.cube: s.uniform & (~silent | s.uniform.all(axis=1, keepdims=True)) & _counted(s)
        for s in measured.scenes
    }
    scenes = {s.cube: s for s in measured.scenes}
    share = {name: float(mask.mean()) for name, mask in empty.items()}
    name = max(share, key=lambda one: share[one])
    if share[name]:
        where = _where(empty[name], scenes[name].looked, recording.wavelength_nm)
        others = [other for other in share if share[other] and other != name]
        more = f"; such lines are also in {listed(others)}" if others else ""
        return replace(
            check,
            subject=name,
            value=None,
            verdict="fail",
            says=f"{name} has its full size, but {where}{more}.",
            do="Copy the file again from the recorder before its disk is wiped.",
            costs_part=any(part < 1 for part in share.values()),
        )
    worst = max(measured.scenes, key=lambda s: s.nan_share)
    if worst.nan_share:
        return replace(
            check,
            subject=worst.cube,
            value=None,
            verdict="caution",
            says=f"{percent(worst.nan_share)} of the counts looked at in {worst.cube} are no "
            "numbers; such samples stay blank and are flagged.",
            do="Look at how the file was converted: a camera writes no such counts.",
        )
    return check


def _counted(scene: SceneSample) -> Mask:
    """Lines that speak of a strip's size, (line, 1): all but those that `no-data` tells of."""
    of_row = np.isin(scene.looked, scene.lines)
    return np.asarray(of_row[:, None])


def _silent(dark: DarkCapture) -> Mask:
    """Bands in which most elements of a dark have no noise or lie at zero, (band,)."""
    return np.asarray((dark.clipped | (dark.noise == 0)).mean(axis=1) > 0.5)


def _where(empty: Mask, lines: NDArray[np.intp], wavelength_nm: Array) -> str:
    """Which of a cube's thin lines, and in which bands, hold one and the same count."""
    rows = empty.any(axis=1)
    hit = lines[rows]
    place = f"{rows.sum()} of the {lines.size} lines looked at"
    place += f" ({hit[0]} to {hit[-1]})" if hit.size > 1 else f" ({hit[0]})"
    bands = empty.any(axis=0)
    if not bands.all():
        place += f" at {band_names(bands, wavelength_nm)}"
    return f"{place} hold one and the same count throughout: no light, a file cut off and filled"


def _recorded_times(recording: Recording) -> dict[str, Array] | None:
    """Line times that were recorded, not estimated, by cube; None without any."""
    recorded = {
        name: times.time_s
        for name, times in recording.times.items()
        if not (times.flags & LineFlag.TIME_ESTIMATED).any()
    }
    return recorded or None
