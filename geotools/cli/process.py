"""What the command needs of its process: streams that take any name, requests to end, no words of others."""

from __future__ import annotations

import io
import os
import signal
import sys
import warnings
from typing import NoReturn

__all__ = ["prepare_process"]


def prepare_process() -> None:
    """Set up standard output and error, signals and warnings."""
    _any_name()
    _end_on_request()
    _no_foreign_words()


def _any_name() -> None:
    """A name that the console's code page lacks is shown by its code; it must not end a run."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _terminated(*_: object) -> NoReturn:
    raise KeyboardInterrupt


def _end_on_request() -> None:
    """A polite request to end puts temporary files away as Ctrl-C does.

    From the desktop GIS or a scheduler, or because the terminal was closed, unless the run is to outlast that.
    """
    signal.signal(signal.SIGTERM, _terminated)
    hang_up = getattr(signal, "SIGHUP", None)  # not on every system
    if hang_up is not None and signal.getsignal(hang_up) != signal.SIG_IGN:
        signal.signal(hang_up, _terminated)


def _no_foreign_words() -> None:
    """Warnings of libraries speak to programmers; they are shown where those ask for them."""
    if sys.warnoptions or os.environ.get("GEOTOOLS_TRACEBACK"):
        return
    warnings.showwarning = lambda *args, **kwargs: None
    # processes of a pool have the same manners
    os.environ.setdefault("PYTHONWARNINGS", "ignore")
