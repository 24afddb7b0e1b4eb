"""Flight folders: files, consistency with the truth, reproducibility."""

import csv
import datetime as dt
import hashlib
import subprocess
import sys
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import spectral
from pyproj import Geod

from pipeline.config.flight import load_config
from pipeline.synthetic import FlightPlan, make_flight, true_reflectance
from pipeline.synthetic.__main__ import main
from pipeline.synthetic.scene import EDGE

SAMPLE_DATA = Path(__file__).parents[2] / "sample_data"


def cube(folder: Path, stem: str) -> np.ndarray:
    """(line, band, sample) as `spectral` reads it."""
    image = spectral.open_image(str(folder / "raw" / f"{stem}.hdr"))
    return np.asarray(image.open_memmap(interleave="bil"))


def digests(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def seconds(text: str) -> float:
    return dt.datetime.fromisoformat(text).timestamp()


@pytest.mark.parametrize("interleave", ["bil", "bip", "bsq"])
@pytest.mark.parametrize("big_endian", [False, True])
def test_every_interleave_holds_the_same_counts(
    small_flight, small_plan, tmp_path, interleave, big_endian
):
    folder, _ = small_flight
    make_flight(tmp_path, replace(small_plan, interleave=interleave, big_endian=big_endian))
    for stem in ("strip-00", "strip-01", "cap-before", "cap-after"):
        assert np.array_equal(cube(tmp_path, stem), cube(folder, stem))


def test_headers_state_shape_bands_and_settings(small_flight, small_plan):
    folder, truth = small_flight
    image = spectral.open_image(str(folder / "raw" / "strip-00.hdr"))
    assert image.shape == (small_plan.lines, small_plan.samples, small_plan.bands)
    assert image.bands.centers == pytest.approx(truth.wavelength_nm)
    assert image.bands.bandwidths == pytest.approx(truth.fwhm_nm)
    keys = image.metadata
    assert float(keys["exposure time"]) == 2.4
    assert float(keys["frame period"]) == 4.5
    assert seconds(keys["acquisition start"]) == pytest.approx(truth.line_time_s[0, 0], abs=1e-6)


def test_counts_are_twelve_bit_and_the_brightest_panel_peaks_where_it_should(small_flight):
    folder, truth = small_flight
    counts = cube(folder, "strip-00")
    assert counts.dtype == np.uint16
    assert counts.max() <= 4095
    (l0, l1), (s0, s1) = truth.panels[-1].windows["strip-00"]
    peak = counts[l0:l1, :, s0:s1].mean(axis=(0, 2)).max()
    assert 0.73 < peak / 4095 < 0.85
    assert peak / 4095 == pytest.approx(0.79, abs=0.01)


def test_config_is_read_by_the_program_and_names_the_windows(small_flight, small_plan):
    folder, truth = small_flight
    config = load_config(folder / "flight.toml")
    assert [p.use for p in config.panel].count("check") == 1
    for panel, true in zip(config.panel, truth.panels, strict=True):
        assert (panel.where[0].lines, panel.where[0].samples) == true.windows["strip-00"]


@pytest.mark.parametrize("where", ["region", "search"])
@pytest.mark.parametrize("regions_format", ["kml", "geojson"])
def test_config_forms_of_where_are_read(small_plan, tmp_path, where, regions_format):
    plan = replace(small_plan, where=where, regions_format=regions_format, flat=True)
    make_flight(tmp_path, plan)
    config = load_config(tmp_path / "flight.toml")
    first = config.panel[0].where[0]
    assert first == "search" if where == "search" else first.region == "panel-grey-03"


def test_true_gain_and_dark_bring_back_the_true_reflectance(small_flight, small_plan):
    folder, truth = small_flight
    for number, stem in enumerate(small_plan.stems):
        counts = cube(folder, stem).astype(np.float64)
        dark = np.stack([truth.dark_at(t) for t in truth.line_time_s[number]])
        signal = (counts - dark) / truth.response
        ratio = truth.irradiance_ratio[number][:, None, None]
        gain, offset = truth.gain[:, None], truth.offset[:, None]
        got = offset + gain * signal / ratio
        variance = (
            truth.read_noise_counts**2
            + np.maximum(counts - dark, 0) / truth.electrons_per_count
            + 1 / 12
        )
        z = (got - true_reflectance(small_plan, number)) / (
            gain / ratio * np.sqrt(variance) / truth.response
        )
        z = z[:, ~truth.bad.any]
        # Some 500 000 independent samples: the mean is known to 0.0014, the spread to 0.1 %.
        # The variance is taken from the noisy counts, which costs up to 2 % at low signal.
        assert abs(z.mean()) < 0.02
        assert z.std() == pytest.approx(1.0, abs=0.02)
        assert abs(z.mean(axis=0)).max() < 6 / np.sqrt(small_plan.lines) + 0.1


def test_darks_have_the_true_mean_and_noise(small_flight, small_plan):
    folder, truth = small_flight
    good = ~truth.bad.any
    for stem, time in zip(("cap-before", "cap-after"), truth.dark_time_s, strict=True):
        frames = cube(folder, stem).astype(np.float64)
        error = np.sqrt((truth.read_noise_counts**2 + 1 / 12) / small_plan.dark_frames)
        z = ((frames.mean(axis=0) - truth.dark_at(time)) / error)[good]
        assert abs(z).max() < 6
        assert z.std() == pytest.approx(1.0, abs=0.06)


def test_photon_transfer_gives_the_stated_gain(tmp_path):
    # EMVA 1288 (R4.0), photon transfer: temporal variance over mean signal is 1/K counts.
    plan = FlightPlan(
        cubes=1, lines=128, samples=64, bands=20, dark_frames=50, flat=True, flat_lines=1000, seed=3
    )
    truth = make_flight(tmp_path, plan)
    frames = cube(tmp_path, "flat-0").astype(np.float64)
    good = ~truth.bad.any
    mean = (frames.mean(axis=0) - truth.dark_first)[good]
    excess = frames.var(axis=0, ddof=1)[good] - truth.read_noise_counts[good] ** 2 - 1 / 12
    bright = mean > 500
    gain = mean[bright].sum() / excess[bright].sum()
    assert gain == pytest.approx(plan.electrons_per_count, rel=0.01)


def test_bad_elements_behave_as_their_kind(small_flight):
    folder, truth = small_flight
    frames, scene = cube(folder, "cap-before").astype(float), cube(folder, "strip-00").astype(float)
    mean, noise = frames.mean(axis=0), frames.std(axis=0)
    good = ~truth.bad.any
    assert (mean[truth.bad.hot] > mean[good].max() + 100).all()
    assert (noise[truth.bad.noisy] > 3 * noise[good].max()).all()
    assert (noise[truth.bad.stuck] == 0).all()
    assert (scene.std(axis=0)[truth.bad.stuck] == 0).all()
    assert (abs(scene.mean(axis=0) - mean)[truth.bad.dead] < 2).all()
    kinds = [truth.bad.hot, truth.bad.dead, truth.bad.stuck, truth.bad.noisy]
    assert all(kind.sum() >= 1 for kind in kinds)
    assert sum(kind.astype(int) for kind in kinds).max() == 1


def test_true_reflectance_of_some_lines_is_that_of_all(small_plan):
    whole = true_reflectance(small_plan, 1)
    assert np.array_equal(true_reflectance(small_plan, 1, slice(37, 90)), whole[37:90])


@pytest.mark.parametrize("cubes_and_passes", [(2, 1), (2, 2), (3, 2)])
def test_track_meets_the_panel_polygons_where_the_windows_say(tmp_path, cubes_and_passes):
    """By geodesics on WGS 84 (pyproj.Geod), not by the projection that made the files."""
    import json

    cubes, passes = cubes_and_passes
    plan = FlightPlan(
        cubes=cubes,
        panel_passes=passes,
        lines=128,
        samples=64,
        bands=5,
        dark_frames=2,
        regions_format="geojson",
    )
    truth = make_flight(tmp_path, plan)
    table = rows(tmp_path / "track.csv")
    t = np.array([seconds(row["time_utc"]) for row in table])
    track = {key: np.array([float(row[key]) for row in table]) for key in table[0] if key[0] != "t"}
    regions = json.loads((tmp_path / "areas.geojson").read_text())["features"]
    rings = {f["properties"]["name"]: f["geometry"]["coordinates"][0] for f in regions}
    geod = Geod(ellps="WGS84")
    for panel in truth.panels:
        assert len(panel.windows) == passes
        longitude, latitude = np.array(rings[f"panel-{panel.name}"][:4]).T
        for stem, (lines, samples) in panel.windows.items():
            times = rows(tmp_path / "raw" / f"{stem}.times.csv")
            now = [seconds(times[i]["time_utc"]) for i in (lines[0], lines[1] - 1)]
            at = {key: np.interp(now, t, value) for key, value in track.items()}
            heading = at["heading_deg"][0]
            corners = []
            for x, y in zip(longitude, latitude, strict=True):
                azimuth, _, distance = geod.inv(at["longitude"][0], at["latitude"][0], x, y)
                angle = np.radians(azimuth - heading)
                corners.append((distance * np.cos(angle), distance * np.sin(angle)))
            ahead, right = np.array(corners).T
            step = plan.line_m
            # Whole coverage begins half the soft edge inside the polygon.
            inset = 0.5 * EDGE
            first_line = lines[0] + ahead.min() / step
            last_line = lines[0] + ahead.max() / step
            assert lines[0] == np.ceil(first_line + inset - 0.02)
            assert lines[1] - 1 == np.floor(last_line - inset + 0.02)
            seen = right / plan.height_m / (plan.ifov_mrad * 1e-3)
            seen = seen + (plan.samples - 1) / 2
            assert samples[0] == np.ceil(seen.min() + inset - 0.02)
            assert samples[1] - 1 == np.floor(seen.max() - inset + 0.02)


def test_panel_core_holds_the_panel_and_its_surroundings_do_not(small_flight, small_plan):
    _, truth = small_flight
    scene = true_reflectance(small_plan, 0)
    for panel in truth.panels:
        (l0, l1), (s0, s1) = panel.windows["strip-00"]
        core = scene[l0:l1, :, s0:s1]
        assert abs(core - panel.reflectance[None, :, None]).max() < 2e-6
        trimmed = (l1 - l0 - 4) * (s1 - s0 - 4)
        assert trimmed >= 100
        around = scene[l1 + 3, 40, s0:s1]
        assert abs(around - panel.reflectance[40]).max() > 0.02


def test_same_ground_looks_the_same_from_the_next_strip(small_plan):
    from pipeline.synthetic.scene import Scene

    scene = Scene.of(small_plan)
    along, across = np.array([[1.0], [1.5]]), np.array([[0.3, 0.4, 0.5]])
    whole, reverse = scene.at(along, across), scene.at(along[::-1], across[:, ::-1])
    assert np.array_equal(whole.weight_first, reverse.weight_first[::-1, ::-1])


def test_same_seed_same_bytes_other_seed_other_bytes(small_flight, small_plan, tmp_path):
    folder, _ = small_flight
    make_flight(tmp_path / "same", small_plan)
    assert digests(tmp_path / "same") == digests(folder)
    make_flight(tmp_path / "other", replace(small_plan, seed=8))
    same, other = digests(folder), digests(tmp_path / "other")
    for stem in ("strip-00", "strip-01", "cap-before", "cap-after"):
        assert same[f"raw/{stem}.raw"] != other[f"raw/{stem}.raw"]


def test_noise_differs_between_blocks_cubes_and_captures(small_flight):
    folder, truth = small_flight
    a, b = (
        ((cube(folder, stem) - truth.dark_at(time)) / truth.read_noise_counts)[:, ~truth.bad.any]
        for stem, time in zip(("cap-before", "cap-after"), truth.dark_time_s, strict=True)
    )
    # Correlation of unlike numbers: its standard error is 1/sqrt(64 * 61 * 64) = 0.002.
    assert abs(np.corrcoef(a[:64].ravel(), a[64:128].ravel())[0, 1]) < 0.01
    assert abs(np.corrcoef(a[:64].ravel(), b[:64].ravel())[0, 1]) < 0.01


def test_manifest_is_accepted_by_sha256sum(small_flight):
    folder, _ = small_flight
    lines = (folder / "raw" / "manifest.sha256").read_text().splitlines()
    assert len(lines) == len(list((folder / "raw").iterdir())) - 1
    for line in lines:
        digest, name = line.split("  ")
        assert hashlib.sha256((folder / "raw" / name).read_bytes()).hexdigest() == digest


def test_saved_truth_is_the_truth(small_plan, tmp_path):
    truth = make_flight(tmp_path, replace(small_plan, save_truth=True))
    with np.load(tmp_path / "truth.npz") as saved:
        assert np.array_equal(saved["gain"], truth.gain)
        assert list(saved["panel_name"]) == [panel.name for panel in truth.panels]


def test_command_line_says_what_it_made_and_what_next(tmp_path, capsys):
    folder = tmp_path / "f"
    sizes = ["--cubes=1", "--lines=128", "--samples=64", "--bands=5", "--dark-frames=3"]
    assert main([str(folder), *sizes, "--format", "zarr", "--faults", "gap,tilted-panel"]) == 0
    said = capsys.readouterr().out
    assert "1 strips of 128 lines x 5 bands x 64 samples" in said
    assert f"reflectory run {folder / 'flight.toml'}" in said
    with (folder / "flight.toml").open("rb") as file:
        assert tomllib.load(file)["output"]["format"] == "zarr"


def test_command_line_refuses_an_unknown_fault(tmp_path, capsys):
    with pytest.raises(SystemExit, match="2"):
        main([str(tmp_path / "f"), "--faults", "no-such"])
    assert "unknown fault 'no-such'" in capsys.readouterr().err
    assert not (tmp_path / "f").exists()


def test_sample_data_is_what_its_readme_says_made_it(tmp_path):
    readme = (SAMPLE_DATA / "README.md").read_text()
    command = next(
        line.strip() for line in readme.splitlines() if "python -m pipeline.synthetic" in line
    )
    words = command.split()
    assert words[:4] == ["python", "-m", "pipeline.synthetic", "sample_data"]
    subprocess.run(
        [sys.executable, "-m", "pipeline.synthetic", str(tmp_path), *words[4:]],
        check=True,
        cwd=SAMPLE_DATA.parent,
        capture_output=True,
    )
    made = digests(tmp_path)
    kept = {name: digest for name, digest in digests(SAMPLE_DATA).items() if name in made}
    assert made == kept
    size = sum((SAMPLE_DATA / name).stat().st_size for name in kept)
    assert size < 12_000_000
