"""Empirical line: which panels are used, what is not calibrated, and what the errors hold."""

import numpy as np
import pytest

from pipeline.radiometry.empirical_line import (
    combine_passes,
    fit_empirical_line,
    leave_one_out,
    predict,
)
from pipeline.radiometry.york import york
from pipeline.records import PanelReference


@pytest.fixture
def rng():
    return np.random.default_rng(9)


def panel(reflectance, relative=0.02, name="panel", bands=5):
    value = np.full(bands, float(reflectance))
    return PanelReference(name, "fit", value, relative * np.abs(value), np.isfinite(value))


def signals(reflectances, bands=5, gain=2.5e-4, offset=0.01):
    return np.repeat((np.array(reflectances)[:, None] - offset) / gain, bands, axis=1)


def all_of(signal):
    return np.ones(signal.shape, dtype=bool)


def fit(reflectances, signal, u=5.0, usable=None, **kw):
    return fit_empirical_line(
        [panel(r, bands=signal.shape[1]) for r in reflectances],
        signal,
        np.full(signal.shape, u),
        all_of(signal) if usable is None else usable,
        **kw,
    )


@pytest.mark.parametrize("reflectances", [(0.05, 0.5), (0.05, 0.3, 0.5), (0.1, 0.2, 0.4, 0.8)])
def test_panels_on_a_line_give_it_back(reflectances):
    line = fit(reflectances, signals(reflectances))
    np.testing.assert_allclose(line.gain, 2.5e-4, rtol=1e-10)
    np.testing.assert_allclose(line.offset, 0.01, rtol=1e-8)
    np.testing.assert_allclose(line.residual, 0, atol=1e-12)
    assert line.calibrated.all()
    assert (line.degrees_of_freedom == len(reflectances) - 2).all()
    np.testing.assert_allclose((line.low[0], line.high[0]), (min(reflectances), max(reflectances)))


def test_one_panel_gives_a_gain_alone_through_zero():
    line = fit([0.5], np.full((1, 5), 2000.0))
    np.testing.assert_allclose(line.gain, 0.5 / 2000, rtol=1e-12)
    assert (line.offset == 0).all()
    assert (line.offset_variance == 0).all()
    assert (line.covariance == 0).all()
    np.testing.assert_allclose(
        np.sqrt(line.gain_variance) / line.gain, np.hypot(0.02, 5 / 2000), rtol=1e-6
    )
    assert np.isnan(line.chi_square).all()
    assert (line.birge == 1).all()


def test_a_panel_leaves_single_bands_by_mask_or_nan():
    signal = signals((0.05, 0.3, 0.5))
    usable = all_of(signal)
    usable[2, 0] = False
    signal[2, 0] = 1e5
    signal[2, 1] = np.nan
    usable[1:, 2] = False
    usable[:, 3] = False
    line = fit((0.05, 0.3, 0.5), signal, usable=usable)
    np.testing.assert_allclose(line.gain[[0, 1, 4]], 2.5e-4, rtol=1e-10)
    # One panel: the offset of the bands that have one.
    assert line.offset[2] == pytest.approx(0.01)
    assert line.calibrated.tolist() == [True, True, True, False, True]
    assert np.isnan(line.gain[3])
    assert line.used.sum(axis=0).tolist() == [2, 2, 1, 0, 3]
    assert line.high.tolist()[:3] == [0.3, 0.3, 0.05]
    assert np.isnan(line.residual[2, 0])


@pytest.mark.parametrize(
    ("reflectances", "signal"),
    [
        ((0.05, 0.5), (2000, 200)),  # gain below zero
        ((0.5, 0.5), (1000, 2000)),  # gain zero
        ((0.05, 0.5), (1000, 1010)),  # not separated
        ((0.05, 0.5), (1000, 1000)),  # one signal
        ((0.5,), (10,)),  # no signal
        ((0.5,), (-2000,)),
        ((0.5,), (0,)),
        ((np.nan,), (2000,)),
    ],
)
def test_a_line_that_cannot_be_is_not_calibrated(reflectances, signal):
    line = fit(reflectances, np.repeat(np.array(signal, dtype=float)[:, None], 2, axis=1))
    assert not line.calibrated.any()
    for values in (line.gain, line.offset, line.gain_variance, line.covariance, line.low):
        assert np.isnan(values).all()
    assert not line.used.any()


def test_the_parts_add_up_to_yorks_errors_for_two_panels():
    refl, signal = (0.05, 0.5), signals((0.05, 0.5))
    line = fit(refl, signal)
    own = york(signal, [[0.05], [0.5]], 5.0, [[0.001], [0.01]])
    for total, cert, scatter, expected in (
        (line.gain_variance, line.certificate_gain_variance, line.scatter_gain_variance, 2),
        (line.offset_variance, line.certificate_offset_variance, line.scatter_offset_variance, 3),
        (line.covariance, line.certificate_covariance, line.scatter_covariance, 4),
    ):
        np.testing.assert_allclose(total, cert + scatter, rtol=1e-12)
        np.testing.assert_allclose(total, own[expected], rtol=1e-6)


def test_the_parts_add_up_to_yorks_errors_for_small_residuals(rng):
    refl = (0.05, 0.2, 0.5, 0.8)
    signal = signals(refl) + rng.normal(0, 1, (4, 5))
    line = fit(refl, signal)
    uy = 0.02 * np.array(refl)[:, None]
    own = york(signal, np.array(refl)[:, None], 5.0, uy)
    assert (line.birge == 1).all()
    np.testing.assert_allclose(line.gain_variance, own.var_slope, rtol=0.02)
    np.testing.assert_allclose(line.offset_variance, own.var_intercept, rtol=0.02)
    np.testing.assert_allclose(line.covariance, own.cov, rtol=0.02)


