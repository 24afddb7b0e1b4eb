"""The map against the ground that the strips were flown over, and as other programs read it."""

from __future__ import annotations

import json
import shutil
import struct
import subprocess
from dataclasses import dataclass, replace
from pathlib import Path

import netCDF4
import numpy as np
import pandas as pd
import pytest
import rasterio
import xarray as xr
from numpy.typing import NDArray
from pvlib.solarposition import get_solarposition
from pyproj import Geod, Proj, Transformer
from scipy.spatial import KDTree

import pipeline
from pipeline.cli.commands import main
from pipeline.errors import InputError, OutputError
from pipeline.flight.run import run
from pipeline.inspect.map_export import export_map
from pipeline.inspect.map_files import BandTags, Layer, MapRaster
from pipeline.radiometry.grid import Grid, Window
from pipeline.synthetic import FlightPlan, Truth, make_flight, true_positions
from pipeline.synthetic.geometry import ground, panel_rectangles, timetable
from pipeline.synthetic.scene import Scene, spectra

FILL = -32768
GEOD = Geod(ellps="WGS84")
#: Four strips to and fro, askew to the grid, the camera never level.
PLAN = FlightPlan(
    cubes=3, lines=300, samples=320, bands=8, dark_frames=100, seed=21,
    wobble_deg=1.0, side_lap=0.35, heading_deg=33.0,
)  # fmt: skip


@dataclass(frozen=True)
class Mapped:
    """A flight, its run and its map."""

    plan: FlightPlan
    truth: Truth
    run: Path
    folder: Path

    def read(self, name: str) -> NDArray[np.float64]:
        """A file of the map, unpacked, NaN where it has no value, (band, row, column)."""
        with rasterio.open(self.folder / f"map-{name}.tif") as file:
            packed = file.read()
            values = packed * np.array(file.scales)[:, None, None]
            return np.where(packed == file.nodata, np.nan, values)


def mapped(place: Path, plan: FlightPlan, **options: object) -> Mapped:
    truth = make_flight(place / "flight", plan)
    folder = run(place / "flight" / "flight.toml", workers=2).folder
    list(export_map(folder, place / "map", workers=2, **options))  # type: ignore[arg-type]
    return Mapped(plan, truth, folder, place / "map")


@pytest.fixture(scope="module")
def steady(tmp_path_factory: pytest.TempPathFactory) -> Mapped:
    return mapped(tmp_path_factory.mktemp("steady"), PLAN)


@pytest.fixture(scope="module")
def noisy(tmp_path_factory: pytest.TempPathFactory) -> Mapped:
    """The same flight by a track as a good receiver and a small inertial unit record it."""
    plan = replace(PLAN, attitude_noise_deg=0.05, gnss_noise_m=0.02)
    return mapped(tmp_path_factory.mktemp("noisy"), plan)


def ground_of_cells(m: Mapped) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Metres along and across the plan's heading of the cells' middles."""
    plan = m.plan
    with rasterio.open(m.folder / "map-strip.tif") as file:
        rows, columns = np.mgrid[0 : file.height, 0 : file.width]
        step, _, west, _, _, north, *_ = file.transform
        x, y = west + (columns + 0.5) * step, north - (rows + 0.5) * step
        lon, lat = Transformer.from_crs(file.crs, "EPSG:4326", always_xy=True).transform(x, y)
    n = lon.size
    azimuth, _, distance = GEOD.inv(
        np.full(n, plan.longitude), np.full(n, plan.latitude), lon.ravel(), lat.ravel()
    )
    angle = np.radians(np.asarray(azimuth) - plan.heading_deg).reshape(lon.shape)
    distance = np.asarray(distance).reshape(lon.shape)
    return distance * np.cos(angle), distance * np.sin(angle)


def true_ground(m: Mapped) -> NDArray[np.float32]:
    """True reflectance at the cells' middles, (band, row, column)."""
    along, across = ground_of_cells(m)
    pixels, value = Scene.of(m.plan).at(along, across), spectra(m.plan).value
    return np.asarray(
        pixels.weight_first * value[:, pixels.first]
        + pixels.weight_second * value[:, pixels.second]
    )


