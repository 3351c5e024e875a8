"""One clip: look first, then measure, then score."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .clip import measure_clip as measure_clip
    from .compiling import compile_kernels as compile_kernels
    from .compiling import is_compiled as is_compiled
    from .inspection import Inspection as Inspection
    from .inspection import inspect_clip as inspect_clip
    from .overlay import write_clip_overlay as write_clip_overlay
    from .overlay import write_measurement as write_measurement
    from .overlay import write_overlay as write_overlay
    from .overlay import write_overlay_still as write_overlay_still
    from .pages import write_clip_report as write_clip_report
    from .pages import write_clip_stills as write_clip_stills
    from .rescoring import rescore as rescore
    from .result import Measurement as Measurement
    from .result import read_measurement as read_measurement
    from .settings import MeasureSettings as MeasureSettings
    from .settings import read_settings as read_settings
    from .settings import recording_of as recording_of
    from .side_by_side import write_clips_side_by_side as write_clips_side_by_side

_PLACES = {
    "Inspection": "inspection",
    "MeasureSettings": "settings",
    "Measurement": "result",
    "compile_kernels": "compiling",
    "inspect_clip": "inspection",
    "is_compiled": "compiling",
    "measure_clip": "clip",
    "read_measurement": "result",
    "read_settings": "settings",
    "recording_of": "settings",
    "rescore": "rescoring",
    "write_clip_overlay": "overlay",
    "write_clip_report": "pages",
    "write_clip_stills": "pages",
    "write_clips_side_by_side": "side_by_side",
    "write_measurement": "overlay",
    "write_overlay": "overlay",
    "write_overlay_still": "overlay",
}
__all__ = [
    "Inspection",
    "MeasureSettings",
    "Measurement",
    "compile_kernels",
    "inspect_clip",
    "is_compiled",
    "measure_clip",
    "read_measurement",
    "read_settings",
    "recording_of",
    "rescore",
    "write_clip_overlay",
    "write_clip_report",
    "write_clip_stills",
    "write_clips_side_by_side",
    "write_measurement",
    "write_overlay",
    "write_overlay_still",
]


def __getattr__(name: str) -> Any:
    """Load a part when it is asked for: the kernels are heavy to import."""
    if name not in _PLACES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f".{_PLACES[name]}", __name__), name)
