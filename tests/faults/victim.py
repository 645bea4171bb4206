"""Runs the steps over and over, on two sites in turn, until it is killed: `python -m tests.faults.victim A B OUT [N]`.

With a number, it kills itself at that many-th change of the folder (renaming, removing, syncing).
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.faults.site import run_steps


def count_down(changes: int) -> None:
    """Arrange for death at a certain change of the file system, just before it happens."""
    left = changes

    def deadly(change: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any, **options: Any) -> Any:
            nonlocal left
            left -= 1
            if left < 0:
                os.kill(os.getpid(), signal.SIGKILL)
            return change(*arguments, **options)

        return call

    for name in ("replace", "rename", "unlink", "rmdir", "fsync", "mkdir"):
        setattr(os, name, deadly(getattr(os, name)))


def main() -> None:
    first, second, out = (Path(word) for word in sys.argv[1:4])
    print("ready", flush=True)
    if len(sys.argv) > 4:
        count_down(int(sys.argv[4]))
        run_steps(second, out)
        print("done", flush=True)
        return
    while True:
        run_steps(first, out)
        run_steps(second, out)


if __name__ == "__main__":
    main()
