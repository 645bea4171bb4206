"""The ideas that the rest stands on, each as a drawing."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from matplotlib.figure import Figure

PICTURES: dict[str, Callable[[Path], Figure | bytes]] = {}
