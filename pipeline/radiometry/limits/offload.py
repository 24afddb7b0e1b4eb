"""Limits of the offload: what came off the recorder, whole and in order."""

from __future__ import annotations

from pipeline.radiometry.limits.table import COMMON, OWN, entry

# One check a paragraph, by hand: one argument a line would hide the table.
# fmt: off
OFFLOAD = (
    entry("files-whole", "byte", "any", (None, 0.0),
          source=f"{OWN}: a whole file has the bytes its header claims",
          about="Bytes on disk less bytes the header claims, of the worst file.",
          do="Copy the file again from the recorder before its disk is wiped"),
    entry("manifest", "file", "any", (None, 0.0),
          source=f"{OWN}: a copy is whole when its digest is",
          about="Files that the manifest lists and that are missing or have another digest.",
          do="Copy the named files again from the recorder"),
    entry("no-data", "line", "any", (None, 0.0),
          source=OWN,
          about="Lines that were never written: zeros, or one value throughout. They are flagged "
          "no_data and blank.",
          do="Copy the file again from the recorder before its disk is wiped"),
    entry("frozen", "line", "any", (None, 0.0),
          source=f"{OWN}: noise never repeats",
          about="Lines or frames that repeat the one before exactly; a dark without noise.",
          do="Look at the recorder: it wrote the same line again. Fly or record the named capture "
          "again"),
    entry("strip-missing", "strip", "any", (0.0, None),
          source=f"{OWN}: numbers in sequence have no gaps",
          about="Numbers missing between the first and the last strip.",
          do="Look for the missing strips on the recorder, or fly them again"),
    entry("settings-alike", "cube", "any", (None, 0.0),
          source=COMMON,
          about="Cubes whose exposure (by more than 0.1 %), gain, frame period, shape or "
          "wavelengths differ from the first cube's.",
          do="Process cubes of other settings as a flight of their own, with their own darks and "
          "panels"),
    entry("disk-space", "1", "below", (None, 1.1),
          source=f"{OWN}: the results and a tenth to spare",
          about="Bytes free over bytes needed.",
          do="Free space on the output disk, or name another with --output"),
    entry("clock", "1", "any", (0.0, None),
          source=f"{OWN}: the track was recorded while the lines were",
          about="Share of line times outside the track's span.",
          do="Correct the clock of the line times or of the track, or give the whole track"),
    entry("time-order", "line", "any", (None, 0.0),
          source=f"{OWN}: time increases",
          about="Lines whose time does not increase.",
          do="Look for a clock reset during the strip, and export the line times again"),
    entry("line-gaps", "1", "above", (0.001, None),
          source=COMMON,
          about="Share of lines that follow a step of more than 1.5 frame periods.",
          do="Use a faster disk or a longer frame period; lines after a gap are flagged after_gap"),
    entry("line-jitter", "1", "above", (0.05, None),
          source=COMMON,
          about="Standard deviation of the line step over the frame period, gaps left out.",
          do="Take line times from the camera's trigger rather than from the computer's clock"),
    entry("units", "value", "any", (0.0, None),
          source=f"{OWN}: a line is not exposed longer than it lasts, angles turn, strips meet",
          about="Header or table values that contradict each other: frame period against line "
          "times, exposure against frame period, height against strip spacing, angles within 3.2 "
          "throughout, a track away from the polygons.",
          do="Say in the config which unit or datum the value has"),
)
