"""The table of a detector's linearity: right values, and each refusal."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import InputError
from pipeline.read.linearity import linear_counts, read_linearity
from pipeline.records import Linearity

HEAD = "counts,linear_counts\n"


def write(folder: Path, rows: str) -> Path:
    path = folder / "linearity.csv"
    path.write_text(HEAD + rows)
    return path


def test_a_linearity_table(tmp_path: Path) -> None:
    found = read_linearity(write(tmp_path, "0,0\n2000,2010.5\n4000,4100\n"), 4000)
    assert found.counts.tolist() == [0, 2000, 4000]
    assert found.linear_counts.tolist() == [0, 2010.5, 4100]


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ("0,0\n", "line 2: one row only"),
        ("0,0\n3000,3000\n2000,3100\n4000,4100\n", "line 4, column counts: not above the row"),
        ("0,0\n3000,3000\n4000,3000\n", "line 4, column linear_counts: not above the row"),
        ("1,1\n4000,4000\n", "line 2, column counts: 1; expected a first row at 0"),
        ("0,0\n3999,4000\n", "line 3, column counts: 3999; expected a last row at saturation"),
        ("0,0\n4000,x\n", "line 3, column linear_counts: 'x'"),
    ],
)
def test_refused_linearity_tables(tmp_path: Path, rows: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read_linearity(write(tmp_path, rows), 4000)


TABLE = Linearity(np.array([0.0, 2000.0, 4000.0]), np.array([0.0, 2100.0, 5000.0]), 4000.0)


def test_counts_are_straight_between_the_rows_and_saturation_stays() -> None:
    found = linear_counts(np.array([0, 1000, 2000, 3000, 4000], np.uint16), TABLE)
    # 0, 1050, 2100, 3550 and 5000 by the table, all times 4000 / 5000.
    np.testing.assert_allclose(found, [0, 840, 1680, 2840, 4000], rtol=1e-6)
    assert found.dtype == np.float32
    assert linear_counts(np.array([3999]), TABLE)[0] < 4000
    assert linear_counts(np.array([4001]), TABLE)[0] > 4000
    assert np.isnan(linear_counts(np.array([np.nan], np.float32), TABLE)[0])
