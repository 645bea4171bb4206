"""Lines of the maintenance over the years of the plan, from the dated visits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from geotools.site import Site
from geotools.site.base import PLACEHOLDER
from geotools.site.care import MaintenanceTask, discounted
from geotools.steps.bill.kernel import BillLine, PriceBook, UnitPrice

__all__ = ["care_lines"]

Row = Mapping[str, Any]


def care_lines(site: Site, visits: Sequence[Row], scheme: str, start: date, book: PriceBook) -> list[BillLine]:
    """Labour and material of every task in every zone, and what the discount takes off.

    Parameters
    ----------
    site : Site
        Its tasks, hour rate and discount.
    visits : sequence of mapping
        Rows of the layer upkeep.
    scheme : str
        Scheme that the visits follow.
    start : date
        First day of the plan.
    book : PriceBook
        Prices of the site.
    """
    tasks: dict[tuple[str, str], MaintenanceTask] = {
        (t.name, t.scope): t for t in site.maintenance if t.scheme in ("", scheme)
    }
    groups: dict[tuple[str, str, str], list[Row]] = {}
    for visit in visits:
        groups.setdefault((str(visit["zone_id"]), str(visit["task"]), str(visit["scope"])), []).append(visit)
    lines: list[BillLine] = []
    later = 0.0
    rate = book["upkeep.hour_rate"]
    for (zone, name, scope), mine in sorted(groups.items()):
        task = tasks.get((name, scope))
        if task is None:
            continue  # on record as done, and no task of the site file any more
        hours = sum(float(visit["minutes"]) for visit in mine) / 60.0
        note = f"{len(mine)} visits in {site.upkeep.years} years"
        said = _of_scheme(task)
        lines.append(BillLine("maintenance", zone, f"{said}, labour", hours, "h", rate, note))
        price = UnitPrice(task.material, "maintenance.material", task.source != PLACEHOLDER)
        if task.material:
            lines.append(BillLine("maintenance", zone, f"{said}, material", len(mine), "piece", price, note))
        for visit in mine:
            full = float(visit["minutes"]) / 60.0 * rate.value + task.material
            later += full - full * discounted(start, visit["due"], site.upkeep.discount)
    if later:
        off = UnitPrice(-later, "upkeep.discount", "discount" in site.upkeep.model_fields_set)
        lines.append(BillLine("maintenance", "", "discount of later costs", 1, "sum", off, "to the start of the plan"))
    return lines


def _of_scheme(task: MaintenanceTask) -> str:
    return f"{task.name} (scheme {task.scheme})" if task.scheme else task.name
