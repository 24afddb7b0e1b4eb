"""Named polygons on the ground, from KML or GeoJSON."""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element, ParseError

import numpy as np
import shapely
from defusedxml import DefusedXmlException
from defusedxml.ElementTree import iterparse
from shapely import MultiPolygon, Polygon

from pipeline.errors import InputError
from pipeline.files import read_bytes

_REGIONS_BYTES = 20_000_000
_DEPTH = 64

_Ring = list[tuple[float, float]]
_Rings = list[_Ring]


def read_regions(path: Path) -> dict[str, Polygon | MultiPolygon]:
    """Read named polygons.

    Parameters
    ----------
    path : KML (Placemarks with a name and a Polygon or a MultiGeometry of them) or GeoJSON
        (RFC 7946; Features with `properties.name` and a Polygon or MultiPolygon). Told apart by
        content. Other geometries are ignored, and so are heights.

    Returns
    -------
    name to polygon, x longitude and y latitude [degree, WGS 84], in the file's order; a
    MultiPolygon where a name has several parts. An open ring is closed.

    Raises
    ------
    InputError
        Unreadable, larger than 20 MB, nested too deeply, with a DTD or entities, no polygon, a
        polygon without name or with another's, a ring of fewer than three distinct points,
        coordinates out of range, a polygon that crosses itself.
    """
    path = Path(path)
    raw = read_bytes(path, _REGIONS_BYTES)
    if raw.startswith(b"PK"):
        raise InputError("a compressed file; expected KML or GeoJSON", where=path, do="Unzip it")
    start = raw.removeprefix(b"\xef\xbb\xbf").lstrip()[:1]
    parts = _geojson(raw, path) if start in (b"{", b"[") else _kml(raw, path)
    regions: dict[str, Polygon | MultiPolygon] = {}
    for name, polygons in parts:
        if not name:
            raise InputError("a polygon has no name", where=path, do="Give each polygon a name")
        if name in regions:
            raise InputError(f"two polygons are named {name!r}", where=path)
        regions[name] = _shape(name, polygons, path)
    if not regions:
        raise InputError("the file has no polygon", where=path)
    return regions


def _shape(name: str, polygons: list[_Rings], path: Path) -> Polygon | MultiPolygon:
    made = []
    for rings in polygons:
        if not rings:
            raise InputError(f"polygon {name!r} has no outer ring", where=path)
        closed = [_closed(ring, name, path) for ring in rings]
        made.append(Polygon(closed[0], closed[1:]))
    shape = made[0] if len(made) == 1 else MultiPolygon(made)
    if not shape.is_valid:
        reason = shapely.is_valid_reason(shape)
        raise InputError(f"polygon {name!r} is not simple: {reason}", where=path)
    if not shape.area > 0:
        raise InputError(f"polygon {name!r} has no area", where=path)
    return shape


def _closed(ring: _Ring, name: str, path: Path) -> _Ring:
    points = np.array(ring, dtype=np.float64).reshape(-1, 2)
    if not (np.isfinite(points) & (np.abs(points) <= (180, 90))).all():
        bad = points[~(np.isfinite(points) & (np.abs(points) <= (180, 90))).all(axis=1)][0]
        raise InputError(
            f"polygon {name!r} has the point {bad[0]:g}, {bad[1]:g}; expected longitude within "
            "180 and latitude within 90 degrees, in this order",
            where=path,
        )
    if len(set(ring)) < 3:
        raise InputError(
            f"polygon {name!r} has a ring of {len(set(ring))} distinct points; expected 3 or more",
            where=path,
        )
    return ring if ring[0] == ring[-1] else [*ring, ring[0]]


