"""Linear least squares against NIST's Statistical Reference Datasets: Norris.

Certified values to 15 digits, https://www.itl.nist.gov/div898/strd/lls/data/Norris.shtml; data as
shipped with scipy's tests (the case is skipped where a scipy is installed without them).
"""

from pathlib import Path

import numpy as np
import pytest
import scipy

from pipeline.radiometry.york import york

SLOPE, INTERCEPT = 1.00211681802045, -0.262323073774029
SLOPE_ERROR, INTERCEPT_ERROR = 0.429796848199937e-3, 0.232818234301152
DATA = Path(scipy.__file__).parent / "stats" / "tests" / "data" / "nist_linregress" / "Norris.dat"


@pytest.mark.skipif(not DATA.exists(), reason="this scipy came without its tests' data")
def test_norris():
    lines = DATA.read_text().splitlines()[60:96]
    y, x = np.array([line.split() for line in lines], dtype=float).T
    assert len(x) == 36
    fit = york(x, y, 0.0, 1.0)
    scale = fit.chi2 / 34
    assert float(fit.slope) == pytest.approx(SLOPE, rel=1e-12)
    assert float(fit.intercept) == pytest.approx(INTERCEPT, rel=1e-9)
    assert float(np.sqrt(fit.var_slope * scale)) == pytest.approx(SLOPE_ERROR, rel=1e-9)
    assert float(np.sqrt(fit.var_intercept * scale)) == pytest.approx(INTERCEPT_ERROR, rel=1e-9)
