"""Everything that goes on paper: one kind of document, of page, of frame, title block, scale bar and north arrow.

Pages are set by fpdf2: text stays text, a millimetre on the sheet is a millimetre, and equal content gives equal bytes.
"""

from geotools.io.paper.document import FONT, Document
from geotools.io.paper.furniture import north_arrow, scale_bar
from geotools.io.paper.panel import Box, Panel
from geotools.io.paper.sheet import Sheet
from geotools.io.paper.title_block import TitleBlock

__all__ = [
    "FONT",
    "Box",
    "Document",
    "Panel",
    "Sheet",
    "TitleBlock",
    "north_arrow",
    "scale_bar",
]
