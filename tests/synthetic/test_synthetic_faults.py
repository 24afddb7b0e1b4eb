"""Each fault changes what its name says, and nothing else."""

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import spectral

from pipeline.synthetic import FAULTS, FlightPlan, Truth, make_flight, with_faults
from pipeline.synthetic.__main__ import parser
from pipeline.synthetic.faults import TOLD

#: Files each fault may change; certificates, track and the rest stay as they are.
STRIPS = {f"raw/strip-0{i}.raw" for i in (0, 1)}
HEADERS = {f"raw/{stem}.hdr" for stem in ("strip-00", "strip-01", "cap-before", "cap-after")}
CHANGES = {
    "saturated-panel": STRIPS | HEADERS,
    "under-exposed": STRIPS | HEADERS,
    "drifted-dark": STRIPS | {"raw/cap-before.raw", "raw/cap-after.raw"},
    "light-leak": {"raw/cap-before.raw", "raw/cap-after.raw"},
    "shadowed-panel": {"raw/strip-00.raw"},
    "tilted-panel": {"raw/strip-00.raw"},
    "dirty-panel": {"raw/strip-00.raw"},
    "wrong-certificate": {"certificates/grey-24.csv"},
    "falling-irradiance": STRIPS | {"irradiance.csv", "flight.toml"},
    "irradiance-steps": {"raw/strip-01.raw", "irradiance.csv", "flight.toml"},
    "wavelength-shift": STRIPS,
    "smile": STRIPS,
}


def flight(folder: Path, plan: FlightPlan, *names: str) -> tuple[Path, Truth]:
    return folder, make_flight(folder, with_faults(plan, names))


def counts(folder: Path, stem: str) -> np.ndarray:
    image = spectral.open_image(str(folder / "raw" / f"{stem}.hdr"))
    return np.asarray(image.open_memmap(interleave="bil")).astype(np.float64)


def panel(folder: Path, truth: Truth, number: int, stem: str = "strip-00") -> np.ndarray:
    """Signal above the true dark in a panel's window, (line, band, sample)."""
    (l0, l1), (s0, s1) = truth.panels[number].windows[stem]
    dark = truth.dark_at(truth.line_time_s[0, l0])
    signal = counts(folder, stem) - dark
    signal[:, truth.bad.any] = np.nan
    return signal[l0:l1, :, s0:s1]


def test_every_fault_is_tested_here():
    assert set(FAULTS) == set(CHANGES) | {"single-dark", "gap", "two-passes"}


@pytest.mark.parametrize("name", sorted(CHANGES))
def test_fault_changes_no_file_but_its_own(name, small_flight, small_plan, tmp_path):
    good, _ = small_flight
    bad, _ = flight(tmp_path, small_plan, name)
    names = {str(p.relative_to(good)) for p in good.rglob("*") if p.is_file()}
    assert names == {str(p.relative_to(bad)) for p in bad.rglob("*") if p.is_file()}
    changed = {n for n in names if (good / n).read_bytes() != (bad / n).read_bytes()}
    assert changed - {"raw/manifest.sha256"} == CHANGES[name]


def test_saturated_panel_clips_in_some_bands_only(small_plan, tmp_path):
    folder, truth = flight(tmp_path, small_plan, "saturated-panel")
    (l0, l1), (s0, s1) = truth.panels[-1].windows["strip-00"]
    mean = counts(folder, "strip-00")[l0:l1, :, s0:s1].mean(axis=(0, 2))
    clipped = mean > 4080
    assert 1 <= clipped.sum() < 0.6 * small_plan.bands
    assert counts(folder, "strip-00").max() == 4095


def test_under_exposure_scales_the_signal(small_flight, small_plan, tmp_path):
    good = np.nanmean(panel(*small_flight, 3))
    bad = np.nanmean(panel(*flight(tmp_path, small_plan, "under-exposed"), 3))
    assert bad / good == pytest.approx(0.35, abs=0.003)


def test_drift_is_fifteen_counts_between_captures(small_plan, tmp_path):
    folder, _ = flight(tmp_path, small_plan, "drifted-dark")
    rise = counts(folder, "cap-after").mean() - counts(folder, "cap-before").mean()
    assert rise == pytest.approx(15.0, abs=0.1)


def test_single_dark_leaves_the_first_capture_while_the_dark_drifts(small_plan, tmp_path):
    folder, truth = flight(tmp_path, small_plan, "single-dark")
    assert [p.name for p in folder.glob("raw/cap-*.hdr")] == ["cap-before.hdr"]
    late = truth.dark_at(truth.line_time_s[-1, -1]).mean() - truth.dark_first.mean()
    assert late > 5


def test_light_leak_has_the_shape_of_the_scene(small_flight, small_plan, tmp_path):
    good, truth = small_flight
    bad, _ = flight(tmp_path, small_plan, "light-leak")
    leak = (counts(bad, "cap-before") - counts(good, "cap-before")).mean(axis=0)
    scene = (counts(good, "strip-00") - truth.dark_first).mean(axis=0)
    leak, scene = (np.nanmean(np.where(truth.bad.any, np.nan, x), axis=1) for x in (leak, scene))
    assert leak.max() == pytest.approx(8.0, abs=0.3)
    assert np.corrcoef(leak, scene)[0, 1] > 0.999


