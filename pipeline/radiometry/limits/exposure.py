"""Limits of the exposure."""

from __future__ import annotations

from pipeline.radiometry.limits.table import COMMON, EMVA, OWN, entry

# One check a paragraph, by hand: one argument a line would hide the table.
# fmt: off
EXPOSURE = (
    entry("panel-peak", "1", "outside", ((0.73, 0.85), 0.10),
          source=f"{COMMON} (3000 to 3500 of 4095 counts)",
          about="Brightest panel's peak over full scale.",
          do="Set the exposure so that the brightest panel peaks at 3000 to 3500 of 4095 counts"),
    entry("panel-saturated", "band", "from", (1.0, None),
          source=EMVA,
          about="Bands in which a fit panel's core touches saturation; fails when every fit panel "
          "does in every band.",
          do="Shorten the exposure, or lay out a darker panel"),
    entry("pile-up", "1", "above", (1e-4, None),
          source=f"{OWN}: a recorder that clips",
          about="Share of samples gathered at one count below saturation_counts, if more than 10 "
          "times what any of its neighbours holds.",
          do="Set sensor.saturation_counts to the named count: what was clipped there is brighter "
          "than it seems"),
    entry("scene-saturated", "1", "above", (0.01, 0.20),
          source=f"{COMMON}; CEOS-ARD surface reflectance specification 5 (saturation by band)",
          about="Share of scene samples that are saturated.",
          do="Shorten the exposure, or avoid the sun's glint by another flight direction"),
    entry("scene-low-signal", "band", "from", (1.0, None),
          source=COMMON,
          about="Bands whose median scene signal is below 10 times its noise; fails when every "
          "band is.",
          do="Leave the named bands out of the analysis, or lengthen the exposure"),
    entry("noise-model", "1", "outside", ((0.8, 1.25), None),
          source=EMVA,
          about="Overall system gain by photon transfer over the config's.",
          do="Check sensor.electrons_per_count against the camera's gain setting"),
)
