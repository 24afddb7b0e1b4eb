"""Checks of the offload: is everything there, whole, alike and in order?"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike

from pipeline.flags import GAP_FRAME_PERIODS
from pipeline.radiometry.checks.row import Limits, finite, listed, many, not_checked, percent, row
from pipeline.radiometry.limits import (
    CLOCK_GPS_S,
    CLOCK_HOURS,
    EXPOSURE_ALIKE,
    LIMITS,
    SETTING_ALIKE,
    WAVELENGTH_ALIKE_NM,
)
from pipeline.records import Array, Capture, Check

#: Line times of each cube that recorded them, by the cube's name.
TimesByCube = Mapping[str, ArrayLike]


def files_whole(
    on_disk_bytes: Mapping[str, int],
    claimed_bytes: Mapping[str, int],
    *,
    needed: Collection[str] = (),
    limits: Limits = LIMITS,
) -> Check:
    """Bytes on disk less bytes claimed, of the worst file.

    Parameters
    ----------
    on_disk_bytes : by file name; a file that is not there has 0 bytes or no entry
    claimed_bytes : by file name, what the headers claim; the files that are judged
    needed : files without which nothing can be calibrated (darks, panel cubes). A broken file
        that is not among them costs its cube alone, as long as one whole file is left.
    """
    if not claimed_bytes:
        return not_checked(limits, "files-whole", "no header claims a size")
    off = {name: on_disk_bytes.get(name, 0) - claim for name, claim in claimed_bytes.items()}
    bad = [name for name, bytes_off in off.items() if bytes_off]
    if not bad:
        return row(
            limits,
            "files-whole",
            0.0,
            f"all {many(len(off), 'file')} are as long as their headers claim",
        )
    name = max(bad, key=lambda one: abs(off[one]))
    says = (
        f"{name} has {on_disk_bytes.get(name, 0)} bytes, its header claims {claimed_bytes[name]} "
        f"({off[name]:+d})"
    )
    if len(bad) > 1:
        says += f"; {many(len(bad), 'file')} are wrong: {listed(bad)}"
    return row(
        limits,
        "files-whole",
        off[name],
        says,
        subject=name,
        costs_part=len(bad) < len(off) and not set(bad) & set(needed),
    )


def manifest(
    listed_files: int | None,
    missing: Sequence[str] = (),
    changed: Sequence[str] = (),
    *,
    unread: Sequence[str] = (),
    costs_part: bool = False,
    limits: Limits = LIMITS,
) -> Check:
    """Listed files that are missing or have another digest.

    Parameters
    ----------
    listed_files : number of files the manifest lists; None without a manifest
    unread : listed files that are there and were not read to their end, so that their digests are
        still to be compared: without a fault among the others the row is then `not checked`
    costs_part : the named files are cubes that the run leaves out, and others remain
    """
    if listed_files is None:
        return not_checked(
            limits,
            "manifest",
            "no manifest came with the offload",
            do="Write one on the recorder before copying (sha256sum * > manifest.sha256)",
        )
    bad = [*missing, *changed]
    if unread and not bad:
        return not_checked(
            limits,
            "manifest",
            f"{many(listed_files, 'listed file')}, all there; not read whole, so that their "
            f"digests are compared only when a run reads them: {listed(unread)}",
        )
    parts = [f"missing: {listed(missing)}"] if missing else []
    parts += [f"another digest: {listed(changed)}"] if changed else []
    says = f"{many(listed_files, 'listed file')}; " + (
        "; ".join(parts) or "all there and unchanged"
    )
    return row(
        limits,
        "manifest",
        len(bad),
        says,
        subject=bad[0] if len(bad) == 1 else "",
        costs_part=costs_part,
    )


def strip_missing(
    names: Sequence[str], others: Sequence[str] = (), *, limits: Limits = LIMITS
) -> Check:
    """Numbers missing between the first and the last strip.

    `names` are the cubes' names; the last group of digits in each is its number, and names that
    agree before and after it are one series. Strips lost before the first or after the last
    number cannot be seen. Numbers of six digits or more that leap are times, not numbers.
    `others`, the darks' and the flat's names, fill gaps of the same series and make none.
    """
    series: dict[tuple[str, str], set[int]] = {}
    width: dict[tuple[str, str], int] = {}
    for name in names:
        if found := re.search(r"(\d+)(\D*)$", name):
            key = (name[: found.start()], found[2])
            series.setdefault(key, set()).add(int(found[1]))
            width[key] = max(width.get(key, 0), len(found[1]))
    numbered = {
        key: numbers
        for key, numbers in series.items()
        if len(numbers) > 1 and (width[key] < 6 or max(numbers) - min(numbers) < 10 * len(numbers))
    }
    filled = {
        (other[: found.start()], found[2], int(found[1]))
        for other in others
        if (found := re.search(r"(\d+)(\D*)$", other))
    }
    if not numbered:
        return not_checked(limits, "strip-missing", "the cubes are not numbered in sequence")
    gone = [
        f"{key[0]}{number:0{width[key]}d}{key[1]}"
        for key, numbers in numbered.items()
        for number in range(min(numbers), max(numbers))
        if number not in numbers and (*key, number) not in filled
    ]
    count = sum(map(len, numbered.values()))
    says = f"{many(count, 'numbered strip')} without a gap"
    if gone:
        says = f"{many(len(gone), 'strip is', 'strips are')} missing: {listed(gone)}"
    return row(limits, "strip-missing", len(gone), says, subject=gone[0] if gone else "")


def differences(first: Capture, other: Capture) -> tuple[list[str], list[str]]:
    """Settings of `other` that differ from `first`, with both values, and those not comparable.

    Exposure differs above 0.1 %; gain and frame period when printed otherwise; shape is bands x
    samples (strips may differ in lines). A setting that only one header states, or none, is not
    comparable.
    """
    differ, unknown = [], []
    for label, field, unit, near in (
        ("exposure", "exposure_ms", " ms", EXPOSURE_ALIKE),
        ("gain", "gain", "", SETTING_ALIKE),
        ("frame period", "frame_period_ms", " ms", SETTING_ALIKE),
    ):
        a, b = getattr(first.settings, field), getattr(other.settings, field)
        if not (math.isfinite(a) and math.isfinite(b)):
            unknown.append(label)
        elif abs(b - a) > near * (1 + 1e-9) * abs(a):
            differ.append(f"{label} {b:g}{unit} against {a:g}{unit}")
    shape, other_shape = (first.bands, first.samples), (other.bands, other.samples)
    if shape != other_shape:
        differ.append(
            f"{other_shape[0]} x {other_shape[1]} bands x samples against {shape[0]} x {shape[1]}"
        )
    elif first.wavelength_nm.shape == other.wavelength_nm.shape:
        apart = finite(np.abs(other.wavelength_nm - first.wavelength_nm))
        if apart.size and apart.max() > WAVELENGTH_ALIKE_NM:
            differ.append(f"wavelengths by up to {apart.max():.3g} nm")
    return differ, unknown


def alike(
    name: str, first: Capture, others: Sequence[Capture], limits: Limits, costs_part: bool
) -> Check:
    """Row of a check that compares captures' settings with the first cube's."""
    thing = limits[name].unit
    compared = {other.name: differences(first, other) for other in others}
    bad = [other for other, (differ, _) in compared.items() if differ]
    if bad:
        says = f"{bad[0]}: {', '.join(compared[bad[0]][0])} in {first.name}"
        if len(bad) > 1:
            says += f"; {many(len(bad), thing)} differ: {listed(bad)}"
        return row(
            limits,
            name,
            len(bad),
            says,
            subject=bad[0],
            costs_part=costs_part and len(bad) < len(others),
        )
    unknown = list(dict.fromkeys(label for _, missing in compared.values() for label in missing))
    if "exposure" in unknown:
        return not_checked(
            limits,
            name,
            f"shape and wavelengths agree, but the headers do not state {', '.join(unknown)}"
            f"{_stored_otherwise(first, others)}",
            do="Name the header's keys in sensor.header_keys",
        )
    says = f"{many(len(others), thing)} with the settings of {first.name}"
    if unknown:
        says += f"; not stated: {', '.join(unknown)}"
    return row(limits, name, 0.0, says + _stored_otherwise(first, others))


def _stored_otherwise(first: Capture, others: Sequence[Capture]) -> str:
    """Names captures of another layout than the first, or nothing.

    No fault, and no caution: both say how counts lie in the file, not how they were taken, and
    every form is read alike. It is said since a camera writes one form: some file was converted.
    """
    names = [other.name for other in others if other.layout != first.layout]
    if not names:
        return ""
    forms = sorted({other.layout for other in others if other.layout != first.layout})
    return (
        f"; stored as {' or '.join(forms)} where {first.name} is {first.layout}, "
        f"which is read alike: {listed(names)}"
    )


def settings_alike(cubes: Sequence[Capture], *, limits: Limits = LIMITS) -> Check:
    """Cubes whose settings differ from the first; such cubes are refused, the others remain."""
    if not cubes:
        return not_checked(limits, "settings-alike", "no cube")
    return alike("settings-alike", cubes[0], cubes, limits, costs_part=True)


def disk_space(
    free_bytes: float | None, needed_bytes: float | None, *, limits: Limits = LIMITS
) -> Check:
    """Bytes free over bytes needed."""
    if free_bytes is None or not needed_bytes:
        return not_checked(limits, "disk-space", "the free or the needed space is not known")
    return row(
        limits,
        "disk-space",
        free_bytes / needed_bytes,
        f"{free_bytes / 1e9:.3g} GB free, {needed_bytes / 1e9:.3g} GB needed",
    )


def clock(
    line_time_s: ArrayLike | None, track_time_s: ArrayLike | None, *, limits: Limits = LIMITS
) -> Check:
    """Share of line times outside the track's span; names an offset that would mend it.

    Both are (time,) UTC seconds, in any order; NaN are passed over. Whole hours (-14 to +14, a
    time zone) and 18 s (GPS time less UTC) are tried, the smallest that mends is named.
    """
    lines, track = finite(line_time_s), finite(track_time_s)
    if not lines.size or not track.size:
        what = "no recorded line times" if not lines.size else "no track"
        return not_checked(limits, "clock", what)
    low, high = track.min(), track.max()

    def outside(offset_s: float) -> float:
        return float(np.mean((lines + offset_s < low) | (lines + offset_s > high)))

    share = outside(0.0)
    if share == 0:
        return row(limits, "clock", 0.0, "all line times lie within the track")
    says, do = f"{percent(share)} of the line times lie outside the track", ""
    hours = [3600.0 * h for h in range(-CLOCK_HOURS, CLOCK_HOURS + 1) if h]
    for offset in sorted([-CLOCK_GPS_S, CLOCK_GPS_S, *hours], key=abs):
        if outside(offset) == 0:
            text = f"{offset:+.0f} s (GPS time against UTC)"
            if abs(offset) != CLOCK_GPS_S:
                text = f"{offset / 3600:+.0f} h (a time zone)"
            says += f"; {text} added to them would mend it"
            do = (
                f"Set tables.line_times.offset_s = {offset:.0f}, or tables.track.offset_s = "
                f"{-offset:.0f} if the track's clock is the one that is off"
            )
            break
    return row(limits, "clock", share, says, do=do)


def time_order(
    line_time_s: TimesByCube | None, *, costs_part: bool = False, limits: Limits = LIMITS
) -> Check:
    """Lines whose time does not increase, over all cubes; NaN times are passed over.

    `costs_part`: the cubes concerned are left out, and others remain.
    """
    if not _steps(line_time_s):
        return not_checked(limits, "time-order", "no recorded line times")
    back = {name: int((step <= 0).sum()) for name, step in _steps(line_time_s).items()}
    count = sum(back.values())
    name = max(back, key=lambda one: back[one]) if count else ""
    says = "time increases from line to line in every cube"
    if count:
        says = f"time does not increase at {many(count, 'line')}, most of them in {name}"
    return row(limits, "time-order", count, says, subject=name, costs_part=costs_part)


def line_gaps(
    line_time_s: TimesByCube | None,
    frame_period_s: float | None = None,
    *,
    limits: Limits = LIMITS,
) -> Check:
    """Share of lines after a step of more than 1.5 frame periods.

    Parameters
    ----------
    line_time_s : (line,) [s] by cube, as recorded; estimated times have no gaps to find
    frame_period_s : the header's; the median step of each cube where it is None or NaN
    """
    steps = _steps(line_time_s)
    if not steps:
        return not_checked(limits, "line-gaps", "no recorded line times")
    gaps = {
        name: int((s > GAP_FRAME_PERIODS * _period(s, frame_period_s)).sum())
        for name, s in steps.items()
    }
    count, lines = sum(gaps.values()), sum(s.size + 1 for s in steps.values())
    name = max(gaps, key=lambda one: gaps[one]) if count else ""
    says = f"{many(count, 'gap')} in {lines} lines ({percent(count / lines)})"
    if count:
        longest = max(float(s.max()) for s in steps.values())
        says += f", most of them in {name}, the longest {longest:.3g} s"
    return row(limits, "line-gaps", count / lines, says, subject=name)


def line_jitter(
    line_time_s: TimesByCube | None,
    frame_period_s: float | None = None,
    *,
    limits: Limits = LIMITS,
) -> Check:
    """Standard deviation of the line step over the frame period, of the worst cube.

    Steps that are gaps (line-gaps) or do not increase (time-order) are left out.
    """
    jitter = {}
    for name, steps in _steps(line_time_s).items():
        period = _period(steps, frame_period_s)
        regular = steps[(steps > 0) & (steps <= GAP_FRAME_PERIODS * period)]
        if regular.size > 1 and period > 0:
            jitter[name] = float(np.std(regular, ddof=1)) / period
    if not jitter:
        return not_checked(limits, "line-jitter", "no recorded line times")
    name = max(jitter, key=lambda one: jitter[one])
    return row(
        limits,
        "line-jitter",
        jitter[name],
        f"the line step scatters by {percent(jitter[name])} of the frame period in {name}",
        subject=name,
    )


def _steps(line_time_s: TimesByCube | None) -> dict[str, Array]:
    steps = {name: np.diff(finite(times)) for name, times in (line_time_s or {}).items()}
    return {name: step for name, step in steps.items() if step.size}


def _period(steps: Array, frame_period_s: float | None) -> float:
    if frame_period_s is not None and math.isfinite(frame_period_s):
        return frame_period_s
    return float(np.median(steps))
