"""Files of a simulated flight: cubes and headers, tables, polygons, config, manifest."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from spectral.io import envi

from pipeline.records import Array
from pipeline.synthetic.geometry import Rectangle, Timetable, Track, lon_lat
from pipeline.synthetic.plan import FlightPlan, Interleave

#: Axes of each interleave, outermost first, as positions in (line, band, sample).
AXES: dict[Interleave, tuple[int, int, int]] = {
    "bil": (0, 1, 2),
    "bip": (0, 2, 1),
    "bsq": (1, 0, 2),
}

#: Where the parts of a flight lie, relative to its folder.
RAW = "raw"
REGIONS = {"kml": "areas.kml", "geojson": "areas.geojson"}


def utc(time_s: float) -> str:
    """ISO 8601 text of a time [s since 1970], to the microsecond."""
    microseconds = round(time_s * 1e6)
    moment = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(microseconds=microseconds)
    return moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def write_lines(path: Path, lines: Iterable[str]) -> None:
    """Text with line feeds on every system, so that digests agree."""
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.writelines(f"{line}\n" for line in lines)


def write_header(
    path: Path, plan: FlightPlan, *, lines: int, start_s: float, description: str
) -> None:
    """The text header beside a data file, by a writer that the readers do not share."""

    def listed(values: Array) -> list[str]:
        return [f"{value:.3f}" for value in values]

    envi.write_envi_header(
        str(path),
        {
            "description": description,
            "samples": plan.samples,
            "lines": lines,
            "bands": plan.bands,
            "header offset": 0,
            "data type": 12,
            "interleave": plan.interleave,
            "byte order": int(plan.big_endian),
            "exposure time": f"{plan.exposure_ms * plan.exposure_factor:.4f}",
            "frame period": f"{plan.frame_period_ms:.4f}",
            "gain": 1,
            "sensor temperature": f"{plan.sensor_temperature_c:.2f}",
            "acquisition start": utc(start_s),
            "wavelength units": "nm",
            "wavelength": listed(plan.wavelength_nm),
            "fwhm": listed(np.full(plan.bands, plan.width_nm)),
        },
    )


def write_cube(
    path: Path, plan: FlightPlan, lines: int, blocks: Iterable[NDArray[np.uint16]]
) -> None:
    """A data file from consecutive blocks (line, band, sample); holds one block at a time."""
    axes = AXES[plan.interleave]
    dtype = np.dtype(">u2" if plan.big_endian else "<u2")
    with path.open("wb") as file:
        done = 0
        for block in blocks:
            part = np.ascontiguousarray(block.transpose(axes), dtype=dtype)
            if axes[0] == 0:
                part.tofile(file)
                continue
            for band, rows in enumerate(part):
                file.seek((band * lines + done) * plan.samples * dtype.itemsize)
                file.write(rows.data)
            done += len(block)


def write_line_times(path: Path, time_s: Array) -> None:
    """`line,time_utc`, lines counted from 0."""
    write_lines(path, ["line,time_utc", *(f"{i},{utc(t)}" for i, t in enumerate(time_s))])


def write_track(path: Path, track: Track) -> None:
    """Position and attitude over time; nine decimals of a degree are a tenth of a millimetre."""
    head = "time_utc,latitude,longitude,height_m,roll_deg,pitch_deg,heading_deg"
    columns = (
        track.latitude,
        track.longitude,
        track.height_m,
        track.roll_deg,
        track.pitch_deg,
        track.heading_deg,
    )
    rows = (
        f"{utc(t)},{lat:.9f},{lon:.9f},{h:.3f},{roll:.3f},{pitch:.3f},{heading:.4f}"
        for t, lat, lon, h, roll, pitch, heading in zip(track.time_s, *columns, strict=True)
    )
    write_lines(path, [head, *rows])


def write_irradiance(
    path: Path, time_s: Array, irradiance: Array, wavelength_nm: Array | None = None
) -> None:
    """`time_utc,irradiance`, W m-2, (time,); or (time, wavelength) with a column a wavelength."""
    columns = ["irradiance"] if wavelength_nm is None else [f"{nm:g}" for nm in wavelength_nm]
    table = irradiance.reshape(len(time_s), -1)
    rows = (
        ",".join([utc(t), *(f"{e:.6f}" for e in row)]) for t, row in zip(time_s, table, strict=True)
    )
    write_lines(path, [",".join(["time_utc", *columns]), *rows])


def write_certificate(path: Path, wavelength_nm: Array, value: Array, expanded: Array) -> None:
    """`wavelength_nm,reflectance,expanded_uncertainty`, k = 2."""
    rows = (
        f"{w:.1f},{r:.5f},{u:.5f}" for w, r, u in zip(wavelength_nm, value, expanded, strict=True)
    )
    write_lines(path, ["wavelength_nm,reflectance,expanded_uncertainty", *rows])


def write_regions(path: Path, plan: FlightPlan, regions: dict[str, Rectangle]) -> None:
    """Named polygons in longitude and latitude, KML 2.2 or GeoJSON (RFC 7946)."""
    rings = {
        name: [
            (round(float(x), 9), round(float(y), 9))
            for x, y in zip(*lon_lat(plan, *rectangle.corners()), strict=True)
        ]
        for name, rectangle in regions.items()
    }
    if plan.regions_format == "geojson":
        features = [
            {
                "type": "Feature",
                "properties": {"name": name},
                # The rings run clockwise; RFC 7946 wants the outer ring the other way.
                "geometry": {"type": "Polygon", "coordinates": [ring[::-1]]},
            }
            for name, ring in rings.items()
        ]
        text = json.dumps({"type": "FeatureCollection", "features": features}, indent=1)
        write_lines(path, [text])
        return
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<kml xmlns="http://www.opengis.net/kml/2.2">',
        "<Document>",
        f"<name>{plan.name}, simulated</name>",
    ]
    for name, ring in rings.items():
        points = " ".join(f"{x:.9f},{y:.9f},0" for x, y in ring[::-1])
        lines += [
            f"<Placemark><name>{name}</name><Polygon><outerBoundaryIs><LinearRing>",
            f"<coordinates>{points}</coordinates>",
            "</LinearRing></outerBoundaryIs></Polygon></Placemark>",
        ]
    write_lines(path, [*lines, "</Document>", "</kml>"])


def write_manifest(folder: Path) -> None:
    """`manifest.sha256` of every file in the folder, in the form of the coreutils."""
    rows = []
    for path in sorted(folder.iterdir()):
        if path.is_file() and path.name != "manifest.sha256":
            with path.open("rb") as file:
                rows.append(f"{hashlib.file_digest(file, 'sha256').hexdigest()}  {path.name}")
    write_lines(folder / "manifest.sha256", rows)


def write_config(
    path: Path,
    plan: FlightPlan,
    windows: Sequence[dict[str, tuple[tuple[int, int], tuple[int, int]]]],
) -> None:
    """The flight's TOML; `windows` holds per panel its lines and samples in each cube."""
    lines = [
        "# A simulated flight: no such place was flown.",
        "[flight]",
        f'name = "{plan.name}"',
        f'folder = "{RAW}"',
        'cubes = ["strip-*.hdr"]',
        'darks = ["cap-*.hdr"]',
        'line_times = "{stem}.times.csv"',
        'track = "track.csv"',
        f'regions = "{REGIONS[plan.regions_format]}"',
        'irradiance = "irradiance.csv"',
        *(['flat = "flat-0.hdr"'] if plan.flat else []),
        "",
        "[sensor]",
        f"full_scale_counts = {plan.full_scale_counts}",
        f"saturation_counts = {plan.saturation_counts}",
        f"ifov_mrad = {plan.ifov_mrad}",
        *([f"electrons_per_count = {plan.electrons_per_count}"] if plan.state_gain else []),
    ]
    for panel, seen in zip(plan.panels, windows, strict=True):
        lines += [
            "",
            "[[panel]]",
            f'name = "{panel.name}"',
            f'certificate = "certificates/{panel.name}.csv"',
            f'use = "{panel.use}"',
            "measured = 2026-03-02",
            f"where = {_place(plan, panel.name, seen)}",
        ]
    lines += [
        "",
        "[calibration]",
        f'illumination = "{plan.illumination}"',
        "",
        "[output]",
        'folder = "results"',
        f'format = "{plan.output_format}"',
    ]
    write_lines(path, lines)


def _place(
    plan: FlightPlan, name: str, seen: dict[str, tuple[tuple[int, int], tuple[int, int]]]
) -> str:
    """TOML value of a panel's `where`."""
    if plan.where == "search":
        return '"search"'
    if plan.where == "region":
        return f'{{ region = "panel-{name}" }}'
    places = [
        f'{{ cube = "{stem}", lines = [{a}, {b}], samples = [{c}, {d}] }}'
        for stem, ((a, b), (c, d)) in seen.items()
    ]
    return places[0] if len(places) == 1 else f"[{', '.join(places)}]"


def irradiance_times(table: Timetable, rate_hz: float) -> Array:
    """Times of the irradiance log, (point,), covering every capture."""
    start, stop = table.before_s - 5.0, table.end_s + 5.0
    return start + np.arange(int((stop - start) * rate_hz) + 1) / rate_hz
