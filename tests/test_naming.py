"""One name a thing: no class name stands twice, and no function asks for more than a person can hold in mind."""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

PACKAGE = Path(__file__).parents[1] / "geotools"
MOST_PARAMETERS = 7


def parsed() -> Iterator[tuple[str, ast.Module]]:
    for path in sorted(PACKAGE.rglob("*.py")):
        yield path.relative_to(PACKAGE).as_posix(), ast.parse(path.read_text("utf-8"))


def parameters(function: ast.FunctionDef | ast.AsyncFunctionDef) -> list[str]:
    asked = function.args
    named = [one.arg for one in (*asked.posonlyargs, *asked.args, *asked.kwonlyargs) if one.arg not in ("self", "cls")]
    return named + [one.arg for one in (asked.vararg, asked.kwarg) if one is not None]


def over(files: Iterator[tuple[str, ast.Module]]) -> dict[str, int]:
    return {
        f"{name} {node.name}": len(parameters(node))
        for name, tree in files
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and len(parameters(node)) > MOST_PARAMETERS
    }


def twice(files: Iterator[tuple[str, ast.Module]]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = defaultdict(list)
    for name, tree in files:
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef):
                found[node.name].append(f"{name}:{node.lineno}")
    return {name: places for name, places in found.items() if len(places) > 1}


def test_no_class_name_stands_twice():
    assert twice(parsed()) == {}


def test_no_function_has_more_than_seven_parameters():
    assert over(parsed()) == {}


def test_the_checks_can_fail():
    eight = ast.parse("class A:\n    def f(self, a, b, /, c, d, *e, g, h, **i): ...\n")
    seven = ast.parse("class A:\n    def f(self, a, b, /, c, d, *e, g, h): ...\n")
    assert over(iter([("x.py", eight), ("y.py", seven)])) == {"x.py f": 8}
    assert twice(iter([("x.py", eight), ("y.py", seven)])) == {"A": ["x.py:1", "y.py:1"]}
