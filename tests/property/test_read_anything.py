"""Whatever bytes are read: an error of ours or a right answer, and quickly."""

from __future__ import annotations

import csv
import io
import json
import math
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.config.sensor import Sensor
from pipeline.errors import ReflectoryError
from pipeline.read.certificate import read_certificate
from pipeline.read.csv_table import read_table
from pipeline.read.flat_binary import FlatBinaryReader, describe
from pipeline.read.manifest import read_manifest
from pipeline.read.reader import require_whole
from pipeline.read.regions import read_regions
from pipeline.read.tables import read_irradiance, read_line_times, read_track

SENSOR = Sensor()
QUICK = settings(deadline=2000, max_examples=150)

HEADER = (
    b"a header\nsamples = 2\nlines = 3\nbands = 2\nheader offset = 0\ndata type = 12\n"
    b"interleave = bil\nbyte order = 0\nwavelength units = nm\nwavelength = {500, 510}\n"
    b"exposure time = 4 ms\nacquisition start = 2026-06-01T10:00:00Z\n"
)


def damaged(whole: bytes) -> st.SearchStrategy[bytes]:
    """A piece cut out of `whole` and other bytes put there."""
    place = st.integers(0, len(whole))
    return st.builds(
        lambda a, b, new: whole[: min(a, b)] + new + whole[max(a, b) :],
        place,
        place,
        st.one_of(st.binary(max_size=20), st.text(max_size=20).map(str.encode)),
    )


@QUICK
@given(
    st.one_of(st.binary(max_size=400), st.binary(max_size=400).map(HEADER.__add__), damaged(HEADER))
)
def test_headers_of_any_bytes(content: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "x.hdr")
        path.write_bytes(content)
        Path(folder, "x.raw").write_bytes(np.arange(12, dtype="<u2").tobytes())
        try:
            capture = describe(path, SENSOR)
            require_whole(capture)
            with FlatBinaryReader(capture) as cube:
                counts = cube.lines(0, capture.lines)
        except ReflectoryError as error:
            message = str(error)
        else:
            message = ""
        assert "\n" not in message
        if message:
            assert folder in message
            return
        assert capture.claimed_bytes == 24
        assert (np.diff(capture.wavelength_nm) > 0).all()
        assert (capture.fwhm_nm > 0).all()
        assert counts.shape == (capture.lines, capture.bands, capture.samples)


READERS: dict[str, Callable[[Path], object]] = {
    "certificate": read_certificate,
    "line times": lambda path: read_line_times(path, 2),
    "irradiance": read_irradiance,
    "track": read_track,
    "manifest": read_manifest,
    "regions": read_regions,
}
WHOLE = {
    "certificate": b"wavelength_nm,reflectance,expanded_uncertainty\n400,0.5,0.01\n500,0.6,0.01\n",
    "line times": b"line,time_utc\n0,2026-06-01T10:00:00Z\n1,2026-06-01T10:00:00.0045Z\n",
    "irradiance": b"time_utc,irradiance\n2026-06-01T10:00:00Z,800\n2026-06-01T10:00:01Z,801\n",
    "track": b"time_utc,latitude,longitude,height_m\n2026-06-01T10:00:00Z,53,8,30\n",
    "manifest": b"0" * 64 + b"  a.raw\n\\" + b"1" * 64 + b" *b\\nc\n",
    "regions": b"<kml><Placemark><name>a</name><Polygon><outerBoundaryIs><LinearRing><coordinates>"
    b"0,0 1,0 1,1</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark></kml>",
}


@pytest.mark.parametrize("kind", READERS)
@QUICK
@given(data=st.data())
def test_tables_of_any_bytes(kind: str, data: st.DataObject) -> None:
    content = data.draw(
        st.one_of(
            st.binary(max_size=200), st.text(max_size=200).map(str.encode), damaged(WHOLE[kind])
        )
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "x")
        path.write_bytes(content)
        try:
            READERS[kind](path)
            message = str(path)
        except ReflectoryError as error:
            message = str(error)
        assert str(path) in message
        assert "\n" not in message


@pytest.mark.parametrize("kind", READERS)
def test_the_whole_tables_are_read(kind: str, tmp_path: Path) -> None:
    (tmp_path / "x").write_bytes(WHOLE[kind])
    assert READERS[kind](tmp_path / "x")


json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(["type", "features", "geometry", "coordinates", "properties", "name"]),
            inner,
        )
    ),
    max_leaves=20,
)


@QUICK
@given(
    geometry=st.sampled_from(["Polygon", "MultiPolygon", "Point", "x"]),
    coordinates=json_values,
    properties=json_values,
)
def test_geojson_of_any_values(geometry: str, coordinates: object, properties: object) -> None:
    content = {
        "type": "Feature",
        "geometry": {"type": geometry, "coordinates": coordinates},
        "properties": properties,
    }
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "x.json")
        path.write_text(json.dumps(content))
        try:
            found = read_regions(path)
        except ReflectoryError:
            return
        assert all(shape.is_valid and shape.area > 0 for shape in found.values())


@QUICK
@given(st.lists(st.tuples(st.floats(), st.text(max_size=6)), min_size=1, max_size=10))
def test_tables_as_the_csv_module_writes_them(rows: list[tuple[float, str]]) -> None:
    text = io.StringIO()
    csv.writer(text).writerows([("note", "x"), *((note, repr(x)) for x, note in rows)])
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "x.csv")
        path.write_bytes(text.getvalue().encode("utf-8", "replace"))
        right = all(math.isfinite(x) for x, _ in rows) and not any("\0" in n for _, n in rows)
        try:
            found = read_table(path, {"x": "number"})["x"].tolist()
        except ReflectoryError:
            found = None
        assert found == ([x for x, _ in rows] if right else None)
