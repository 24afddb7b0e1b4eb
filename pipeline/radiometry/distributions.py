"""The normal, Student's and chi-square distributions, as far as every run asks for them.

Kept here because the library that has them all takes longer to import than a run takes to read a
dark capture. The error function is the C library's; the coefficients of the quantiles are made by
`tests/published/make_quantiles.py`; tests hold all of them to scipy's.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from pipeline.compiled.call import compiled
from pipeline.radiometry.limits import CONSISTENCY_POINT, LEAK_ERRORS
from pipeline.records import Array

#: The most degrees of freedom that are told apart.
MOST_FREEDOM: Final = 1e6

#: Chebyshev coefficients over 1 / freedom between 0 and 1, by the normal errors meant: logarithm
#: of Student's quantile over the normal one.
_STUDENT: Final = {
    1.0: """
2.91334969566e-01 3.04430454896e-01 1.27796513502e-02 -2.60036464503e-04
4.41027104439e-05 -1.24663039824e-05 2.03392953150e-07 6.71590555652e-07
-2.48462481665e-07 5.41608494081e-08 -5.01663920177e-09 -2.13688800085e-09
1.49498010343e-09 -5.59281215697e-10 1.44441229055e-10 -1.88781630317e-11
-5.85616448172e-12 5.76102622117e-12 -2.76771353734e-12 9.68857582040e-13
-2.40091997349e-13 1.94027853086e-14 2.21991666528e-14 -1.80342521610e-14
9.20207181162e-15
""",
    LEAK_ERRORS: """
5.82762658704e+00 6.27358610504e+00 2.86999621055e-01 -1.06493935815e-01
3.90117690176e-02 -1.24299840724e-02 2.64923940707e-03 2.67805930910e-04
-6.95526535771e-04 4.58395898519e-04 -1.95091668258e-04 4.70668605423e-05
7.66305003318e-06 -1.63817878452e-05 1.07091763874e-05 -4.40443963721e-06
8.89554564073e-07 3.44846343664e-07 -4.74660818637e-07 2.85458492682e-07
-1.08640151491e-07 1.63848516093e-08 1.32565684168e-08 -1.43096623163e-08
8.01616733431e-09
""",
}
#: Chebyshev coefficients over 1 / sqrt(freedom) down to that of `MOST_FREEDOM`, by the share
#: below: cube root of the reduced chi-square's quantile.
_CHI_SQUARE: Final = {
    CONSISTENCY_POINT: """
1.46605261479e+00 4.38267025919e-01 -2.60215713690e-02 7.39525176097e-04
5.06651019979e-05 -1.41921502378e-05 4.96446194991e-06 -1.73593512342e-06
3.51131701793e-07 -2.69470732893e-08 -1.16246373402e-09 -1.20785218818e-09
6.21069153821e-10 1.53348774712e-11 -6.77657069865e-11 1.17934120463e-11
4.04913714155e-12 -1.67931389870e-12 -2.00240879291e-13 2.39593448708e-13
-2.57183400901e-14 -2.36840889105e-14 8.50355611131e-15 1.10637729018e-15
-1.36458779995e-15
""",
}


def few_factor(freedom: float, errors: float = 1.0) -> float:
    """What few degrees of freedom make of a standard uncertainty (GUM G.3, Student's t).

    Parameters
    ----------
    freedom : degrees of freedom, any real number; below 1 it is taken for 1
    errors : how many standard uncertainties are then as improbable as of a normal distribution: 1,
        or the number that stands for certain light in a dark
    """
    return math.exp(float(_series(_STUDENT[errors], 1 / max(freedom, 1.0), 0.0)))


def reduced_chi_square_point(freedom: ArrayLike) -> Array:
    """The reduced chi-square that noise alone exceeds once in a hundred times.

    `freedom` counts degrees of freedom, any real number; below 1 it is taken for 1.
    """
    number = np.clip(np.asarray(freedom, np.float64), 1.0, MOST_FREEDOM)
    return _series(_CHI_SQUARE[CONSISTENCY_POINT], number**-0.5, MOST_FREEDOM**-0.5) ** 3


def normal_below(z: ArrayLike) -> Array:
    """Share of a normal distribution below `z` standard deviations."""
    return 0.5 * _each_erfc(np.asarray(z, np.float64) * -math.sqrt(0.5))


def normal_within(z: ArrayLike) -> Array:
    """Share of a normal distribution within `z` standard deviations of its middle."""
    return 1.0 - _each_erfc(np.asarray(z, np.float64) * math.sqrt(0.5))


def _series(kept: str, at: ArrayLike, lowest: float) -> Array:
    """A Chebyshev series between `lowest` and 1 (Clenshaw's recurrence)."""
    x = 2 * (np.asarray(at, np.float64) - lowest) / (1 - lowest) - 1
    first, *rest = (float(word) for word in kept.split())
    one = two = np.zeros_like(x)
    for coefficient in reversed(rest):
        one, two = 2 * x * one - two + coefficient, one
    return np.asarray(x * one - two + first)


@compiled
def _erfc_into(values, out):  # type: ignore[no-untyped-def]
    for k in range(values.size):
        out[k] = math.erfc(values[k])


def _each_erfc(values: Array) -> Array:
    """Complement of the error function, element by element."""
    out = np.empty(values.shape)
    _erfc_into(np.ravel(values), out.reshape(-1))
    return out
