"""Every drawn picture of the documentation by its name; each is drawn from what the page's own commands made.

A drawing gets the folder in which the page's commands ran, and reads what they wrote there.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from matplotlib.figure import Figure

from docs.shown import concepts, front, gallery, ideas, maps, tutorials

Drawing = Callable[[Path], Figure | bytes]

PICTURES: dict[str, Drawing] = {
    "front.png": front.before_and_after,
    **ideas.PICTURES,
    **tutorials.PICTURES,
    **maps.PICTURES,
    **gallery.PICTURES,
    **concepts.PICTURES,
}
