"""Cubes of the right size without light, in whole or in part, and counts that are no number."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.calibrate.scene_sample import thin_lines
from pipeline.flight.field_check import look

LOOKED = thin_lines(100, 48)


def files_whole(flight: Any) -> Any:
    checks: Any = look(flight.config).to_json()["checks"]
    return next(c for c in checks if c["check"] == "files-whole")


def write(flight: Any, counts: NDArray[Any], **header: str) -> None:
    """Other counts in the second strip, (line, band, sample) or as its header is made to say."""
    raw: Path = flight.folder / "raw"
    counts.tofile(raw / "strip-01.raw")
    text = (raw / "strip-01.hdr").read_text().splitlines()
    lines = [
        next((f"{key} = {header[word]}" for word in header if key.strip() == word), line)
        for line in text
        for key in [line.split("=")[0].rstrip()]
    ]
    (raw / "strip-01.hdr").write_text("\n".join(lines) + "\n")


@pytest.mark.parametrize("count", [0, 205])
def test_a_cube_of_one_count_throughout_is_found(plain_copy: Any, count: int) -> None:
    assert files_whole(plain_copy)["verdict"] == "pass"
    write(plain_copy, np.full_like(plain_copy.counts("strip-01"), count))
    row = files_whole(plain_copy)
    assert (row["verdict"], row["subject"]) == ("fail", "strip-01")
    assert "48 of the 48 lines looked at (0 to 99)" in row["says"]
    assert "Copy the file again" in row["do"]
    # One cube of two: the other one's results can be used.
    assert look(plain_copy.config).to_json()["verdict"] == "caution"


def test_a_file_by_bands_that_was_cut_off_and_filled_lacks_its_last_bands(plain_copy: Any) -> None:
    by_band = np.ascontiguousarray(plain_copy.counts("strip-01").transpose(1, 0, 2))
    by_band[-4:] = 0
    write(plain_copy, by_band, interleave="bsq")
    row = files_whole(plain_copy)
    assert row["verdict"] == "fail"
    assert "at 938 to 1000 nm" in row["says"]


def test_a_saturated_line_is_no_hole(plain_copy: Any) -> None:
    counts = plain_copy.counts("strip-01")
    counts[LOOKED[5]] = 4095
    write(plain_copy, counts)
    assert files_whole(plain_copy)["verdict"] == "pass"


def test_a_band_that_is_dark_in_the_darks_too_is_no_hole(plain_copy: Any) -> None:
    """A black level of zero: an unlit band reads zero in strips and darks alike."""
    for name in ("strip-00", "strip-01", "cap-before", "cap-after"):
        counts = plain_copy.counts(name)
        counts[:, -1] = 0
        counts.tofile(plain_copy.folder / "raw" / f"{name}.raw")
    assert files_whole(plain_copy)["verdict"] == "pass"


@pytest.mark.parametrize("share", [0.02, 1.0])
def test_counts_that_are_no_number_are_told(plain_copy: Any, share: float) -> None:
    counts = plain_copy.counts("strip-01").astype("<f4")
    before = look(plain_copy.config).to_json()
    write(plain_copy, counts, **{"data type": "4"})
    assert files_whole(plain_copy)["verdict"] == "pass"
    rng = np.random.default_rng(3)
    counts[rng.random(counts.shape) < share] = np.nan
    write(plain_copy, counts)
    row = files_whole(plain_copy)
    assert (row["verdict"], row["subject"]) == ("caution", "strip-01")
    told = float(row["says"].split(" %")[0])
    # Of 48 x 30 x 64 samples: three standard deviations.
    assert told == pytest.approx(100 * share, abs=300 * np.sqrt(share * (1 - share) / 92160) + 0.01)
    # What is known still tells of the scene.
    after = {(c["check"], c["subject"]): c for c in look(plain_copy.config).to_json()["checks"]}
    for check in before["checks"]:
        if check["check"] == "panel-span" and share < 1:
            found = after[check["check"], check["subject"]]
            assert found["value"] == pytest.approx(check["value"], abs=0.01)
