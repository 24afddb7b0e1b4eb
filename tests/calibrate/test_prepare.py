"""Flights of every shape, type and unit, made by plain numpy: a right result or one clear error."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest

from pipeline.calibrate.prepare import prepare
from pipeline.cli.commands import main
from pipeline.config.flight import load_config

CODES = {"u1": 1, "i2": 2, "i4": 3, "f4": 4, "u2": 12, "u4": 13}
DARK, WHITE, LOW, HIGH = 100.0, 6000.0, 0.05, 0.5


def write_flight(
    folder: Path,
    *,
    lines: int = 40,
    bands: int = 20,
    samples: int = 60,
    dtype: str = "u2",
    wavelength: Any = None,
    units: str = "nm",
    dark_frames: int = 40,
    one_panel: bool = False,
    leave_out: tuple[str, ...] = (),
    more: str = "",
) -> Path:
    """A dark panel fills the left half of the swath, a bright one the right; or the bright alone.

    The signal of a white surface is `WHITE` counts in every band, on a dark of `DARK`; eight-bit
    counts are a twentieth of that.
    """
    rng = np.random.default_rng(5)
    raw = folder / "raw"
    raw.mkdir(parents=True)
    unit = 1e-3 if units != "nm" else 1.0
    nm = np.linspace(500, 700, bands) if wavelength is None else np.asarray(wavelength, float)
    scale, full = (1 / 20, 255) if dtype == "u1" else (1.0, 4095)
    half = 0 if one_panel else max(samples // 2, 1)

    def write(stem: str, counts: Any, minute: int) -> None:
        header = {
            "samples": samples, "lines": len(counts), "bands": bands, "data type": CODES[dtype],
            "interleave": "bil", "byte order": 0, "exposure time": 2.4, "frame period": 4.5,
            "acquisition start": f"2026-06-18T11:{minute:02d}:00Z", "wavelength units": units,
            "wavelength": "{" + ", ".join(f"{w * unit:.7f}" for w in nm) + "}",
            "fwhm": "{" + ", ".join([f"{5 * unit}"] * bands) + "}",
        }  # fmt: skip
        text = "".join(f"{k} = {v}\n" for k, v in header.items() if k not in leave_out)
        (raw / f"{stem}.hdr").write_text("a header\n" + text)
        whole = counts if dtype == "f4" else np.rint(counts)
        np.clip(whole, 0, full).astype(f"<{dtype}").tofile(raw / f"{stem}.raw")

    shape = (lines, bands, samples)
    write("cap", scale * (DARK + rng.normal(0, 2 / scale**0.5, (dark_frames, *shape[1:]))), 0)
    reflectance = np.full(shape, HIGH)
    reflectance[:, :, :half] = LOW
    counts = DARK + WHITE * reflectance
    noise = np.sqrt(4 + WHITE * reflectance / 5) * rng.standard_normal(shape)
    write("strip-0", scale * (counts + noise), 5)
    panels = [("bright", HIGH, (half, samples))]
    panels += [] if one_panel else [("dark", LOW, (0, half))]
    text = '[flight]\nname = "odd"\nfolder = "raw"\ncubes = "strip-*.hdr"\ndarks = "cap.hdr"\n'
    text += f"[sensor]\nfull_scale_counts = {full}\nsaturation_counts = {full - 5}\n"
    for name, value, span in panels:
        rows = "".join(f"{w},{value},{value * 0.02:.6f}\n" for w in range(400, 1001, 10))
        (folder / f"{name}.csv").write_text(
            "wavelength_nm,reflectance,expanded_uncertainty\n" + rows
        )
        text += (
            f'[[panel]]\nname = "{name}"\ncertificate = "{name}.csv"\nwhere = {{ cube = "strip-0", '
            f"lines = [0, {lines}], samples = {list(span)} }}\n"
        )
    (folder / "flight.toml").write_text(text + more)
    return folder / "flight.toml"


def medians(config: Path, document: Any) -> tuple[Any, Any]:
    """Median reflectance of each band at the left and the right end of the swath."""
    path = config.parent / "results" / "odd" / document["run_id"] / "strip-0.nc"
    with netCDF4.Dataset(path) as nc:
        assert (np.diff(nc["wavelength"][:]) > 0).all()
        r = np.ma.filled(nc["reflectance"][:].astype(float), np.nan)
    quarter = max(r.shape[2] // 4, 1)
    return tuple(np.nanmedian(part, axis=(1, 2)) for part in (r[..., :quarter], r[..., -quarter:]))


SHUFFLED = np.random.default_rng(1).permutation(np.linspace(500, 700, 20))


@pytest.mark.parametrize(
    "knobs",
    [
        {},
        {"lines": 1},
        {"lines": 2},
        {"lines": 65},
        {"bands": 1},
        {"bands": 2},
        {"samples": 1, "one_panel": True},
        {"one_panel": True},
        {"lines": 1, "bands": 1, "samples": 1, "one_panel": True},
        {"dtype": "f4"},
        {"dtype": "i2"},
        {"units": "um"},
        {"units": "Micrometers"},
        {"wavelength": np.linspace(700, 500, 20)},
        {"wavelength": SHUFFLED},
        {"wavelength": SHUFFLED, "units": "um", "dtype": "f4"},
        {"leave_out": ("fwhm",)},
        {"leave_out": ("acquisition start",)},
        {"leave_out": ("acquisition start", "exposure time", "frame period")},
        {"dark_frames": 2},
        {"more": "[quality]\nlow_signal_snr = 0\n"},
        {"more": "[quality]\ntrim_band_ends = true\n"},
        {"more": "[quality]\ninterpolate_bad_elements = true\n"},
        {"more": "[calibration]\ncertificates_correlated = true\n"},
        {"more": "[output]\nuncertainty = false\n"},
    ],
    ids=lambda k: " ".join(k) if isinstance(k, dict) else None,
)
def test_odd_flights_give_the_right_reflectance(
    knobs: dict[str, Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = write_flight(tmp_path, **knobs)
    code = main(["run", str(config), "--json", "--workers", "1"])
    out, err = capsys.readouterr()
    assert code in (0, 1), err

    def refuse(name: str) -> None:
        raise AssertionError(f"{name} is no JSON")

    document = json.loads(out, parse_constant=refuse)
    left, right = medians(config, document)
    np.testing.assert_allclose(right, HIGH, atol=0.02)
    if not knobs.get("one_panel"):
        np.testing.assert_allclose(left, LOW, atol=0.02)


def test_eight_bit_counts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # A count is 0.4 % of white here: coarse, and noisy by rounding alone.
    config = write_flight(tmp_path, dtype="u1")
    assert main(["run", str(config), "--json", "--workers", "1"]) in (0, 1)
    left, right = medians(config, json.loads(capsys.readouterr().out))
    np.testing.assert_allclose(right, HIGH, atol=0.03)
    np.testing.assert_allclose(left, LOW, atol=0.03)


@pytest.mark.parametrize(
    ("knobs", "names"),
    [
        ({"bands": 1, "leave_out": ("fwhm",)}, ["fwhm"]),
        ({"wavelength": [500, *np.linspace(500, 700, 19)]}, ["two bands", "500"]),
        ({"leave_out": ("wavelength", "fwhm")}, ["wavelength"]),
        ({"dark_frames": 1}, ["1 frame"]),
        ({"more": '[calibration]\nillumination = "panel passes"\n'}, ["pass"]),
        ({"wavelength": np.linspace(1500, 1700, 20)}, ["nm", ".csv"]),
    ],
    ids=lambda k: " ".join(k) if isinstance(k, dict) else "",
)
def test_what_cannot_be_calibrated_is_one_clear_error(
    knobs: dict[str, Any],
    names: list[str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    config = write_flight(tmp_path, **knobs)
    assert main(["run", str(config), "--workers", "1"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 1
    for name in names:
        assert name in err
    assert not [p for p in (tmp_path / "results").rglob("*") if p.is_file()]


def test_few_lines_call_no_element_stuck(tmp_path: Path) -> None:
    """Two lines are alike by chance in a few of a hundred elements."""
    prepared = prepare(load_config(write_flight(tmp_path, lines=2)))
    assert not prepared.measured.detector.bad.stuck.any()


def test_a_dead_element_is_found_in_spite_of_its_own_response(
    tmp_path: Path, make_flight_in: Any
) -> None:
    """Divided by a flat in which it is dead too, a dead element would look alive."""
    size = {"lines": 128, "samples": 96, "bands": 40, "dark_frames": 120, "bad_share": 1.5e-3}
    flight = make_flight_in(tmp_path, seed=3, flat=True, flat_lines=400, **size)
    prepared = prepare(load_config(flight.config))
    dead = flight.truth.bad.dead
    assert dead.sum() >= 5
    assert (prepared.measured.detector.bad.any & dead).sum() == dead.sum()
    assert (prepared.measured.detector.flat.response[dead] == 1).all()


def test_measured_numbers_are_those_of_the_camera(rich_flight: Any) -> None:
    prepared = prepare(load_config(rich_flight.config))
    truth = rich_flight.truth
    good = ~truth.bad.any
    assert prepared.measured.detector.electrons_per_count == truth.electrons_per_count
    assert (
        abs(prepared.measured.detector.transfer.electrons_per_count / truth.electrons_per_count - 1)
        < 0.1
    )
    assert (
        abs(np.median(prepared.measured.detector.noise[good] / truth.read_noise_counts[good]) - 1)
        < 0.05
    )
    response = truth.response / truth.response.mean(axis=1, keepdims=True)
    assert np.abs(prepared.measured.detector.flat.response - response)[good].max() < 0.03
    np.testing.assert_allclose(prepared.fit.empirical_line.gain, truth.gain, rtol=0.03)
    for cube, wanted in zip(prepared.recording.cubes, truth.irradiance_ratio, strict=True):
        np.testing.assert_allclose(prepared.light.by_cube[cube.name].ratio, wanted, rtol=2e-4)
