"""`python -m docs.shown.spelling` looks the words of the built pages up with hunspell, British English; no code.

Terms and names that no dictionary has stand in `docs/words.txt`, one a line.
"""

from __future__ import annotations

import re
import subprocess
import sys
from collections import defaultdict
from html.parser import HTMLParser
from pathlib import Path

DOCS = Path(__file__).parents[1]
WORDS = DOCS / "words.txt"
#: What holds no prose: code, drawings, and what the theme brings along.
_SILENT = {"code", "pre", "script", "style", "svg", "nav", "header", "footer", "form", "label", "title"}
_WORD = re.compile(r"(?<![\w./:@-])[A-Za-z][a-z]+(?:'[a-z]+)?(?![\w/:@]|\.\w)")


class Prose(HTMLParser):
    """Text of a page that is read as words."""

    def __init__(self) -> None:
        super().__init__()
        self.silent: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Step into an element; headings' link marks hold no words."""
        if tag in _SILENT or (tag == "a" and ("class", "headerlink") in attrs):
            self.silent.append(tag)
        self.text.append(" ")

    def handle_endtag(self, tag: str) -> None:
        """Step out of it."""
        if self.silent and self.silent[-1] == tag:
            self.silent.pop()

    def handle_data(self, data: str) -> None:
        """Keep what is read."""
        if not self.silent:
            self.text.append(data)


def words_of(html: str) -> set[str]:
    """Words of a page, as they are written; names with digits, dots or underscores in them are none."""
    page = Prose()
    page.feed(html)
    return set(_WORD.findall("".join(page.text).replace("’", "'")))


def unknown(words: set[str], known: Path = WORDS) -> set[str]:
    """Those words that neither the dictionary nor the list has."""
    own = {line.strip().lower() for line in known.read_text("utf-8").splitlines() if line.strip()}
    # a dictionary has "fence's" and lacks "stretch's": the word itself is looked up
    bare = {word: re.sub(r"'s?$", "", word) for word in words}
    asked = sorted({word for word in bare.values() if word.lower() not in own})
    done = subprocess.run(
        ["hunspell", "-d", "en_GB", "-i", "utf-8", "-l"],
        input="\n".join(asked),
        capture_output=True,
        text=True,
        check=True,
    )
    strange = set(done.stdout.split())
    return {word for word, looked_up in bare.items() if looked_up in strange}


def main() -> None:
    """Look up, and name each word with the pages it stands on."""
    held: dict[str, set[str]] = defaultdict(set)
    for path in sorted((DOCS / ".site").rglob("*.html")):
        for word in words_of(path.read_text("utf-8")):
            held[word].add(path.relative_to(DOCS / ".site").as_posix())
    if not held:
        sys.exit("no page is built: run mkdocs first")
    strange = unknown(set(held))
    for word in sorted(strange, key=str.lower):
        print(f"{word}: {', '.join(sorted(held[word])[:3])}")
    if strange:
        sys.exit(f"{len(strange)} words are in no dictionary: mend them, or add the terms to docs/words.txt")
    print(f"{len(held)} words looked up")


if __name__ == "__main__":
    main()
