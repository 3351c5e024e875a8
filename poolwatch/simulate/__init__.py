"""Footage with exact truth; shares no geometry code with the measuring."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .disturbances import Bars as Bars
    from .disturbances import Disturbances as Disturbances
    from .disturbances import Flares as Flares
    from .disturbances import Marks as Marks
    from .disturbances import Plume as Plume
    from .disturbances import Reflection as Reflection
    from .disturbances import Spots as Spots
    from .disturbances import Trail as Trail
    from .presets import SHAPES as SHAPES
    from .presets import shape_scene as shape_scene
    from .scene import Scene as Scene
    from .scene import Weld as Weld
    from .settings import Lighting as Lighting
    from .settings import Modulation as Modulation
    from .settings import SceneCamera as SceneCamera
    from .settings import SceneKeyhole as SceneKeyhole
    from .settings import ScenePool as ScenePool
    from .settings import SceneSpatter as SceneSpatter
    from .settings import Tone as Tone
    from .simulation import Simulation as Simulation
    from .write import write_simulation as write_simulation

_HOME = {
    **dict.fromkeys(
        ("Bars", "Disturbances", "Flares", "Marks", "Plume", "Reflection", "Spots", "Trail"), "disturbances"
    ),
    **dict.fromkeys(("Scene", "Weld"), "scene"),
    **dict.fromkeys(
        ("SceneCamera", "SceneKeyhole", "Lighting", "Modulation", "ScenePool", "SceneSpatter", "Tone"),
        "settings",
    ),
    **dict.fromkeys(("SHAPES", "shape_scene"), "presets"),
    "Simulation": "simulation",
    "write_simulation": "write",
}
__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    """Load a part only when it is asked for, so that the command line stays light."""
    if name in _HOME:
        from importlib import import_module

        return getattr(import_module(f".{_HOME[name]}", __name__), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
