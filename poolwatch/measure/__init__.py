"""One clip: look first, then measure, then score."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .again import rescore as rescore
    from .beside import write_clips_side_by_side as write_clips_side_by_side
    from .clip import measure_clip as measure_clip
    from .compiling import compile_kernels as compile_kernels
    from .compiling import is_compiled as is_compiled
    from .overlay import rewrite_clip_overlay as rewrite_clip_overlay
    from .overlay import write_clip_overlay as write_clip_overlay
    from .overlay import write_measurement as write_measurement
    from .pages import write_clip_report as write_clip_report
    from .pages import write_clip_stills as write_clip_stills
    from .result import Measurement as Measurement
    from .result import read_measurement as read_measurement
    from .settings import MeasureSettings as MeasureSettings
    from .settings import read_settings as read_settings
    from .settings import recording_of as recording_of

_PLACES = {
    "MeasureSettings": "settings",
    "Measurement": "result",
    "compile_kernels": "compiling",
    "is_compiled": "compiling",
    "measure_clip": "clip",
    "read_measurement": "result",
    "read_settings": "settings",
    "recording_of": "settings",
    "rescore": "again",
    "rewrite_clip_overlay": "overlay",
    "write_clip_overlay": "overlay",
    "write_clip_report": "pages",
    "write_clip_stills": "pages",
    "write_clips_side_by_side": "beside",
    "write_measurement": "overlay",
}
__all__ = [
    "MeasureSettings",
    "Measurement",
    "compile_kernels",
    "is_compiled",
    "measure_clip",
    "read_measurement",
    "read_settings",
    "recording_of",
    "rescore",
    "rewrite_clip_overlay",
    "write_clip_overlay",
    "write_clip_report",
    "write_clip_stills",
    "write_clips_side_by_side",
    "write_measurement",
]


def __getattr__(name: str) -> Any:
    """Load a part when it is asked for: the kernels are heavy to import."""
    if name not in _PLACES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f".{_PLACES[name]}", __name__), name)
