"""What the page is made of: charts, pictures, packed spectra, gathered data."""

from __future__ import annotations

import base64
import math
import warnings
from types import SimpleNamespace

import numpy as np
import pytest
import rasterio
import shapely
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from rasterio.io import MemoryFile

from pipeline.radiometry.kernel import CalibratedBlock
from pipeline.radiometry.preview import join, preview_block, preview_plan
from pipeline.records import Illumination, LineTimes
from pipeline.write.page import pictures, spectra
from pipeline.write.page.charts import Line, ground_map, label, line_chart, ticks
from pipeline.write.page.data import report_data

NM = np.linspace(400, 1000, 31)


def preview_of(lines=60, samples=20, where=None):
    rng = np.random.default_rng(1)
    shape = (NM.size, lines, samples)
    block = CalibratedBlock(
        rng.integers(-100, 6000, shape).astype(np.int16),
        rng.integers(1, 500, shape).astype(np.uint16),
        rng.integers(0, 64, shape).astype(np.uint8),
        np.zeros((NM.size, 7), np.int64),
    )
    plan = preview_plan(NM, lines, samples, budget_bytes=30_000)
    return join(plan, [preview_block(plan, 0, block)], *(where or ()))


def pixels(uri):
    kind, text = uri.split(";base64,")
    assert kind in ("data:image/png", "data:image/jpeg")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        with MemoryFile(base64.b64decode(text)) as file, file.open() as picture:
            return picture.read(), picture.colormap(1) if picture.count == 1 else None


@given(
    low=st.floats(-1e5, 1e5),
    span=st.floats(1e-4, 1e5),
    wanted=st.integers(2, 8),
)
def test_ticks_are_few_round_increasing_and_inside(low, span, wanted):
    found = ticks(low, low + span, wanted)
    assert 0 <= len(found) <= wanted + 2
    assert all(low - span * 1e-6 <= t <= low + span * (1 + 1e-6) for t in found)
    steps = np.diff(found)
    if steps.size:
        mantissa = steps[0] / 10 ** math.floor(math.log10(steps[0]) + 1e-6)
        assert min(abs(mantissa - m) for m in (1, 2, 5)) < 1e-2


def test_tick_labels_have_the_digits_their_step_needs():
    assert [label(v, [0, 0.02, 0.04]) for v in (0, 0.02, -0.04)] == ["0.00", "0.02", "\u22120.04"]
    assert label(400, [400, 500]) == "400"


def test_a_line_breaks_where_a_value_is_missing():
    chart = line_chart(
        [Line("a", np.arange(5.0), np.array([1, 2, np.nan, 3, 4]), np.full(5, 0.1))],
        x_label="x", y_label="y", alt="a line",
    )  # fmt: skip
    path = chart.svg.split('class="line"')[1]
    assert path.count("M") == 2
    assert "nan" not in chart.svg


def test_a_chart_escapes_its_texts():
    chart = line_chart(
        [Line("<b>", np.arange(2.0), np.arange(2.0))], x_label="<x>", y_label="<y>", alt='"><i>'
    )
    assert not any(text in chart.svg for text in ("<x>", "<y>", "<i>"))


def test_a_chart_of_nothing_is_still_drawn():
    empty = np.full(3, np.nan)
    assert "<svg" in line_chart([Line("a", empty, empty)], x_label="x", y_label="y", alt="").svg


def test_the_map_has_one_scale_for_both_axes():
    # A square of 1000 m at 60 degrees north, where a degree of longitude is half as long.
    half = 500 / 111_195
    ring = np.array([[-2, -1], [2, -1], [2, 1], [-2, 1]]) * half + [10, 60]
    chart, centre = ground_map(
        strips=[("a", ring)], survey=[], regions=[], track=None, panels=[], alt=""
    )
    assert centre == pytest.approx((10, 60))
    points = chart.svg.split('class="strip" d="M')[1].split('Z"')[0].replace("h0", "")
    at = np.array([[float(v) for v in p.split()] for p in points.split("L")])
    wide, tall = np.ptp(at, axis=0)
    assert wide == pytest.approx(tall, rel=2e-3)


def test_a_map_picture_shows_lines_from_left_to_right_and_blanks():
    plane = np.linspace(0, 1, 50)[:, None].repeat(4, axis=1)
    plane[10, 2] = np.nan
    values, colours = pixels(pictures.mapped(plane, 1.0))
    assert values.shape == (1, 4, 50)
    assert values[0, 0, 0] == 0
    assert values[0, 3, -1] == 31
    assert values[0, 2, 10] == 32
    assert np.all(np.diff(values[0, 0].astype(int)) >= 0)
    assert colours[32][:3] == (0x9A, 0xA0, 0xA6)


def test_the_colours_are_cividis():
    palettes = pytest.importorskip("bokeh.palettes")
    published = np.array([pictures._rgb(c) for c in palettes.Cividis256], float)
    ours = pictures.palette()[:-1].astype(float)
    at = np.linspace(0, 255, len(ours))
    wanted = np.column_stack([np.interp(at, np.arange(256), published[:, i]) for i in range(3)])
    assert np.abs(ours - wanted).max() <= 0.5


