"""Make the coefficients of `pipeline/radiometry/distributions.py` anew from scipy.

`python tests/published/make_quantiles.py`
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.special import chdtri, ndtr, stdtrit

from pipeline.radiometry.distributions import MOST_FREEDOM
from pipeline.radiometry.limits import CONSISTENCY_POINT, LEAK_ERRORS
from pipeline.records import Array

#: Terms that are kept: more change nothing that doubles tell.
TERMS = 25
#: Coefficients a row.
ROW = 4


def student(errors: float) -> Array:
    """Of the logarithm of Student's quantile over the normal one, in 1 / freedom."""
    return _coefficients(lambda u: np.log(stdtrit(1 / u, ndtr(-errors)) / -errors), 0.0)


def chi_square(share: float) -> Array:
    """Of the cube root of the reduced chi-square's quantile, in 1 / sqrt(freedom)."""
    lowest = MOST_FREEDOM**-0.5
    return _coefficients(lambda s: np.cbrt(chdtri(s**-2.0, 1 - share) * s**2), lowest)


def _coefficients(function: Callable[[Array], Array], lowest: float) -> Array:
    """Chebyshev coefficients of a function between `lowest` and 1."""
    nodes = np.cos((np.arange(400) + 0.5) * np.pi / 400)
    values = function(lowest + (nodes + 1) / 2 * (1 - lowest))
    return np.asarray(np.polynomial.chebyshev.chebfit(nodes, values, TERMS - 1))


def rows(coefficients: Array) -> str:
    """Coefficients as they stand in the module."""
    text = [f"{value:.11e}" for value in coefficients]
    return "\n".join(" ".join(text[k : k + ROW]) for k in range(0, TERMS, ROW))


if __name__ == "__main__":
    for errors in (1.0, LEAK_ERRORS):
        print(f"Student, {errors:g} errors\n{rows(student(errors))}")
    print(f"chi-square, {CONSISTENCY_POINT:g}\n{rows(chi_square(CONSISTENCY_POINT))}")
