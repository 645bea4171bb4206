"""How the process holds memory."""

from __future__ import annotations

import atexit
import ctypes
import gc

__all__ = ["few_heaps", "rare_collections"]

#: Of `mallopt` (GNU C library, malloc.h): how many heaps there may be.
_M_ARENA_MAX = -8


def few_heaps(most: int = 2) -> bool:
    """Let all threads share this many heaps; whether the C library knows how.

    The GNU C library gives every thread a heap of its own and keeps what was freed there: a dozen threads that work
    with arrays of megabytes would hold hundreds of megabytes nobody uses. Other C libraries have no such habit.
    """
    try:
        return bool(ctypes.CDLL(None).mallopt(_M_ARENA_MAX, most))
    except (AttributeError, OSError, TypeError):
        return False


def rare_collections() -> None:
    """Look for cycles of dead objects rarely, and not at all at the end of the process.

    A run makes millions of objects, nearly all of which die by themselves; looking through them again and again takes
    a tenth of its time. For a command that does its work and ends.
    """
    gc.set_threshold(50_000, 20, 50)
    atexit.register(gc.freeze)
