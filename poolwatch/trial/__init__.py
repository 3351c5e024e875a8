"""Many clips: manifest, batch, comparability, ranking, factors, outcomes, store."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .manifest import Manifest as Manifest
    from .manifest import read_manifest as read_manifest
    from .ranking import Ranking as Ranking
    from .ranking import rank as rank
    from .rows import read_rows as read_rows
    from .settings import RankSettings as RankSettings

_ROOMS = {
    "Manifest": "manifest",
    "RankSettings": "settings",
    "Ranking": "ranking",
    "rank": "ranking",
    "read_manifest": "manifest",
    "read_rows": "rows",
}
__all__ = ["Manifest", "RankSettings", "Ranking", "rank", "read_manifest", "read_rows"]


def __getattr__(name: str) -> Any:
    """Load a part of the room only when it is asked for."""
    if name in _ROOMS:
        import importlib

        return getattr(importlib.import_module(f".{_ROOMS[name]}", __name__), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
