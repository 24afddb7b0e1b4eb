"""Reference panels: what their certificates say and what they truly reflect."""

from __future__ import annotations

import numpy as np

from pipeline.records import Array
from pipeline.synthetic.plan import FlightPlan, PanelPlan, generator

#: Wavelengths of a certificate [nm].
CERTIFICATE_NM = np.arange(340.0, 1091.0, 10.0)

#: Standard uncertainty of a certificate: the larger of a share of the reflectance and a floor.
RELATIVE_UNCERTAINTY = 0.01
FLOOR_UNCERTAINTY = 0.001

COVERAGE_FACTOR = 2.0


def nominal_reflectance(panel: PanelPlan, wavelength_nm: Array) -> Array:
    """Reflectance of a clean panel, (point,): near flat, rising by 3 % from 400 to 1000 nm."""
    x = (wavelength_nm - 700.0) / 300.0
    return np.asarray(panel.reflectance * (1.0 + 0.015 * x - 0.004 * x**2))


def standard_uncertainty(reflectance: Array) -> Array:
    """Standard uncertainty of a certified reflectance, (point,)."""
    return np.maximum(RELATIVE_UNCERTAINTY * reflectance, FLOOR_UNCERTAINTY)


def certificate_table(panel: PanelPlan) -> tuple[Array, Array, Array]:
    """Wavelength [nm], reflectance and expanded uncertainty (k = 2) as the certificate prints them.

    Each is (point,). Reflectance is rounded to five decimals, as a certificate's table is.
    """
    right = nominal_reflectance(panel, CERTIFICATE_NM)
    stated = np.round(right * panel.certificate_factor, 5)
    return CERTIFICATE_NM, stated, np.round(COVERAGE_FACTOR * standard_uncertainty(stated), 5)


def true_panel_reflectance(plan: FlightPlan, number: int, wavelength_nm: Array) -> Array:
    """What panel `number` of the plan reflects on the day, (point,).

    Without `certificate_error` it is the right certificate, linear between its points. With
    "draw" it departs by one draw from the stated uncertainty, common to all wavelengths, and by a
    third of the uncertainty in a slow wave over wavelength. Dirt then takes its share.
    """
    panel = plan.panels[number]
    right = np.round(nominal_reflectance(panel, CERTIFICATE_NM), 5)
    value = np.interp(wavelength_nm, CERTIFICATE_NM, right)
    if plan.certificate_error == "draw":
        common, wave, phase = generator(plan, "certificate", number).standard_normal(3)
        u = np.interp(wavelength_nm, CERTIFICATE_NM, standard_uncertainty(right))
        slow = np.sin(2.0 * np.pi * (wavelength_nm / 700.0 + phase))
        value = value + u * (common + wave / 3.0 * slow)
    if panel.blue_loss:
        value = value * (1.0 - panel.blue_loss * np.exp(-np.maximum(wavelength_nm - 400, 0) / 120))
    return np.asarray(value)
