"""The one place of variables: what they say of themselves, and that files hold just that."""

from __future__ import annotations

from typing import Any

import netCDF4
import numpy as np
import pytest

import pipeline
from pipeline import flags
from pipeline.radiometry.equation import TERMS
from pipeline.records import Capture
from pipeline.write.product import cube_product, output_bytes
from pipeline.write.schema import AUXILIARY, DIMENSIONS, LARGE, SCHEMA, terms_in

#: Values that ACDD-1.3 allows for coverage_content_type (ISO 19115-1 codes).
CONTENT = {
    "image", "thematicClassification", "physicalMeasurement", "auxiliaryInformation",
    "qualityInformation", "referenceInformation", "modelResult", "coordinate",
}  # fmt: skip
EVERY = pytest.mark.parametrize("name", list(SCHEMA))
SIZES = {"wavelength": 3, "line": 5, "sample": 4}


@EVERY
def test_every_variable_says_what_it_is_and_in_which_unit(name: str) -> None:
    attributes = SCHEMA[name].attributes()
    assert attributes["long_name"]
    assert attributes["coverage_content_type"] in CONTENT
    assert ("units" in attributes) != ("flag_masks" in attributes)
    assert all(value is not None and np.size(value) for value in attributes.values())


@EVERY
def test_fills_have_the_stored_type_and_masks_and_coordinates_none(name: str) -> None:
    # CF-1.11, 2.5.1 and 5: of the packed type; no missing values in a coordinate variable.
    row = SCHEMA[name]
    if row.packing is not None:
        assert np.dtype(type(row.fill)) == row.dtype
        assert SCHEMA[name].attributes()["scale_factor"].dtype == np.float32
    elif row.mask is not None or name in ("wavelength", "time", "electrons_per_count"):
        assert row.fill is None
    else:
        assert np.isnan(row.fill)


def test_masks_bits_are_those_of_the_flags() -> None:
    for name, kind in (("quality_flag", flags.QualityFlag), ("line_flag", flags.LineFlag)):
        attributes = SCHEMA[name].attributes()
        assert attributes["flag_meanings"] == flags.meanings(kind)
        np.testing.assert_array_equal(attributes["flag_masks"], flags.masks(kind))
        assert attributes["flag_masks"].dtype == SCHEMA[name].dtype


def test_every_term_of_the_equation_is_carried_by_a_variable_and_described_there() -> None:
    alone = {row.terms[0]: row for row in SCHEMA.values() if len(row.terms) == 1}
    assert set(alone) == set(TERMS) - {"fit"}
    for name, row in alone.items():
        attributes = row.attributes()
        assert attributes["uncertainty_terms"] == name
        for axis in ("line", "sample", "band"):
            assert attributes[f"correlation_{axis}"] == getattr(TERMS[name], axis)
    assert set(SCHEMA["reflectance_uncertainty"].terms) == set(TERMS)


def test_terms_that_differ_along_an_axis_say_nothing_of_it() -> None:
    whole = SCHEMA["empirical_gain_uncertainty"].attributes()
    assert whole["uncertainty_terms"] == "panel_certificate panel_scatter fit"
    assert whole["correlation_line"] == whole["correlation_sample"] == "common"
    assert "correlation_band" not in whole
    assert not any("correlation" in key for key in SCHEMA["dark_mean"].attributes())


def test_a_falloff_that_was_not_measured_is_common_to_neighbours(
    rich_copy: Any, rich_run: Any
) -> None:
    rich_copy.edit('flat = "flat-0.hdr"\n', "")
    without_flat = pipeline.run(rich_copy.config).folder
    for folder, wanted in ((rich_run.folder, "independent"), (without_flat, "common")):
        with netCDF4.Dataset(folder / "strip-00.nc") as nc:
            u_f = nc["relative_response_uncertainty"]
            assert u_f.correlation_line == "common"
            assert u_f.correlation_sample == u_f.correlation_band == wanted
            stated = {n: {k: v.getncattr(k) for k in v.ncattrs()} for n, v in nc.variables.items()}
        terms = terms_in(stated)
        assert terms["relative_response"].sample == wanted
        others = TERMS.keys() - {"relative_response"}
        assert all(terms[name] == TERMS[name] for name in others)


def test_a_file_that_does_not_say_has_the_equations_terms() -> None:
    assert terms_in({}) == dict(TERMS)
    odd = terms_in({"dark_mean_uncertainty": {"correlation_line": "perhaps"}})
    assert odd == dict(TERMS)


def test_a_ratio_may_be_of_a_line_or_of_a_band_and_a_line() -> None:
    row = SCHEMA["irradiance_ratio"]
    assert row.dimensions_of((5,), SIZES) == ("line",)
    assert row.dimensions_of((3, 5), SIZES) == ("wavelength", "line")
    with pytest.raises(ValueError, match="irradiance_ratio has shape \\(4,\\)"):
        row.dimensions_of((4,), SIZES)


def test_large_and_auxiliary_variables_are_those_of_the_samples() -> None:
    assert LARGE == ("reflectance", "reflectance_uncertainty", "quality_flag")
    for name in AUXILIARY:
        assert SCHEMA[name].optional
        assert set(SCHEMA[name].dimensions) <= set(DIMENSIONS)


def test_a_runs_file_holds_the_schema_and_nothing_else(rich_run: Any) -> None:
    with netCDF4.Dataset(rich_run.folder / "strip-00.nc") as nc:
        assert set(nc.variables) == set(SCHEMA)
        for name, row in SCHEMA.items():
            variable = nc[name]
            assert variable.dimensions == row.dimensions
            assert variable.dtype == row.dtype
            there = {key: variable.getncattr(key) for key in variable.ncattrs()}
            for key, value in row.attributes().items():
                np.testing.assert_array_equal(there[key], value, err_msg=f"{name}:{key}")


def values_of(capture: Capture) -> dict[str, Any]:
    sizes = dict(zip(DIMENSIONS, (capture.bands, capture.lines, capture.samples), strict=True))
    return {
        name: np.zeros([sizes[d] for d in row.dimensions], row.dtype)
        for name, row in SCHEMA.items()
        if name not in LARGE and not row.optional
    }


@pytest.fixture
def capture(plain_flight: Any) -> Capture:
    from pipeline.config.flight import load_config
    from pipeline.read.inventory import take_inventory

    return take_inventory(load_config(plain_flight.config)).cubes[0]


def test_values_that_the_schema_does_not_have_are_refused(capture: Capture) -> None:
    values = values_of(capture)
    made = cube_product(capture, values, uncertainty=True, attributes={})
    assert set(made.values) == set(values)

    def refused(says: str, **changed: Any) -> None:
        with pytest.raises(ValueError, match=says):
            cube_product(capture, values | changed, uncertainty=True, attributes={})

    refused("not in the schema: colour", colour=np.zeros(3))
    refused("not in the schema: reflectance", reflectance=np.zeros(3))
    refused("dark_mean has type float64", dark_mean=values["dark_mean"].astype(float))
    refused("fwhm has shape", fwhm=np.zeros(capture.bands + 1))
    less = {name: value for name, value in values.items() if name != "dark_noise"}
    with pytest.raises(ValueError, match="missing or not in the schema: dark_noise"):
        cube_product(capture, less, uncertainty=True, attributes={})


def test_bytes_of_a_sample_are_those_of_the_stored_types(capture: Capture) -> None:
    samples = capture.lines * capture.bands * capture.samples
    assert output_bytes(capture, uncertainty=True) == 5 * samples
    assert output_bytes(capture, uncertainty=False) == 3 * samples
