"""Plain professional English: words that are no terms of the field stand in no message, help, page or layer."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from geotools.cli import cli

ROOT = Path(__file__).parents[1]
#: Each word with what stands in its place; the glossary of the documentation has the terms.
BANNED = {
    r"flood(s|ed|ing)?\b(?!plain)": "illuminate, for beams; fill with water, for drainage",
    r"usual (level|head|beam)s?": "main",
    r"level the ground": "survey the levels",
    r"hand rule": "straight-edge check",
    r"doubts?": "uncertainty",
    r"pieces? of care": "maintenance task",
    r"how the answer moves": "sensitivity",
    r"(is|are|was|were|be|not) seen": "detected; shown",
    r"unseen": "undetected",
    r"stations?(?= (?:\d|\[m\]|post|count))": "chainage",
    r"codes rule": "codes govern",
    r"share by need": "need-to-know",
    r"enlarged": "vertical exaggeration",
    r"(that|setting|height) cannot be(?! \w)": "invalid setting",
    r"(?<!un)told": "stated",
    r"un?asked|asked": "requested; computed",
    r"(?<!un)wanted(?! (?:signal|over|level|one|and))": "required",
    r"lets (somebody|anybody|it|the threat|do)": "leaves undetected; passes",
    r"proven|proves?|proved": "clear in a re-run; demonstrated",
    r"wholly": "what was covered",
    r"(manual|file) wins": "governs",
    r"work(s|ed)? out (their|what|the)": "compute",
    r"that is none": "invalid",
    r"radomes?|rain hoods?|drip holes?|wax(ed|ing)?": "the head type's own words",
}
WORDS = re.compile("|".join(rf"\b(?:{word})\b" if word[-1] != ")" else rf"\b(?:{word})" for word in BANNED), re.I)
#: Names that stand in the text of messages and pages: fields, settings, commands, file names.
NAMES = re.compile(r"`[^`\n]*`|\]\([^)]*\)")
#: Docstrings are for contributors: the words that mean another thing there are left to them.
IN_DOCSTRINGS = re.compile(
    r"\b(usual (level|head|beam)s?|hand rule|pieces? of care|share by need|asked (for|about)|lets somebody|"
    r"level the ground|radomes?|rain hoods?|drip holes?)\b",
    re.I,
)


def docstrings(tree: ast.Module) -> dict[int, str]:
    inner = (ast.Module, ast.ClassDef, ast.FunctionDef)
    return {
        id(node.body[0].value): node.body[0].value.value
        for node in ast.walk(tree)
        if isinstance(node, inner)
        and node.body
        and isinstance(node.body[0], ast.Expr)
        and isinstance(node.body[0].value, ast.Constant)
    }


def said(path: Path) -> list[str]:
    """What a page or a module says to its reader."""
    text = path.read_text("utf-8")
    if path.suffix != ".py":
        return [NAMES.sub("", text)]
    tree = ast.parse(text)
    silent = docstrings(tree)
    held = [n for n in ast.walk(tree) if isinstance(n, ast.Constant) and isinstance(n.value, str)]
    return [NAMES.sub("", n.value) for n in held if id(n) not in silent and " " in n.value.strip()]


def shipped() -> list[Path]:
    pages = [*(ROOT / "docs" / "pages").rglob("*.md"), *(ROOT / "docs" / "pages").rglob("*.ipynb")]
    pages += [ROOT / "README.md", ROOT / "demo_data" / "site.toml"]
    inside = [p for p in (ROOT / "geotools").rglob("*") if p.suffix in (".py", ".md", ".j2", ".txt")]
    return sorted(pages + inside)


@pytest.mark.parametrize(
    "text",
    [
        "the strip the beams flood",
        "Level the ground along the beams",
        "12 pieces of care",
        "How the answer moves",
        "local codes rule",
        "says something that cannot be",
        "what was asked",
        "a number is wanted here",
        "the remedy has proven it",
        "the equipment's manual wins",
        "station [m]",
    ],
)
def test_the_search_finds_what_it_is_for(text):
    assert WORDS.search(text)


@pytest.mark.parametrize(
    "text",
    ["wanted signal over unwanted", "the file cannot be read", "floodplain", "unproven", "a total station", "unwanted"],
)
def test_the_search_leaves_terms_of_the_field_alone(text):
    assert not WORDS.search(text)


def test_no_message_and_no_page_uses_a_banned_word():
    found = {
        f"{path.relative_to(ROOT)}: {text[max(0, m.start() - 40) : m.end() + 30]!r}"
        for path in shipped()
        for text in said(path)
        for m in WORDS.finditer(text)
    }
    assert found == set()


def commands(command: click.Command) -> Iterator[click.Command]:
    yield command
    for inner in getattr(command, "commands", {}).values():
        yield from commands(inner)


def test_no_help_of_a_command_uses_a_banned_word():
    found = {
        f"{command.name}: {m.group()}"
        for command in commands(cli)
        for text in [command.help or "", *(getattr(p, "help", "") or "" for p in command.params)]
        for m in WORDS.finditer(NAMES.sub("", text))
    }
    assert found == set()


def test_no_docstring_uses_what_is_no_english_of_the_field():
    found = {
        f"{path.relative_to(ROOT)}: {m.group()}"
        for path in sorted((ROOT / "geotools").rglob("*.py"))
        for text in docstrings(ast.parse(path.read_text("utf-8"))).values()
        for m in IN_DOCSTRINGS.finditer(text)
    }
    assert found == set()


def test_pages_name_no_registry():
    registry = re.compile(r"\b(PyPI|conda-forge|npm|CRAN|crates\.io)\b", re.I)
    pages = [*(ROOT / "docs").rglob("*.md"), *(ROOT / "tests" / "data").rglob("*.md"), ROOT / "README.md"]
    assert [path.name for path in pages if registry.search(path.read_text("utf-8"))] == []
