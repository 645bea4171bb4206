"""The notebook of the documentation does the demonstration's job, as it is printed."""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

import geotools
from geotools.cli.demo import FILES, demo_folder

NOTEBOOK = Path(geotools.__file__).parents[1] / "docs" / "pages" / "tutorials" / "notebook.ipynb"


def test_it_runs_and_shows_what_it_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "demo_data").mkdir()
    for name in FILES:
        shutil.copy(demo_folder() / name, tmp_path / "demo_data")
    root = str(Path(geotools.__file__).parents[1])
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(filter(None, [root, os.environ.get("PYTHONPATH")])))
    monkeypatch.setenv("MPLBACKEND", "module://matplotlib_inline.backend_inline")
    notebook = nbformat.read(NOTEBOOK, as_version=4)
    assert len(notebook.cells) == 12
    assert all(not cell.get("outputs") for cell in notebook.cells), "outputs are not kept in the repository"
    NotebookClient(notebook, timeout=900, resources={"metadata": {"path": str(tmp_path)}}).execute()

    shown = [cell.outputs for cell in notebook.cells if cell.cell_type == "code"]
    pages = ["".join(out.get("data", {}).get("text/html", "") for out in outputs) for outputs in shown]
    pictures = ["image/png" in out.get("data", {}) for outputs in shown for out in outputs]
    assert "Plan after layout" in pages[1] and "spot_id" in pages[2]
    assert "leaflet" in pages[3] and "F01-Z0" in pages[3]
    assert "tile.openstreetmap" not in pages[3] and "L.tileLayer(" not in pages[3]  # no map server learns the place
    assert sum(pictures) >= 2
    printed = "".join(out.get("text", "") for out in shown[5] if out.get("name") == "stdout")
    before, after = map(float, re.findall(r"^dead length .*: ([\d.]+) m$", printed, flags=re.M))
    assert after < before
    plan = geotools.open_plan(tmp_path / "notebook_plan")
    assert len(plan.advice) > 0 and plan.crawl_gap.count == 2
