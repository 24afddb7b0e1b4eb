"""What is known of a simulated flight."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.records import Array, Array32, BadElements
from pipeline.synthetic.light import light_colour
from pipeline.synthetic.plan import FlightPlan

#: Cube's stem -> (lines, samples), half-open.
Windows = dict[str, tuple[tuple[int, int], tuple[int, int]]]


@dataclass(frozen=True, eq=False)
class PanelTruth:
    """A panel as it is and as its certificate has it."""

    name: str
    use: str
    reflectance: Array  # (band,) true, at the true band centres
    certificate: Array  # (band,) as certified, at the header's band centres
    uncertainty: Array  # (band,) standard uncertainty stated
    windows: Windows  # cube -> (lines, samples), half-open, wholly covered


@dataclass(frozen=True, eq=False)
class Truth:
    """What a simulated flight is made of.

    reflectance = offset + gain * signal / irradiance_ratio, with
    signal = (counts - dark_at(time)) / response, holds exactly but for noise and rounding at
    every element that is not bad, saturated, or under a panel's own light (tilt, shadow). With
    smile the gain is the mean over samples, and white_signal holds each sample's.
    """

    plan: FlightPlan
    wavelength_nm: Array  # (band,) as the headers state them
    fwhm_nm: Array  # (band,)
    true_wavelength_nm: Array  # (band, sample)
    gain: Array  # (band,) [1/count]
    offset: Array  # (band,) [1]
    white_signal: Array  # (band, sample) [count], ideal white surface, response left out
    response: Array32  # (band, sample), mean 1
    dark_first: Array32  # (band, sample) [count] at dark_time_s[0]
    dark_drift: Array32  # (band, sample) [count] from dark_time_s[0] to dark_time_s[1]
    dark_time_s: tuple[float, float]
    read_noise_counts: Array32  # (band, sample), standard deviation
    electrons_per_count: float
    bad: BadElements
    line_time_s: Array  # (cube, line)
    irradiance_ratio: Array  # (cube, line), but for the light's colour
    panel_time_s: float  # when the panels were passed
    panels: tuple[PanelTruth, ...]

    def ratio_by_band(self, cube: int) -> Array:
        """Irradiance ratio of a cube's lines, (line, band)."""
        times = np.append(self.line_time_s[cube], self.panel_time_s)
        colour = light_colour(self.plan, times, self.wavelength_nm)
        return np.asarray(self.irradiance_ratio[cube][:, None] * colour[:-1] / colour[-1])

    def dark_at(self, time_s: float) -> Array32:
        """True mean dark signal (band, sample) [count] at a time [s since 1970]."""
        first, last = self.dark_time_s
        age = np.float32((time_s - first) / (last - first))
        return np.asarray(self.dark_first + age * self.dark_drift)

    def save(self, path: Path) -> None:
        """The arrays as an npz; panels as (panel, band), their names in the panels' order."""
        np.savez_compressed(
            path,
            wavelength_nm=self.wavelength_nm,
            fwhm_nm=self.fwhm_nm,
            true_wavelength_nm=self.true_wavelength_nm,
            gain=self.gain,
            offset=self.offset,
            white_signal=self.white_signal,
            response=self.response,
            dark_first=self.dark_first,
            dark_drift=self.dark_drift,
            dark_time_s=np.array(self.dark_time_s),
            read_noise_counts=self.read_noise_counts,
            electrons_per_count=np.array(self.electrons_per_count),
            hot=self.bad.hot,
            dead=self.bad.dead,
            stuck=self.bad.stuck,
            noisy=self.bad.noisy,
            line_time_s=self.line_time_s,
            irradiance_ratio=self.irradiance_ratio,
            panel_name=np.array([panel.name for panel in self.panels]),
            panel_reflectance=np.stack([panel.reflectance for panel in self.panels]),
            panel_certificate=np.stack([panel.certificate for panel in self.panels]),
            panel_uncertainty=np.stack([panel.uncertainty for panel in self.panels]),
        )
