"""Bits and names of the flags are part of the file format."""

from __future__ import annotations

import pytest

from pipeline.errors import ConfigError
from pipeline.flags import LineFlag, QualityFlag, masks, meanings, quality_mask


def test_quality_bits_are_those_of_the_format() -> None:
    assert meanings(QualityFlag) == (
        "saturated low_signal bad_element outside_panel_range no_calibration dark_uncertain "
        "no_data beyond_packing"
    )
    assert masks(QualityFlag) == [1, 2, 4, 8, 16, 32, 64, 128]


def test_line_bits_are_those_of_the_format() -> None:
    assert meanings(LineFlag) == "after_gap time_estimated illumination_extrapolated"
    assert masks(LineFlag) == [1, 2, 4]


@pytest.mark.parametrize("kind", [QualityFlag, LineFlag])
def test_masks_are_single_bits_of_a_byte(kind: type) -> None:
    bits = masks(kind)
    assert len(set(bits)) == len(bits)
    assert all(bit.bit_count() == 1 and bit < 256 for bit in bits)
    assert len(meanings(kind).split()) == len(bits)


def test_a_mask_is_its_named_bits() -> None:
    assert quality_mask([]) == 0
    assert quality_mask(["saturated", "no_calibration", "saturated"]) == 17


@pytest.mark.parametrize("name", ["", "glint", "SATURATED ", "1"])
def test_an_unknown_name_is_an_error(name: str) -> None:
    with pytest.raises(ConfigError, match="unknown flag"):
        quality_mask([name])
