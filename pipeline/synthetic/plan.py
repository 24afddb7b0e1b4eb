"""What a simulated flight is like: every knob, with the defaults of a steady good flight."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.records import Array

Interleave = Literal["bil", "bip", "bsq"]


@dataclass(frozen=True)
class PanelPlan:
    """A reference panel on the ground and what may be wrong with it."""

    name: str
    reflectance: float  # at 700 nm
    use: Literal["fit", "check"] = "fit"
    light: float = 1.0  # light on the panel over light on level ground (a tilt)
    shadow: float = 1.0  # the same on the first half of the panel along the track
    blue_loss: float = 0.0  # share of the reflectance lost to dirt at 400 nm, fading to the red
    certificate_factor: float = 1.0  # certificate's reflectance over that of the right certificate


PANELS = (
    PanelPlan("grey-03", 0.03),
    PanelPlan("grey-12", 0.12, "check"),
    PanelPlan("grey-24", 0.24),
    PanelPlan("grey-50", 0.50),
)


@dataclass(frozen=True)
class Gap:
    """Lines that the recorder dropped: `missing` lines before line `line` of cube `cube`."""

    cube: int
    line: int
    missing: int


@dataclass(frozen=True)
class Cloud:
    """A spell of other light, from one share of all recorded lines to another."""

    start: float
    stop: float
    level: float  # irradiance over that of clear sky


@dataclass(frozen=True)
class Swing:
    """Light that swells and fades, as through thin cloud."""

    size: float  # amplitude over the light itself
    period_s: float
    phase: float = 0.0  # [radian] at the first line


@dataclass(frozen=True, kw_only=True)
class FlightPlan:
    """Every knob of a simulated flight; the defaults are a steady, well exposed one.

    Frozen, so that a plan and a cube's number say all there is to know about its truth. Counts
    are 12-bit in uint16. A ValueError names a knob that cannot be.
    """

    name: str = "saltmarsh-june"
    seed: int = 1

    # size
    cubes: int = 3
    lines: int = 1000
    samples: int = 640
    bands: int = 270
    dark_frames: int = 1000

    # files
    interleave: Interleave = "bil"
    big_endian: bool = False
    where: Literal["window", "region", "search"] = "window"
    regions_format: Literal["kml", "geojson"] = "kml"
    output_format: Literal["netcdf", "zarr"] = "netcdf"
    illumination: Literal["constant", "panel passes", "irradiance log"] = "constant"
    state_gain: bool = False  # write electrons_per_count into the config
    manifest: bool = True
    save_truth: bool = False
    fast: bool = False  # one tile of noise for all blocks: for speed, never for statistics

    # optics and bands
    first_nm: float = 400.0
    last_nm: float = 1000.0
    fwhm_nm: float | None = None  # the larger of 5 nm and the band step where None
    wavelength_shift_nm: float = 0.0  # true centre less the header's
    smile_nm: float = 0.0  # range of the shift across the samples, linear

    # exposure and detector
    peak_share: float = 0.79  # brightest fit panel's peak over full scale at exposure_factor 1
    exposure_factor: float = 1.0
    full_scale_counts: int = 4095
    saturation_counts: int = 4000
    electrons_per_count: float = 5.2
    read_noise_counts: float = 1.6
    dark_level_counts: float = 100.0
    dark_structure_counts: float = 3.0  # smooth columns and rows, amplitude
    fixed_pattern_counts: float = 2.0  # element to element, standard deviation
    dark_drift_counts: float = 0.2  # rise from the first capture to the last, linear in time
    dark_captures: tuple[Literal["before", "after"], ...] = ("before", "after")
    light_leak_counts: float = 0.0  # scene's mean spectrum in the dark captures, at its peak
    response_spread: float = 0.002  # relative response, element to element
    vignetting: float = 0.004  # loss of response at the ends of the swath
    bad_share: float = 1e-4  # of each kind; at least one element where above zero
    flat: bool = False  # record a uniform target filling the swath
    flat_lines: int = 400
    sensor_temperature_c: float = 34.0

    # light
    path_reflectance: float = 0.002  # path signal at 550 nm, as reflectance
    irradiance_fall: float = 0.0  # share lost from the first line to the last
    blue_fall: float = 0.0  # a further share lost at 400 nm, fading to none at 700 nm; log by band
    clouds: tuple[Cloud, ...] = ()
    swings: tuple[Swing, ...] = ()
    sun_moves: bool = False  # the light follows the sun's course, alike in all bands
    #: Irradiance during a cube and half the turns beside it, over what it would be: (cube, level).
    strip_light: tuple[tuple[int, float], ...] = ()
    #: Ground's reflectance seen at the swath's right end, looking along the plan's heading, less
    #: that at its left end, over its middle. Panels look the same from all sides.
    directional_slope: float = 0.0

    # panels
    panels: tuple[PanelPlan, ...] = PANELS
    panel_samples: int | None = None  # side of a panel in samples; by the swath where None
    panel_passes: int = 1  # the last `panel_passes - 1` cubes repeat the first one's path
    certificate_error: Literal["none", "draw"] = "none"

    # place and time
    start: dt.datetime = dt.datetime(2026, 6, 18, 11, 20, tzinfo=dt.UTC)
    latitude: float = 54.9
    longitude: float = 3.2
    heading_deg: float = 20.0
    height_m: float = 30.0
    speed_m_s: float = 4.11
    ifov_mrad: float = 0.617
    frame_period_ms: float = 4.5
    exposure_ms: float = 2.4  # at exposure_factor 1
    time_jitter_ms: float = 0.005
    side_lap: float = 0.2
    settling_s: float = 30.0  # from a dark capture to the strips and back
    turn_s: float = 12.0  # from strip to strip
    gaps: tuple[Gap, ...] = ()

    # attitude and track
    wobble_deg: float = 0.0  # roll, pitch and heading from level and straight, standard deviation
    attitude_noise_deg: float = 0.0  # error of each fix, standard deviation
    gnss_noise_m: float = 0.0  # error of each coordinate, standard deviation; it wanders slowly

    def __post_init__(self) -> None:
        for knob in ("cubes", "lines", "samples", "dark_frames"):
            if getattr(self, knob) < 1:
                raise ValueError(f"{knob}: expected 1 or more, got {getattr(self, knob)}")
        if self.bands < 2:
            raise ValueError(f"bands: expected 2 or more, got {self.bands}")
        if not 1 <= self.panel_passes <= self.cubes:
            raise ValueError(f"panel_passes: expected 1 to {self.cubes}, got {self.panel_passes}")
        if not self.dark_captures:
            raise ValueError("dark_captures: expected at least one of before, after")
        if not any(panel.use == "fit" for panel in self.panels):
            raise ValueError("panels: at least one needs use 'fit'")
        if self.turn_s < 4.0 or self.settling_s < 4.0:
            raise ValueError("turn_s, settling_s: expected 4 s or more for the straight lead-in")
        if 2 * self.panel_side > 0.55 * self.samples:
            raise ValueError(
                f"panel_samples: two panels of {self.panel_side} do not fit {self.samples} samples"
            )
        if self.panel_rows_end > self.lines:
            raise ValueError(f"lines: the panels need {self.panel_rows_end}, got {self.lines}")
        for cube, _ in self.strip_light:
            if not 0 <= cube < self.cubes:
                raise ValueError(f"strip_light: expected a cube below {self.cubes}, got {cube}")
        for gap in self.gaps:
            if not (0 <= gap.cube < self.cubes and 0 < gap.line < self.lines and gap.missing > 0):
                raise ValueError(f"gaps: {gap} is outside the flight")

    @property
    def wavelength_nm(self) -> Array:
        """Band centres as the headers state them, (band,) [nm]."""
        return np.round(np.linspace(self.first_nm, self.last_nm, self.bands), 3)

    @property
    def width_nm(self) -> float:
        """Band width, full width at half maximum [nm]."""
        if self.fwhm_nm is not None:
            return self.fwhm_nm
        return round(max(5.0, (self.last_nm - self.first_nm) / (self.bands - 1)), 3)

    @property
    def shift_nm(self) -> Array:
        """True centre less the header's, (sample,) [nm]."""
        return self.wavelength_shift_nm + self.smile_nm * np.linspace(-0.5, 0.5, self.samples)

    @property
    def stems(self) -> tuple[str, ...]:
        """Names of the cubes in acquisition order."""
        return tuple(f"strip-{i:02d}" for i in range(self.cubes))

    @property
    def sample_m(self) -> float:
        """Ground width of the central sample [m]; also the side of a square ground sample."""
        return self.height_m * self.ifov_mrad * 1e-3

    @property
    def line_m(self) -> float:
        """Ground step from line to line [m]."""
        return self.speed_m_s * self.frame_period_ms * 1e-3

    @property
    def panel_side(self) -> int:
        """Side of a panel [sample]."""
        return self.panel_samples or min(40, self.samples // 4)

    @property
    def panel_rows_end(self) -> int:
        """Lines that a strip needs to hold all panels and their surroundings."""
        rows = -(-len(self.panels) // 2)
        return int(np.ceil((rows * (self.panel_side + 16) + 8) * self.sample_m / self.line_m))


def generator(plan: FlightPlan, stream: str, *index: int) -> np.random.Generator:
    """Random numbers of one use: the same plan, stream and index give the same numbers.

    Each use has its own stream, so that a fault changes what it names and nothing else.
    """
    key = [plan.seed, *stream.encode(), 256, *index]
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence(key)))
