"""The pool in illuminated footage: the region whose brightness rigid motion of the metal cannot explain."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .facts import IlluminatedLook

if TYPE_CHECKING:
    from .finding import find_illuminated as find_illuminated
    from .look import learn_illuminated as learn_illuminated
    from .look import window_length as window_length

_PLACES = {"find_illuminated": "finding", "learn_illuminated": "look", "window_length": "look"}
__all__ = ["IlluminatedLook", "find_illuminated", "learn_illuminated", "window_length"]


def __getattr__(name: str) -> Any:
    """Load a part when it is asked for: glowing footage needs none of the kernels."""
    if name not in _PLACES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f".{_PLACES[name]}", __name__), name)
