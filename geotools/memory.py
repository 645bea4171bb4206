"""How the process holds memory."""

from __future__ import annotations

import ctypes

__all__ = ["few_heaps"]

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
