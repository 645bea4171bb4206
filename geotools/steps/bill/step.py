"""Declaration of the bill step: everything the plan holds as quantities, prices and amounts."""

from __future__ import annotations

from typing import Any

from geotools.earthwork.state import laid_out_state
from geotools.engine.step import FileOut, LayerIn, LayerOut, Step, StepContext, StepResult
from geotools.io.tables import csv_text
from geotools.plan.paper_state import PaperState
from geotools.plan.schema import (
    BILL,
    BILL_SECTIONS,
    CAMERAS,
    HEADS,
    OPTIONS,
    PROPOSED_HEADS,
    ROUTES,
    UPKEEP,
    UPKEEP_COST,
    WATER_CROSSINGS,
    LayerSchema,
)
from geotools.plan.workspace import frame_of
from geotools.steps.bill.care import care_lines
from geotools.steps.bill.kernel import (
    BillLine,
    PriceBook,
    added_fittings,
    camera_lines,
    installation_lines,
    route_lines,
    spare_lines,
)
from geotools.steps.bill.workbook import bill_workbook
from geotools.steps.bill.works import RemedyRows, remedy_lines

CSV, XLSX = "bill.csv", "bill.xlsx"
#: What a part of the bill is made from, and the step that makes it.
_MADE_BY = {CAMERAS.name: "cameras", OPTIONS.name: "remedy", ROUTES.name: "routes", UPKEEP.name: "upkeep"}


def _rows(ctx: StepContext, schema: LayerSchema) -> list[dict[str, Any]]:
    if not ctx.workspace.has(schema):
        return []
    return [dict(row) for row in ctx.read(schema).to_dict("records")]


def _remedy(ctx: StepContext) -> RemedyRows:
    chosen = [row for row in _rows(ctx, OPTIONS) if row["recommended"] is True]
    return RemedyRows(chosen, _rows(ctx, PROPOSED_HEADS), _rows(ctx, WATER_CROSSINGS), _rows(ctx, HEADS))


def _care(ctx: StepContext, book: PriceBook) -> list[BillLine]:
    visits = _rows(ctx, UPKEEP)
    if not visits:
        return []
    settings = ctx.site.upkeep
    scheme = next((row["scheme"] for row in _rows(ctx, UPKEEP_COST) if row["chosen"] is True), settings.scheme)
    first = settings.start or min(visit["due"] for visit in visits).date()
    return care_lines(ctx.site, [{**v, "due": v["due"].date()} for v in visits], scheme, first, book)


def _in_order(lines: list[BillLine]) -> list[BillLine]:
    """By section, in it by zone, the site as a whole last."""
    kept = [line for line in lines if line.quantity]
    return sorted(kept, key=lambda line: (BILL_SECTIONS.index(line.section), not line.zone_id, line.zone_id))


def run(ctx: StepContext) -> StepResult:
    """Write the bill; see the manual beside this file."""
    book, heads, remedy = PriceBook(ctx.site), _rows(ctx, HEADS), _remedy(ctx)
    works, routes = remedy_lines(remedy, book), _rows(ctx, ROUTES)
    standing = remedy.proposed_heads or heads
    lines = _in_order(
        [
            *installation_lines(heads, book),
            *added_fittings(works, book),
            *camera_lines(_rows(ctx, CAMERAS), book),
            *route_lines(routes, book),
            *works,
            *spare_lines([str(head["head_type"]) for head in standing], ctx.site.bill.spare_share, book),
            *_care(ctx, book),
        ]
    )
    for layer, step in _MADE_BY.items():
        if layer not in ctx.workspace.layer_names():
            ctx.warn(f"nothing of the layer {layer} is in the bill: run `geotools {step}` first")
    if ctx.workspace.has(ROUTES) and not routes:
        ctx.warn("no cable routes are in the bill: the site names no source points (routes.sources)")
    numbered = [(f"B{number:04d}", line) for number, line in enumerate(lines, 1)]
    rows = [_row(name, line) for name, line in numbered]
    (ctx.scratch / CSV).write_text(csv_text(BILL.field_names, rows), encoding="utf-8-sig", newline="")
    counted = counted_words(laid_out_state(ctx.site, ctx.read(HEADS)), remedied=bool(remedy.options))
    (ctx.scratch / XLSX).write_bytes(bill_workbook(numbered, ctx.site.prices.currency, ctx.site.recipient, counted))
    return StepResult(layers={"bill": frame_of(BILL, rows)}, files=[CSV, XLSX], summary=_summary(ctx, lines))


