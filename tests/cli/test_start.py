"""The list of commands comes at once: what is heavy is loaded when a command needs it."""

import subprocess
import sys

import pytest

from geotools.engine.step import discover
from geotools.engine.step_names import step_summaries

HEAVY = ("numpy", "pandas", "scipy", "shapely", "rasterio", "pyproj", "matplotlib", "pydantic")


def loaded_by(code: str, names) -> str:
    """Which of these libraries a process of its own has loaded after the code, as a list in words."""
    code = f"import sys\n{code}\nprint('loaded:', sorted(set({tuple(names)!r}) & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout.splitlines()[-1]


@pytest.mark.parametrize("words", ["--help", "steps", "--version"])
def test_the_list_of_commands_loads_no_heavy_library(words):
    code = f"from geotools.cli import cli\ncli([{words!r}], prog_name='geotools', standalone_mode=False)"
    assert loaded_by(code, HEAVY) == "loaded: []"


def test_the_list_says_what_the_steps_declare():
    assert step_summaries() == {name: step.summary for name, step in discover().items()}
    assert list(step_summaries()) == list(discover())


def test_a_step_loads_no_library_that_draws_before_something_is_drawn():
    code = "from geotools.engine.step import discover\ndiscover()"
    assert loaded_by(code, ("matplotlib", "fpdf", "plotly", "ezdxf", "PIL", "contourpy")) == "loaded: []"