def _geojson(raw: bytes, path: Path) -> Iterator[tuple[str, list[_Rings]]]:
    def refuse(constant: str) -> float:
        raise ValueError(f"{constant} is not a number of JSON")

    try:
        root = json.loads(raw, parse_constant=refuse)
    except RecursionError:
        raise InputError("nested too deeply", where=path) from None
    except ValueError as error:
        raise InputError(f"not GeoJSON: {error}", where=path) from None
    kind = root.get("type") if isinstance(root, dict) else None
    if kind not in ("FeatureCollection", "Feature"):
        got = f"{kind[:40]!r}" if isinstance(kind, str) else "none"
        raise InputError(f"the GeoJSON type is {got}; expected FeatureCollection", where=path)
    crs = _crs_name(root)
    if "CRS84" not in crs and "4326" not in crs:
        raise InputError(
            f"the coordinates are in {crs[:80]}; expected longitude and latitude on WGS 84",
            where=path,
        )
    features = root.get("features") if kind == "FeatureCollection" else [root]
    if not isinstance(features, list):
        raise InputError("the FeatureCollection has no list of features", where=path)
    for number, feature in enumerate(features, start=1):
        try:
            yield from _feature(feature)
        except (AttributeError, KeyError, TypeError, ValueError, IndexError, OverflowError):
            raise InputError(f"feature {number} is not a GeoJSON Feature", where=path) from None


def _crs_name(root: dict[str, Any]) -> str:
    """Name of the coordinate system of an old-style file; RFC 7946 knows only WGS 84."""
    if root.get("crs") is None:
        return "CRS84"
    try:
        return str(root["crs"]["properties"]["name"])
    except (KeyError, TypeError, IndexError, RecursionError):
        return "an unnamed system"


def _feature(feature: Any) -> Iterator[tuple[str, list[_Rings]]]:
    geometry = feature["geometry"]
    if geometry is None or geometry["type"] not in ("Polygon", "MultiPolygon"):
        return
    name = (feature.get("properties") or {}).get("name")
    coordinates = geometry["coordinates"]
    polygons = [
        [[_position(point) for point in ring] for ring in polygon]
        for polygon in ([coordinates] if geometry["type"] == "Polygon" else coordinates)
    ]
    if name is not None and not isinstance(name, str | int | float):
        raise TypeError("a name is text")
    if polygons:
        yield "" if name is None else str(name).strip(), polygons


def _position(point: Any) -> tuple[float, float]:
    longitude, latitude = point[:2]
    if isinstance(longitude, bool | str) or isinstance(latitude, bool | str):
        raise TypeError("not a number")
    return float(longitude), float(latitude)


def _kml(raw: bytes, path: Path) -> Iterator[tuple[str, list[_Rings]]]:
    try:
        for placemark in _placemarks(raw, path):
            polygons = [_kml_rings(e, path) for e in placemark.iter() if _local(e) == "Polygon"]
            if polygons:
                names = [e.text or "" for e in placemark if _local(e) == "name"]
                yield names[0].strip() if names else "", polygons
    except DefusedXmlException:
        raise InputError("a DTD or an entity; plain KML has none", where=path) from None
    except (ParseError, LookupError, ValueError) as error:
        raise InputError(f"neither KML nor GeoJSON: {error}", where=path) from None


def _placemarks(raw: bytes, path: Path) -> Iterator[Element]:
    """The Placemarks of a KML document of bounded depth."""
    depth = 0
    for event, element in iterparse(io.BytesIO(raw), ("start", "end"), forbid_dtd=True):
        if event == "start":
            depth += 1
            if depth > _DEPTH:
                raise InputError(f"nested more than {_DEPTH} deep", where=path)
            continue
        depth -= 1
        if _local(element) == "Placemark":
            yield element


def _local(element: Element) -> str:
    """Tag without its namespace."""
    return str(element.tag).rpartition("}")[2]


def _kml_rings(polygon: Element, path: Path) -> _Rings:
    """Outer ring first."""

    def rings(boundary: str) -> Iterable[_Ring]:
        for side in (e for e in polygon if _local(e) == boundary):
            for text in (e.text or "" for e in side.iter() if _local(e) == "coordinates"):
                yield [_kml_point(point, path) for point in text.split()]

    outer = list(rings("outerBoundaryIs"))
    return outer[:1] + list(rings("innerBoundaryIs")) if outer else []


def _kml_point(text: str, path: Path) -> tuple[float, float]:
    cells = text.split(",")
    try:
        if len(cells) not in (2, 3):
            raise ValueError(text)
        return float(cells[0]), float(cells[1])
    except ValueError:
        raise InputError(
            f"{text[:40]!r} in coordinates; expected longitude,latitude or "
            "longitude,latitude,height with blanks between points only",
            where=path,
        ) from None
