"""What every test may use, and how the processes that run them hold memory and compiled modules."""

import gc
import os

from geotools.engine.memory import rare_collections
from tests.making import make_site

__all__ = ["make_site"]

# The processes that tests start keep what they compile, where the surroundings forbid it: else each of them compiles
# the package anew, a second of processor.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


def pytest_collection_finish() -> None:
    """As the command does; and what has been loaded for thousands of tests is not looked through for dead objects."""
    rare_collections()
    gc.freeze()
