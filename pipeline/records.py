"""What the stages hand each other: frozen dataclasses, no behaviour beyond derived values.

Axis letters: line, band, sample. Bands are in order of wavelength everywhere above `read`.
Times are seconds since 1970-01-01T00:00:00 UTC as float64, NaN where unknown.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]
Mask = NDArray[np.bool_]
Verdict = Literal["pass", "caution", "fail", "not checked"]


@dataclass(frozen=True)
class Settings:
    """Capture settings read from a header; NaN where the header does not say."""

    exposure_ms: float = math.nan
    frame_period_ms: float = math.nan
    gain: float = math.nan
    sensor_temperature_c: float = math.nan
    start_s: float = math.nan
    serial_number: str = ""  # the camera's; empty where nobody states it


@dataclass(frozen=True, eq=False)
class Linearity:
    """Counts as they are recorded, and as a linear detector would have given them.

    `linear_counts` may be in any unit that is linear; at `saturation_counts` both are taken to be
    the same, for a factor common to all counts is the empirical line's to find.
    """

    counts: Array  # (row,) [count] strictly increasing, like the other
    linear_counts: Array  # (row,) [count]
    saturation_counts: float


@dataclass(frozen=True, eq=False)
class Capture:
    """A raw cube on disk, described but not read.

    `wavelength_nm` and `fwhm_nm` are sorted, and so are the counts that its reader gives. What
    the files look like inside is that reader's own business: `stored` is for it alone.
    """

    name: str
    header: Path  # the file that describes it; its data where nothing else does
    data: Path  # the data file, or the folder of them
    files: tuple[Path, ...]  # the data files, in the order in which they are read
    lines: int
    bands: int
    samples: int
    itemsize: int  # bytes of one count
    claimed_bytes: int  # of all data files, as they are described
    layout: str  # how counts lie in the files, in words for a person
    by_line: bool  # a line costs what a line holds; otherwise lines are best read in long runs
    wavelength_nm: Array
    fwhm_nm: Array
    settings: Settings
    stored: object
    linearity: Linearity | None = None  # its reader gives counts that are linear where it has one


@dataclass(frozen=True, eq=False)
class LineTimes:
    """Time of each line of a cube."""

    time_s: Array  # (line,)
    flags: NDArray[np.uint8]  # (line,) LineFlag bits: after_gap, time_estimated
    frame_period_s: float  # median step, or the header's


@dataclass(frozen=True, eq=False)
class DarkCapture:
    """Mean dark signal of one capture, robust to outlying frames."""

    name: str
    time_s: float  # mid time; NaN where unknown
    frames: int
    frames_used: int
    mean: Array32  # (band, sample) [count]
    noise: Array32  # (band, sample) [count], temporal standard deviation of one frame
    level: Array  # (frame,) [count], mean of each frame over all elements
    clipped: Mask  # (band, sample) at zero counts in some frame
    sensor_temperature_c: float = math.nan
    repeated: int = 0  # frames that repeat the one before exactly

    @property
    def mean_uncertainty(self) -> Array32:
        """Standard uncertainty of the mean, (band, sample) [count]."""
        return (self.noise / np.float32(math.sqrt(max(self.frames_used, 1)))).astype(np.float32)


@dataclass(frozen=True, eq=False)
class BadElements:
    """Detector elements that do not measure."""

    hot: Mask  # (band, sample), like the others
    dead: Mask
    stuck: Mask
    noisy: Mask

    @property
    def any(self) -> Mask:
        """Union of the kinds, (band, sample)."""
        return self.hot | self.dead | self.stuck | self.noisy


@dataclass(frozen=True, eq=False)
class FlatField:
    """Relative response, mean 1 across samples in each band."""

    response: Array32  # (band, sample) [1]
    uncertainty: Array32  # (band, sample) [1], standard
    #: Errors of neighbouring samples and bands go together: a falloff that was not measured.
    smooth: bool = False


@dataclass(frozen=True, eq=False)
class Certificate:
    """A panel's certified reflectance over wavelength."""

    wavelength_nm: Array  # (row,) strictly increasing
    reflectance: Array  # (row,) [1]
    expanded_uncertainty: Array  # (row,) [1]


