"""A plan as a notebook shows it."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from geotools.engine.frames import schema_of

if TYPE_CHECKING:
    from geotools.engine.result import Plan

__all__ = ["plan_html"]


def plan_html(plan: Plan) -> str:
    """Its layers with title, rows and geometry, those of the last step in bold; what was said; its files."""
    rows = []
    for name in plan.layers:
        schema = schema_of(name)
        new = "<b>" if name in plan.made else ""
        shape = (schema.geometry or "table") if schema is not None else ""
        title = schema.title if schema is not None else ""
        cells = (f"{new}{escape(name)}{new.replace('<', '</')}", escape(title), str(len(plan[name])), shape)
        rows.append("<tr>" + "".join(f"<td>{cell}</td>" for cell in cells) + "</tr>")
    head = "<tr><th>layer</th><th>what it shows</th><th>rows</th><th>geometry</th></tr>"
    said = [f"<li><b>Warning:</b> {escape(text)}</li>" for text in plan.warnings]
    said += [f"<li>{escape(text)}</li>" for text in plan.notes]
    files = ", ".join(escape(name) for name in plan.files)
    title = f"Plan after {escape(plan.step)}" if plan.step else "Plan"
    return (
        f"<p><b>{title}</b>, {escape(plan.crs.name)}</p><table>{head}{''.join(rows)}</table>"
        + (f"<ul>{''.join(said)}</ul>" if said else "")
        + (f"<p>Files: {files}</p>" if files else "")
    )
