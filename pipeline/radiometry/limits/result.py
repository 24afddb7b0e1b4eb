"""Limits of spectrum and result."""

from __future__ import annotations

from pipeline.radiometry.limits.table import COMMON, GUM, IEEE, OWN, entry

# One check a paragraph, by hand: one argument a line would hide the table.
# fmt: off
RESULT = (
    entry("wavelength-shift", "1", "above", (0.1, 0.5),
          source=f"{COMMON}; method within 0.05 of a band step, doi 10.3390/rs8121017",
          about="Shift that best fits the O2-A dip near 760.5 nm, magnitude over FWHM.",
          do="Have the wavelengths calibrated again; correct the headers or sensor.wavelength_nm"),
    entry("smile", "1", "above", (0.1, None),
          source=IEEE,
          about="Range of the O2-A shift across samples, over FWHM.",
          do="Ask the maker for an alignment; use narrow features with care at the swath's edges"),
    entry("negative", "1", "above", (0.01, 0.10),
          source=f"{GUM}: noise alone gives 0.13 %",
          about="Share of unflagged samples below minus 3 standard uncertainties.",
          do="Check the dark for light or drift, and the darkest panel"),
    entry("above-one", "1", "above", (0.001, None),
          source=f"{OWN}: glint, or a wrong panel",
          about="Share of samples above 1.5.",
          do="Look for glint; if it is everywhere, check the panels' certificates"),
    entry("reread", "chunk", "any", (None, 0.0),
          source=f"{OWN}: what is read is what was computed",
          about="Chunks, of a random sample of at least 16 a cube, that decode to other values "
          "than were computed.",
          do="Do not use this run: check the disk, and run again with --again"),
)
