"""What is wrong with a site file, said as errors."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pydantic import ValidationError

from geotools.errors import SiteError, unprintable

__all__ = ["FROM_FRAMES", "explain", "refuse_unprintable"]

#: What errors name as their place where no site file was read.
FROM_FRAMES = Path("Site.from_frames")


def explain(problem: ValidationError, path: Path) -> SiteError:
    """Every setting that is wrong, with what was found, as one error."""
    lines = []
    for error in problem.errors():
        place = ".".join(str(part) for part in error["loc"]) or "the whole file"
        found = error.get("input")
        shown = "" if isinstance(found, dict) or found is None else f" (found {str(found)[:80]!r})"
        lines.append(f"{place}: {error['msg']}{shown}")
    more = f" (and {len(lines) - 5} more)" if len(lines) > 5 else ""
    return SiteError(
        "the site has an invalid setting" if path == FROM_FRAMES else "the site file has an invalid setting",
        where=path,
        found="; ".join(lines[:5]) + more,
        mend="correct these settings; the manual page of the site file lists names, units and ranges",
    )


def refuse_unprintable(data: Any, path: Path, place: str = "") -> None:
    """Names and words end in documents, drawings and tables, of which none can hold a control character."""
    if isinstance(data, dict):
        for name, value in data.items():
            refuse_unprintable(name, path, place)
            refuse_unprintable(value, path, f"{place}.{name}".lstrip("."))
    elif isinstance(data, list):
        for value in data:
            refuse_unprintable(value, path, place)
    elif isinstance(data, str) and (code := unprintable(data)) is not None:
        raise SiteError(
            "the site file holds a character that cannot be written",
            where=f"{path}, {place or 'the whole file'}",
            found=f"{code} in {data[:80]!r}",
            expected="letters, digits, signs, spaces",
            mend="take it out, and type the name again",
        )
