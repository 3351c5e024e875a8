"""Python's garbage collector, held back while much is made that stays: modules, compiled kernels."""

from __future__ import annotations

import contextlib
import gc
import threading
from collections.abc import Iterator

# Objects made since its last round that set off the next, and rounds until it goes through older ones too.
_SELDOM = (50_000, 20, 20)

_lock = threading.Lock()
_inside = 0
_before: tuple[int, int, int] = gc.get_threshold()


@contextlib.contextmanager
def collecting_seldom() -> Iterator[None]:
    """Let the collector work seldom in the block: each round goes again through what is there already.

    Starting a measurement set off three hundred rounds, 0.15 s. Whoever has switched the collector off, or lets it work
    more seldom yet, is not overruled; of several blocks at a time the last puts things back.
    """
    global _inside, _before
    with _lock:
        if _inside == 0:
            _before = gc.get_threshold()
            if 0 < _before[0] < _SELDOM[0]:
                gc.set_threshold(*_SELDOM)
        _inside += 1
    try:
        yield
    finally:
        with _lock:
            _inside -= 1
            if _inside == 0:
                gc.set_threshold(*_before)
