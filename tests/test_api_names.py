"""The names of the public API stay what they are, whatever was imported before."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.shared import made_once

BEFORE = {
    "fresh": "",
    "called before": "geotools.steps()",
    "package": "import geotools.steps",
    "step": "import geotools.steps.gaps.step",
    "by name": "from geotools import steps",
}
#: What everybody who imports the package may do.
CODE = """import geotools
{before}
found = geotools.steps()
assert list(found)[:2] == ['inspect', 'layout'], found
assert list(geotools.steps()) == list(found)
from geotools import steps
assert list(steps()) == list(found)
"""
#: Each in a process of its own, for imports stay; begun as copies of one that has the libraries, but nothing of ours.
EACH = """
import json, os, sys, traceback
import fiona, fpdf, geopandas, highspy, matplotlib.figure, pydantic, pyproj, rasterio, scipy.ndimage, scipy.optimize
import scipy.sparse.csgraph, scipy.spatial, scipy.special
assert not [name for name in sys.modules if name.split(".")[0] == "geotools"]
ends = {}
for name, code in json.loads(sys.argv[1]).items():
    child = os.fork()
    if child == 0:
        try:
            exec(code, {"__name__": "__main__"})
            os._exit(0)
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(1)
    ends[name] = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
with open(sys.argv[2], "w") as file:
    json.dump(ends, file)
"""


@pytest.fixture(scope="module")
def ends(tmp_path_factory: pytest.TempPathFactory) -> dict[str, object]:
    """How the process of each case ended, and what all of them said of faults."""

    def make(folder: Path) -> None:
        codes = json.dumps({name: CODE.format(before=before) for name, before in BEFORE.items()})
        words = [sys.executable, "-c", EACH, codes, str(folder / "ends.json")]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        (folder / "said.txt").write_text(done.stderr)

    folder = made_once(tmp_path_factory, "api_names", make)
    said = (folder / "said.txt").read_text()
    assert (folder / "ends.json").exists(), said
    return json.loads((folder / "ends.json").read_text()) | {"said": said}


@pytest.mark.parametrize("before", BEFORE)
def test_the_steps_can_be_asked_for_at_any_time(before: str, ends: dict[str, object]) -> None:
    """`geotools.steps` names a function and a package of modules."""
    assert ends[before] == 0, ends["said"]
