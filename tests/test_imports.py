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

#: What each layer of the house may import of ours. A module is matched by its longest prefix here.
ALLOWED: dict[str, set[str]] = {
    "errors": {"text"},
    "text": set(),
    "beam": {"beam", "errors"},
    "schema": {"schema", "errors"},
    "site": {"site", "errors", "files", "beam", "text"},
    "files": {"errors"},
    "crs": {"errors"},
    "corridor": {"errors"},
    "step": {"schema", "errors"},
}
SCREEN = {"cli", "commands", "manual", "screen", "__main__"}


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


@pytest.mark.parametrize("path", [f for f in FILES if layer_of(f) in ALLOWED], ids=lambda p: str(p.relative_to(ROOT)))
def test_lower_layers_import_only_what_lies_below(path: Path) -> None:
    assert modules_of(path) <= ALLOWED[layer_of(path)]


@pytest.mark.parametrize("path", sorted(ROOT.glob("steps/*/*.py")), ids=lambda p: str(p.relative_to(ROOT)))
def test_no_step_reaches_into_another(path: Path) -> None:
    own = f"geotools.steps.{path.parent.name}"
    tree = ast.parse(path.read_text(encoding="utf-8"))
    reached = [n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) and n.module]
    strange = [m for m in reached if m.startswith("geotools.steps.") and not (m + ".").startswith(own + ".")]
    assert not strange
    assert not modules_of(path) & (SCREEN | {"runner", "batch", "gis"})


@pytest.mark.parametrize(
    "path",
    [f for f in FILES if layer_of(f) not in SCREEN | {"gis", "batch"} and f.name != "command.py"],
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
