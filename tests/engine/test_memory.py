"""Threads that have worked with large arrays leave no heap of their own behind."""

import platform
import subprocess
import sys

import pytest

PROGRAM = """
import sys, threading
import numpy as np
from geotools.engine.memory import few_heaps
if sys.argv[1] == "few":
    assert few_heaps()
gate = threading.Barrier(8)
def work():
    small = [np.ones(4000) for _ in range(600)]  # 32 kB each, below what is mapped by itself
    gate.wait()
    keep = small[-1]
    del small
    gate.wait()
threads = [threading.Thread(target=work) for _ in range(8)]
[t.start() for t in threads]; [t.join() for t in threads]
# a heap beside the main one begins at a multiple of 64 MB (glibc, malloc/arena.c, HEAP_MAX_SIZE on 64 bits)
starts = [int(line.split("-")[0], 16) for line in open("/proc/self/maps")]
print(sum(start % (64 << 20) == 0 for start in starts))
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="other C libraries have no heap for each thread")
def test_threads_share_heaps():
    def heaps(how: str) -> int:
        done = subprocess.run([sys.executable, "-c", PROGRAM, how], capture_output=True, text=True, check=True)
        return int(done.stdout)

    assert heaps("few") < heaps("many")
