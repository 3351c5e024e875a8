"""The pool's outline and the keyhole region in one frame, and their geometry."""

from .agitation import agitation_places, agitation_power, agitation_sums
from .keyhole import Keyhole
from .look import PoolLook, learn_pool
from .outline import Pool, find_pool
from .settings import PoolSettings

__all__ = [
    "Keyhole",
    "Pool",
    "PoolLook",
    "PoolSettings",
    "agitation_places",
    "agitation_power",
    "agitation_sums",
    "find_pool",
    "learn_pool",
]
