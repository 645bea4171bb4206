"""Files that other programs put beside a raster: what in them says something of its heights, and what does not."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

__all__ = ["SIDECAR", "says_nothing", "sidecar_code"]

#: Ending of the file in which GDAL, and so every desktop GIS, keeps what it found out about a raster.
SIDECAR = ".aux.xml"
#: A GIS that only shows a raster writes these: its least, mean and greatest value, how often each comes, its name.
_OF_DISPLAY = re.compile(
    r'<MDI key="STATISTICS_\w+">[^<]*</MDI>|<Histograms\b.*?</Histograms>|<Description>[^<]*</Description>', re.S
)
#: What holds the rest together, and is empty without it.
_FRAME = re.compile(r"</?(PAMDataset|PAMRasterBand|Metadata)\b[^>]*>|<\?xml[^>]*\?>|\s+")
_LARGEST = 4_000_000


def _told(path: Path) -> str | None:
    """What the file says beside how the raster is displayed; None where it is none of these, or too large to be one."""
    try:
        if path.stat().st_size > _LARGEST:
            return None
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return None
    return _OF_DISPLAY.sub("", text) if "<PAMDataset" in text else None


def says_nothing(path: Path) -> bool:
    """Whether a file beside a raster holds nothing but what a GIS notes when it shows it.

    Parameters
    ----------
    path : Path
        Any file.

    Returns
    -------
    bool
        True only for a file ending in ``.aux.xml`` without system, unit, scale, no-data value or tags.
    """
    if not path.name.endswith(SIDECAR):
        return False
    told = _told(path)
    # a tag <Metadata domain="..."> without its entries is empty, too
    return told is not None and _FRAME.sub("", told) == ""


def sidecar_code(path: Path) -> str | None:
    """Code of what such a file says, the same before and after a GIS has shown the raster.

    Parameters
    ----------
    path : Path
        A file ending in ``.aux.xml``.

    Returns
    -------
    str or None
        32 hexadecimal digits; None where it cannot be read as such a file.
    """
    told = _told(path)
    # empty elements come and go with what stood in them
    return None if told is None else hashlib.sha256(_FRAME.sub("", told).encode("utf-8")).hexdigest()[:32]
