"""Cubes on a scheduler's workers: the same numbers, and a lost worker's cube done again."""

from __future__ import annotations

import os
import signal
import threading
import time
from pathlib import Path

import netCDF4
import numpy as np
import pytest

from pipeline.errors import ConfigError
from pipeline.flight.run import run
from pipeline.synthetic import FlightPlan, make_flight

distributed = pytest.importorskip("distributed")


@pytest.fixture(scope="module")
def flight(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cluster")
    make_flight(folder, FlightPlan(cubes=4, lines=256, samples=96, bands=40, dark_frames=40))
    return folder / "flight.toml"


@pytest.fixture
def scheduler() -> object:
    cluster = distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    )
    yield cluster
    cluster.close()


def variables(folder: Path) -> dict[str, np.ndarray]:
    found = {}
    for path in sorted(folder.glob("*.nc")):
        with netCDF4.Dataset(path) as nc:
            nc.set_auto_maskandscale(False)
            found |= {f"{path.name}:{name}": np.asarray(nc[name][...]) for name in nc.variables}
    return found


def assert_same(one: dict[str, np.ndarray], other: dict[str, np.ndarray]) -> None:
    assert one.keys() == other.keys()
    assert len(one) > 100
    for name in one:
        np.testing.assert_array_equal(one[name], other[name], err_msg=name)


@pytest.mark.filterwarnings("ignore")  # distributed warns of its own shutting down
def test_cluster_gives_the_numbers_of_one_process_though_a_worker_is_killed(
    flight: Path, scheduler: object, tmp_path: Path
) -> None:
    here = run(flight, output=tmp_path / "here")
    address = scheduler.scheduler_address
    victim = next(iter(scheduler.workers.values())).pid
    killed = threading.Event()

    def kill_when_at_work() -> None:
        folder = tmp_path / "there"
        for _ in range(3000):
            if any(folder.rglob(".*.nc")):
                os.kill(victim, signal.SIGKILL)
                killed.set()
                return
            time.sleep(0.002)

    killer = threading.Thread(target=kill_when_at_work)
    killer.start()
    there = run(flight, output=tmp_path / "there", cluster=address)
    killer.join()
    assert killed.is_set()
    assert there.document["outcome"] == "whole"
    assert there.folder.name == here.folder.name
    assert [row["cube"] for row in there.document["cubes"]] == [f"strip-0{i}" for i in range(4)]
    assert_same(variables(here.folder), variables(there.folder))
    assert not list(there.folder.glob(".*"))


def test_no_scheduler_is_one_clear_error(
    flight: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.calibrate.dask_cluster.CONNECT_TIMEOUT_S", 0.5)
    with pytest.raises(ConfigError, match="no scheduler answers"):
        run(flight, output=tmp_path, cluster="tcp://127.0.0.1:9")
    assert not list(tmp_path.rglob("*.nc"))
