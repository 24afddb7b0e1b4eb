"""Uncertainty of a reflectance against hand-computed answers and the `uncertainties` package.

Known answers: derived, no source; computed by hand from R = rho (S - D)/(P - D) for one panel and
from the straight line through two.
"""

import numpy as np
import pytest
import uncertainties
from uncertainties import ufloat

from pipeline.radiometry.empirical_line import fit_empirical_line, predict
from pipeline.records import PanelReference


def panels(values, relative):
    return [
        PanelReference(
            f"panel-{v}", "fit", np.array([v]), np.array([relative * v]), np.array([True])
        )
        for v in values
    ]


def line(reflectances, signals, u_signal, *, relative=0.02, correlated=False):
    signals = np.array(signals, dtype=float)[:, None]
    return fit_empirical_line(
        panels(reflectances, relative),
        signals,
        np.full(signals.shape, float(u_signal)),
        np.ones(signals.shape, dtype=bool),
        certificates_correlated=correlated,
    )


def one_panel(scene, panel, dark):
    fitted = line([0.5], [panel - dark], 1.0)
    return float(predict(fitted, np.array([scene - dark]), np.array([1.0]))[0][0])


def test_one_panel_value():
    assert one_panel(900, 2000, 100) == pytest.approx(0.2105263, abs=5e-8)


@pytest.mark.parametrize(
    ("step", "derivative"),
    [((1, 0, 0), 2.63158e-4), ((0, 1, 0), -1.10803e-4), ((0, 0, 1), -1.52355e-4)],
    ids=["dR/dS", "dR/dP", "dR/dD"],
)
def test_one_panel_derivatives_in_raw_counts(step, derivative):
    at, move = np.array([900.0, 2000, 100]), 0.01 * np.array(step)
    slope = (one_panel(*(at + move)) - one_panel(*(at - move))) / 0.02
    assert slope == pytest.approx(derivative, rel=1e-5)


def test_one_panel_term_by_term_with_uncertainties():
    """S - D as signal; the certificate's and the panel's terms apart, then together."""
    rho, panel = ufloat(0.5, 0.01, "rho"), ufloat(1900, 5, "panel")
    scene = ufloat(800, 15, "scene")
    reflectance = rho / panel * scene
    terms = {v.tag: e for v, e in reflectance.error_components().items()}
    fitted = line([0.5], [1900], 5)
    value, u = predict(fitted, np.array([800.0]), np.array([15.0]))
    assert value[0] == pytest.approx(reflectance.nominal_value, rel=1e-12)
    assert u[0] == pytest.approx(reflectance.std_dev, rel=1e-3)
    assert 800 * np.sqrt(fitted.certificate_gain_variance[0]) == pytest.approx(
        terms["rho"], rel=1e-3
    )
    assert 800 * np.sqrt(fitted.scatter_gain_variance[0]) == pytest.approx(terms["panel"], rel=1e-3)


@pytest.mark.parametrize(("correlated", "u"), [(False, 0.0055035), (True, 0.0059183)])
def test_two_panels_known_answers(correlated, u):
    fitted = line([0.05, 0.50], [210, 2000], 5, correlated=correlated)
    value, got = predict(fitted, np.array([900.0]), np.array([15.0]))
    assert value[0] == pytest.approx(0.2234637, abs=5e-8)
    assert got[0] == pytest.approx(u, abs=5e-8)


@pytest.mark.parametrize("correlated", [False, True])
@pytest.mark.parametrize("scene", [100.0, 900.0, 3000.0])
def test_two_panels_term_by_term_with_uncertainties(correlated, scene):
    """Inside the panels' span and outside it on either side."""
    if correlated:
        dark_panel, bright_panel = uncertainties.correlated_values(
            [0.05, 0.5], np.outer([0.001, 0.01], [0.001, 0.01]), tags=["c0", "c1"]
        )
    else:
        dark_panel, bright_panel = ufloat(0.05, 0.001, "c0"), ufloat(0.5, 0.01, "c1")
    low, high = ufloat(210, 5, "s0"), ufloat(2000, 5, "s1")
    signal = ufloat(scene, 15, "scene")
    gain = (bright_panel - dark_panel) / (high - low)
    offset = dark_panel - gain * low
    reflectance = offset + gain * signal

    fitted = line([0.05, 0.5], [210, 2000], 5, correlated=correlated)
    value, u = predict(fitted, np.array([scene]), np.array([15.0]))
    assert value[0] == pytest.approx(reflectance.nominal_value, rel=1e-10)
    assert u[0] == pytest.approx(reflectance.std_dev, rel=1e-3)
    covariance = np.array(uncertainties.covariance_matrix([gain, offset]))
    np.testing.assert_allclose(
        [fitted.gain_variance[0], fitted.offset_variance[0], fitted.covariance[0]],
        covariance[[0, 1, 0], [0, 1, 1]],
        rtol=1e-3,
    )
    parts = {v.tag: e for v, e in reflectance.error_components().items()}
    scatter = (
        scene**2 * fitted.scatter_gain_variance
        + fitted.scatter_offset_variance
        + 2 * scene * fitted.scatter_covariance
    )[0]
    assert scatter == pytest.approx(parts["s0"] ** 2 + parts["s1"] ** 2, rel=2e-3)


def test_the_dark_cancels_with_two_panels_and_not_with_one():
    def reflectance(dark):
        fitted = line([0.05, 0.5], [310 - dark, 2100 - dark], 5)
        return predict(fitted, np.array([1000.0 - dark]), np.array([15.0]))[0][0]

    assert reflectance(110.0) == pytest.approx(reflectance(100.0), rel=1e-10)
    assert one_panel(900, 2000, 110) != pytest.approx(one_panel(900, 2000, 100), rel=1e-4)