def counted_words(laid_out: PaperState, *, remedied: bool) -> str:
    """Which state the bill counts: heads as they are laid out, and what the remedy changes as lines of its own."""
    words = f"Counted: {laid_out.words}"
    return (
        f"{words}; lines of the section remedy take it to the proposed state, whose spares and maintenance follow"
        if remedied
        else words
    )


def _row(name: str, line: BillLine) -> dict[str, Any]:
    return {
        "line_id": name,
        "section": line.section,
        "zone_id": line.zone_id or None,
        "item": line.item,
        "quantity": line.quantity,
        "unit": line.unit,
        "unit_price": line.price.value,
        "amount": line.amount,
        "price_setting": line.price.setting,
        "price_origin": "site file" if line.price.stated else "placeholder",
        "note": line.note or None,
    }


def _summary(ctx: StepContext, lines: list[BillLine]) -> dict[str, Any]:
    currency = ctx.site.prices.currency
    total = sum(line.amount for line in lines)
    unsure = sum(line.amount for line in lines if not line.price.stated)
    by = {s: sum(line.amount for line in lines if line.section == s) for s in BILL_SECTIONS}
    ctx.say(f"{len(lines)} lines, {total:,.0f} {currency}; {unsure:,.0f} {currency} of it at placeholder prices")
    return {
        "lines": len(lines),
        "total": round(total, 2),
        "at_placeholders": round(unsure, 2),
        "sections": {section: round(amount, 2) for section, amount in by.items()},
        "table": {
            "title": f"bill of quantities, maintenance over {ctx.site.upkeep.years} years",
            "columns": ["section", f"amount [{currency}]"],
            "rows": [*([s, f"{amount:,.0f}"] for s, amount in by.items() if amount), ["all", f"{total:,.0f}"]],
        },
    }


STEP = Step(
    name="bill",
    title="Bill of quantities",
    summary="Lists what the plan takes by zone and for the site, with quantity, price and amount of every item.",
    run=run,
    inputs=(
        LayerIn(HEADS, "heads and posts that are bought"),
        LayerIn(CAMERAS, "cameras that are bought", required=False),
        LayerIn(OPTIONS, "what the remedy recommends", required=False),
        LayerIn(PROPOSED_HEADS, "heads that the remedy sets, adds or moves", required=False),
        LayerIn(WATER_CROSSINGS, "ways for water through the works", required=False),
        LayerIn(ROUTES, "trenches, cables and conduits", required=False),
        LayerIn(UPKEEP, "dated maintenance", required=False),
        LayerIn(UPKEEP_COST, "which maintenance scheme is followed", required=False),
    ),
    outputs=(LayerOut(BILL),),
    files=(
        FileOut(CSV, "table", "The bill as a table; UTF-8, cells safe in spreadsheets."),
        FileOut(
            XLSX, "table", "The bill as a spreadsheet that calculates: prices stand once, sums by zone and section."
        ),
    ),
    uses_terrain=False,
    order=85,
    citations=("Prices: placeholders until the site file gives them", "Office Open XML, ECMA-376 (from memory)"),
    cautions=(
        "A bill is an estimate from a model, no offer: have quantities measured and prices offered before ordering.",
        "What the site file does not give is a placeholder: enter your own prices before relying on a sum.",
    ),
)