def test_samples_lie_within_half_a_sample_of_where_they_were(steady: Mapped) -> None:
    """By pyproj.Geod; the track's 20 Hz and the file's digits are all that is between."""
    for cube, stem in enumerate(steady.plan.stems):
        latitude, longitude = true_positions(steady.plan, cube)
        with xr.open_dataset(steady.run / f"{stem}.nc", decode_times=False) as found:
            _, _, apart = GEOD.inv(
                longitude, latitude, found["longitude"].values, found["latitude"].values
            )
        assert apart.max() < 0.5 * steady.plan.sample_m


def test_each_cell_shows_the_ground_that_lies_there(steady: Mapped) -> None:
    found, truth = steady.read("reflectance"), true_ground(steady)
    seen = np.isfinite(found[5])
    assert seen.mean() > 0.4
    for band in range(1, steady.plan.bands):
        both = np.isfinite(found[band])
        assert np.corrcoef(found[band][both], truth[band][both])[0, 1] > 0.95


def blocks(plane: NDArray[np.float64], side: int) -> NDArray[np.float64]:
    """Means over squares of cells, NaN where a cell has no value."""
    rows, columns = (n // side * side for n in plane.shape)
    cut = plane[:rows, :columns].reshape(rows // side, side, columns // side, side)
    return np.asarray(cut.mean(axis=(1, 3)))


def test_each_cell_is_from_the_strip_that_saw_it_nearest_to_straight_down(steady: Mapped) -> None:
    """The view angle by the simulator's own place of the camera and of the cell."""
    along, across = ground_of_cells(steady)
    with rasterio.open(steady.folder / "map-strip.tif") as file:
        chosen = file.read(1)
    slant = np.full((steady.plan.cubes, *chosen.shape), np.inf)
    cells = np.column_stack([along.ravel(), across.ravel()])
    for number, strip in enumerate(timetable(steady.plan).strips):
        x, y = np.broadcast_arrays(*ground(steady.plan, strip))
        apart, sample = KDTree(np.column_stack([x.ravel(), y.ravel()])).query(cells)
        line = sample // steady.plan.samples
        elapsed = strip.time_s - strip.time_s[0]
        below = strip.along_start_m + strip.direction * steady.plan.speed_m_s * elapsed[line]
        away = np.hypot(cells[:, 0] - below, cells[:, 1] - strip.across_m)
        slant[number].flat = np.where(apart < 0.7 * steady.plan.sample_m, away, np.inf)
    of_chosen = np.take_along_axis(slant, np.maximum(chosen[None].astype(int) - 1, 0), 0)[0]
    # Lines that a pitch spread out reach farther than the 0.7 samples that are clear of doubt.
    clear = np.isfinite(of_chosen) & (chosen > 0)
    assert clear.sum() > 0.85 * (chosen > 0).sum()
    assert (np.isfinite(slant).sum(axis=0) >= 2)[clear].mean() > 0.2
    assert (of_chosen[clear] - slant.min(axis=0)[clear] < 0.02).mean() > 0.999


def test_with_a_noisy_track_it_still_is_that_ground(noisy: Mapped) -> None:
    """Fixes of 2 cm and 0.05 degrees are 2 samples: told by areas of 8 by 8 cells."""
    found, truth = noisy.read("reflectance"), true_ground(noisy)
    for band in range(1, noisy.plan.bands):
        a, b = blocks(found[band], 8), blocks(truth[band], 8)
        both = np.isfinite(a)
        assert both.sum() > 500
        assert np.corrcoef(a[both], b[both])[0, 1] > 0.95


def test_panels_have_their_reflectance_on_the_map(steady: Mapped) -> None:
    along, across = ground_of_cells(steady)
    found = steady.read("reflectance")
    inset = 4 * steady.plan.sample_m
    for panel, rectangle in zip(steady.truth.panels, panel_rectangles(steady.plan), strict=True):
        (a0, a1), (c0, c1) = rectangle.along, rectangle.across
        inside = (along > a0 + inset) & (along < a1 - inset)
        inside &= (across > c0 + inset) & (across < c1 - inset)
        assert inside.sum() > 500
        mean = np.nanmean(found[:, inside], axis=1)
        np.testing.assert_allclose(mean, panel.reflectance, atol=0.005)


def test_tags_say_what_a_gis_shows(steady: Mapped) -> None:
    plan = steady.plan
    for name, dtype, unit, scale in (
        ("reflectance", "int16", "1", 1e-4),
        ("uncertainty", "uint16", "1", 1e-5),
        ("flags", "uint8", None, 1.0),
    ):
        with rasterio.open(steady.folder / f"map-{name}.tif") as file:
            assert (file.count, file.dtypes[0]) == (plan.bands, dtype)
            assert file.crs.to_epsg() == 32631
            assert set(file.scales) == {scale}
            assert set(file.units) == {unit}
            assert "for orientation" in file.tags()["use"].lower()
            assert "for orientation" in file.tags()["TIFFTAG_IMAGEDESCRIPTION"].lower()
            assert file.tags()["run_id"] == steady.run.name
            for band, nm in enumerate(steady.truth.wavelength_nm, 1):
                assert f"{nm:.1f} nm" in file.descriptions[band - 1]
                assert float(file.tags(band)["wavelength_nm"]) == pytest.approx(nm)
                imagery = file.tags(band, ns="IMAGERY")
                assert float(imagery["CENTRAL_WAVELENGTH_UM"]) == pytest.approx(nm / 1000)
                assert float(imagery["FWHM_UM"]) == pytest.approx(plan.width_nm / 1000)
    with rasterio.open(steady.folder / "map-strip.tif") as file:
        numbers = {int(k[6:]): v for k, v in file.tags().items() if k.startswith("strip_")}
        assert numbers == dict(enumerate(plan.stems, 1))


@pytest.mark.parametrize("name", ["reflectance", "uncertainty", "flags", "strip"])
def test_the_layout_is_that_for_the_cloud(steady: Mapped, name: str) -> None:
    """As GDAL's COG driver states it, and by the bytes: IFDs first, then the small overviews."""
    path = steady.folder / f"map-{name}.tif"
    with rasterio.open(path) as file:
        structure = file.tags(ns="IMAGE_STRUCTURE")
        assert structure["LAYOUT"] == "COG"
        assert structure["COMPRESSION"] == "DEFLATE"
        assert file.profile["tiled"]
        assert file.overviews(1)
    ifds = directories(path)
    starts = [min(o for o in ifd[TILE_OFFSETS] if o) for ifd in ifds]  # 0: nothing there
    assert starts == sorted(starts, reverse=True)
    assert starts[-1] > max(ifd["at"][0] for ifd in ifds)


@pytest.mark.parametrize("resampling", ["AVERAGE", "NEAREST"])
def test_an_overview_halves_what_was_seen(tmp_path: Path, resampling: str) -> None:
    """Against numpy: the mean of a square's seen cells, or one of them; nothing where none is."""
    chance = np.random.default_rng(3)
    cells = chance.integers(0, 9000, (3, 512, 512)).astype(np.int16)
    cells[:, chance.random((512, 512)) < 0.3] = FILL
    cells[:, :200, :300] = FILL
    layer = Layer("int16", FILL, tuple(map(BandTags, "abc")), resampling)
    raster = MapRaster(
        tmp_path / "plain.tif", Grid(1.0, 500_000, -5_000_000, 512, 512), 32631, layer
    )
    raster.write(cells, range(3), Window(0, 0, 512, 512))
    raster.finish(tmp_path / "map.tif", 1)
    with rasterio.open(tmp_path / "map.tif", overview_level=0) as half:
        small = half.read()
    four = cells.reshape(3, 256, 2, 256, 2)
    seen = four != FILL
    if resampling == "NEAREST":
        assert (small[:, :, None, :, None] == four).any(axis=(2, 4)).all()
        return
    mean = np.where(seen, four, 0).sum(axis=(2, 4)) / np.maximum(seen.sum(axis=(2, 4)), 1)
    np.testing.assert_array_equal(small != FILL, seen.any(axis=(2, 4)))
    assert np.abs(small - mean)[small != FILL].max() <= 0.5


TILE_OFFSETS, PIXEL_SCALE, TIE_POINT, EPSG_KEYS = 324, 33550, 33922, 34735


def directories(path: Path) -> list[dict[int | str, tuple[float, ...]]]:
    """Numeric tags of each image of a classic little-endian TIFF 6.0, read without GDAL."""
    data = path.read_bytes()
    assert data[:4] == b"II*\x00"
    kinds = {3: "H", 4: "I", 12: "d"}
    found: list[dict[int | str, tuple[float, ...]]] = []
    at = struct.unpack_from("<I", data, 4)[0]
    while at:
        ifd: dict[int | str, tuple[float, ...]] = {"at": (at,)}
        count = struct.unpack_from("<H", data, at)[0]
        for entry in range(at + 2, at + 2 + 12 * count, 12):
            tag, kind, number = struct.unpack_from("<HHI", data, entry)
            if kind in kinds:
                form = f"<{number}{kinds[kind]}"
                inline = struct.calcsize(form) <= 4
                where = entry + 8 if inline else struct.unpack_from("<I", data, entry + 8)[0]
                ifd[tag] = struct.unpack_from(form, data, where)
        found.append(ifd)
        at = struct.unpack_from("<I", data, at + 2 + 12 * count)[0]
    return found


def test_corners_lie_where_geodesics_and_the_tags_themselves_say(steady: Mapped) -> None:
    """GeoTIFF's own keys (OGC 19-008r4) against rasterio, and both against pyproj.Geod."""
    path = steady.folder / "map-reflectance.tif"
    first = directories(path)[0]
    with rasterio.open(path) as file:
        bounds, width, height = file.bounds, file.width, file.height
    step, (_, _, _, west, north, _) = first[PIXEL_SCALE][0], first[TIE_POINT]
    assert (west, north) == pytest.approx((bounds.left, bounds.top), abs=1e-6)
    assert (west + width * step, north - height * step) == pytest.approx(
        (bounds.right, bounds.bottom), abs=1e-6
    )
    assert 32631 in first[EPSG_KEYS]
    to_place = Transformer.from_crs("EPSG:32631", "EPSG:4326", always_xy=True).transform
    corner = to_place(west, north)
    scale = Proj("EPSG:32631").get_factors(*corner).meridional_scale
    for x, y, side in ((bounds.right, north, width), (west, bounds.bottom, height)):
        _, _, distance = GEOD.inv(*corner, *to_place(x, y))
        assert distance * scale == pytest.approx(side * step, rel=1e-6)
    # GDAL's own program reads the same corners.
    told = json.loads(
        subprocess.run(["gdalinfo", "-json", str(path)], check=True, capture_output=True).stdout
    )
    corners = told["cornerCoordinates"]
    assert corners["upperLeft"] == pytest.approx([bounds.left, bounds.top], abs=1e-3)
    assert corners["lowerRight"] == pytest.approx([bounds.right, bounds.bottom], abs=1e-3)
    ring = told["wgs84Extent"]["coordinates"][0]
    place = [min(ring, key=lambda p: abs(p[0] - at[0]) + abs(p[1] - at[1])) for at in [corner]]
    _, _, off = GEOD.inv(*place[0], *corner)
    assert off < 0.05  # gdalinfo prints seven decimals
    # The outermost samples lie within half a footprint and a cell of the edges.
    places = [true_positions(steady.plan, cube) for cube in range(steady.plan.cubes)]
    from_place = Transformer.from_crs("EPSG:4326", "EPSG:32631", always_xy=True).transform
    plane = [from_place(longitude, latitude) for latitude, longitude in places]
    x, y = (np.array(axis) for axis in zip(*plane, strict=True))
    for edge, outermost in (
        (bounds.left, x.min()), (bounds.right, x.max()),
        (bounds.bottom, y.min()), (bounds.top, y.max()),
    ):  # fmt: skip
        assert abs(edge - outermost) < 0.06


def test_every_file_tells_of_the_same_samples(steady: Mapped) -> None:
    """Each cell's three values are those of one sample of the strip that the map names."""
    with rasterio.open(steady.folder / "map-strip.tif") as file:
        strip = file.read(1)
    layers = {}
    for name in ("reflectance", "uncertainty", "flags"):
        with rasterio.open(steady.folder / f"map-{name}.tif") as file:
            layers[name] = file.read()
    assert (layers["flags"][:, strip == 0] == 255).all()
    assert (layers["reflectance"][:, strip == 0] == -32768).all()
    for number, stem in enumerate(steady.plan.stems, 1):
        with netCDF4.Dataset(steady.run / f"{stem}.nc") as cube:
            cube.set_auto_maskandscale(False)
            names = ("reflectance", "reflectance_uncertainty", "quality_flag")
            samples = [np.asarray(cube[n][:]).reshape(steady.plan.bands, -1).T for n in names]
        there = {tuple(row) for row in np.concatenate(samples, axis=1).astype(int).tolist()}
        cells = np.concatenate([v[:, strip == number].T for v in layers.values()], axis=1)
        assert len(cells) > 1000
        assert {tuple(row) for row in cells.astype(int).tolist()} <= there


def test_wavelengths_and_step_are_as_asked(steady: Mapped, tmp_path: Path) -> None:
    list(export_map(steady.run, tmp_path, wavelength_nm=[700, 540, 705], step_m=0.05))
    with rasterio.open(tmp_path / "map-reflectance.tif") as file:
        assert file.res == (0.05, 0.05)
        assert [float(file.tags(b)["wavelength_nm"]) for b in (1, 2)] == pytest.approx(
            [571.429, 657.143], abs=60
        )
        coarse, transform = file.read(), file.transform
    assert transform.c / 0.05 == pytest.approx(round(transform.c / 0.05), abs=1e-6)
    assert (coarse != -32768).mean() == pytest.approx(
        np.isfinite(steady.read("strip")).mean(), abs=0.05
    )
    with pytest.raises(InputError, match="no band near 3000 nm; the cubes have 400 to 1000 nm"):
        list(export_map(steady.run, tmp_path, wavelength_nm=[3000.0]))


@pytest.mark.parametrize(
    ("latitude", "longitude", "epsg"),
    [(-16.9, 179.99999, (32701, 32760)), (54.9, 5.99998, (32631, 32632)), (-33.0, 18.4, (32734,))],
    ids=["the 180th meridian", "a zone's border", "south"],
)
def test_places_where_numbers_jump(
    tmp_path: Path, latitude: float, longitude: float, epsg: tuple[int, ...]
) -> None:
    plan = replace(PLAN, cubes=2, lines=100, samples=64, bands=4, heading_deg=0.0,
                   wobble_deg=0.0, latitude=latitude, longitude=longitude)  # fmt: skip
    m = mapped(tmp_path, plan)
    with rasterio.open(m.folder / "map-strip.tif") as file:
        assert file.crs.to_epsg() in epsg
        assert file.width * file.height < 4 * plan.lines * plan.samples * plan.cubes
    found, truth = m.read("reflectance")[2], true_ground(m)[2]
    both = np.isfinite(found)
    assert both.mean() > 0.8
    for stem in plan.stems:
        with netCDF4.Dataset(m.run / f"{stem}.nc") as cube:
            west, east = cube.geospatial_lon_min, cube.geospatial_lon_max
            places = np.asarray(cube["longitude"][:])
        assert (np.abs(places) <= 180).all()
        assert 0 < (east - west) % 360 < 1e-4
    [sun] = [c for c in json.loads((m.run / "run.json").read_text())["checks"]
             if c["check"] == "sun-elevation"]  # fmt: skip
    when = pd.to_datetime([plan.start]).tz_convert("UTC")
    expected = get_solarposition(when, latitude, longitude)["apparent_elevation"].iloc[0]
    assert sun["value"] == pytest.approx(expected, abs=0.5)
    assert np.corrcoef(found[both], truth[both])[0, 1] > 0.95


def test_a_zarr_run_has_the_same_map(steady: Mapped, tmp_path: Path) -> None:
    flight = steady.run.parents[2]
    copied = tmp_path / "flight"
    shutil.copytree(flight, copied, ignore=shutil.ignore_patterns("results*"))
    config = copied / "flight.toml"
    config.write_text(config.read_text().replace('format = "netcdf"', 'format = "zarr"'))
    list(export_map(run(config, workers=2).folder, tmp_path / "map"))
    for name in ("reflectance", "uncertainty", "flags", "strip"):
        with (
            rasterio.open(steady.folder / f"map-{name}.tif") as a,
            rasterio.open(tmp_path / "map" / f"map-{name}.tif") as b,
        ):
            np.testing.assert_array_equal(a.read(), b.read())
            assert a.scales == b.scales


def test_a_run_without_positions_has_no_map(tmp_path: Path) -> None:
    plan = replace(PLAN, cubes=1, lines=100, samples=64, bands=4)
    make_flight(tmp_path, plan)
    config = tmp_path / "flight.toml"
    config.write_text(config.read_text().replace("ifov_mrad", "# ifov_mrad"))
    folder = run(config, workers=2).folder
    with pytest.raises(InputError, match="no cube has latitude and longitude, which a map needs"):
        list(export_map(folder, tmp_path / "map"))
    with pytest.raises(InputError, match="not a finished run"):
        list(export_map(tmp_path / "nowhere", tmp_path / "map"))
    assert not (tmp_path / "map").exists()


def test_a_failing_export_leaves_nothing(
    steady: Mapped, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pipeline.inspect import map_export

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(map_export.MapRaster, "write", full)
    with pytest.raises(OutputError, match="No space left on device"):
        list(export_map(steady.run, tmp_path / "map"))
    assert not (tmp_path / "map").exists()


def test_the_command_names_what_it_wrote(
    steady: Mapped, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ["export", str(steady.run), "map", "--wavelength", "550", "--target", str(tmp_path)]
    assert main([*asked, "--step", "0.1"]) == 0
    told = capsys.readouterr().out.splitlines()
    names = ("reflectance", "uncertainty", "flags", "strip")
    assert told == [f"written: {tmp_path / f'map-{name}.tif'}" for name in names]
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(f"map-{n}.tif" for n in names)


def test_the_lazy_map_has_the_cells_of_the_files(steady: Mapped) -> None:
    with rasterio.open(steady.folder / "map-strip.tif") as file:
        strip, bounds = file.read(1), file.bounds
    ground = pipeline.map(steady.run)
    assert all(v.chunks is not None for v in ground.data_vars.values())
    assert ground["reflectance"].dims == ("wavelength", "y", "x")
    np.testing.assert_array_equal(ground["strip"].values, strip)
    np.testing.assert_allclose(ground["reflectance"].values, steady.read("reflectance"), atol=1e-7)
    np.testing.assert_allclose(
        ground["reflectance_uncertainty"].values, steady.read("uncertainty"), atol=1e-7
    )
    with rasterio.open(steady.folder / "map-flags.tif") as file:
        np.testing.assert_array_equal(ground["quality_flag"].values, file.read())
    half = 0.5 * float(ground["x"][1] - ground["x"][0])
    assert float(ground["x"][0]) - half == pytest.approx(bounds.left)
    assert float(ground["y"][0]) + half == pytest.approx(bounds.top)
    assert ground["spatial_ref"].attrs["grid_mapping_name"] == "transverse_mercator"
    assert ground["strip"].attrs["flag_meanings"].split() == list(steady.plan.stems)


def test_the_lazy_map_reads_what_is_asked_for_alone(steady: Mapped) -> None:
    found = run(steady.run.parents[2] / "flight.toml")
    one = pipeline.map(found, wavelength_nm=[660], step_m=0.04)
    assert one.sizes["wavelength"] == 1
    assert float(one["wavelength"][0]) == pytest.approx(660, abs=45)
    corner = one["reflectance"][0, :3, :3].compute()
    assert corner.shape == (3, 3)
    assert np.isfinite(one["reflectance"]).mean() > 0.4
