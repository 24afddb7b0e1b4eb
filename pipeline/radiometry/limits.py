"""Where caution and fail begin: every check's limits with unit and source, once.

The config moves a limit by the check's name (`with_overrides`). The config imports this file as a
program starts, so it imports nothing heavy.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, Literal

from pipeline.errors import ConfigError

if TYPE_CHECKING:
    from pipeline.records import Verdict

Kind = Literal["above", "from", "below", "outside", "any"]
Limit = float | tuple[float, float]

EMVA: Final = "EMVA 1288 R4.0"
IEEE: Final = "IEEE 4001-2025"
GUM: Final = "GUM (JCGM 100:2008)"
COMMON: Final = "common practice, no source"
OWN: Final = "own arithmetic"

# Conditions beside the limits, each for the check it is named after.
#: Standard errors that a change within a dark capture must exceed (common practice, no source).
STEADINESS_ERRORS: Final = 5.0
#: Standard errors that a warm-up slope must exceed before it is believed (as for steadiness).
DRIFT_ERRORS: Final = 5.0
#: Standard errors that a light leak must exceed (own arithmetic: no false alarm in a season).
LEAK_ERRORS: Final = 5.0
#: Standard errors that a stripe must exceed (common practice, no source).
STRIPING_ERRORS: Final = 3.0
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
#: Change of the cosine of the sun's zenith angle since the panels (common practice, no source).
PANEL_AGE_COSINE: Final = 0.01
#: Point of the chi-square distribution where the fit stops being consistent (GUM).
CONSISTENCY_POINT: Final = 0.99
#: The same for one normal quantity, in standard uncertainties (tables of the normal distribution).
CONSISTENCY_SIGMAS: Final = 2.5758
#: Signal over noise below which a band is low, and below which it is unusable (common practice).
LOW_SIGNAL_SNR: Final = 10.0
UNUSABLE_SNR: Final = 3.0
#: Relative change of irradiance a second that is a cloud's edge (own arithmetic).
ILLUMINATION_STEP_PER_S: Final = 0.01
#: Reflectance below so many standard uncertainties is counted as negative (GUM: noise 0.13 %).
NEGATIVE_UNCERTAINTIES: Final = 3.0
#: FWHM and band step above which the O2-A dip is too blunt to be placed (own arithmetic) [nm].
O2A_WIDEST_FWHM_NM: Final = 12.0
#: Reflectance above which a sample is glint or the fruit of a wrong panel (own arithmetic).
ABOVE_ONE_REFLECTANCE: Final = 1.5
#: Certificates closer than this, relative, have no order (own: their usual uncertainty).
ORDER_RELATIVE: Final = 0.02


@dataclass(frozen=True)
class CheckLimits:
    """Limits of one check.

    `kind` says on which side of a limit trouble lies: "above" it, "from" it on (counts of
    things), "below" it, "outside" a pair (a single number is then its lower end), or "any" value
    whose magnitude exceeds it (a limit of 0: anything at all). None: no such limit, or one that
    follows from the data, as `about` says.
    """

    name: str
    unit: str
    kind: Kind
    caution: Limit | None
    fail: Limit | None
    source: str
    about: str
    do: str
    moved: bool = False


def _beyond(kind: Kind, value: float, limit: Limit | None) -> bool:
    if limit is None:
        return False
    if isinstance(limit, tuple):
        return not limit[0] <= value <= limit[1]
    match kind:
        case "above":
            return value > limit
        case "from":
            return value >= limit
        case "any":
            return abs(value) > limit
        case "below" | "outside":
            return value < limit


def verdict(limits: CheckLimits, value: float | None) -> Verdict:
    """Verdict on a value; None, NaN and infinity are `not checked`, never a pass."""
    if value is None or not math.isfinite(value):
        return "not checked"
    if _beyond(limits.kind, value, limits.fail):
        return "fail"
    return "caution" if _beyond(limits.kind, value, limits.caution) else "pass"


def with_overrides(
    limits: Mapping[str, CheckLimits],
    overrides: Mapping[str, tuple[Limit | None, Limit | None]],
) -> Mapping[str, CheckLimits]:
    """A new table with some limits moved; each moved row has `moved` set.

    Parameters
    ----------
    limits : the table to start from, left as it is
    overrides : by name (caution, fail); None leaves that limit where it is

    Raises
    ------
    ConfigError
        Unknown name, a pair where one number belongs or the reverse, not finite, or a fail on the
        near side of its caution.
    """
    made = dict(limits)
    for name, (caution, fail) in overrides.items():
        where = f"limits.{name}"
        if name not in made:
            raise ConfigError("no check has this name", where=where)
        if caution is None and fail is None:
            continue
        old = made[name]
        new = replace(
            old,
            caution=old.caution if caution is None else _fitting(old, caution, where, "caution"),
            fail=old.fail if fail is None else _fitting(old, fail, where, "fail"),
            moved=True,
        )
        _ordered(new, where)
        made[name] = new
    return MappingProxyType(made)


def _fitting(old: CheckLimits, limit: Limit, where: str, part: str) -> Limit:
    pair = isinstance(limit, tuple)
    if pair and old.kind != "outside":
        raise ConfigError(f"expected one number, got {limit}", where=f"{where}.{part}")
    if not pair and old.kind == "outside" and part == "caution":
        raise ConfigError(f"expected two numbers [low, high], got {limit}", where=f"{where}.{part}")
    numbers = limit if isinstance(limit, tuple) else (limit,)
    if not all(math.isfinite(number) for number in numbers):
        raise ConfigError(f"expected finite numbers, got {limit}", where=f"{where}.{part}")
    if isinstance(limit, tuple) and limit[0] >= limit[1]:
        raise ConfigError(f"expected low < high, got {limit}", where=f"{where}.{part}")
    return limit


def _ordered(row: CheckLimits, where: str) -> None:
    low, high = _ends(row.kind, row.caution)
    fail_low, fail_high = _ends(row.kind, row.fail)
    if fail_low > low or fail_high < high:
        raise ConfigError(
            f"fail {row.fail} would come before caution {row.caution}",
            where=where,
            do="Move both",
        )


def _ends(kind: Kind, limit: Limit | None) -> tuple[float, float]:
    """Interval that passes."""
    if limit is None:
        return -math.inf, math.inf
    if isinstance(limit, tuple):
        return limit
    return (limit, math.inf) if kind in ("below", "outside") else (-math.inf, limit)


def _row(
    name: str,
    unit: str,
    kind: Kind,
    limits: tuple[Limit | None, Limit | None],
    *,
    source: str,
    about: str,
    do: str,
) -> CheckLimits:
    return CheckLimits(name, unit, kind, limits[0], limits[1], source, about, do)


# One check a paragraph, by hand: one argument a line would hide the table.
# fmt: off
_OFFLOAD = (
    _row("files-whole", "byte", "any", (None, 0.0),
         source=f"{OWN}: a whole file has the bytes its header claims",
         about="Bytes on disk less bytes the header claims, of the worst file.",
         do="Copy the file again from the recorder before its disk is wiped"),
    _row("manifest", "file", "any", (None, 0.0),
         source=f"{OWN}: a copy is whole when its digest is",
         about="Files that the manifest lists and that are missing or have another digest.",
         do="Copy the named files again from the recorder"),
    _row("strip-missing", "strip", "any", (0.0, None),
         source=f"{OWN}: numbers in sequence have no gaps",
         about="Numbers missing between the first and the last strip.",
         do="Look for the missing strips on the recorder, or fly them again"),
    _row("settings-alike", "cube", "any", (None, 0.0),
         source=COMMON,
         about="Cubes whose exposure (by more than 0.1 %), gain, frame period, shape or "
         "wavelengths differ from the first cube's.",
         do="Process cubes of other settings as a flight of their own, with their own darks and "
         "panels"),
    _row("disk-space", "1", "below", (None, 1.1),
         source=f"{OWN}: the results and a tenth to spare",
         about="Bytes free over bytes needed.",
         do="Free space on the output disk, or name another with --output"),
    _row("clock", "1", "any", (0.0, None),
         source=f"{OWN}: the track was recorded while the lines were",
         about="Share of line times outside the track's span.",
         do="Correct the clock of the line times or of the track, or give the whole track"),
    _row("time-order", "line", "any", (None, 0.0),
         source=f"{OWN}: time increases",
         about="Lines whose time does not increase.",
         do="Look for a clock reset during the strip, and export the line times again"),
    _row("line-gaps", "1", "above", (0.001, None),
         source=COMMON,
         about="Share of lines that follow a step of more than 1.5 frame periods.",
         do="Use a faster disk or a longer frame period; lines after a gap are flagged after_gap"),
    _row("line-jitter", "1", "above", (0.05, None),
         source=COMMON,
         about="Standard deviation of the line step over the frame period, gaps left out.",
         do="Take line times from the camera's trigger rather than from the computer's clock"),
)

_DARK = (
    _row("dark-settings", "capture", "any", (None, 0.0),
         source=EMVA,
         about="Dark captures whose settings do not match the cubes'.",
         do="Record the dark again with the cubes' exposure, frame period, gain and shape"),
    _row("dark-frames", "frame", "below", (100.0, 10.0),
         source=f"{COMMON} (a thousand is usual)",
         about="Frames in the smallest dark capture.",
         do="Record about a thousand frames with the lens capped"),
    _row("dark-steadiness", "count", "above", (0.5, None),
         source=f"{EMVA}; {COMMON}",
         about="Change of the mean level within a dark capture, if above 5 standard errors.",
         do="Let the camera warm up before the dark is recorded, and look for light at the cap"),
    _row("dark-drift", "count", "above", (1.0, 5.0),
         source=COMMON,
         about="Change of the mean dark level between captures.",
         do="Let the camera reach its temperature, and record a dark before and after each flight"),
    _row("dark-age", "min", "above", (30.0, None),
         source=COMMON,
         about="Minutes from the farthest line to its nearest dark capture.",
         do="Record a dark before and after the flight"),
    _row("dark-temperature", "K", "above", (2.0, None),
         source=f"{COMMON} (dark current doubles in 6 to 8 K)",
         about="Kelvin between a cube and the dark capture nearest to it in temperature.",
         do="Record a dark at the temperature of the flight"),
    _row("light-leak", "count", "above", (1.0, 5.0),
         source=f"{OWN}: a dark has no spectrum of the sun",
         about="Amplitude, at the brightest band, of the panels' mean spectrum found in the "
         "dark's band profile by least squares, if above 5 standard errors.",
         do="Cap the lens tightly, cover the camera, and record the dark again"),
    _row("dark-clipped", "1", "above", (0.01, 0.20),
         source=f"{EMVA} (clipping biases mean and noise)",
         about="Share of elements with dark frames at zero counts.",
         do="Raise the camera's black level so that no dark frame reaches zero"),
    _row("bad-elements", "1", "above", (0.005, 0.02),
         source=COMMON,
         about="Share of elements hot, dead, stuck or noisy.",
         do="Compare with earlier flights; ask the maker for service if the share grows"),
    _row("striping", "1", "above", (0.005, None),
         source=COMMON,
         about="Worst sample's departure from its neighbours in panel or flat after correction, "
         "over the level, if above 3 standard errors.",
         do="Clean the slit and window, and record a flat of a uniform target that fills the "
         "swath"),
)

_EXPOSURE = (
    _row("panel-peak", "1", "outside", ((0.73, 0.85), 0.10),
         source=f"{COMMON} (3000 to 3500 of 4095 counts)",
         about="Brightest panel's peak over full scale.",
         do="Set the exposure so that the brightest panel peaks at 3000 to 3500 of 4095 counts"),
    _row("panel-saturated", "band", "from", (1.0, None),
         source=EMVA,
         about="Bands in which a fit panel's core touches saturation; fails when every fit panel "
         "does in every band.",
         do="Shorten the exposure, or lay out a darker panel"),
    _row("scene-saturated", "1", "above", (0.01, 0.20),
         source=f"{COMMON}; CEOS-ARD surface reflectance specification 5 (saturation by band)",
         about="Share of scene samples that are saturated.",
         do="Shorten the exposure, or avoid the sun's glint by another flight direction"),
    _row("scene-low-signal", "band", "from", (1.0, None),
         source=COMMON,
         about="Bands whose median scene signal is below 10 times its noise; fails when every "
         "band is.",
         do="Leave the named bands out of the analysis, or lengthen the exposure"),
    _row("noise-model", "1", "outside", ((0.8, 1.25), None),
         source=EMVA,
         about="Overall system gain by photon transfer over the config's.",
         do="Check sensor.electrons_per_count against the camera's gain setting"),
)

_FIT = (
    _row("panel-samples", "sample", "below", (100.0, 25.0),
         source=f"{COMMON} (10 x 10 after a trim of 2 to 3 samples)",
         about="Samples in the smallest panel core.",
         do="Fly lower over the panels, use larger ones, or widen the window"),
    _row("panel-uniformity", "1", "above", (0.03, 0.08),
         source=COMMON,
         about="Spread across a panel's core beyond noise, over its mean; median over bands.",
         do="Check the window for edges, folds, dirt and shadow on the named panel"),
    _row("panel-order", "panel", "any", (None, 0.0),
         source=f"{OWN}: more reflectance, more signal",
         about="Panels out of the order of their certificates.",
         do="Check which certificate and which window belong to the named panels"),
    _row("panel-ratio", "1", "above", (0.05, None),
         source=COMMON,
         about="Worst departure of a pair's signal ratio from its certificates' ratio, after the "
         "fit's offset; median over bands.",
         do="Check the named pair's certificates, cleanliness and tilt"),
    _row("panel-span", "1", "above", (0.10, None),
         source=COMMON,
         about="Share of scene samples outside the fit panels' reflectances.",
         do="Add a brighter or a darker panel; such samples are flagged outside_panel_range"),
    _row("panel-repeat", "1", "above", (0.02, None),
         source=COMMON,
         about="Change of a panel's signal between passes; median over bands.",
         do='Use calibration.illumination = "panel passes" or an irradiance log'),
    _row("panel-age", "min", "above", (10.0, None),
         source=COMMON,
         about="Minutes from the farthest line to its nearest panel reading; with a position "
         "also the change of the cosine of the sun's zenith angle, caution above 1 %.",
         do="Fly over the panels more often, or log the irradiance"),
    _row("certificate-cover", "band", "from", (1.0, None),
         source=f"{OWN}: never extrapolated",
         about="Bands that no certificate covers; fails when it is every band.",
         do="Have the panels measured over the camera's whole range; such bands stay blank"),
    _row("certificate-age", "month", "above", (12.0, None),
         source=COMMON,
         about="Months since the oldest certificate was measured.",
         do="Have the named panel measured again"),
    _row("fit-residual", "1", "above", (0.02, 0.10),
         source=f"{COMMON} (published two-panel fits reach 0.016, arXiv 1804.09585; 0.01 to 0.07 "
         "by site, doi 10.1371/journal.pone.0066972)",
         about="Worst panel's residual, root mean square over the worst eighth of the bands, "
         "reflectance.",
         do="Check the named panel's window, certificate and cleanliness"),
    _row("fit-consistency", "1", "above", (None, None),
         source=GUM,
         about="Median reduced chi-square over bands; caution above its 99 % point.",
         do="Check the panels' certificates: the uncertainties were enlarged to match the scatter"),
    _row("fit-offset", "1", "above", (0.02, 0.10),
         source=f"{COMMON} (path signal or a wrong dark)",
         about="Median absolute offset of the empirical line, reflectance.",
         do="Check the dark for light and drift, and the darkest panel's certificate"),
    _row("fit-curvature", "1", "above", (0.02, None),
         source=f"{EMVA} (linearity)",
         about="Effect of a squared term at mid range, with three panels or more; median over "
         "bands. Counts beyond what the panels' uncertainties explain (99 %).",
         do="Keep signals below the bend of the camera's response, and check the middle panel"),
    _row("check-panel", "1", "above", (0.02, 0.10),
         source=COMMON,
         about="Median over bands of predicted less certified, magnitude, reflectance; caution "
         "above the larger of 0.02 and 5 %, or above its expanded uncertainty.",
         do="Check the named panel and the fit panels before the reflectance is used"),
    _row("leave-one-out", "1", "above", (0.02, None),
         source=COMMON,
         about="As check-panel, each fit panel predicted by the others, with three panels or "
         "more; caution above the larger of 0.02 and 5 %.",
         do="Check the named panel's certificate and window: it disagrees with the others"),
)

_LIGHT = (
    _row("illumination", "1", "above", (0.03, 0.20),
         source=COMMON,
         about="Range of irradiance over the cubes, over its mean, where it is not corrected.",
         do='Use calibration.illumination = "irradiance log", or fly under a clear sky'),
    _row("illumination-steps", "1", "above", (0.01, None),
         source=f"{OWN}: a cloud's edge",
         about="Share of lines where irradiance moves more than 1 % a second.",
         do="Leave out lines under moving clouds, or fly the strips again under a clear sky"),
    _row("sun-elevation", "degree", "below", (30.0, None),
         source=COMMON,
         about="Lowest sun elevation over the flight.",
         do="Fly nearer to noon"),
    _row("along-track", "1", "outside", ((0.8, 1.25), None),
         source=f"{OWN}: speed x frame period over height x IFOV",
         about="Ground step between lines over the ground width of a sample.",
         do="Fit speed, height and frame period to each other"),
    _row("attitude", "degree", "above", (5.0, None),
         source=f"{COMMON} (tilt moves the reflectance factor)",
         about="Largest roll or pitch from that over the panels.",
         do="Fly slower or use a stabilised mount; look at the strip's ends and turns first"),
    _row("coverage", "1", "below", (0.98, None),
         source=f"{OWN}: what was not seen has no value",
         about="Share of the survey polygon that the strips saw.",
         do="Fly the gaps again with more side overlap"),
    _row("sensor-temperature", "K", "above", (2.0, None),
         source=COMMON,
         about="Range of the sensor's temperature over the flight.",
         do="Let the camera reach its temperature before take-off, and record darks at both ends"),
)

_RESULT = (
    _row("wavelength-shift", "1", "above", (0.1, 0.5),
         source=f"{COMMON}; method within 0.05 of a band step, doi 10.3390/rs8121017",
         about="Shift that best fits the O2-A dip near 760.5 nm, magnitude over FWHM.",
         do="Have the wavelengths calibrated again; correct the headers or sensor.wavelength_nm"),
    _row("smile", "1", "above", (0.1, None),
         source=IEEE,
         about="Range of the O2-A shift across samples, over FWHM.",
         do="Ask the maker for an alignment; use narrow features with care at the swath's edges"),
    _row("negative", "1", "above", (0.01, 0.10),
         source=f"{GUM}: noise alone gives 0.13 %",
         about="Share of unflagged samples below minus 3 standard uncertainties.",
         do="Check the dark for light or drift, and the darkest panel"),
    _row("above-one", "1", "above", (0.001, None),
         source=f"{OWN}: glint, or a wrong panel",
         about="Share of samples above 1.5.",
         do="Look for glint; if it is everywhere, check the panels' certificates"),
    _row("reread", "chunk", "any", (None, 0.0),
         source=f"{OWN}: what is read is what was computed",
         about="Chunks, of a random sample of at least 16 a cube, that decode to other values "
         "than were computed.",
         do="Do not use this run: check the disk, and run again with --again"),
)

# fmt: on
#: Every check by name, in the order a report shows them.
LIMITS: Final[Mapping[str, CheckLimits]] = MappingProxyType(
    {row.name: row for row in (*_OFFLOAD, *_DARK, *_EXPOSURE, *_FIT, *_LIGHT, *_RESULT)}
)
