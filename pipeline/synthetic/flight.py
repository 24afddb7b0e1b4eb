"""A whole simulated flight on disk, and the truth behind it."""

from __future__ import annotations

import functools
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.records import Array, Array32
from pipeline.synthetic import files
from pipeline.synthetic.camera import (
    Elements,
    elements,
    leaked_signal,
    path_reflectance,
    white_signal,
)
from pipeline.synthetic.certificates import (
    COVERAGE_FACTOR,
    certificate_table,
)
from pipeline.synthetic.geometry import (
    Timetable,
    ground,
    lon_lat,
    panel_rectangles,
    survey_rectangle,
    timetable,
    track,
)
from pipeline.synthetic.kernel import Detector, Lines, Pixels, Spectra, expose, reflect
from pipeline.synthetic.light import irradiance_log, light_colour
from pipeline.synthetic.plan import FlightPlan, PanelPlan, generator
from pipeline.synthetic.scene import MATERIALS, Scene, core_window, spectra
from pipeline.synthetic.truth import PanelTruth, Truth

__all__ = [
    "FlightPlan",
    "PanelPlan",
    "PanelTruth",
    "Truth",
    "make_flight",
    "true_positions",
    "true_reflectance",
]

#: Lines made at a time; part of the noise's addressing, so it never changes.
BLOCK_LINES = 64

#: Blocks in the making at a time: this many and no more are in memory.
WORKERS = 2

LOG_HZ = 10.0
#: Columns of the irradiance log of a flight whose light changes colour [nm].
LOG_NM = np.arange(380.0, 1021.0, 20.0)


def make_flight(folder: str | Path, plan: FlightPlan | None = None) -> Truth:
    """Write a complete flight folder.

    Parameters
    ----------
    folder : made where absent; files of the same names are replaced, others are left
    plan : knobs; the default is a steady good flight

    Returns
    -------
    Truth, also saved as `truth.npz` when the plan says so.
    """
    plan = plan or FlightPlan()
    folder = Path(folder)
    raw, certificates = folder / files.RAW, folder / "certificates"
    for part in (raw, certificates):
        part.mkdir(parents=True, exist_ok=True)

    table = timetable(plan)
    log_s = files.irradiance_times(table, LOG_HZ)
    log = irradiance_log(plan, table, log_s)
    truth = _truth(plan, table, log_s, log)

    for panel in plan.panels:
        files.write_certificate(certificates / f"{panel.name}.csv", *certificate_table(panel))
    files.write_track(folder / "track.csv", track(plan, table))
    if plan.blue_fall:
        by_band = log[:, None] * light_colour(plan, log_s, LOG_NM)
        files.write_irradiance(folder / "irradiance.csv", log_s, by_band, LOG_NM)
    else:
        files.write_irradiance(folder / "irradiance.csv", log_s, log)
    regions = {"survey": survey_rectangle(plan)} | {
        f"panel-{panel.name}": rectangle
        for panel, rectangle in zip(plan.panels, panel_rectangles(plan), strict=True)
    }
    files.write_regions(folder / files.REGIONS[plan.regions_format], plan, regions)
    files.write_config(folder / "flight.toml", plan, [panel.windows for panel in truth.panels])

    _write_captures(raw, plan, table, truth)
    if plan.manifest:
        files.write_manifest(raw)
    if plan.save_truth:
        truth.save(folder / "truth.npz")
    return truth


def true_reflectance(plan: FlightPlan, cube_index: int, lines: slice = slice(None)) -> Array32:
    """True reflectance (line, band, sample) of some lines of a cube, made again from the seed.

    A panel's tilt and shadow are light, not reflectance, and are left out; its dirt is in.
    """
    pixels = _scene(plan).pixels(timetable(plan).strips[cube_index], lines)
    out = np.empty((len(pixels.first), plan.bands, plan.samples), dtype=np.float32)
    reflect(pixels, _spectra(plan), out)
    return out


