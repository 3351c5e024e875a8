"""poolwatch measures high-speed video of laser weld melt pools.

>>> import poolwatch
>>> poolwatch.__version__
'0.1.0'
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .measure import Measurement as Measurement
    from .measure import measure_clip as measure_clip

__version__ = "0.1.0"
__all__ = ["Measurement", "__version__", "measure_clip"]


def __getattr__(name: str) -> Any:
    """Load the measuring only when it is asked for, so that ``import poolwatch`` stays light."""
    if name in ("Measurement", "measure_clip"):
        from .model.collecting import collecting_seldom

        with collecting_seldom():
            from . import measure

            return getattr(measure, name)
    raise AttributeError(f"module 'poolwatch' has no attribute {name!r}")
