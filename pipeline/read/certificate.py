"""Panel certificates."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from pipeline.config.tables import AS_OURS, CertificateTable
from pipeline.errors import InputError
from pipeline.read.csv_table import read_rows
from pipeline.read.table_words import Words
from pipeline.records import Array, Certificate

#: Certified reflectance above this is no diffuse panel's; sintered PTFE reaches 0.99.
REFLECTANCE_MOST = 1.2
#: A certificate's step is a gap when longer than this many median steps ...
GAP_STEPS = 5.0
#: ... and than this many band widths: below, interpolation is smoothed away by the band itself.
GAP_WIDTHS = 2.0


def read_certificate(path: Path, written: CertificateTable = AS_OURS.certificate) -> Certificate:
    """Read a panel's certificate: `wavelength_nm,reflectance,expanded_uncertainty`.

    Reflectance and its uncertainty are fractions once `written.scale` has been applied, and the
    uncertainty is absolute. Raises InputError naming the line: fewer than two rows, wavelengths
    that do not increase or look like micrometres, reflectance outside (0, 1.2] or in percent,
    uncertainty negative or above the reflectance itself.
    """
    names = ("wavelength_nm", "reflectance", "expanded_uncertainty")
    words = Words.of("tables.certificate", written)
    rows = read_rows(path, dict.fromkeys(names, "number"), words=words)
    wavelength, reflectance, uncertainty = (rows.columns[name] for name in names)
    first = int(rows.line_of[0])
    if wavelength.size < 2:
        raise InputError("one row only; expected two or more", where=path, line=first)
    rows.refuse(wavelength <= 0, names[0], "a wavelength above 0 nm")
    if (wavelength < 20).all():
        raise InputError(
            f"{wavelength[0]:g} looks like micrometres; expected nanometres",
            where=path,
            line=first,
            column=words.theirs(names[0]),
        )
    rows.require_increasing(names[0])
    percent = words.say("scale = 0.01")
    scale = written.scale
    rows.refuse(reflectance <= 0, names[1], "a fraction above 0")
    rows.refuse(
        reflectance * scale > REFLECTANCE_MOST,
        names[1],
        f"a fraction up to {REFLECTANCE_MOST}; it looks like percent",
        percent,
    )
    rows.refuse(uncertainty < 0, names[2], "0 or more")
    rows.refuse(
        uncertainty > reflectance,
        names[2],
        "an absolute uncertainty not above the reflectance; it looks like percent",
    )
    if scale != 1 and (reflectance * scale < _PERCENT_OF_PERCENT).all():
        raise InputError(
            f"no reflectance above {np.max(reflectance * scale):g} once scaled by {scale:g}; the "
            "values are fractions already",
            where=path,
            do="Take tables.certificate.scale out of the config",
        )
    return Certificate(wavelength, reflectance * scale, uncertainty * scale)


#: Below this all along, a scaled certificate is one of fractions that was scaled again: black
#: velvet reflects 0.004 (common practice, no source).
_PERCENT_OF_PERCENT = 0.012


def require_no_gap(
    certificate: Certificate, wavelength_nm: Array, fwhm_nm: Array, path: Path
) -> None:
    """InputError if band centres lie in a hole of the certificate.

    A hole is a step of more than five times the table's median step that is also longer than
    twice the width of a band whose centre lies strictly inside it. Interpolating across would
    invent reflectance there.

    Parameters
    ----------
    wavelength_nm, fwhm_nm : (band,) [nm]
    path : the certificate's file, for the message
    """
    rows = certificate.wavelength_nm
    steps = np.diff(rows)
    for left in np.flatnonzero(steps > GAP_STEPS * np.median(steps)):
        inside = (wavelength_nm > rows[left]) & (wavelength_nm < rows[left + 1])
        count = int((inside & (steps[left] > GAP_WIDTHS * fwhm_nm)).sum())
        if count:
            raise InputError(
                f"no rows between {rows[left]:g} and {rows[left + 1]:g} nm, where "
                f"{count} {'band lies' if count == 1 else 'bands lie'}",
                where=path,
                do="Give the certificate's full table",
            )


def require_cover(certificate: Certificate, wavelength_nm: Array, path: Path) -> None:
    """InputError if no band centre at all lies in the certificate's range."""
    low, high = certificate.wavelength_nm[0], certificate.wavelength_nm[-1]
    if not ((wavelength_nm >= low) & (wavelength_nm <= high)).any():
        raise InputError(
            f"it covers {low:g} to {high:g} nm, and no band lies there; the bands span "
            f"{wavelength_nm.min():g} to {wavelength_nm.max():g} nm",
            where=path,
        )
