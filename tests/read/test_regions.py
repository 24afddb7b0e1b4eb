"""Polygons from KML and GeoJSON."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from shapely import MultiPolygon
from shapely.geometry import mapping, shape

from pipeline.errors import InputError
from pipeline.read.regions import read_regions

SQUARE = [[8.0, 53.0], [8.1, 53.0], [8.1, 53.1], [8.0, 53.1], [8.0, 53.0]]
HOLE = [[8.02, 53.02], [8.04, 53.02], [8.04, 53.04], [8.02, 53.02]]
FAR = [[9.0, 53.0], [9.1, 53.0], [9.1, 53.1], [9.0, 53.0]]


def write(folder: Path, content: str | bytes | dict[str, Any], name: str = "areas") -> Path:
    path = folder / name
    if isinstance(content, dict):
        content = json.dumps(content)
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def kml_polygon(*rings: list[list[float]]) -> str:
    sides = ("outerBoundaryIs", *["innerBoundaryIs"] * (len(rings) - 1))
    return "<Polygon>{}</Polygon>".format(
        "".join(
            f"<{side}><LinearRing><coordinates>\n"
            + "\n ".join(",".join(map(str, [*point, 0])) for point in ring)
            + f"</coordinates></LinearRing></{side}>"
            for side, ring in zip(sides, rings, strict=True)
        )
    )


def kml(*placemarks: tuple[str, str], namespace: str = "http://www.opengis.net/kml/2.2") -> str:
    marks = "".join(
        f"<Placemark><name>{name}</name>{geometry}</Placemark>" for name, geometry in placemarks
    )
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n<kml xmlns="{namespace}"><Document><Folder>'
        f"{marks}</Folder></Document></kml>"
    )


def feature(name: object, kind: str, coordinates: object) -> dict[str, Any]:
    return {
        "type": "Feature",
        "properties": {"name": name},
        "geometry": {"type": kind, "coordinates": coordinates},
    }


def collection(*features: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {"type": "FeatureCollection", "features": list(features), **more}


@pytest.mark.parametrize(
    "content",
    [
        kml(("survey", kml_polygon(SQUARE, HOLE))),
        kml(("survey", kml_polygon(SQUARE, HOLE)), namespace="http://earth.google.com/kml/2.1"),
        "\ufeff" + kml((" survey ", kml_polygon(SQUARE[:-1], HOLE))),
        kml(
            ("p", "<Point><coordinates>1,2</coordinates></Point>"),
            ("survey", kml_polygon(SQUARE, HOLE)),
        ),
        collection(feature("survey", "Polygon", [SQUARE, HOLE])),
        collection(feature("survey", "Polygon", [SQUARE, HOLE]), feature(None, "Point", [1, 2])),
        feature("survey", "MultiPolygon", [[SQUARE[:-1], HOLE]]),
        collection(
            feature("survey", "Polygon", [SQUARE, HOLE]),
            crs={"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}},
        ),
    ],
    ids=["kml", "old-namespace", "open-ring", "with-point", "geojson", "mixed", "multi", "crs"],
)
def test_one_polygon_with_a_hole(tmp_path: Path, content: str | dict[str, Any]) -> None:
    found = read_regions(write(tmp_path, content))
    assert list(found) == ["survey"]
    # shapely's own reader of GeoJSON geometry.
    expected = shape({"type": "Polygon", "coordinates": [SQUARE, HOLE]})
    assert mapping(found["survey"]) == mapping(expected)


@pytest.mark.parametrize(
    "content",
    [
        kml(("a", f"<MultiGeometry>{kml_polygon(SQUARE)}{kml_polygon(FAR)}</MultiGeometry>")),
        collection(feature("a", "MultiPolygon", [[SQUARE], [FAR]])),
    ],
    ids=["kml", "geojson"],
)
def test_a_region_of_two_parts(tmp_path: Path, content: str | dict[str, Any]) -> None:
    found = read_regions(write(tmp_path, content))["a"]
    assert isinstance(found, MultiPolygon)
    assert found.area == pytest.approx(0.01 + 0.005)


def test_regions_keep_the_order_of_the_file(tmp_path: Path) -> None:
    content = kml(("b", kml_polygon(SQUARE)), ("a", kml_polygon(FAR)))
    assert list(read_regions(write(tmp_path, content))) == ["b", "a"]


BOW = [[8.0, 53.0], [8.1, 53.1], [8.1, 53.0], [8.0, 53.1], [8.0, 53.0]]
BOMB = (
    '<?xml version="1.0"?><!DOCTYPE k [<!ENTITY a "aaaaaaaaaa">'
    '<!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>'
    "<kml><Placemark><name>&b;</name></Placemark></kml>"
)
EXTERNAL = (
    '<?xml version="1.0"?><!DOCTYPE k [<!ENTITY x SYSTEM "file:///etc/passwd">]>'
    "<kml><Placemark><name>&x;</name></Placemark></kml>"
)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "neither KML nor GeoJSON"),
        ("lon,lat\n1,2\n", "neither KML nor GeoJSON"),
        (b"PK\x03\x04", "compressed file.*Unzip it"),
        (b"\x00\xff" * 40, "neither KML nor GeoJSON"),
        (BOMB, "a DTD or an entity"),
        (EXTERNAL, "a DTD or an entity"),
        ("<!DOCTYPE kml>" + kml(("a", kml_polygon(SQUARE))).partition("?>")[2], "a DTD"),
        ("<a>" * 100 + "</a>" * 100, "nested more than 64 deep"),
        ("<a>" * 5_000_000, "nested more than 64 deep"),
        ('<?xml version="1.0" encoding="nonsense"?><kml/>', "neither KML nor GeoJSON"),
        (kml(("a", kml_polygon(SQUARE)))[:-9], "neither KML nor GeoJSON"),
        (kml(("a", "<Point><coordinates>1,2</coordinates></Point>")), "no polygon"),
        (kml(("", kml_polygon(SQUARE))), "a polygon has no name"),
        (kml(("a", kml_polygon(SQUARE)), ("a", kml_polygon(FAR))), "two polygons are named 'a'"),
        (kml(("a", "<Polygon/>")), "polygon 'a' has no outer ring"),
        (kml(("a", kml_polygon(SQUARE[:2]))), "'a' has a ring of 2 distinct points"),
        (kml(("a", kml_polygon([]))), "'a' has a ring of 0 distinct points"),
        (kml(("a", kml_polygon(BOW))), "polygon 'a' is not simple: Self-intersection"),
        (kml(("a", kml_polygon([[y, x * 20] for x, y in SQUARE]))), "latitude within 90"),
        (kml(("a", kml_polygon(SQUARE).replace("8.1,53.1", "8.1, 53.1"))), "in coordinates"),
        (kml(("a", kml_polygon(SQUARE).replace("8.1,53.1", "nan,53.1"))), "has the point nan"),
        ("[" * 1_000_000, "nested too deeply"),
        ('{"a":' * 1_000_000, "nested too deeply"),
        ("{}", "GeoJSON type is none"),
        ("[]", "GeoJSON type is none"),
        ({"type": "Topology"}, "GeoJSON type is 'Topology'"),
        ({"type": "FeatureCollection"}, "no list of features"),
        (collection(), "no polygon"),
        (collection({"type": "Feature"}), "feature 1 is not a GeoJSON Feature"),
        (collection(feature("a", "Polygon", [[1, 2]])), "feature 1 is not a GeoJSON Feature"),
        (collection(feature("a", "Polygon", 7)), "feature 1 is not a GeoJSON Feature"),
        (collection(feature("a", "Polygon", [["12", "34"]])), "feature 1 is not a"),
        (collection(feature(["a"], "Polygon", [SQUARE])), "feature 1 is not a GeoJSON Feature"),
        (collection(feature("a", "Polygon", [])), "polygon 'a' has no outer ring"),
        (collection(feature(None, "Polygon", [SQUARE])), "a polygon has no name"),
        (collection(feature("a", "Polygon", [[[float("nan"), 1]]])), "NaN is not a number"),
        (json.dumps(collection(feature("a", "Polygon", [SQUARE]))).replace("8.1", "1e999"), "inf"),
        (
            collection(
                feature("a", "Polygon", [SQUARE]), crs={"properties": {"name": "EPSG:32632"}}
            ),
            "coordinates are in EPSG:32632",
        ),
    ],
)
@pytest.mark.timeout(20)
def test_refused_regions(
    tmp_path: Path, content: str | bytes | dict[str, Any], message: str
) -> None:
    path = write(tmp_path, content)
    with pytest.raises(InputError, match=message) as caught:
        read_regions(path)
    assert str(path) in str(caught.value)
    assert "root:" not in str(caught.value)


def test_refused_files(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_regions(tmp_path / "none.kml")
    path = tmp_path / "big.kml"
    with path.open("wb") as file:
        file.truncate(20_000_001)
    with pytest.raises(InputError, match="more than 20000000 bytes"):
        read_regions(path)
