"""Memory that is free but kept: the C library holds on to a heap for every thread.

It is handed back after every so many frames (`FreedByFrames`), and in `clip.py` after a step that has freed much.
"""

from __future__ import annotations

import contextlib
import ctypes

# Frames after which it is handed back.
_EVERY = 20_000


class FreedByFrames:
    """Hands memory back now and then while frames go through."""

    def __init__(self) -> None:
        self._since = 0

    def passed(self, frames: int) -> None:
        """So many frames have gone through."""
        self._since += frames
        if self._since >= _EVERY:
            self._since = 0
            hand_back()


def hand_back() -> None:
    """Give freed memory back to the system, some 10 ms, where the C library can be told to (glibc's malloc_trim)."""
    with contextlib.suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)
