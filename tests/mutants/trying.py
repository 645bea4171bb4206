"""Runs tests on a module with other source, in a process of its own; no file is changed.

The process is forked from one that has loaded the libraries, so that a trial costs the tests and not the imports.
"""

from __future__ import annotations

import atexit
import gc
import importlib.abc
import importlib.util
import os
import resource
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]


def path_of(module: str) -> Path:
    """The file of a module of the toolkit."""
    return ROOT.joinpath(*module.split(".")).with_suffix(".py")


#: What the tests load; it must hold nothing of the toolkit, which is to be loaded with the fault in it.
LIBRARIES = (
    *(f"scipy.{part}" for part in ("fft", "integrate", "interpolate", "ndimage", "optimize", "sparse.csgraph")),
    *("scipy.special", "scipy.spatial", "shapely.ops", "pyproj", "rasterio.features", "fiona", "geopandas", "pyogrio"),
    *("pydantic", "click", "rich.progress", "networkx", "matplotlib.figure", "hypothesis"),
)
#: Memory that a trial may take, bytes: a fault may well ask for an array without bounds.
MOST_BYTES = 3_000_000_000
#: Seconds of the processor after which a fault counts as one that never ends.
MOST_PROCESSOR_S = 60


@dataclass(frozen=True)
class Trial:
    """A module, the source to take in place of its own, and the tests to ask."""

    module: str
    source: str
    tests: tuple[str, ...]


@dataclass(frozen=True)
class Outcome:
    """What became of a trial (or "not tried"), its processor and clock time, s, and the test that failed."""

    verdict: str
    processor_s: float
    clock_s: float
    test: str = ""


class _Instead(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Loads one module from other source."""

    def __init__(self, module: str, source: str) -> None:
        self.module, self.source = module, source
        self.path = path_of(module)

    def find_spec(self, fullname: str, path: object = None, target: object = None) -> ModuleSpec | None:
        if fullname != self.module:
            return None
        return importlib.util.spec_from_file_location(fullname, self.path, loader=self)  # type: ignore[arg-type]

    def exec_module(self, module: ModuleType) -> None:
        exec(compile(self.source, str(self.path), "exec"), module.__dict__)


class _FirstFailure:
    """Keeps the name of the first test that fails."""

    def __init__(self) -> None:
        self.test = ""

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed and not self.test:
            self.test = report.nodeid

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed and not self.test:
            self.test = report.nodeid or "import"


#: Says what is loaded, the toolkit and its tests apart, once what every test loads is.
_NEEDED = """
import sys, tests.conftest, _pytest.unittest, _pytest.junitxml, asyncio
print(*[name for name in sys.modules if name.split(".")[0] not in ("geotools", "tests", "__main__")])
"""


def load_libraries() -> None:
    """Load what the tests need before the first fork, and keep compiled sources in a folder outside the tree."""
    said = subprocess.run([sys.executable, "-c", _NEEDED], cwd=ROOT, capture_output=True, text=True, check=True)
    for name in (*LIBRARIES, *said.stdout.split()):
        # some names in `sys.modules` are made by their packages and cannot be imported by themselves
        with suppress(ImportError):
            importlib.import_module(name)
    assert not any(name.split(".")[0] == "geotools" for name in sys.modules), "the toolkit is loaded already"
    sys.pycache_prefix = tempfile.mkdtemp(prefix="geotools-mutants-")
    atexit.register(shutil.rmtree, sys.pycache_prefix, ignore_errors=True)
    sys.dont_write_bytecode = False
    # what is loaded is looked through by no trial's collection of garbage
    gc.freeze()


def _child(trial: Trial, answer: int) -> None:
    os.setsid()
    null = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(null, stream)
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    resource.setrlimit(resource.RLIMIT_CPU, (MOST_PROCESSOR_S, MOST_PROCESSOR_S))
    os.chdir(ROOT)
    sys.meta_path.insert(0, _Instead(trial.module, trial.source))
    first = _FirstFailure()
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    # no narrow test takes a fixture of those files, and what they load is much
    plain = ("-x", "-q", "-o", "addopts=", "-p", "no:cacheprovider", "--no-header", "--tb=no", "--noconftest")
    arguments = [*plain, *trial.tests]
    code = int(pytest.main(arguments, plugins=[first]))
    os.write(answer, f"{code} {first.test}".encode())


def attempt(trial: Trial, most_s: float) -> Outcome:
    """Fork, run, and wait for at most so many seconds of the clock."""
    began = time.perf_counter()
    read, write = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            os.close(read)
            _child(trial, write)
        finally:
            os._exit(0)
    os.close(write)
    late = not select.select([read], [], [], most_s)[0]
    if late:
        os.killpg(pid, signal.SIGKILL)
    said = os.read(read, 4096).decode()
    os.close(read)
    _, _, used = os.wait4(pid, 0)
    code, _, test = said.partition(" ")
    used_s = used.ru_utime + used.ru_stime
    # a process that dies without a word was brought down by the fault
    verdict = (
        "timeout" if late or (not said and used_s > 0.9 * MOST_PROCESSOR_S) else "survived" if code == "0" else "caught"
    )
    return Outcome(verdict, used_s, time.perf_counter() - began, test)


def attempts(trials: Iterable[tuple[Trial, float]], workers: int, ends: float = float("inf")) -> Iterator[Outcome]:
    """`attempt` of each in order, so many at a time; "not tried" from a time of `time.perf_counter` on."""

    def one(trial: tuple[Trial, float]) -> Outcome:
        return attempt(*trial) if time.perf_counter() < ends else Outcome("not tried", 0.0, 0.0)

    listed: Sequence[tuple[Trial, float]] = list(trials)
    with ThreadPoolExecutor(workers) as pool:
        yield from pool.map(one, listed)
