"""The list of commands comes at once: what is heavy is loaded when a command needs it."""

import subprocess
import sys

import pytest

from geotools.engine.step import discover
from geotools.engine.step_names import step_summaries

HEAVY = ("numpy", "pandas", "scipy", "shapely", "rasterio", "pyproj", "matplotlib", "pydantic")


@pytest.mark.parametrize("words", ["--help", "steps", "--version"])
def test_the_list_of_commands_loads_no_heavy_library(words):
    code = (
        "import sys\nfrom geotools.cli import cli\n"
        f"cli([{words!r}], prog_name='geotools', standalone_mode=False)\n"
        f"print('loaded:', sorted(set({HEAVY!r}) & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "loaded: []"


def test_the_list_says_what_the_steps_declare():
    assert step_summaries() == {name: step.summary for name, step in discover().items()}
    assert list(step_summaries()) == list(discover())


def test_a_step_loads_no_library_that_draws_before_something_is_drawn():
    code = (
        "import sys\nfrom geotools.engine.step import discover\ndiscover()\n"
        "drawing = {'matplotlib', 'fpdf', 'plotly', 'ezdxf', 'PIL', 'contourpy'}\n"
        "print('loaded:', sorted(drawing & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "loaded: []"
