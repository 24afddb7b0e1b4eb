"""Make the rows of `pipeline/radiometry/g173.py` anew from the table that pvlib has.

`python tests/published/make_g173.py`
"""

from __future__ import annotations

#: First and last wavelength that is kept [nm], and where a row of ten begins.
FIRST, LAST, ROW = 738, 788, 10


def rows() -> str:
    """The rows, as they stand in the module."""
    from pvlib.spectrum import get_reference_spectra

    light = get_reference_spectra(standard="ASTM G173-03")["global"].loc[FIRST:LAST]
    lines: list[str] = []
    for nm, value in light.items():
        text = f"{value:.5g}"
        if not lines or nm % ROW == 0:
            lines.append(text)
        else:
            lines[-1] += f" {text}"
    return "\n".join(lines)


if __name__ == "__main__":
    print(rows())
