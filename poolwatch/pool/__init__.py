"""The pool's outline and the keyhole region in one frame, and their geometry."""

from .agitation import agitation_places, agitation_powers, agitation_sums
from .keyhole import Keyhole
from .look import PoolLook, learn_pool
from .outline import FIGURES, Pool, Pools, find_pool, find_pools
from .settings import PoolSettings

__all__ = [
    "FIGURES",
    "Keyhole",
    "Pool",
    "PoolLook",
    "PoolSettings",
    "Pools",
    "agitation_places",
    "agitation_powers",
    "agitation_sums",
    "find_pool",
    "find_pools",
    "learn_pool",
]
