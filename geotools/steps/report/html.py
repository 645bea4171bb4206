"""The report as one HTML file that loads nothing from a network."""

from __future__ import annotations

import base64
from dataclasses import asdict
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from geotools.io.watermark import watermark_style
from geotools.steps.report.blocks import Heading, Notes, Picture, Report, anchor

__all__ = ["to_html"]

_HERE = Path(__file__).parent


def _data_uri(svg: bytes) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(svg).decode("ascii")


def to_html(report: Report) -> str:
    """The whole page as text; every text of the report is escaped."""
    environment = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=False,
        keep_trailing_newline=True,
    )
    ids: list[str] = []
    blocks: list[dict[str, Any]] = []
    for block in report.blocks:
        plain: dict[str, Any] = {"kind": type(block).__name__}
        if isinstance(block, Picture):
            plain |= {"alt": block.alt, "caption": block.caption}
            plain |= {"wide": _data_uri(block.wide_svg), "narrow": _data_uri(block.narrow_svg)}
        elif isinstance(block, Notes):
            plain |= {"note_kind": block.kind, "title": block.title, "items_": block.items}
        else:
            plain |= asdict(block)
        if isinstance(block, Heading) and block.level == 1:
            name = base = anchor(block.text)
            count = 2
            while name in ids or name == "main":
                name, count = f"{base}-{count}", count + 1
            ids.append(name)
            plain["id"] = name
        blocks.append(plain)
    own = Markup((_HERE / "page.css").read_text(encoding="utf-8").strip())
    style = own + "\n" + watermark_style(report.recipient)
    return environment.get_template("page.html.j2").render(report=report, blocks=blocks, ids=ids, style=style)
