"""What every test may use, and how the processes that run them hold memory and compiled modules."""

import gc
import os
from collections.abc import Iterator
from contextlib import nullcontext

import pytest

from geotools.engine import second
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


@pytest.fixture(scope="session", autouse=True)
def _no_second_process() -> Iterator[None]:
    """The command, called in the process of a test, starts no helper: the tests keep all processors busy as it is.

    The helper's own tests take the real one (`tests/engine/test_second.py`), and so does every command that is started.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(second, "second_process", nullcontext)
        yield