@dataclass(frozen=True, eq=False)
class PanelReference:
    """A certificate averaged over the bands."""

    name: str
    use: Literal["fit", "check"]
    reflectance: Array  # (band,) [1]; NaN where not covered
    uncertainty: Array  # (band,) [1], standard (k = 1)
    covered: Mask  # (band,)
    certificate: Certificate | None = None  # as it was read


@dataclass(frozen=True, eq=False)
class PanelReading:
    """One pass over a panel: the mean signal of its core."""

    panel: str
    cube: str
    lines: tuple[int, int]  # half-open core window
    samples: tuple[int, int]
    core: Mask  # (line, sample) within the window: pixels used
    time_s: float
    signal: Array  # (band,) [count]; NaN where nothing measures
    uncertainty: Array  # (band,) [count], standard: scatter and dark
    dark_uncertainty: Array  # (band,) [count], the dark's share of `uncertainty`
    saturated_share: Array  # (band,) share of the core's samples
    uniformity: Array  # (band,) spread across the core beyond noise, over the mean
    peak_counts: float  # largest mean raw count over bands
    how: str = "window"  # window, region or search

    @property
    def pixels(self) -> int:
        """Number of pixels in the core."""
        return int(self.core.sum())


@dataclass(frozen=True, eq=False)
class EmpiricalLine:
    """reflectance = offset + gain * signal / irradiance_ratio, per band.

    `certificate_*` and `scatter_*` are the parts of the (co)variances that the certificates and
    the panels' signals bring; what remains up to the total is the fit's (Birge ratio).
    Arrays are (band,) unless said otherwise, NaN where `calibrated` is false.
    """

    gain: Array  # [1/count]
    offset: Array  # [1]
    gain_variance: Array
    offset_variance: Array
    covariance: Array
    certificate_gain_variance: Array
    certificate_offset_variance: Array
    certificate_covariance: Array
    scatter_gain_variance: Array
    scatter_offset_variance: Array
    scatter_covariance: Array
    chi_square: Array  # reduced; NaN with no degrees of freedom
    birge: Array  # >= 1
    degrees_of_freedom: NDArray[np.intp]
    panels: tuple[str, ...]
    used: Mask  # (panel, band)
    residual: Array  # (panel, band) [1], certified less fitted
    low: Array  # smallest reflectance of the fit's panels; 0 with a single one
    high: Array  # largest
    calibrated: Mask


@dataclass(frozen=True, eq=False)
class Illumination:
    """Irradiance at each line's time over irradiance at the panels' time."""

    ratio: Array  # (line,) or (band, line) [1]
    uncertainty: Array  # alike, standard
    extrapolated: Mask  # (line,)

    @property
    def level(self) -> Array:
        """Ratio of each line, the mean over bands where they differ, (line,)."""
        return np.asarray(np.atleast_2d(self.ratio).mean(axis=0))

    def of_bands(self, bands: slice) -> Illumination:
        """The light of some bands; one that is the same for all bands is that of any."""
        if self.ratio.ndim == 1:
            return self
        return replace(self, ratio=self.ratio[bands], uncertainty=self.uncertainty[bands])


@dataclass(frozen=True)
class Check:
    """One row of the checks table."""

    check: str
    subject: str
    value: float | None
    unit: str
    caution: float | tuple[float, float] | None
    fail: float | tuple[float, float] | None
    verdict: Verdict
    says: str
    do: str
    #: A fail that only costs bands or cubes which are flagged and named.
    costs_part: bool = field(default=False, repr=False)

    def as_dict(self) -> dict[str, object]:
        """The row as `run.json` has it."""
        names = ("check", "subject", "value", "unit", "caution", "fail", "verdict", "says", "do")
        return {name: getattr(self, name) for name in names}
