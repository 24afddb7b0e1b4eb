"""Limits of panels and fit."""

from __future__ import annotations

from pipeline.radiometry.limits.table import COMMON, EMVA, GUM, OWN, entry

# One check a paragraph, by hand: one argument a line would hide the table.
# fmt: off
FIT = (
    entry("panel-samples", "sample", "below", (100.0, 25.0),
          source=f"{COMMON} (10 x 10 after a trim of 2 to 3 samples)",
          about="Samples in the smallest panel core.",
          do="Fly lower over the panels, use larger ones, or widen the window"),
    entry("panel-uniformity", "1", "above", (0.03, 0.08),
          source=COMMON,
          about="Spread across a panel's core beyond noise, over its mean; median over bands.",
          do="Check the window for edges, folds, dirt and shadow on the named panel"),
    entry("panel-order", "panel", "any", (None, 0.0),
          source=f"{OWN}: more reflectance, more signal",
          about="Panels out of the order of their certificates.",
          do="Check which certificate and which window belong to the named panels"),
    entry("panel-ratio", "1", "above", (0.05, None),
          source=COMMON,
          about="Worst departure of a pair's signal ratio from its certificates' ratio, after the "
          "fit's offset; median over bands.",
          do="Check the named pair's certificates, cleanliness and tilt"),
    entry("panel-span", "1", "above", (0.10, None),
          source=COMMON,
          about="Share of scene samples outside the fit panels' reflectances.",
          do="Add a brighter or a darker panel; such samples are flagged outside_panel_range"),
    entry("panel-repeat", "1", "above", (0.02, None),
          source=COMMON,
          about="Change of a panel's signal between passes; median over bands.",
          do='Use calibration.illumination = "panel passes" or an irradiance log'),
    entry("panel-age", "min", "above", (10.0, None),
          source=COMMON,
          about="Minutes from the farthest line to its nearest panel reading; with a position "
          "also the change of the cosine of the sun's zenith angle, caution above 1 %.",
          do="Fly over the panels more often, or log the irradiance"),
    entry("certificate-cover", "band", "from", (1.0, None),
          source=f"{OWN}: never extrapolated",
          about="Bands that no certificate covers; fails when it is every band. In a row of its "
          "own: bands that fewer certificates cover than the rest.",
          do="Have the panels measured over the camera's whole range; such bands stay blank"),
    entry("certificate-plausible", "certificate", "any", (0.0, None),
          source=OWN,
          about="Certificates rising or falling by half within 10 nm, or of zero uncertainty; "
          "above 1.2 they are refused where they are read.",
          do="Compare the named table with the certificate on paper: no panel is known without "
          "uncertainty, and none changes so fast"),
    entry("certificate-age", "month", "above", (12.0, None),
          source=COMMON,
          about="Months since the oldest certificate was measured.",
          do="Have the named panel measured again"),
    entry("fit-residual", "1", "above", (0.02, 0.10),
          source=f"{COMMON} (published two-panel fits reach 0.016, arXiv 1804.09585; 0.01 to 0.07 "
          "by site, doi 10.1371/journal.pone.0066972)",
          about="Worst panel's residual, root mean square over the worst eighth of the bands, "
          "reflectance.",
          do="Check the named panel's window, certificate and cleanliness"),
    entry("fit-consistency", "1", "above", (None, None),
          source=GUM,
          about="Median reduced chi-square over bands; caution above its 99 % point.",
          do="Check the panels' certificates: the uncertainties were enlarged to match the "
          "scatter"),
    entry("fit-offset", "1", "above", (0.02, 0.10),
          source=f"{COMMON} (path signal or a wrong dark)",
          about="Median absolute offset of the empirical line, reflectance.",
          do="Check the dark for light and drift, and the darkest panel's certificate"),
    entry("fit-curvature", "1", "above", (0.02, None),
          source=f"{EMVA} (linearity)",
          about="Effect of a squared term at mid range, with three panels or more; median over "
          "bands. Counts beyond what the panels' uncertainties explain (99 %).",
          do="Keep signals below the bend of the camera's response, and check the middle panel"),
    entry("check-panel", "1", "above", (0.02, 0.10),
          source=COMMON,
          about="Median over bands of predicted less certified, magnitude, reflectance; caution "
          "above the larger of 0.02 and 5 %, or above its expanded uncertainty.",
          do="Check the named panel and the fit panels before the reflectance is used"),
    entry("leave-one-out", "1", "above", (0.02, None),
          source=COMMON,
          about="As check-panel, each fit panel predicted by the others, with three panels or "
          "more; caution above the larger of 0.02 and 5 %.",
          do="Check the named panel's certificate and window: it disagrees with the others"),
)
