"""The layer that says what the plan costs."""

from __future__ import annotations

from geotools.plan.schema.core import Field, LayerSchema

BILL_SECTIONS = ("heads and posts", "cameras", "cable routes", "remedy", "spares", "maintenance")

BILL = LayerSchema(
    name="bill",
    title="Bill of quantities",
    description=(
        "What the plan takes, by zone and for the site: quantity, unit price and amount of every item. A price that "
        "the site file does not state is a placeholder."
    ),
    geometry=None,
    key="line_id",
    made_by="bill",
    fields=(
        Field("line_id", "text", "line of the bill, numbered", nullable=False),
        Field("section", "text", "part of the bill", choices=BILL_SECTIONS, nullable=False),
        Field("zone_id", "text", "zone it belongs to; empty for the site as a whole"),
        Field("item", "text", "what it is", nullable=False),
        Field("quantity", "real", "how much of it", nullable=False),
        Field("unit", "text", "unit of the quantity", choices=("piece", "m", "m2", "m3", "h", "sum"), nullable=False),
        Field("unit_price", "real", "price of one unit", "currency of the site file", nullable=False),
        Field("amount", "real", "quantity times unit price", "currency of the site file", nullable=False),
        Field("price_setting", "text", "setting of the site file that holds the price", nullable=False),
        Field(
            "price_origin",
            "text",
            "whether the site file states the price, or it is the toolkit's placeholder",
            choices=("site file", "placeholder"),
            nullable=False,
        ),
        Field("note", "text", "what the quantity counts, where the item does not say it"),
    ),
)
