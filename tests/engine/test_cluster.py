"""The same batch, and the same long line, on a real cluster of worker processes, one of which is killed at work."""

from __future__ import annotations

import importlib
import os
import shutil
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import geotools
from geotools.cli.batch.manifest import read_manifest
from geotools.cli.batch.many import run_batch
from geotools.engine.cluster import ClusterWorkers
from geotools.engine.runner import Job
from geotools.errors import InputError
from tests.benchmarks.sites import write_site
from tests.faults.site import digest, make_site

distributed = pytest.importorskip("distributed")

STEPS = ["inspect", "layout"]


def square(n: int) -> int:
    return n * n


def process_of(marker: Path, n: int) -> int:
    """Tells its process, and takes long enough to be killed the first time."""
    if n == 0 and not marker.exists():
        marker.write_text(str(os.getpid()))
        time.sleep(60)
    return n


def large(n: int) -> bytes:
    return bytes([n]) * 2_000_000


@pytest.fixture(scope="module")
def machines() -> Iterator[Any]:
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, memory_limit="1.5GB"
    ) as machines:
        yield machines


@pytest.fixture
def cluster(machines: Any) -> Iterator[ClusterWorkers]:
    workers = ClusterWorkers(machines.scheduler_address)
    yield workers
    workers.close()


def test_pieces_come_in_order(cluster: ClusterWorkers) -> None:
    assert list(cluster.map(square, range(20))) == [n * n for n in range(20)]


def test_a_killed_worker_costs_nothing_but_time(cluster: ClusterWorkers, tmp_path: Path) -> None:
    from functools import partial

    marker = tmp_path / "process"

    def kill() -> None:
        while not marker.exists() or not marker.read_text():
            time.sleep(0.05)
        os.kill(int(marker.read_text()), signal.SIGKILL)

    killer = threading.Thread(target=kill, daemon=True)
    killer.start()
    found = sorted(cluster.each(partial(process_of, marker), list(range(6))))
    killer.join()
    assert found == [(n, n) for n in range(6)]


def test_results_do_not_pass_through_the_scheduler(machines: Any, cluster: ClusterWorkers) -> None:
    passed = []
    handlers = machines.scheduler.handlers
    told = handlers["gather"]

    async def gather(*args: Any, **kwargs: Any) -> Any:
        passed.append(kwargs)
        return await told(*args, **kwargs)

    handlers["gather"] = gather
    try:
        assert list(cluster.map(large, range(5))) == [large(n) for n in range(5)]
        assert not passed
        # the count does count: a client that was not told otherwise asks the scheduler
        with distributed.Client(machines.scheduler_address, set_as_default=False) as usual:
            assert usual.submit(large, 1, pure=False).result() == large(1)
        assert passed
    finally:
        handlers["gather"] = told


def kill_one_at_work(address: str) -> int:
    """Kill the worker with the most pieces in hand; how many it had, begun, waiting or not yet fetched."""
    with distributed.Client(address, set_as_default=False) as client:
        waiting, done, processes = client.processing(), client.has_what(), client.run(os.getpid)
        in_hand = {worker: len(waiting.get(worker, ())) + len(done.get(worker, ())) for worker in processes}
        worker = max(in_hand, key=lambda name: in_hand[name])
        os.kill(processes[worker], signal.SIGKILL)
    return in_hand[worker]


def test_tiles_of_one_line_are_shared_and_a_killed_worker_changes_nothing(
    machines: Any, cluster: ClusterWorkers, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan_work = importlib.import_module("geotools.detection.chains")
    monkeypatch.setattr(plan_work, "TILE_ZONES", 2)
    monkeypatch.setattr(plan_work, "MARGIN_ZONES", 1)
    site = geotools.open_site(write_site(tmp_path / "in", 420.0, extra="max_zone_m = 50.0\n[survey]\ndraws = 2"))
    lost: list[int] = []

    def progress(done: int, total: int, what: str = "") -> None:
        if what == "beams" and done == 1 and not lost:
            assert total >= 4
            lost.append(kill_one_at_work(machines.scheduler_address))

    near, far = tmp_path / "near", tmp_path / "far"
    with Job(site, near) as job:
        for step in STEPS:
            job.run(step)
    shutil.copytree(near, far)
    with Job(site, near) as job:
        job.run("gaps")
    with Job(site, far, workers=cluster, progress=progress) as job:
        job.run("gaps")
    assert lost[0] > 0
    assert digest(near / "plan.gpkg") == digest(far / "plan.gpkg")
    for raster in ("crawl_gap.tif", "corridor.tif"):
        assert (near / raster).read_bytes() == (far / raster).read_bytes()


def test_a_batch_gives_what_one_process_gives(cluster: ClusterWorkers, tmp_path: Path) -> None:
    for name in ("a", "b", "c"):
        make_site(tmp_path / "sites" / name, name)
    entries = read_manifest(tmp_path / "sites")
    near = run_batch(entries, tmp_path / "near", steps=STEPS)
    far = run_batch(entries, tmp_path / "far", steps=STEPS, workers=cluster)
    assert near.failed == far.failed == 0
    assert digest(near.combined) == digest(far.combined)


def test_nobody_there_is_a_clear_error() -> None:
    with pytest.raises(InputError, match="does not answer"):
        ClusterWorkers("tcp://127.0.0.1:9", timeout_s=1)
