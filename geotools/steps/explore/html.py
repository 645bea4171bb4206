"""The page as one file: words, style, data, and the script that draws, with nothing loaded from a network."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from geotools.io.watermark import watermark_style

__all__ = ["to_html"]

_HERE = Path(__file__).parent
#: Parts of the script, in the order in which they need one another.
_SCRIPTS = ("common.js", "map.js", "section.js", "relief.js", "window.js", "zones.js", "page.js")


def _data(data: Any) -> Markup:
    """JSON that cannot end the element it stands in, whatever names are in it."""
    text = json.dumps(data, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))


def _script() -> str:
    parts = [(_HERE / "script" / name).read_text(encoding="utf-8").strip() for name in _SCRIPTS]
    return "\n".join(['"use strict";', "(() => {", *parts, "})();"])


def to_html(title: str, lead: list[str], data: dict[str, Any], cautions: tuple[str, ...], recipient: str = "") -> str:
    """The whole page as text; every text is escaped. lead : its first sentences. recipient : whom it is for."""
    # its script is four megabytes: whoever lists the steps does not draw
    from plotly.offline import get_plotlyjs  # type: ignore[import-untyped, unused-ignore]

    environment = Environment(loader=FileSystemLoader(_HERE), autoescape=True, undefined=StrictUndefined)
    return environment.get_template("page.html.j2").render(
        title=title,
        lead=lead,
        zones=[zone["zone"] for zone in data["zones"]],
        cautions=cautions,
        recipient=recipient,
        style=Markup((_HERE / "page.css").read_text(encoding="utf-8").strip()) + "\n" + watermark_style(recipient),
        drawing=Markup(get_plotlyjs()),
        script=Markup(_script()),
        data=_data(data),
    )