def test_gap_jumps_in_time_and_ground(small_flight, small_plan, tmp_path):
    good, _ = small_flight
    bad, truth = flight(tmp_path, small_plan, "gap")
    step = np.diff(truth.line_time_s[1])
    line = small_plan.lines * 2 // 3
    assert step.argmax() == line - 1
    assert step.max() == pytest.approx(41 * 4.5e-3, abs=1e-4)
    assert np.delete(step, line - 1).max() < 1.1 * 4.5e-3
    # The last dark capture comes later, which moves the dark by less than a thousandth of a count.
    difference = abs(counts(good, "strip-01") - counts(bad, "strip-01"))
    assert difference[:line].max() <= 1
    assert difference[line:].max() > 100
    with (bad / "raw" / "strip-01.times.csv").open() as file:
        assert len(list(csv.reader(file))) == small_plan.lines + 1


def test_shadow_falls_on_half_of_the_brightest_panel(small_plan, tmp_path):
    signal = np.nanmean(panel(*flight(tmp_path, small_plan, "shadowed-panel"), 3), axis=(1, 2))
    half = len(signal) // 2
    assert signal[: half - 1].mean() / signal[half + 1 :].mean() == pytest.approx(0.35, abs=0.01)


def test_tilt_brightens_the_brightest_panel_by_four_percent(small_flight, small_plan, tmp_path):
    bad = flight(tmp_path, small_plan, "tilted-panel")
    for number, expected in ((3, 1.04), (2, 1.0)):
        ratio = np.nanmean(panel(*bad, number)) / np.nanmean(panel(*small_flight, number))
        assert ratio == pytest.approx(expected, abs=0.001)


def test_dirt_darkens_the_blue_most(small_flight, small_plan, tmp_path):
    bad = flight(tmp_path, small_plan, "dirty-panel")
    ratio = np.nanmean(panel(*bad, 3), axis=(0, 2)) / np.nanmean(
        panel(*small_flight, 3), axis=(0, 2)
    )
    assert ratio[1] < 0.86
    assert ratio[30] == pytest.approx(1.0, abs=0.02)
    assert bad[1].panels[3].reflectance[1] < bad[1].panels[3].certificate[1] * 0.86


def test_wrong_certificate_is_wrong_by_a_fifth(small_plan, tmp_path):
    _, truth = flight(tmp_path, small_plan, "wrong-certificate")
    wrong = truth.panels[2]
    assert wrong.certificate / wrong.reflectance == pytest.approx(1.2, abs=1e-3)


def test_irradiance_falls_by_twelve_percent_and_is_one_at_the_panels(small_plan, tmp_path):
    _, truth = flight(tmp_path, small_plan, "falling-irradiance")
    ratio = truth.irradiance_ratio
    assert ratio[-1, -1] / ratio[0, 0] == pytest.approx(0.88, abs=0.003)
    assert ratio[0, 17:80].mean() == pytest.approx(1.0, abs=0.005)


def test_irradiance_steps_down_and_up_again(small_plan, tmp_path):
    plan = replace(small_plan, lines=2000, samples=64, bands=3)
    _, truth = flight(tmp_path, plan, "irradiance-steps")
    ratio = truth.irradiance_ratio.ravel()
    assert ratio.min() == pytest.approx(0.7, abs=0.01)
    assert ratio[0] == ratio[-1] == 1.0


def test_two_passes_see_the_panels_twice(small_plan, tmp_path):
    folder, truth = flight(tmp_path, small_plan, "two-passes")
    assert [sorted(p.windows) for p in truth.panels] == [["strip-00", "strip-01"]] * 4
    first, second = (np.nanmean(panel(folder, truth, 3, s)) for s in ("strip-00", "strip-01"))
    assert second / first == pytest.approx(1.0, abs=0.002)


def test_shift_and_smile_move_the_true_centres(small_plan, tmp_path):
    _, truth = flight(tmp_path / "shift", small_plan, "wavelength-shift")
    assert truth.true_wavelength_nm - truth.wavelength_nm[:, None] == pytest.approx(1.0)
    _, truth = flight(tmp_path / "smile", small_plan, "smile")
    moved = truth.true_wavelength_nm[0] - truth.wavelength_nm[0]
    assert moved[[0, -1]] == pytest.approx([-1.0, 1.0])


def test_faults_add_up():
    plan = with_faults(FlightPlan(), ["light-leak", "tilted-panel", "dirty-panel"])
    assert plan.light_leak_counts > 0
    assert plan.panels[-1].light == 1.04
    assert plan.panels[-1].blue_loss > 0


def test_help_says_what_every_option_and_fault_is() -> None:
    assert list(TOLD) == list(FAULTS)
    made = parser()
    for action in made._actions:
        words = (action.help or "").replace("(%(default)s)", "").split()
        assert len(words) >= 4, action.dest
    told = made.format_help()
    assert all(name in told for name in FAULTS)
    assert "4.5 ms" in told
