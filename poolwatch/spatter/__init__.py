"""Bright things outside the pool: detect, link, size, count.

``learn`` looks at a sample of the clip, ``detect`` finds the sightings of each frame by itself, ``link`` joins them
to tracks, ``particles`` judges and measures the tracks. All in image px and frames.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .counting import Spatter as Spatter
    from .counting import particles as particles
    from .detecting import Waiting as Waiting
    from .detecting import detect as detect
    from .detecting import detect_waiting as detect_waiting
    from .facts import SpatterLook as SpatterLook
    from .late import LateFits as LateFits
    from .late import Unsettled as Unsettled
    from .linking import Tracks as Tracks
    from .linking import link as link
    from .look import learn as learn
    from .settings import SpatterSettings as SpatterSettings
    from .visibility import Smallest as Smallest
    from .visibility import drawn_into as drawn_into
    from .visibility import smallest_diameter as smallest_diameter
    from .visibility import smallest_particle as smallest_particle

_PLACES = {
    "Spatter": "counting",
    "particles": "counting",
    "drawn_into": "visibility",
    "Smallest": "visibility",
    "smallest_diameter": "visibility",
    "smallest_particle": "visibility",
    "detect": "detecting",
    "detect_waiting": "detecting",
    "Waiting": "detecting",
    "LateFits": "late",
    "Unsettled": "late",
    "Tracks": "linking",
    "link": "linking",
    "SpatterLook": "facts",
    "learn": "look",
    "SpatterSettings": "settings",
}
__all__ = [
    "LateFits", "Smallest", "Spatter", "SpatterLook", "SpatterSettings", "Tracks", "Unsettled", "Waiting", "detect",
    "detect_waiting", "drawn_into", "learn", "link", "particles", "smallest_diameter",
    "smallest_particle",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    """Load a part when it is asked for: the kernels are heavy to import."""
    if name not in _PLACES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f".{_PLACES[name]}", __name__), name)
