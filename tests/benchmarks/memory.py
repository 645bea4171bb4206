"""Memory of a command with all the processes it starts, sampled while it runs."""

from __future__ import annotations

import subprocess
import threading
from collections.abc import Sequence
from dataclasses import dataclass

import psutil

__all__ = ["Ran", "run_sampled"]

INTERVAL_S = 0.05


@dataclass(frozen=True)
class Ran:
    """What a command printed, and the most memory its processes held together.

    peak_mb : largest sum over the processes at one instant, MB (2**20 bytes). Of a page that several share each counts
        its part where the system tells (Linux: PSS), else all of it.
    processes : how many there were at that instant.
    """

    stdout: str
    peak_mb: float
    processes: int


def _held_bytes(process: psutil.Process) -> int:
    try:
        held = process.memory_full_info()
        return int(getattr(held, "pss", 0) or held.rss)
    except psutil.Error:
        return 0  # ended between being listed and being asked


def _tree(root: psutil.Process) -> list[psutil.Process]:
    try:
        return [root, *root.children(recursive=True)]
    except psutil.Error:
        return []


def run_sampled(command: Sequence[str]) -> Ran:
    """Run a command to its end; subprocess.CalledProcessError where it fails."""
    best = (0, 0)
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as running:
        ended = threading.Event()

        def watch() -> None:
            nonlocal best
            root = psutil.Process(running.pid)
            while not ended.wait(INTERVAL_S):
                held = [size for size in map(_held_bytes, _tree(root)) if size]
                best = max(best, (sum(held), len(held)))

        watcher = threading.Thread(target=watch, daemon=True)
        watcher.start()
        out, errors = running.communicate()
        ended.set()
        watcher.join()
    if running.returncode:
        raise subprocess.CalledProcessError(running.returncode, list(command), out, errors)
    return Ran(out, best[0] / 2**20, best[1])