def test_stated_errors_are_the_scatter_of_repeated_fits(rng):
    """Monte Carlo (GUM Supplement 1): 4000 bands are 4000 repeated fits."""
    refl = np.array([0.05, 0.2, 0.5, 0.8])
    bands = 4000
    true = signals(refl, bands=bands)
    references = [panel(r, bands=bands) for r in refl]
    drawn = [
        PanelReference(
            "p", "fit", r.reflectance + rng.normal(0, r.uncertainty), r.uncertainty, r.covered
        )
        for r in references
    ]
    signal = true + rng.normal(0, 5, true.shape)
    line = fit_empirical_line(drawn, signal, np.full(true.shape, 5.0), all_of(true))
    before_birge = line.certificate_gain_variance + line.scatter_gain_variance
    assert np.var(line.gain) == pytest.approx(before_birge.mean(), rel=0.08)
    assert np.cov(line.gain, line.offset)[0, 1] == pytest.approx(
        (line.certificate_covariance + line.scatter_covariance).mean(), rel=0.08
    )
    assert np.mean(line.chi_square) == pytest.approx(1, abs=0.08)


def test_correlated_certificates_give_an_error_of_scale():
    """All certificates 2 % off together is a gain and an offset 2 % off."""
    refl = (0.05, 0.2, 0.5)
    line = fit(refl, signals(refl), certificates_correlated=True)
    np.testing.assert_allclose(np.sqrt(line.certificate_gain_variance), 0.02 * 2.5e-4, rtol=1e-6)
    np.testing.assert_allclose(np.sqrt(line.certificate_offset_variance), 0.02 * 0.01, rtol=1e-5)


def test_a_fit_worse_than_its_inputs_enlarges_the_uncertainty():
    refl = (0.05, 0.2, 0.5)
    signal = signals(refl)
    signal[1] *= 1.2
    line = fit(refl, signal)
    assert (line.chi_square > 1).all()
    np.testing.assert_allclose(line.birge, np.sqrt(line.chi_square))
    np.testing.assert_allclose(
        line.gain_variance,
        line.birge**2 * (line.certificate_gain_variance + line.scatter_gain_variance),
    )


def test_certificates_and_signals_without_uncertainty_are_fitted():
    refl = (0.05, 0.2, 0.5)
    signal = signals(refl)
    line = fit_empirical_line(
        [panel(r, relative=0.0) for r in refl], signal, np.zeros(signal.shape), all_of(signal)
    )
    np.testing.assert_allclose(line.gain, 2.5e-4, rtol=1e-8)
    assert (line.gain_variance < 1e-15).all()


def test_york_needs_two_points_at_two_places():
    assert np.isnan(york([1.0], [2.0], [0.1], [0.1]).slope)
    assert np.isnan(york([1.0, 1], [2.0, 3], [0.1, 0.1], [0.1, 0.1]).slope)
    one = np.array([True, False])
    assert np.isnan(york([1.0, 2], [2.0, 3], [0.1, 0.1], [0.1, 0.1], used=one).slope)


def test_a_prediction_carries_gain_offset_and_signal():
    line = fit((0.05, 0.5), signals((0.05, 0.5)))
    value, u = predict(line, np.full(5, 1000.0), np.full(5, 10.0))
    np.testing.assert_allclose(value, 0.26, rtol=1e-9)
    expected = (
        (line.gain * 10) ** 2
        + 1e6 * line.gain_variance
        + line.offset_variance
        + 2000 * line.covariance
    )
    np.testing.assert_allclose(u**2, expected, rtol=1e-9)


def test_leave_one_out_finds_the_panel_that_is_off():
    refl = (0.05, 0.2, 0.35, 0.5)
    signal = signals(refl)
    signal[1] += 100
    usable = all_of(signal)
    usable[2:, 4] = False
    errors = leave_one_out([panel(r) for r in refl], signal, np.full(signal.shape, 5.0), usable)
    np.testing.assert_allclose(errors[1, :4], 100 * 2.5e-4, rtol=1e-8)
    assert np.isnan(errors[:, 4]).all()


def test_passes_are_averaged_and_their_disagreement_counts():
    agree = combine_passes(np.array([[100.0], [100]]), np.array([[2.0], [2]]))
    np.testing.assert_allclose(agree, [[100], [2 / np.sqrt(2)]])
    apart = combine_passes(np.array([[90.0], [110]]), np.array([[2.0], [2]]))
    np.testing.assert_allclose(apart, [[100], [10]])
    one = combine_passes(np.array([[100.0], [np.nan]]), np.array([[2.0], [2]]))
    np.testing.assert_allclose(one, [[100], [2]])
    assert np.isnan(combine_passes(np.full((2, 1), np.nan), np.ones((2, 1)))).all()


def test_does_not_change_input():
    refl = (0.05, 0.2, 0.5)
    references = [panel(r) for r in refl]
    signal = signals(refl)
    signal[0, 0] = np.nan
    u, usable = np.full(signal.shape, 5.0), all_of(signal)
    kept = signal.copy()
    fit_empirical_line(references, signal, u, usable)
    leave_one_out(references, signal, u, usable)
    combine_passes(signal, u)
    np.testing.assert_array_equal(signal, kept)
    assert usable.all()
    assert (u == 5).all()
    assert (references[0].reflectance == 0.05).all()
