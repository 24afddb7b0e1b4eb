"""A strip whose copy stopped and left zeros: named, blank, and no part of anything else."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import xarray as xr

import pipeline
from pipeline.flags import QualityFlag
from pipeline.flight.field_check import look

HOLE = slice(60, 93)


@pytest.fixture
def holed(plain_copy: Any) -> Any:
    counts = plain_copy.counts("strip-01")
    counts[HOLE] = 0
    counts.tofile(plain_copy.folder / "raw" / "strip-01.raw")
    return plain_copy


def test_check_names_the_lines_and_the_copy_comes_first(holed: Any) -> None:
    told: Any = look(holed.config).to_json()
    row = next(c for c in told["checks"] if c["check"] == "no-data")
    assert (row["value"], row["verdict"], row["subject"]) == (33, "fail", "strip-01")
    assert "60 to 92" in row["says"]
    assert told["verdict"] == "caution"
    assert told["says"].startswith("Use with care: 33 lines of strip-01 hold no data")
    assert "Copy the file again" in told["says"]


def test_run_flags_and_blanks_them_and_leaves_the_rest_as_it_was(
    plain_flight: Any, holed: Any
) -> None:
    whole = pipeline.run(plain_flight.config, output=holed.folder / "whole", workers=2)
    run = pipeline.run(holed.config, workers=2)
    with (
        xr.open_dataset(run.folder / "strip-01.nc", mask_and_scale=False) as cube,
        xr.open_dataset(whole.folder / "strip-01.nc", mask_and_scale=False) as other,
    ):
        flags = cube.quality_flag.values & QualityFlag.NO_DATA
        assert np.flatnonzero(flags.any(axis=(0, 2))).tolist() == list(range(60, 93))
        assert flags[:, HOLE].all()
        assert (cube.reflectance.values[:, HOLE] == -32768).all()
        clear = np.setdiff1d(np.arange(cube.sizes["line"]), np.arange(60, 93))
        known = other.reflectance.values[:, clear] != -32768
        off = np.abs(
            cube.reflectance.values[:, clear].astype(int) - other.reflectance.values[:, clear]
        )
        # The scene tells of elements and falloff: what it says may move in the last digits.
        assert off[known].max() <= 2
