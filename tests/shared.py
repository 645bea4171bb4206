"""What takes long to make and many tests only look at, made once for all processes that share the tests."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from filelock import FileLock

__all__ = ["made_once"]


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], None]) -> Path:
    """Folder ``name`` as ``make(folder)`` fills it; one process makes it, the others wait and take it.

    Nobody may change what lies there: copy first.
    """
    base = factory.getbasetemp()
    # processes that share the tests have folders beside each other
    shared = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / f"{name}_for_all"
    with FileLock(shared.with_suffix(".lock")):
        if not shared.exists():
            folder = factory.mktemp(name) / name
            folder.mkdir()
            make(folder)
            folder.rename(shared)
    return shared
