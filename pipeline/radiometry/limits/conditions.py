"""Conditions beside the limits, each for the check it is named after."""

from __future__ import annotations

from typing import Final

#: Standard errors that a change within a dark capture must exceed (common practice, no source).
STEADINESS_ERRORS: Final = 5.0
#: Standard errors that a warm-up slope must exceed before it is believed (as for steadiness).
DRIFT_ERRORS: Final = 5.0
#: Standard errors that a light leak must exceed (own arithmetic: no false alarm in a season).
LEAK_ERRORS: Final = 5.0
#: Standard errors that a stripe must exceed (common practice, no source).
STRIPING_ERRORS: Final = 3.0
#: ... for `falloff` to speak.
FALLOFF_ERRORS: Final = 3.0
#: A falloff that so many errors would hide is not looked for in vain (own: a third of a common
#: lens's 15 %).
FALLOFF_TOLD: Final = 0.05
#: Standard errors that a wavelength shift or a smile must exceed (common practice, no source).
SHIFT_ERRORS: Final = 3.0
#: Standard uncertainty of where the O2-A dip lies, from its shape [nm]: from air mass 1 to 3 its
#: wings grow and move it by up to 0.27 nm at 2 to 5 nm FWHM (own arithmetic: ASTM G173-03, of air
#: mass 1.5, with its transmission to the power of 0.67 to 2; rectangular, GUM 4.3.7).
O2A_SHAPE_NM: Final = 0.16
#: Exposures closer than this, relative, are the same (common practice, no source).
EXPOSURE_ALIKE: Final = 1e-3
#: Gains and frame periods closer than this, relative, are the same (own: printed digits).
SETTING_ALIKE: Final = 1e-6
#: Band centres closer than this are the same, nm (own arithmetic: digits a header prints).
WAVELENGTH_ALIKE_NM: Final = 0.01
#: Clock offsets to try: time zones in whole hours; GPS time less UTC since 2017 (IERS Bulletin C).
CLOCK_HOURS: Final = 14
CLOCK_GPS_S: Final = 18.0
#: Share of the certified reflectance that a dark or bright panel may be off instead of 0.02.
CHECK_PANEL_RELATIVE: Final = 0.05
#: Distance of two passes over a panel, over the swath, from which a falloff may tell them apart
#: (own arithmetic: 15 % at the ends, as a parabola, changes by 2 % over 5 % of the swath there).
SAMPLES_APART: Final = 0.05
#: A certificate that rises or falls by this share within so many nanometres is a slip of columns
#: or rows (own arithmetic: no grey panel does).
STEEP_CHANGE: Final = 0.5
STEEP_NM: Final = 10.0
#: Change of the cosine of the sun's zenith angle since the panels (common practice, no source).
PANEL_AGE_COSINE: Final = 0.01
#: Point of the chi-square distribution where the fit stops being consistent (GUM).
CONSISTENCY_POINT: Final = 0.99
#: The same for one normal quantity, in standard uncertainties (tables of the normal distribution).
CONSISTENCY_SIGMAS: Final = 2.5758
#: Times that a pile of counts must hold of what its neighbours do (own: noise never does).
PILE_TIMES: Final = 10.0
#: Signal over noise below which a band is low, and below which it is unusable (common practice).
LOW_SIGNAL_SNR: Final = 10.0
UNUSABLE_SNR: Final = 3.0
#: Relative change of irradiance a second that is a cloud's edge (own arithmetic).
ILLUMINATION_STEP_PER_S: Final = 0.01
#: Standard errors of the log's own noise that such a change must exceed beside (own: by chance a
#: line in a thousand).
STEP_ERRORS: Final = 3.0
#: Standard errors that a difference between strips must exceed (common practice, no source).
AGREEMENT_ERRORS: Final = 3.0
#: Reflectance below so many standard uncertainties is counted as negative (GUM: noise 0.13 %).
NEGATIVE_UNCERTAINTIES: Final = 3.0
#: FWHM and band step above which the O2-A dip is too blunt to be placed (own arithmetic) [nm].
O2A_WIDEST_FWHM_NM: Final = 12.0
#: Reflectance above which a sample is glint or the fruit of a wrong panel (own arithmetic).
ABOVE_ONE_REFLECTANCE: Final = 1.5
#: Certificates closer than this, relative, have no order (own: their usual uncertainty).
ORDER_RELATIVE: Final = 0.02
