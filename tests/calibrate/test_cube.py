"""One cube: the same numbers as the plain kernel on the whole of it, and no half files."""

from __future__ import annotations

import hashlib
import pickle
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest

from pipeline.calibrate.blocks_in_order import Helpers
from pipeline.calibrate.cube import CubeTask, calibrate_cube
from pipeline.calibrate.kernel_tables import bad_patches, cube_task
from pipeline.calibrate.prepare import Preparation, prepare
from pipeline.config.flight import load_config
from pipeline.errors import InputError, OutputError
from pipeline.radiometry.kernel_twin import calibrate_block_numpy


@pytest.fixture(scope="module")
def prepared(rich_flight: Any) -> Preparation:
    return prepare(load_config(rich_flight.config))


@pytest.fixture
def task(prepared: Preparation, tmp_path: Path) -> CubeTask:
    attributes: dict[str, Any] = {"title": "test"}
    return cube_task(prepared, prepared.recording.cubes[1], tmp_path / "strip-01.nc", attributes)


def packed(path: Path) -> dict[str, Any]:
    with netCDF4.Dataset(path) as nc:
        nc.set_auto_maskandscale(False)
        return {n: nc[n][:] for n in ("reflectance", "reflectance_uncertainty", "quality_flag")}


@pytest.mark.parametrize("places", [0, 1, 3])
def test_the_file_holds_what_the_plain_kernel_computes(
    task: CubeTask, rich_flight: Any, places: int
) -> None:
    with ThreadPoolExecutor(3) as threads:
        result = calibrate_cube(task, helpers=Helpers(threads, places))
    wanted = calibrate_block_numpy(rich_flight.counts("strip-01"), task.table, task.lines)
    found = packed(task.path)
    np.testing.assert_array_equal(found["reflectance"], wanted.reflectance)
    np.testing.assert_array_equal(found["reflectance_uncertainty"], wanted.uncertainty)
    np.testing.assert_array_equal(found["quality_flag"], wanted.flags)
    np.testing.assert_array_equal(result.tallies, wanted.tallies)
    assert result.chunks_reread == 16
    assert result.chunks_wrong == 0
    raw = (rich_flight.folder / "raw" / "strip-01.raw").read_bytes()
    assert result.raw_sha256 == hashlib.sha256(raw).hexdigest()
    assert [p.name for p in task.path.parent.iterdir()] == ["strip-01.nc"]


def test_progress_counts_every_line_once(task: CubeTask) -> None:
    told: list[int] = []
    calibrate_cube(task, progress=told.append)
    assert sum(told) == task.capture.lines


def test_a_task_crosses_processes(task: CubeTask) -> None:
    other = pickle.loads(pickle.dumps(task))
    one = calibrate_cube(task)
    before = packed(task.path)
    two = calibrate_cube(other)
    np.testing.assert_array_equal(one.tallies, two.tallies)
    for name, values in packed(task.path).items():
        np.testing.assert_array_equal(values, before[name])


@pytest.mark.parametrize("name", ["netcdf", "zarr"])
def test_a_raw_file_that_is_gone_leaves_nothing(task: CubeTask, name: str) -> None:
    gone = replace(
        task,
        capture=replace(task.capture, data=task.path.parent / "gone.raw"),
        format=name,
    )
    with pytest.raises(InputError, match=r"gone\.raw"):
        calibrate_cube(gone)
    assert list(task.path.parent.iterdir()) == []


def test_a_folder_that_is_gone_is_an_output_error(task: CubeTask) -> None:
    with pytest.raises(OutputError, match="has been removed"):
        calibrate_cube(replace(task, path=task.path.parent / "absent" / "strip-01.nc"))


def test_shares_of_tallies(task: CubeTask) -> None:
    result = calibrate_cube(task)
    flags = packed(task.path)["quality_flag"]
    assert result.count("samples") == flags.size
    assert result.share("saturated") == pytest.approx(((flags & 1) != 0).mean())
    assert result.share("low_signal") == pytest.approx(((flags & 2) != 0).mean())
    assert result.share("outside") == pytest.approx(((flags & 8) != 0).mean())
    assert result.share("negative", "sound") < 0.01


def test_patches_lie_between_the_nearest_good_neighbours() -> None:
    bad = np.zeros((3, 6), bool)
    bad[0, [0, 2, 3, 5]] = True
    bad[1] = True
    b, s, left, right, weight = bad_patches(bad)
    assert b.tolist() == [0, 0, 0, 0]
    assert s.tolist() == [0, 2, 3, 5]
    assert left.tolist() == [1, 1, 1, 4]
    assert right.tolist() == [1, 4, 4, 4]
    np.testing.assert_allclose(weight, [0, 1 / 3, 2 / 3, 0], rtol=1e-6)
    assert all(part.size == 0 for part in bad_patches(np.zeros((2, 2), bool)))
