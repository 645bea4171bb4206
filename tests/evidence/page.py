"""What a section of the evidence page is made of."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from matplotlib.figure import Figure


@dataclass(frozen=True)
class Check:
    """One figure held against its limit; ``value`` must not exceed ``limit``."""

    what: str
    value: float
    limit: float
    unit: str
    source: str

    @property
    def met(self) -> bool:
        return bool(self.value <= self.limit)


@dataclass
class Section:
    """A heading, words, checks."""

    title: str
    parts: list[str] = field(default_factory=list)
    checks: list[Check] = field(default_factory=list)

    def say(self, text: str) -> None:
        self.parts.append(text)

    def table(self, columns: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
        lines = ["| " + " | ".join(columns) + " |", "|" + "---|" * len(columns)]
        lines += ["| " + " | ".join(str(cell) for cell in row) + " |" for row in rows]
        self.parts.append("\n".join(lines))

    def picture(self, folder: Path, name: str, figure: Figure, caption: str) -> None:
        figure.tight_layout()
        figure.savefig(folder / name, dpi=90, bbox_inches="tight", metadata={"Software": None})
        self.parts.append(f"![{caption}]({folder.name}/{name})\n\n*{caption}*")

    def check(self, what: str, value: float, limit: float, unit: str, source: str) -> None:
        self.checks.append(Check(what, float(value), limit, unit, source))

    def markdown(self) -> str:
        parts = [f"## {self.title}", *self.parts]
        if self.checks:
            lines = ["| check | found | limit | held against | |", "|---|---|---|---|---|"]
            for c in self.checks:
                lines.append(
                    f"| {c.what} | {c.value:.3g} {c.unit} | {c.limit:g} {c.unit} | {c.source} "
                    f"| {'met' if c.met else '**not met**'} |"
                )
            parts.append("\n".join(lines))
        return "\n\n".join(parts)
