"""Global tilted irradiance of ASTM G173-03 around the O2-A dip, every nanometre.

Kept here because the library that has the table takes most of a second of processor time to
import. `tests/published/make_g173.py` makes the rows anew; a test holds these to that library's.
"""

from __future__ import annotations

import numpy as np

from pipeline.records import Array

#: From 738 nm, then a row each ten nanometres from 740 nm [W m-2 nm-1].
_ROWS = """
1.2269 1.1905
1.2195 1.2148 1.2153 1.2405 1.2503 1.2497 1.247 1.2477 1.2401 1.2357
1.2341 1.2286 1.233 1.2266 1.242 1.2383 1.2232 1.2221 1.2295 1.1945
0.26604 0.15396 0.68766 0.37952 0.53878 0.68601 0.81461 0.97417 1.1138 1.1278
1.1608 1.1686 1.1778 1.1771 1.1771 1.1771 1.1798 1.1727 1.1713 1.1765
1.1636 1.1607 1.1662 1.1614 1.1536 1.1586 1.1592 1.145 1.1305
"""

WAVELENGTH_NM: Array = np.arange(738.0, 788.5)
GLOBAL: Array = np.array(_ROWS.split(), np.float64)
