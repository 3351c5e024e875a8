"""Many clips: manifest, batch, comparability, ranking, factors, outcomes, store."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .comparison import Comparison as Comparison
    from .comparison import compare as compare
    from .follow import follow_trial as follow_trial
    from .manifest import Manifest as Manifest
    from .manifest import read_manifest as read_manifest
    from .ranking import Ranking as Ranking
    from .ranking import rank_shapes as rank_shapes
    from .results import TrialResult as TrialResult
    from .rows import read_rows as read_rows
    from .run import TrialOptions as TrialOptions
    from .run import run_trial as run_trial
    from .settings import RankSettings as RankSettings

_ROOMS = {
    "Comparison": "comparison",
    "Manifest": "manifest",
    "RankSettings": "settings",
    "Ranking": "ranking",
    "TrialOptions": "run",
    "TrialResult": "results",
    "compare": "comparison",
    "follow_trial": "follow",
    "rank_shapes": "ranking",
    "read_manifest": "manifest",
    "read_rows": "rows",
    "run_trial": "run",
}
__all__ = [
    "Comparison",
    "Manifest",
    "RankSettings",
    "Ranking",
    "TrialOptions",
    "TrialResult",
    "compare",
    "follow_trial",
    "rank_shapes",
    "read_manifest",
    "read_rows",
    "run_trial",
]


def __getattr__(name: str) -> Any:
    """Load a part of the room only when it is asked for."""
    if name in _ROOMS:
        import importlib

        return getattr(importlib.import_module(f".{_ROOMS[name]}", __name__), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
