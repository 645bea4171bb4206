"""The example of a step from another distribution: declared as its page says, and its points are where they belong."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
from shapely import LineString

import geotools
from geotools.plan.schema import VERDICTS
from geotools.plan.workspace import frame_of

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "docs" / "examples" / "patrol"


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    """What installing it leaves behind: its modules on the path, and its entry points as pyproject.toml has them."""
    project = tomllib.loads((EXAMPLE / "pyproject.toml").read_text("utf-8"))["project"]
    info = tmp_path / "site" / f"{project['name'].replace('-', '_')}-{project['version']}.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {project['name']}\nVersion: {project['version']}\n")
    points = project["entry-points"]["geotools.steps"]
    (info / "entry_points.txt").write_text("[geotools.steps]\n" + "".join(f"{k} = {v}\n" for k, v in points.items()))
    places = [str(info.parent), str(EXAMPLE / "src"), str(Path(geotools.__file__).parents[1])]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(places)}


def test_it_is_a_command_and_a_function_with_a_manual(environment, tmp_path):
    code = """
import json, inspect, geotools
from geotools.cli import cli
from geotools.cli.manual import pages
made = pages(cli)
assert "every-m" in made["manual/steps/patrol.md"] and "no detection" in made["manual/steps/patrol.md"]
assert str(inspect.signature(geotools.patrol)).count("every_m: float = 20.0") == 1
"""
    done = subprocess.run([sys.executable, "-W", "ignore", "-c", code], env=environment, capture_output=True, text=True,
                          check=False)  # fmt: skip
    assert done.returncode == 0, done.stderr


def test_every_stretch_that_is_not_detected_gets_its_points(monkeypatch):
    monkeypatch.syspath_prepend(str(EXAMPLE / "src"))
    from geotools_patrol import STEP
    from geotools_patrol.kernel import places

    assert places(10.0, 20.0) == [5.0] and places(50.0, 20.0) == [50 / 6, 25.0, 250 / 6]
    line = {"fence_id": "F01", "zone_id": "F01-Z001", "threat": "all", "confidence": 1.0, "field": "2d"}
    stretches = [(0.0, 30.0, "detected"), (30.0, 80.0, "undetected"), (80.0, 90.0, "unproven")]
    rows = [
        line | {"verdict_id": f"V{n}", "from_m": a, "to_m": b, "verdict": v, "geometry": LineString([(a, 0), (b, 0)])}
        for n, (a, b, v) in enumerate(stretches)
    ]
    crs = "EPSG:32632"
    frame = frame_of(VERDICTS, rows, crs)

    class Context:
        """Hands the step one layer and keeps what it says."""

        params = STEP.validate_params({})
        workspace = type("Workspace", (), {"work_crs": crs})

        def read(self, schema):
            return frame

        def say(self, text):
            assert text == "4 points where a patrol looks in"

    made = STEP.run(Context()).layers["patrol_points"]
    assert np.allclose(made["along_m"], made.geometry.x) and made["verdict"].tolist() == ["undetected"] * 3 + [
        "unproven"
    ]
