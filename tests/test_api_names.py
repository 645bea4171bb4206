"""The names of the public API stay what they are, whatever was imported before."""

from __future__ import annotations

import subprocess
import sys

import pytest


@pytest.mark.parametrize(
    "before",
    ["", "geotools.steps()", "import geotools.steps", "import geotools.steps.gaps.step", "from geotools import steps"],
    ids=["fresh", "called before", "package", "step", "by name"],
)
def test_the_steps_can_be_asked_for_at_any_time(before: str) -> None:
    """`geotools.steps` names a function and a package of modules; in a process of its own, for imports stay."""
    code = (
        f"import geotools\n{before}\nfound = geotools.steps()\nassert list(found)[:2] == ['inspect', 'layout'], found\n"
    )
    code += (
        "assert list(geotools.steps()) == list(found)\nfrom geotools import steps\nassert list(steps()) == list(found)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
