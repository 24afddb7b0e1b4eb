"""Limits of the dark."""

from __future__ import annotations

from pipeline.radiometry.limits.table import COMMON, EMVA, OWN, entry

# One check a paragraph, by hand: one argument a line would hide the table.
# fmt: off
DARK = (
    entry("dark-settings", "capture", "any", (None, 0.0),
          source=EMVA,
          about="Dark captures whose settings do not match the cubes'.",
          do="Record the dark again with the cubes' exposure, frame period, gain and shape"),
    entry("dark-frames", "frame", "below", (100.0, 10.0),
          source=f"{COMMON} (a thousand is usual)",
          about="Frames in the smallest dark capture.",
          do="Record about a thousand frames with the lens capped"),
    entry("dark-steadiness", "count", "above", (0.5, None),
          source=f"{EMVA}; {COMMON}",
          about="Change of the mean level within a dark capture, if above 5 standard errors.",
          do="Let the camera warm up before the dark is recorded, and look for light at the cap"),
    entry("dark-drift", "count", "above", (1.0, 5.0),
          source=COMMON,
          about="Change of the mean dark level between captures.",
          do="Let the camera reach its temperature, and record a dark before and after each "
          "flight"),
    entry("dark-age", "min", "above", (30.0, None),
          source=COMMON,
          about="Minutes from the farthest line to its nearest dark capture.",
          do="Record a dark before and after the flight"),
    entry("dark-temperature", "K", "above", (2.0, None),
          source=f"{COMMON} (dark current doubles in 6 to 8 K)",
          about="Kelvin between a cube and the dark capture nearest to it in temperature.",
          do="Record a dark at the temperature of the flight"),
    entry("light-leak", "count", "above", (1.0, 5.0),
          source=f"{OWN}: a dark has no spectrum of the sun",
          about="Amplitude, at the brightest band, of the panels' mean spectrum found in the "
          "dark's band profile by least squares, if above 5 standard errors.",
          do="Cap the lens tightly, cover the camera, and record the dark again"),
    entry("dark-clipped", "1", "above", (0.01, 0.20),
          source=f"{EMVA} (clipping biases mean and noise)",
          about="Share of elements with dark frames at zero counts.",
          do="Raise the camera's black level so that no dark frame reaches zero"),
    entry("bad-elements", "1", "above", (0.005, 0.02),
          source=COMMON,
          about="Share of elements hot, dead, stuck or noisy.",
          do="Compare with earlier flights; ask the maker for service if the share grows"),
    entry("flat-sound", "1", "above", (0.005, 0.10),
          source=f"{OWN}: what a flat cannot tell it must not divide by",
          about="Share of the flat's elements saturated, without light, or unlike their neighbours "
          "by more than half; such elements are bad.",
          do="Record the flat again at half of full scale, on a clean and evenly lit target that "
          "fills the swath"),
    entry("falloff", "1", "above", (0.02, None),
          source=OWN,
          about="Worst smooth departure of the scene's mean across the swath from level, after the "
          "response that is used; the median over bands, if above 3 standard errors.",
          do="Record a flat of a uniform target that fills the swath, any day, or set "
          'calibration.response = "scene" if there are many strips, flown both ways'),
    entry("striping", "1", "above", (0.005, None),
          source=COMMON,
          about="Worst sample's departure from its neighbours in panel or flat after correction, "
          "over the level, if above 3 standard errors.",
          do="Clean the slit and window, and record a flat of a uniform target that fills the "
          "swath"),
)