def true_positions(plan: FlightPlan, cube_index: int) -> tuple[Array, Array]:
    """Latitude and longitude of each sample of a cube as it was flown, (line, sample) [degree]."""
    along, across = np.broadcast_arrays(*ground(plan, timetable(plan).strips[cube_index]))
    longitude, latitude = lon_lat(plan, along, across)
    return latitude, longitude


@functools.lru_cache(maxsize=4)
def _scene(plan: FlightPlan) -> Scene:
    return Scene.of(plan)


@functools.lru_cache(maxsize=4)
def _spectra(plan: FlightPlan) -> Spectra:
    return spectra(plan)


def _truth(plan: FlightPlan, table: Timetable, log_s: Array, log: Array) -> Truth:
    made = elements(plan)
    white = white_signal(plan)
    line_time = table.line_time_s
    centre = plan.wavelength_nm
    panels = []
    for number, panel in enumerate(plan.panels):
        wavelength, value, expanded = certificate_table(panel)
        windows = {
            stem: window
            for stem, strip in zip(plan.stems, table.strips, strict=True)
            if (window := core_window(plan, strip, number)) is not None
        }
        panels.append(
            PanelTruth(
                name=panel.name,
                use=panel.use,
                reflectance=_spectra(plan).value[:, len(MATERIALS) + number].astype(np.float64),
                certificate=np.interp(centre, wavelength, value),
                uncertainty=np.interp(centre, wavelength, expanded / COVERAGE_FACTOR),
                windows=windows,
            )
        )
    first_pass = [line_time[0, slice(*p.windows[plan.stems[0]][0])].mean() for p in panels]
    panel_s = float(np.mean(first_pass))
    at_panels = np.interp(panel_s, log_s, log)
    half = 0.5 * plan.dark_frames * plan.frame_period_ms * 1e-3
    return Truth(
        plan=plan,
        wavelength_nm=centre,
        fwhm_nm=np.full(plan.bands, plan.width_nm),
        true_wavelength_nm=centre[:, None] + plan.shift_nm[None, :],
        gain=1.0 / white.mean(axis=1),
        offset=-path_reflectance(plan),
        white_signal=white,
        response=made.response,
        dark_first=made.dark,
        dark_drift=made.drift,
        dark_time_s=(table.before_s + half, table.after_s + half),
        read_noise_counts=made.read_noise,
        electrons_per_count=plan.electrons_per_count,
        bad=made.bad,
        line_time_s=line_time,
        irradiance_ratio=np.interp(line_time, log_s, log) / at_panels,
        panel_time_s=panel_s,
        panels=tuple(panels),
    )


def _detector(plan: FlightPlan, made: Elements, extra_dark: Array | None = None) -> Detector:
    white = white_signal(plan) * made.response
    white[made.bad.dead] = 0.0
    dark = made.dark if extra_dark is None else made.dark + extra_dark[:, None]
    return Detector(
        white=white.astype(np.float32),
        path=path_reflectance(plan).astype(np.float32),
        dark=dark.astype(np.float32),
        drift=made.drift,
        read_variance=np.asarray(made.read_noise**2, dtype=np.float32),
        stuck_at=made.stuck_at,
        electrons_per_count=np.float32(plan.electrons_per_count),
        full_scale=np.float32(plan.full_scale_counts),
    )


@dataclass(frozen=True, eq=False)
class _Recording:
    """One capture to be written."""

    stem: str
    description: str
    time_s: Array  # (line,)
    irradiance_ratio: Array  # (line,) or (line, band)
    detector: Detector


