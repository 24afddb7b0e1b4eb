"""Limits of light and flight."""

from __future__ import annotations

from pipeline.radiometry.limits.table import COMMON, NIST, OWN, entry

# One check a paragraph, by hand: one argument a line would hide the table.
# fmt: off
LIGHT = (
    entry("illumination", "1", "above", (0.03, 0.20),
          source=COMMON,
          about="Range of irradiance over the cubes, over its mean, where it is not corrected.",
          do='Use calibration.illumination = "irradiance log", or fly under a clear sky'),
    entry("illumination-known", "1", "any", (0.0, None),
          source=f"{OWN}: what was not seen was supposed",
          about="Share of lines whose light is extrapolated: outside the log or in its gaps, "
          "before the first or after the last pass. A log that misses every line is refused.",
          do="Log the irradiance from before the first panel to the last line, or pass over the "
          "panels first and last; what is not known is in the uncertainty"),
    entry("illumination-steps", "1", "above", (0.01, None),
          source=f"{OWN}: a cloud's edge",
          about="Share of lines where irradiance moves more than 1 % a second, beyond what the "
          "log's own noise makes of it.",
          do="Leave out lines under moving clouds, or fly the strips again under a clear sky"),
    entry("sun-elevation", "degree", "below", (30.0, None),
          source=COMMON,
          about="Lowest sun elevation over the flight.",
          do="Fly nearer to noon"),
    entry("along-track", "1", "outside", ((0.8, 1.25), None),
          source=f"{OWN}: speed x frame period over height x IFOV",
          about="Ground step between lines over the ground width of a sample.",
          do="Fit speed, height and frame period to each other"),
    entry("attitude", "degree", "above", (5.0, None),
          source=f"{COMMON} (tilt moves the reflectance factor)",
          about="Largest roll or pitch from that over the panels.",
          do="Fly slower or use a stabilised mount; look at the strip's ends and turns first"),
    entry("coverage", "1", "below", (0.98, None),
          source=f"{OWN}: what was not seen has no value",
          about="Share of the survey polygon that the strips saw.",
          do="Fly the gaps again with more side overlap"),
    entry("strip-agreement", "1", "above", (0.05, None),
          source=f"{OWN}: neighbours see one ground",
          about="Difference between two strips on the ground that both saw, over their mean less "
          "the fit's offset: median over bands and cells of the pair that differs most, if above 3 "
          "standard errors.",
          do="Compare the irradiance at the two strips, and the view across the swath with where "
          "the sun stood: a change of light and a slope of the directional reflectance both do "
          "this, and no correction tells them apart; log the irradiance, or fly towards and away "
          "from the sun"),
    entry("sensor-temperature", "K", "above", (2.0, None),
          source=COMMON,
          about="Range of the sensor's temperature over the flight.",
          do="Let the camera reach its temperature before take-off, and record darks at both ends"),
    entry("camera-record", "quantity", "any", (0.0, None),
          source=f"{NIST} 6.3.2; chances of an alarm: {OWN}",
          about="In a sweep: the camera's quantities that are beyond the limits of their control "
          "charts, which the camera's flights before this one give; ten at least.",
          do="Look at record.html beside the results: whether it is this flight or the camera. "
          "Then at lens, cooling and settings; a camera that has changed wants its calibration"),
    entry("panel-record", "panel", "any", (0.0, None),
          source=f"{NIST} 6.3.2; chances of an alarm: {OWN}",
          about="In a sweep: the panels that differ from what the other panels predict by more "
          "than in the flights before; ten at least.",
          do="Clean the named panel, lay it level, or have it measured again; two panels cannot "
          "tell which of them it is"),
)
