"""The thin cube of spectra as text that the page's script reads.

Each of the arrays is taken as little-endian, differences along its bands, its bytes regrouped so
that like bytes lie together, deflated (RFC 1950) and written in base64 (RFC 4648).
"""

from __future__ import annotations

import base64
import json
from typing import Any

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from pipeline.flags import QualityFlag
from pipeline.foreign import one_line
from pipeline.radiometry.angles import span, wrapped
from pipeline.radiometry.packing import REFLECTANCE, UNCERTAINTY
from pipeline.radiometry.preview import Preview
from pipeline.records import Array
from pipeline.write.deflate import deflated, inflated, regrouped

#: Positions are stored in steps of this [degree], about a centimetre.
_PLACE_STEP = 1e-7


def script_json(value: object) -> Markup:
    """JSON that is safe inside a script element, whatever its strings hold."""
    text = json.dumps(value, separators=(",", ":"), allow_nan=False)
    for unsafe in "<>&\u2028\u2029":
        text = text.replace(unsafe, f"\\u{ord(unsafe):04x}")
    return Markup(text)


def packing() -> dict[str, object]:
    """What the script needs to unpack: steps, fills, and the flags' words."""
    return {
        "reflectance": {"step": REFLECTANCE.step, "fill": REFLECTANCE.fill},
        "uncertainty": {"step": UNCERTAINTY.step, "fill": UNCERTAINTY.fill},
        "place": _PLACE_STEP,
        "flags": {int(flag): str(flag.name).lower().replace("_", " ") for flag in QualityFlag},
    }


def embedded(cube: str, preview: Preview, wavelength_nm: Array) -> dict[str, object]:
    """One strip's spectra; arrays are (line, sample, band), bands fastest."""
    grid = preview.plan.spectra
    places: dict[str, object] = {}
    if preview.latitude is not None and preview.longitude is not None:
        both = np.stack([preview.latitude, preview.longitude])
        if np.isfinite(both).any():
            origin = [float(np.nanmin(both[0])), span(both[1])[0]]
            away = both - np.array(origin)[:, None, None]
            away[1] = wrapped(away[1])  # across the 180th meridian too
            steps = away / _PLACE_STEP
            known = np.where(np.isfinite(steps), np.rint(steps), -1).astype("<i4")
            places = {"origin": origin, "place": encoded(known.reshape(2, -1))}
    u = preview.spectra_uncertainty
    return {
        "cube": one_line(cube),
        "lines": grid.lines,
        "samples": grid.samples,
        "line": [grid.line_first, grid.line_step, int(grid.line_index.size)],
        "sample": [grid.sample_first, grid.sample_step, int(grid.sample_index.size)],
        "nm": [round(float(w), 3) for w in wavelength_nm[:: preview.plan.band_step]],
        "reflectance": encoded(_bands_last(preview.spectra, "<i2")),
        "uncertainty": None if u is None else encoded(_bands_last(u, "<u2")),
        "flags": encoded(_bands_last(preview.spectra_flags, "u1")),
        **places,
    }


def _bands_last(values: NDArray[Any], kind: str) -> NDArray[Any]:
    return np.ascontiguousarray(values.transpose(1, 2, 0), dtype=kind).reshape(-1, len(values))


def encoded(values: NDArray[Any]) -> str:
    """Text of a (row, column) array of integers: see the module's own description."""
    difference = values.copy()
    difference[:, 1:] -= values[:, :-1]  # wraps around, and so does the sum that undoes it
    return base64.b64encode(deflated(difference)).decode("ascii")


def decoded(text: str, kind: str, columns: int) -> NDArray[Any]:
    """The (row, column) array that `encoded` was given; `kind` is its type."""
    dtype = np.dtype(kind)
    planes = inflated(base64.b64decode(text), dtype.itemsize)
    return np.cumsum(regrouped(planes, dtype).reshape(-1, columns), axis=1, dtype=dtype)
