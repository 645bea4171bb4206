"""The drawing is the same bytes whatever order a process keeps its sets in."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

_DRAW = """
import sys
import ezdxf
from geotools.earthwork.drawing import _text
drawing = ezdxf.new("R2010", setup=["linetypes"])
drawing.ezdxf_metadata()["CREATED_BY_EZDXF"] = ezdxf.__version__
drawing.layers.add("cut").rgb = (1, 2, 3)
drawing.modelspace().add_lwpolyline([(0.0, 0.0), (1.0, 2.0)], dxfattribs={"layer": "cut"})
sys.stdout.write(_text(drawing))
"""


def test_a_drawing_does_not_hang_on_the_order_of_sets():
    path = os.pathsep.join([str(Path(__file__).parents[3]), os.environ.get("PYTHONPATH", "")])
    made = [
        subprocess.run(
            [sys.executable, "-c", _DRAW],
            env={**os.environ, "PYTHONPATH": path, "PYTHONHASHSEED": str(seed)},
            capture_output=True,
            check=True,
        ).stdout
        for seed in (1, 4)  # by which the sets of the library differ
    ]
    assert b"AcDbPolyline" in made[0] and b"{00000000-0000" not in made[0]
    assert len({hashlib.sha256(one).hexdigest() for one in made}) == 1