def _write_captures(raw: Path, plan: FlightPlan, table: Timetable, truth: Truth) -> None:
    """Dark captures, flat and cubes with their headers, and the cubes' line times."""
    made = elements(plan)
    detector = _detector(plan, made)
    period = plan.frame_period_ms * 1e-3
    capped = detector
    if plan.light_leak_counts:
        capped = _detector(plan, made, np.round(leaked_signal(plan, _scene_mean(plan)), 5))
    frames = np.arange(plan.dark_frames, dtype=np.float64) * period
    starts = {"before": table.before_s, "after": table.after_s}
    for when in plan.dark_captures:
        dark = _Recording(
            f"cap-{when}",
            "simulated dark capture, lens capped",
            starts[when] + frames,
            np.zeros(plan.dark_frames),
            capped,
        )
        _write_capture(raw, plan, truth, dark, None)
    if plan.flat:
        time = table.flat_s + np.arange(plan.flat_lines, dtype=np.float64) * period
        flat = _Recording(
            "flat-0", "simulated uniform target", time, np.ones(plan.flat_lines), detector
        )
        _write_capture(raw, plan, truth, flat, None)
    for cube, (stem, strip) in enumerate(zip(plan.stems, table.strips, strict=True)):
        ratio = truth.ratio_by_band(cube)
        record = _Recording(stem, "simulated strip", strip.time_s, ratio, detector)
        _write_capture(raw, plan, truth, record, cube)
        files.write_line_times(raw / f"{stem}.times.csv", strip.time_s)


def _write_capture(
    raw: Path, plan: FlightPlan, truth: Truth, record: _Recording, cube: int | None
) -> None:
    lines = len(record.time_s)
    files.write_header(
        raw / f"{record.stem}.hdr",
        plan,
        lines=lines,
        start_s=float(record.time_s[0]),
        description=record.description,
    )
    blocks = _blocks(plan, truth, record, cube)
    files.write_cube(raw / f"{record.stem}.raw", plan, lines, blocks)


def _blocks(
    plan: FlightPlan, truth: Truth, record: _Recording, cube: int | None
) -> Iterator[NDArray[np.uint16]]:
    """Counts in blocks (line, band, sample), in order of lines, made by a few threads."""
    first, last = truth.dark_time_s
    tile = None
    if plan.fast:
        shape = (BLOCK_LINES, plan.bands, plan.samples)
        tile = generator(plan, "tile").standard_normal(shape, dtype=np.float32)
    strip = None if cube is None else timetable(plan).strips[cube]
    scene, materials = _scene(plan), _spectra(plan)

    def block(number: int) -> NDArray[np.uint16]:
        where = slice(number * BLOCK_LINES, (number + 1) * BLOCK_LINES)
        time = record.time_s[where]
        shape = (len(time), plan.bands, plan.samples)
        noise = tile
        if noise is None:
            rng = generator(plan, f"noise {record.stem}", number)
            noise = rng.standard_normal(shape, dtype=np.float32)
        reflectance = np.full(shape, 0.4, dtype=np.float32)
        light = np.ones((shape[0], shape[2]), dtype=np.float32)
        if strip is not None:
            pixels: Pixels = scene.pixels(strip, where)
            light = pixels.light
            reflect(pixels, materials, reflectance)
        lines = Lines(
            irradiance_ratio=np.broadcast_to(
                record.irradiance_ratio[where].reshape(len(time), -1), shape[:2]
            ).astype(np.float32),
            age=((time - first) / (last - first)).astype(np.float32),
        )
        out = np.empty(shape, dtype=np.uint16)
        expose(reflectance, light, record.detector, lines, noise, out)
        return out

    count = -(-len(record.time_s) // BLOCK_LINES)
    with ThreadPoolExecutor(WORKERS) as pool:
        for start in range(0, count, WORKERS):
            yield from pool.map(block, range(start, min(start + WORKERS, count)))


def _scene_mean(plan: FlightPlan) -> Array:
    """Mean reflectance of the first cube, (band,), from some 64 of its lines."""
    lines = slice(None, None, max(1, plan.lines // 64))
    return np.asarray(true_reflectance(plan, 0, lines).mean(axis=(0, 2)), dtype=np.float64)
