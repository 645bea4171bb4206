"""The same batch on a real cluster of worker processes, one of which is killed while it works."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from geotools.batch.cluster import ClusterWorkers
from geotools.batch.manifest import read_manifest
from geotools.batch.many import run_batch
from geotools.errors import InputError
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


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, memory_limit="1.5GB"
    ) as cluster:
        yield cluster.scheduler_address


@pytest.fixture
def cluster(address: str) -> Iterator[ClusterWorkers]:
    workers = ClusterWorkers(address)
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
