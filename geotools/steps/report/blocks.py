"""What a report is made of, whichever paper or screen it ends on."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

__all__ = [
    "HTML",
    "PDF",
    "SECTIONS",
    "Block",
    "Fact",
    "Facts",
    "Heading",
    "Notes",
    "Picture",
    "Report",
    "Table",
    "Text",
    "anchor",
]

#: Its files, and the folder of the pictures of zones.
HTML, PDF, SECTIONS = "report.html", "report.pdf", "sections/"


@dataclass(frozen=True)
class Heading:
    """Level 1 starts a sheet, on paper a new page unless it ``flows`` on; level 2 starts a part of it."""

    text: str
    level: int = 1
    flows: bool = False


@dataclass(frozen=True)
class Text:
    """A paragraph in plain words."""

    text: str


@dataclass(frozen=True)
class Notes:
    """A list of sentences; ``kind`` "caution" is set apart so that it is not passed over."""

    items: tuple[str, ...]
    kind: str = "plain"
    title: str = ""


@dataclass(frozen=True)
class Fact:
    """One figure of the answer; state: "good", "bad", "open", or "" where there is nothing to judge."""

    label: str
    value: str
    note: str = ""
    state: str = ""


@dataclass(frozen=True)
class Facts:
    """Figures side by side."""

    facts: tuple[Fact, ...]


@dataclass(frozen=True)
class Table:
    """A table; every row has a cell for each column, ``numeric`` columns are set flush right.

    ``aside``: detail that a screen shows only when opened.
    """

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: frozenset[int] = frozenset()
    aside: bool = False

    @classmethod
    def of(cls, caption: str, columns: Sequence[str], rows: Sequence[Sequence[str]], *, aside: bool = False) -> Table:
        """A table whose columns of nothing but numbers are found by their look."""
        number = re.compile(r"^[-−+]?\d[\d\u202f]*(\.\d+)?( ?%)?$|^[–-]?$")
        numeric = {
            i for i in range(len(columns)) if rows and all(number.match(r[i]) for r in rows) and any(r[i] for r in rows)
        }
        return cls(caption, tuple(columns), tuple(tuple(r) for r in rows), frozenset(numeric), aside)

    def turned(self) -> Table:
        """The same table with its columns as rows, for few rows of many fields; the first column makes the heading."""
        head, *body = zip(self.columns, *self.rows, strict=True)
        return Table.of(self.caption, head, body, aside=self.aside)


@dataclass(frozen=True)
class Picture:
    """A drawing in three cuts: SVG for a desk, SVG for a phone, PNG for paper; ``alt`` says in words what it shows.

    ``most`` : share of a sheet's height that it may take.
    """

    alt: str
    caption: str
    wide_svg: bytes
    narrow_svg: bytes
    png: bytes
    most: float = 1.0


Block = Heading | Text | Notes | Facts | Table | Picture


@dataclass
class Report:
    """A title, a line under it, and the blocks in reading order."""

    title: str
    subtitle: str
    made: str
    blocks: list[Block] = field(default_factory=list)
    #: Whom the paper is for, written across each page.
    recipient: str = ""

    def sheets(self) -> list[Heading]:
        """Level-1 headings in order: the table of contents."""
        return [b for b in self.blocks if isinstance(b, Heading) and b.level == 1]


def anchor(text: str) -> str:
    """A heading's place in the page: letters, digits and dashes."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-") or "sheet"
