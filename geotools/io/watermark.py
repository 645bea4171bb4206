"""The recipient's name across a page for a browser, on screen and on paper."""

from __future__ import annotations

from html import escape
from urllib.parse import quote

from markupsafe import Markup

__all__ = ["watermark_style"]

#: One tile of the pattern, pixels; the name is written as large as its diagonal has room for.
_WIDE, _TALL = 560, 400
_LARGEST, _PER_LETTER = 44.0, 0.62


def watermark_style(recipient: str) -> Markup:
    """Rules of style that repeat the name, pale and slanting, over the whole page; empty where nobody is named.

    It lies over text and pictures alike, so that no cut of a screen is without it; it takes no click, and printing it
    cannot be left out as backgrounds are.
    """
    name = " ".join(recipient.split())
    if not name:
        return Markup("")
    size = min(_LARGEST, _WIDE / (_PER_LETTER * max(len(name), 1)))
    tile = (
        f"<svg xmlns='http://www.w3.org/2000/svg' width='{_WIDE}' height='{_TALL}'>"
        f"<text x='{_WIDE // 2}' y='{_TALL // 2}' text-anchor='middle' font-family='sans-serif' font-weight='bold' "
        # pale by its own colour: opacity of the whole layer would make every printed page a picture
        f"fill-opacity='.07' font-size='{size:.1f}' "
        f"transform='rotate(-30 {_WIDE // 2} {_TALL // 2})'>{escape(name)}</text></svg>"
    )
    return Markup(
        "body::after { content: ''; position: fixed; inset: 0; z-index: 8; pointer-events: none; "
        f"background: url(data:image/svg+xml,{quote(tile)}); "
        "-webkit-print-color-adjust: exact; print-color-adjust: exact; }"
    )
