"""What is woven into pages as they are built: links to the glossary, and tables made from declarations."""

from __future__ import annotations

import re
from collections.abc import Callable

#: Terms that are ordinary words as well: the glossary has them, pages do not link them.
ORDINARY = {
    *("clear", "level", "option", "overlap", "margin", "cut", "fill", "survey", "detected", "undetected"),
    *("conflict", "offset", "junction", "strip", "target", "head", "uncertainty"),
}
_ROW = re.compile(r"^\| (?P<terms>[^|]+?) \| (?P<meaning>[^|]+?) \|$", re.M)
#: What no term is linked in: code, links, pictures, attributes, raw HTML.
_KEPT = re.compile(r"`[^`]*`|!?\[[^\]]*\]\([^)]*\)(?:\{[^}]*\})?|<[^>]*>|\{[^}]*\}|https?://\S+")
#: A table that is made from declarations stands in the page, so that the page can be read as it is.
_MADE = re.compile(r"^<!-- made: (?P<name>[\w ]+) -->\n\n(?P<table>(?:\|.*\n)*\n?)", re.M)


def anchor(terms: str) -> str:
    """The anchor of a row of the glossary."""
    return re.sub(r"[^a-z0-9]+", "-", terms.lower()).strip("-")


def glossary_terms(page: str) -> dict[str, str]:
    """Each term of the glossary's table with its anchor."""
    rows = [m["terms"] for m in _ROW.finditer(page) if m["terms"] not in ("term", "---")]
    return {term.strip(): anchor(row) for row in rows for term in row.split(",")}


def anchored(page: str) -> str:
    """The glossary with an anchor in each row."""

    def row(m: re.Match[str]) -> str:
        if m["terms"] in ("term", "---"):
            return m[0]
        return f'| <span id="{anchor(m["terms"])}"></span>**{m["terms"]}** | {m["meaning"]} |'

    return _ROW.sub(row, page)


def linked(page: str, terms: dict[str, str], to_glossary: str) -> str:
    """The page with each term linked to the glossary where its prose uses it first.

    Headings, tables, code, captions of pictures and what is a link already stay as they are.
    """
    left = {term: name for term, name in terms.items() if term not in ORDINARY}
    if not left:
        return page
    longest_first = sorted(left, key=len, reverse=True)
    words = re.compile(rf"\b({'|'.join(map(re.escape, longest_first))})s?\b", re.I)
    out, fenced = [], False
    for line in page.split("\n"):
        if line.startswith("```"):
            fenced = not fenced
        if fenced or re.match(r"[#|!<`*]|    |\s*$", line):
            out.append(line)
            continue
        out.append(_linked_line(line, words, left, to_glossary))
    return "\n".join(out)


def _linked_line(line: str, words: re.Pattern[str], left: dict[str, str], to_glossary: str) -> str:
    def link(m: re.Match[str]) -> str:
        name = left.pop(m[1].lower(), None)
        if name is None:
            return m[0]
        for other in [term for term, at in left.items() if at == name]:
            del left[other]
        return f"[{m[0]}]({to_glossary}#{name}){{ .term }}"

    parts, at = [], 0
    for kept in _KEPT.finditer(line):
        parts += [words.sub(link, line[at : kept.start()]), kept[0]]
        at = kept.end()
    return "".join([*parts, words.sub(link, line[at:])])


def survey_needs() -> str:
    """How fine and how accurate a terrain model has to be, threat by threat, as `inspect` compares it."""
    from geotools.cli.markdown import table
    from geotools.site.catalogue import default_targets
    from geotools.steps.inspect.kernel import SHORTEST_DIP_M

    rows = []
    for name, words in (("walk", "on foot"), ("crawl", "on hands and knees"), ("prone", "lying flat")):
        body = default_targets()[name]
        rows.append((f"{name}: {words}, {body.height_m:g} m high", f"{SHORTEST_DIP_M / 2:g} m or finer",
                     f"{body.straightness_m:g} m or better"))  # fmt: skip
    return table(("to detect", "cells", "vertical accuracy (95 %)"), rows)


def tolerances() -> str:
    """What may be off in the works, with setting and default."""
    from geotools.cli.markdown import cell, table
    from geotools.site import Site
    from geotools.site.template import section_settings, subsections

    grading = next(kind for name, _, kind in subsections(Site) if name == "grading")
    held = {s.name: s for s in section_settings(grading)}
    names = ("build_tolerance_m", "settlement_m", "head_tolerance_m")
    rows = [(cell(held[n].help), f"`grading.{n}`", f"{held[n].default} m") for n in names]
    return table(("what may be off", "setting", "default"), rows)


MADE: dict[str, Callable[[], str]] = {"survey needs": survey_needs, "tolerances": tolerances}


def filled(page: str) -> str:
    """The page with every table that is made from declarations as the declarations have it now."""
    return _MADE.sub(lambda m: f"<!-- made: {m['name']} -->\n\n{MADE[m['name']]().strip()}\n\n", page)
