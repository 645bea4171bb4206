"""Pictures as files: small, the same bytes for the same drawing, and compared by what an eye would notice."""

from __future__ import annotations

import io

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

#: Mean difference within a tile of a picture, of 255 grey levels at a width of 240, from which it is another picture:
#: fonts of another version of the drawing library stay beneath it, a moved line or another verdict does not.
NOTICED = 20.0
TILE = 12


def as_png(drawn: Figure | bytes) -> bytes:
    """The picture with at most 256 colours; bytes of a picture that a step made are taken as they are."""
    if isinstance(drawn, Figure):
        held = io.BytesIO()
        FigureCanvasAgg(drawn)
        drawn.savefig(held, format="png", dpi=110, metadata={"Software": None})
        drawn = held.getvalue()
    image = Image.open(io.BytesIO(drawn)).convert("RGB")
    made = io.BytesIO()
    image.quantize(256, dither=Image.Dither.NONE).save(made, format="png", optimize=True)
    return made.getvalue()


def _small(picture: bytes) -> np.ndarray:
    image = Image.open(io.BytesIO(picture)).convert("L")
    return np.asarray(image.resize((240, max(1, round(240 * image.height / image.width))))).astype(float)


def same_picture(one: bytes, other: bytes) -> bool:
    """Whether two pictures show the same: no tile of them differs by what an eye would notice."""
    first, second = _small(one), _small(other)
    if first.shape != second.shape:
        return False
    difference = np.abs(first - second)
    high, wide = (TILE * -(-side // TILE) for side in difference.shape)
    held = np.zeros((high, wide))
    held[: difference.shape[0], : difference.shape[1]] = difference
    tiles = held.reshape(high // TILE, TILE, wide // TILE, TILE).mean(axis=(1, 3))
    return float(tiles.max()) < NOTICED
