"""Particles in illuminated footage: what stands out of registered neighbour frames, brighter or darker than they.

``stand_out`` makes of a frame and its neighbours a picture in which only what moves otherwise than the metal is left;
``learn_both`` and ``detect_both`` look for bright and for dark things in such pictures as in any other;
``link_both`` follows them, and says which tracks are shadows.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .ground import Contrast as Contrast
    from .ground import stand_out as stand_out
    from .shadows import link_both as link_both
    from .sighting import BothWays as BothWays
    from .sighting import detect_both as detect_both
    from .sighting import learn_both as learn_both
    from .sighting import smallest_both as smallest_both

_PLACES = {
    "Contrast": "ground",
    "stand_out": "ground",
    "link_both": "shadows",
    "BothWays": "sighting",
    "detect_both": "sighting",
    "learn_both": "sighting",
    "smallest_both": "sighting",
}
__all__ = ["BothWays", "Contrast", "detect_both", "learn_both", "link_both", "smallest_both", "stand_out"]


def __getattr__(name: str) -> Any:
    """Load a part when it is asked for: glowing footage needs none of the kernels."""
    if name not in _PLACES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f".{_PLACES[name]}", __name__), name)
