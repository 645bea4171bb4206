"""Icons of point layers as small pictures, drawn from the symbols that the plan's styles declare."""

from __future__ import annotations

from pathlib import Path

from PIL import Image, ImageDraw

from geotools.plan.schema import Symbol

__all__ = ["ICON_FOLDER", "icon_name", "write_icon"]

ICON_FOLDER = "icons"
_SIDE, _FINER = 64, 4
_CORNERS: dict[str, tuple[tuple[float, float], ...]] = {
    "square": ((-0.8, -0.8), (0.8, -0.8), (0.8, 0.8), (-0.8, 0.8)),
    "triangle": ((0.0, -0.9), (0.9, 0.75), (-0.9, 0.75)),
    "diamond": ((0.0, -0.95), (0.95, 0.0), (0.0, 0.95), (-0.95, 0.0)),
}


def icon_name(style_id: str) -> str:
    """Where the icon of a style lies, from the document."""
    return f"{ICON_FOLDER}/{style_id}.png"


def write_icon(path: Path, symbol: Symbol) -> None:
    """Draw a marker on a clear ground, 64 pixels a side; OSError where it cannot be written."""
    side = _SIDE * _FINER
    picture = Image.new("RGBA", (side, side), (0, 0, 0, 0))
    draw = ImageDraw.Draw(picture)
    middle, half, edge = side / 2, 0.46 * side, side // 16
    face = symbol.fill_colour or symbol.colour
    if symbol.marker == "cross":
        wide = side // 8
        for ends in (
            [(middle - half, middle), (middle + half, middle)],
            [(middle, middle - half), (middle, side - edge)],
        ):
            draw.line(ends, fill=symbol.colour, width=wide)
    elif symbol.marker == "circle":
        box = (middle - 0.85 * half, middle - 0.85 * half, middle + 0.85 * half, middle + 0.85 * half)
        draw.ellipse(box, fill=face, outline=symbol.colour, width=edge)
    else:
        ring = [(middle + half * a, middle + half * b) for a, b in _CORNERS[symbol.marker]]
        draw.polygon(ring, fill=face)
        draw.line([*ring, ring[0], ring[1]], fill=symbol.colour, width=edge, joint="curve")
    picture.resize((_SIDE, _SIDE), Image.Resampling.LANCZOS).save(path)
