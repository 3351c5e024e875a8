"""poolwatch measures high-speed video of laser weld melt pools.

`inspect_clip` looks at a clip, `measure_clip` measures it, `write_overlay` draws it. `run_trial` measures many clips
and ranks their beam shapes, `rank` does so from score rows. The command line calls these; nothing heavy loads before
they are used.

>>> import poolwatch
>>> poolwatch.__version__
'0.1.0'
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .model.version import __version__ as __version__

if TYPE_CHECKING:
    from .measure import Inspection as Inspection
    from .measure import Measurement as Measurement
    from .measure import MeasureSettings as MeasureSettings
    from .measure import inspect_clip as inspect_clip
    from .measure import measure_clip as measure_clip
    from .measure import read_measurement as read_measurement
    from .measure import write_overlay as write_overlay
    from .model.errors import PoolwatchError as PoolwatchError
    from .model.recording import Recording as Recording
    from .show.segments import OverlayChoices as OverlayChoices
    from .trial import Comparison as Comparison
    from .trial import RankSettings as RankSettings
    from .trial import TrialResult as TrialResult
    from .trial import run_trial as run_trial
    from .trial.rank_rows import rank as rank

_PLACES = {
    "Comparison": "trial",
    "Inspection": "measure",
    "MeasureSettings": "measure",
    "Measurement": "measure",
    "OverlayChoices": "show.segments",
    "PoolwatchError": "model.errors",
    "RankSettings": "trial",
    "Recording": "model.recording",
    "TrialResult": "trial",
    "inspect_clip": "measure",
    "measure_clip": "measure",
    "rank": "trial.rank_rows",
    "read_measurement": "measure",
    "run_trial": "trial",
    "write_overlay": "measure",
}
__all__ = [
    "Comparison",
    "Inspection",
    "MeasureSettings",
    "Measurement",
    "OverlayChoices",
    "PoolwatchError",
    "RankSettings",
    "Recording",
    "TrialResult",
    "__version__",
    "inspect_clip",
    "measure_clip",
    "rank",
    "read_measurement",
    "run_trial",
    "write_overlay",
]


def __getattr__(name: str) -> Any:
    """Load a part only when it is asked for, so that ``import poolwatch`` stays light."""
    if name not in _PLACES:
        raise AttributeError(f"module 'poolwatch' has no attribute {name!r}")
    from importlib import import_module

    from .model.collecting import collecting_seldom

    with collecting_seldom():
        return getattr(import_module(f".{_PLACES[name]}", __name__), name)


def __dir__() -> list[str]:
    return __all__