def test_a_colour_picture_keeps_its_colours_and_its_orientation():
    rgb = np.zeros((3, 48, 16), np.uint8)
    rgb[0, :24] = 200
    rgb[2, 24:] = 200
    values, _ = pixels(pictures.jpeg(rgb))
    assert values.shape == (3, 16, 48)
    np.testing.assert_allclose(values[:, 8, 4], [200, 0, 0], atol=6)
    np.testing.assert_allclose(values[:, 8, 44], [0, 0, 200], atol=6)


@pytest.mark.parametrize("kind", ["<i2", "<u2", "u1", "<i4"])
@given(data=st.data())
def test_packed_spectra_come_back_as_they_were(kind, data):
    values = data.draw(arrays(np.dtype(kind), st.tuples(st.integers(1, 5), st.integers(1, 9))))
    np.testing.assert_array_equal(
        spectra.decoded(spectra.encoded(values), kind, values.shape[1]), values
    )


def test_embedded_spectra_and_places_are_the_previews():
    latitude = 54.9 + np.arange(60)[:, None] * 1e-6 + np.zeros(20)
    longitude = -3.2 + np.arange(20) * 1e-6 + np.zeros((60, 1))
    latitude[0] = np.nan
    preview = preview_of(where=(latitude, longitude))
    found = spectra.embedded("strip", preview, NM)
    bands = NM.size
    r = spectra.decoded(found["reflectance"], "<i2", bands)
    np.testing.assert_array_equal(r.T.reshape(preview.spectra.shape), preview.spectra)
    u = spectra.decoded(found["uncertainty"], "<u2", bands)
    np.testing.assert_array_equal(u.T.reshape(preview.spectra.shape), preview.spectra_uncertainty)
    steps = spectra.decoded(found["place"], "<i4", preview.latitude.size)
    known = np.isfinite(preview.latitude).ravel()
    np.testing.assert_allclose(
        found["origin"][0] + steps[0][known] * 1e-7, preview.latitude.ravel()[known], atol=6e-8
    )
    assert (steps[0][~known] == -1).all()


def test_panels_lie_where_the_positions_say():
    latitude = 54.9 + np.arange(60)[:, None] * 1e-6 + np.zeros(20)
    longitude = 3.2 + np.arange(20) * 1e-6 + np.zeros((60, 1))
    reading = SimpleNamespace(panel="grey", cube="a", lines=(10, 20), samples=(4, 8))
    found = report_data(
        wavelength_nm=NM, preview_nm=NM, readings=[reading],
        previews={"a": preview_of(where=(latitude, longitude))},
    )  # fmt: skip
    assert found.panels["grey"] == pytest.approx((3.2 + 5.5e-6, 54.9 + 14.5e-6), abs=1e-9)


def test_the_irradiance_log_is_drawn_on_the_scale_of_the_ratio():
    t = np.arange(100.0)
    level = 800 - t
    times = {"a": LineTimes(t[20:60], np.zeros(40, np.uint8), 1.0)}
    ratio = level[20:60] / 790
    light = {"a": Illumination(ratio, np.zeros(40), np.zeros(40, bool))}
    found = report_data(
        wavelength_nm=NM, preview_nm=NM, previews={"a": preview_of()}, times=times,
        illumination=light, irradiance_log=(t, level),
    )  # fmt: skip
    log, used = found.irradiance
    np.testing.assert_allclose(log.y[20:60], used.y)


def test_a_constant_ratio_without_a_log_is_not_drawn():
    times = {"a": LineTimes(np.arange(5.0), np.zeros(5, np.uint8), 1.0)}
    light = {"a": Illumination(np.ones(5), np.zeros(5), np.zeros(5, bool))}
    found = report_data(
        wavelength_nm=NM, preview_nm=NM, previews={"a": preview_of()}, times=times,
        illumination=light,
    )  # fmt: skip
    assert found.irradiance == ()


def test_the_survey_is_told_from_other_regions():
    box, other = shapely.box(0, 0, 1, 1), shapely.MultiPolygon([shapely.box(2, 2, 3, 3)])
    found = report_data(
        wavelength_nm=NM, preview_nm=NM, previews={},
        regions={"field": box, "creek": other}, survey="field",
    )  # fmt: skip
    assert len(found.survey) == 1
    assert list(found.regions) == ["creek"]


def test_long_curves_are_thinned():
    t = np.arange(10_000.0)
    times = {"a": LineTimes(t, np.zeros(t.size, np.uint8), 1.0)}
    found = report_data(
        wavelength_nm=NM, preview_nm=NM, previews={"a": preview_of()}, times=times,
        along_track={"a": np.ones(t.size)},
    )  # fmt: skip
    assert found.along_track[0].x.size <= 800
