"""A lens that loses light towards the swath's ends, and no flat: what a person is told to do."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np

import pipeline
from pipeline.flight.field_check import look
from pipeline.synthetic import true_reflectance

ASIDE = 20  # samples by which the second pass lies nearer to the swath's end


def repeat_row(flight: Any) -> Any:
    document: Any = look(flight.config).to_json()
    return next(c for c in document["checks"] if c["check"] == "panel-repeat")


def passed_aside(folder: Path, make_flight_in: Callable[..., Any]) -> Any:
    """A flight under steady light whose last strip sees the panels at other samples."""
    flight = make_flight_in(
        folder, seed=91, cubes=3, lines=160, samples=96, vignetting=0.25, panel_passes=2
    )
    dark, response = flight.plan.dark_level_counts, flight.truth.response
    signal = np.roll((flight.counts("strip-02") - dark) / response, ASIDE, axis=2)
    counts = np.rint(signal * response + dark).astype("<u2")
    (flight.folder / "raw" / "strip-02.raw").write_bytes(counts.tobytes())
    (flight.folder / "raw" / "manifest.sha256").unlink()

    def aside(found: re.Match[str]) -> str:
        return f"{found[1]}[{int(found[2]) + ASIDE}, {int(found[3]) + ASIDE}]"

    text = flight.config.read_text()
    text, moved = re.subn(r'("strip-02".*?samples = )\[(\d+), (\d+)\]', aside, text)
    assert moved
    flight.config.write_text(text)
    return flight


def test_passes_that_a_falloff_tells_apart_do_not_send_to_panel_passes(
    tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    flight = passed_aside(tmp_path, make_flight_in)
    row = repeat_row(flight)
    assert row["verdict"] == "caution"
    assert row["value"] > 0.03
    assert "different samples" in row["says"]
    assert "flat" in row["do"]
    assert "panel passes" not in row["do"]
    # With a response from the scene it is no longer the first thing to think of.
    flight.edit("[calibration]", '[calibration]\nresponse = "scene"')
    assert "different samples" not in repeat_row(flight)["says"]


def test_a_flat_that_no_longer_fits_is_told_and_carried(
    tmp_path: Path, make_flight_in: Callable[..., Any]
) -> None:
    """The flat of another lens: what it leaves of 15 % is in the uncertainty, and in a row."""
    flight = make_flight_in(tmp_path, seed=92, cubes=4, lines=160, vignetting=0.15, flat=True)
    other = make_flight_in(tmp_path / "other", seed=92, cubes=1, flat=True)
    (flight.folder / "raw" / "manifest.sha256").unlink()
    flat = "raw/flat-0.raw"
    assert rows_of(flight)["falloff"]["verdict"] == "pass"
    fitting = inside(flight)
    (flight.folder / flat).write_bytes((other.folder / flat).read_bytes())
    row = rows_of(flight)["falloff"]
    assert row["verdict"] == "caution"
    assert "no longer fits" in row["do"]
    assert fitting > 0.93
    assert inside(flight) > 0.93


def rows_of(flight: Any) -> dict[str, Any]:
    document: Any = look(flight.config).to_json()
    return {c["check"]: c for c in document["checks"]}


def inside(flight: Any) -> float:
    """Share of unflagged samples within twice their stated standard uncertainty."""
    run = pipeline.run(flight.config, workers=2)
    z = []
    for i, stem in enumerate(flight.plan.stems):
        wanted = true_reflectance(flight.plan, i).transpose(1, 0, 2)
        with netCDF4.Dataset(run.folder / f"{stem}.nc") as nc:
            clear = nc["quality_flag"][:].data == 0
            off = (nc["reflectance"][:] - wanted) / nc["reflectance_uncertainty"][:]
            z.append(np.asarray(off[clear]))
    return float((np.abs(np.concatenate(z)) <= 2).mean())
