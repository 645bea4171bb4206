"""A process that kills itself at the N-th change of the file system: renaming, removing, syncing, making folders."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from typing import Any


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
