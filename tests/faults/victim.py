"""Runs a site's steps and kills itself at the N-th change of the folder: `python -m tests.faults.victim SITE OUT N`.

Changes are renaming, removing, syncing, making folders.
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
    site, out, changes = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])
    count_down(changes)
    run_steps(site, out)
    print("done", flush=True)


if __name__ == "__main__":
    main()
