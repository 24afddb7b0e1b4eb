"""A flat that is without light or saturated: such elements are bad, and a flat of them is none."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest

import pipeline
from pipeline.errors import InputError
from pipeline.flags import QualityFlag


def changed(flight: Any, part: Any, counts: int) -> Any:
    """The flight with some elements of its flat at one count throughout."""
    plan = flight.plan
    path = flight.folder / "raw" / "flat-0.raw"
    raw = np.memmap(path, "<u2", "r+", shape=(plan.flat_lines, plan.bands, plan.samples))
    raw[:, part[0], part[1]] = counts
    raw.flush()
    (flight.folder / "raw" / "manifest.sha256").unlink()
    return flight


@pytest.mark.parametrize("counts", [0, 60, 4095])
def test_elements_that_the_flat_cannot_tell_are_bad(rich_copy: Any, counts: int) -> None:
    where = (slice(10, 14), slice(20, 23))
    run = pipeline.run(changed(rich_copy, where, counts).config)
    with netCDF4.Dataset(run.folder / "strip-00.nc") as nc:
        bad = nc["quality_flag"][:] & QualityFlag.BAD_ELEMENT != 0
        response = nc["relative_response"][:]
    assert bad[where[0], :, where[1]].all()
    assert bad.mean() < 0.02
    assert (response[where] == 1).all()


@pytest.mark.parametrize("counts", [0, 4095])
def test_a_flat_without_response_is_refused(rich_copy: Any, counts: int, tmp_path: Path) -> None:
    flight = changed(rich_copy, (slice(2, 28), slice(None)), counts)
    with pytest.raises(InputError, match="saturated or without light in"):
        pipeline.run(flight.config, output=tmp_path / "out")
    assert not list((tmp_path / "out").glob("*/*.nc"))


def test_a_flat_of_one_line_is_refused_by_name(rich_copy: Any, tmp_path: Path) -> None:
    header = rich_copy.folder / "raw" / "flat-0.hdr"
    header.write_text(
        header.read_text().replace(f"lines = {rich_copy.plan.flat_lines}", "lines = 1")
    )
    plan = rich_copy.plan
    data = header.with_suffix(".raw")
    data.write_bytes(data.read_bytes()[: 2 * plan.bands * plan.samples])
    (rich_copy.folder / "raw" / "manifest.sha256").unlink()
    with pytest.raises(InputError, match="single line") as error:
        pipeline.run(rich_copy.config, output=tmp_path / "out")
    assert error.value.where == data
