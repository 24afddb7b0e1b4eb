"""The checks of the offload, wired to what the run knows."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from pipeline.errors import ReflectoryError
from pipeline.flags import LineFlag
from pipeline.radiometry.checks import offload
from pipeline.radiometry.checks.row import Limits
from pipeline.records import Array, Check
from pipeline.run.plan import input_name
from pipeline.run.prepare import Preparation
from pipeline.write.product import output_bytes


def offload_rows(prepared: Preparation, limits: Limits) -> list[Check]:
    """Is everything there, whole, alike and in order?"""
    config, found = prepared.config, prepared.found
    captures = [*found.cubes, *found.darks, *([found.flat] if found.flat else [])]
    claimed = {c.data.name: c.claimed_bytes for c in captures}
    on_disk = dict(claimed)
    unreadable: dict[str, ReflectoryError] = {}
    for name, error in found.refused.items():
        if name in found.torn:
            on_disk[name], claimed[name] = found.torn[name]
        else:
            unreadable[name] = error
    needed = sum(output_bytes(c, config.output.uncertainty) for c in prepared.cubes)
    folder = config.output.folder
    while not folder.exists():
        folder = folder.parent
    measured = _measured_times(prepared)
    every = {c.name: prepared.times[c.name].time_s for c in prepared.cubes}
    period_s = prepared.cubes[0].settings.frame_period_ms / 1000
    return [
        _whole(offload.files_whole(on_disk, claimed, limits=limits), unreadable),
        offload.strip_missing(
            [c.name for c in found.cubes] + list(found.refused),
            [c.name for c in captures if c not in found.cubes],
            limits=limits,
        ),
        offload.settings_alike(found.cubes, limits=limits),
        offload.disk_space(shutil.disk_usage(folder).free, needed, limits=limits),
        offload.clock(
            np.concatenate(list(every.values())),
            None if prepared.track is None else prepared.track.time_s,
            limits=limits,
        ),
        offload.time_order(every, limits=limits),
        offload.line_gaps(measured, period_s, limits=limits),
        offload.line_jitter(measured, period_s, limits=limits),
    ]


def read_so_far(prepared: Preparation) -> dict[Path, str]:
    """SHA-256 of the files that were read to their end before the cubes."""
    named = {path: input_name(prepared.config, path) for path in prepared.found.manifest}
    known = prepared.digests
    return {path: known[name] for path, name in named.items() if name in known}


def manifest_row(prepared: Preparation, sha256_of: Mapping[Path, str], limits: Limits) -> Check:
    """Listed files that are gone, or whose digest, where it was computed, is another.

    A cube without a digest is one that is still to be read.
    """
    found = prepared.found
    if found.manifest_problems is None:
        return offload.manifest(None, limits=limits)
    changed = [path.name for path, sha in found.manifest.items() if sha256_of.get(path, sha) != sha]
    return offload.manifest(
        len(found.manifest) + len(found.manifest_problems),
        [problem.removesuffix(": missing") for problem in found.manifest_problems],
        changed,
        unread=[c.data.name for c in prepared.cubes if c.data in found.manifest.keys() - sha256_of],
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


def _measured_times(prepared: Preparation) -> dict[str, Array] | None:
    """Line times that were recorded, not estimated, by cube; None without any."""
    measured = {
        c.name: prepared.times[c.name].time_s
        for c in prepared.cubes
        if not (prepared.times[c.name].flags & LineFlag.TIME_ESTIMATED).any()
    }
    return measured or None
