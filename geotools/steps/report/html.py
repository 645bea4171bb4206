"""The report as one HTML file that loads nothing from a network."""

from __future__ import annotations

import base64
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from geotools.io.watermark import watermark_style
from geotools.steps.report.blocks import Heading, Notes, Picture, Report, anchor

__all__ = ["html_pieces", "to_html"]

_HERE = Path(__file__).parent


def _data_uri(svg: bytes) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(svg).decode("ascii")


def _names(report: Report) -> list[str]:
    """Names of the sheets on the page, by which links find them."""
    names: dict[str, None] = {}
    for heading in report.sheets():
        name = base = anchor(heading.text)
        count = 2
        while name in names or name == "main":
            name, count = f"{base}-{count}", count + 1
        names[name] = None
    return list(names)


def _plain(report: Report, names: Sequence[str]) -> Iterator[dict[str, Any]]:
    """The blocks as the template takes them, one at a time."""
    sheet = iter(names)
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
            plain["id"] = next(sheet)
        yield plain


def html_pieces(report: Report) -> Iterator[str]:
    """The page piece by piece, to be written as it is made: that of a border has hundreds of megabytes of pictures."""
    environment = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=False,
        keep_trailing_newline=True,
    )
    names = _names(report)
    own = Markup((_HERE / "page.css").read_text(encoding="utf-8").strip())
    style = own + "\n" + watermark_style(report.recipient)
    page = environment.get_template("page.html.j2")
    return page.generate(report=report, blocks=_plain(report, names), ids=names, style=style)


def to_html(report: Report) -> str:
    """The whole page as text; every text of the report is escaped."""
    return "".join(html_pieces(report))
