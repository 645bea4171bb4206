"""Imports go one way, and only the command line prints."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import geotools

ROOT = Path(geotools.__file__).parent
FILES = sorted(ROOT.rglob("*.py"))

#: The parts of the house from the ground up. A module may import its own part and those below; nothing else.
FLOORS: tuple[frozenset[str], ...] = tuple(
    frozenset(names.split())
    for names in (
        "errors",
        "io corridor beam",
        "terrain plan",
        "site",
        "engine",
        "detection",
        "earthwork",
        "steps gis",
        "cli",
    )
)
SCREEN = {"cli", "__main__"}


def modules_of(path: Path) -> set[str]:
    """First part below `geotools` of everything a file of ours imports at run time."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    typing_only = {
        child
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING"
        for child in ast.walk(node)
    }
    found = set()
    for node in ast.walk(tree):
        if node in typing_only:
            continue
        names = []
        if isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            names = (
                [f"{node.module}.{alias.name}" for alias in node.names] if node.module == "geotools" else [node.module]
            )
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        found |= {name.split(".")[1] for name in names if name.startswith("geotools.")}
    return found - {"__version__"}


def layer_of(path: Path) -> str:
    return path.relative_to(ROOT).parts[0].removesuffix(".py")


def floor_of(part: str) -> int:
    return next(number for number, parts in enumerate(FLOORS) if part in parts)


def test_the_house_has_no_other_parts() -> None:
    """Fifteen entries at most, each with its floor: what is added has to say where it stands."""
    entries = {p.name.removesuffix(".py") for p in ROOT.iterdir() if p.suffix == ".py" or (p / "__init__.py").is_file()}
    assert entries - {"__init__", "__main__"} == set().union(*FLOORS)


@pytest.mark.parametrize(
    "path", [f for f in FILES if layer_of(f) not in ("__init__", "__main__")], ids=lambda p: str(p.relative_to(ROOT))
)
def test_imports_go_down_alone(path: Path) -> None:
    """Every module: its own part, or one on a floor below."""
    own = layer_of(path)
    wrong = {part for part in modules_of(path) - {own} if floor_of(part) >= floor_of(own)}
    assert not wrong


@pytest.mark.parametrize("path", sorted(ROOT.glob("steps/*/*.py")), ids=lambda p: str(p.relative_to(ROOT)))
def test_no_step_reaches_into_another(path: Path) -> None:
    own = f"geotools.steps.{path.parent.name}"
    tree = ast.parse(path.read_text(encoding="utf-8"))
    reached = [n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) and n.module]
    strange = [m for m in reached if m.startswith("geotools.steps.") and not (m + ".").startswith(own + ".")]
    assert not strange
    assert not modules_of(path) & (SCREEN | {"gis"})
    assert "geotools.engine.runner" not in reached


@pytest.mark.parametrize(
    "path",
    [f for f in FILES if layer_of(f) not in SCREEN | {"gis"}],
    ids=lambda p: str(p.relative_to(ROOT)),
)
def test_nothing_below_the_command_line_prints_or_knows_it(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    calls = [n.func.id for n in ast.walk(tree) if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)]
    assert "print" not in calls
    imported = {a.name.split(".")[0] for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
    imported |= {n.module.split(".")[0] for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) and n.module}
    assert not imported & {"click", "rich"}
    assert not modules_of(path) & SCREEN


def test_beam_needs_numpy_and_scipy_alone() -> None:
    code = (
        "import sys, geotools.beam\n"
        "heavy = {'geopandas', 'pandas', 'rasterio', 'fiona', 'shapely', 'pyproj', 'click', 'pydantic', 'matplotlib'}\n"
        "sys.exit(', '.join(sorted(heavy & set(sys.modules))) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
