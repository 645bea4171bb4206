"""The commands, outputs and pictures of a page, in the order a reader meets them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

#: A page says beneath a command what of its output it shows, and beneath that shows it.
_OUTPUT = (
    r'(?:\n+<!-- output(?: from "(?P<first>[^"]*)")?(?: to (?:(?P<nth>\d+)\. )?"(?P<last>[^"]*)")?'
    r"(?: exit (?P<exit>\d+))? -->"
    r"\n+```text\n(?P<shown>.*?)^```$)?"
)
_COMMAND = (
    r"(?:^<!-- played elsewhere: (?P<elsewhere>[^>]*) -->\n+)?^```(?P<kind>bash|python)\n(?P<command>.*?)^```$"
    + _OUTPUT
)
_PICTURE = r"!\[(?P<words>[^\]]*)\]\((?P<link>[\w./-]*pictures/(?P<picture>[\w-]+\.png))\)"
_ITEM = re.compile(f"{_COMMAND}|{_PICTURE}", re.M | re.S)
#: What differs from one run to the next without meaning anything.
_TIME = re.compile(r"\b\d+(\.\d+)? s\b")


@dataclass(frozen=True)
class Command:
    """A command block: what is typed, which part of its output the page shows, and where in the page that stands.

    span : start and end of the shown output in the page's text, None where none is shown.
    nth : which of the lines that hold the last word ends the part.
    elsewhere : what runs the command instead, empty where it is played.
    """

    text: str
    line: int
    shown: str | None
    span: tuple[int, int] | None
    first: str | None
    last: str | None
    nth: int
    code: int
    elsewhere: str

    def part_of(self, output: str) -> str:
        """The part of an output that the page shows: from one line to another, both named by a word they hold."""
        lines = output.splitlines()
        start = _found(lines, self.first, 0, self.line) if self.first else 0
        end = start - 1 if self.last else len(lines) - 1
        for _ in range(self.nth if self.last else 0):
            end = _found(lines, self.last or "", end + 1, self.line)
        return "\n".join(line.rstrip() for line in lines[start : end + 1]) + "\n"


@dataclass(frozen=True)
class Picture:
    """A picture of a page that is drawn from what the commands before it made."""

    name: str
    words: str
    line: int


def _found(lines: list[str], word: str, start: int, at: int) -> int:
    for number in range(start, len(lines)):
        if word in lines[number]:
            return number
    raise SystemExit(f"line {at}: no line of the output holds {word!r}; the output was:\n" + "\n".join(lines))


def items(text: str) -> list[Command | Picture]:
    """Commands and pictures of a page in their order."""
    found: list[Command | Picture] = []
    for m in _ITEM.finditer(text):
        line = text.count("\n", 0, m.start()) + 1
        if m["picture"]:
            found.append(Picture(m["picture"], m["words"], line))
            continue
        span = None if m["shown"] is None else m.span("shown")
        typed = m["command"] if m["kind"] == "bash" else f"python - <<'END'\n{m['command']}END\n"
        found.append(
            Command(
                typed,
                line,
                m["shown"],
                span,
                m["first"],
                m["last"],
                int(m["nth"] or 1),
                int(m["exit"] or 0),
                m["elsewhere"] or "",
            )
        )
    return found


def alike(one: str, other: str) -> bool:
    """Whether two outputs say the same but for the time they took."""
    return _TIME.sub("N s", one) == _TIME.sub("N s", other)


def pages(root: Path) -> list[Path]:
    """README and every hand-written page that shows what its own commands print or make."""
    return [page for page in _written(root) if is_played(page)]


def drawn_pages(root: Path) -> list[Path]:
    """Every other page that shows pictures drawn for it: they are drawn from what the front page's commands made."""
    shown = {page: items(page.read_text("utf-8")) for page in _written(root) if not is_played(page)}
    return [page for page, held in shown.items() if any(isinstance(item, Picture) for item in held)]


def _written(root: Path) -> list[Path]:
    return [root / "README.md", *sorted((root / "docs" / "pages").rglob("*.md"))]


def is_played(page: Path) -> bool:
    """Whether a page shows what its own commands print or make."""
    held = items(page.read_text("utf-8"))
    played = [item for item in held if isinstance(item, Command) and not item.elsewhere]
    return bool(played) and any(isinstance(item, Picture) or item.shown is not None for item in held)


def pictures(page: Path) -> set[str]:
    """Names of the pictures a page shows."""
    return {item.name for item in items(page.read_text("utf-8")) if isinstance(item, Picture)}
