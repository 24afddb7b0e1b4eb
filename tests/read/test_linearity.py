"""The table of a detector's linearity: right values, and each refusal."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import InputError
from pipeline.read.linearity import read_linearity

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
