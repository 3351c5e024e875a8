"""Memory that is free but kept: the C library holds on to a heap for every thread."""

from __future__ import annotations

import contextlib
import ctypes


def hand_back() -> None:
    """Give freed memory back to the system, some 10 ms, where the C library can be told to (glibc's malloc_trim)."""
    with contextlib.suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)
