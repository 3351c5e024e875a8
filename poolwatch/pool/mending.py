"""Outlines that are weak somewhere, looked at again: puffs of plume taken off, cut tips put on, dim pools told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .coarse import smoothed, touches
from .curve import Vertices
from .edge import refine
from .facts import OutlineFacts
from .geometry import area_centroid
from .look import _CLIPPING, top_of
from .profiles import steps_along
from .puffs import with_tips, without_puffs

# A step smaller than this, relative to the usual one of the outline, is weak: soft light or a shadow, not the rim. One
# smaller than the other may be a ripple's, behind which the pool goes on.
_WEAK = 0.15
_FEEBLE = 0.3
_LOWEST = 6
_CLEARER = 1.2
# So many vertices of this kind, and the outline is looked at again: less what is dimmer than higher levels, for a puff
# of plume at the rim outshines the usual one; and, where its lowest steps are feeble and become clearer by it, with
# what is brighter than a lower one, for a tip may be dimmer. Levels are shares of the way from the usual one to the
# brightness of the pool, and to the background.
_WEAK_VERTICES = 4
_HIGHER = (0.25, 0.7)
_LOWER = 0.25
# In a pool dimmed as a whole the rim's step and the brightest part are dimmed alike, within these factors.
_SAME_STEP = 0.5
_SAME_TOP = 1.5
# Largest tip that is put on, relative to the pool's area.
_MOST_TIP = 0.15


@dataclass(frozen=True)
class Outline:
    """An outline, the coarse contour that it comes from, and what `refine` says of it."""

    contour: NDArray[np.float64]
    x: Vertices
    y: Vertices
    found: int
    outside: int
    tall: NDArray[np.float64]

    @classmethod
    def of(cls, view: NDArray[np.uint16], contour: NDArray[np.float64], facts: OutlineFacts) -> Outline:
        """The outline from a coarse contour."""
        return cls(contour, *refine(view, np.ascontiguousarray(contour), facts))

    @property
    def weak(self) -> NDArray[np.bool_]:
        """Vertices that may see no step of the rim at all."""
        return self.tall < _WEAK

    @property
    def feeble(self) -> NDArray[np.bool_]:
        """Vertices that may see a ripple and not the rim."""
        return self.tall < _FEEBLE

    @property
    def lowest(self) -> float:
        """Mean height of its lowest steps, relative to its usual one."""
        return float(_lowest(self.tall))


@njit(cache=True, nogil=True)
def _lowest(tall: NDArray[np.float64]) -> float:
    """Mean of the lowest few values."""
    least = np.full(_LOWEST, np.inf)
    for v in tall:
        if v < least[_LOWEST - 1]:
            k = _LOWEST - 1
            while k > 0 and least[k - 1] > v:
                least[k] = least[k - 1]
                k -= 1
            least[k] = v
    return float(least.mean())


@njit(cache=True, nogil=True)
def asks_for_mending(bright: float, tall: NDArray[np.float64], facts: OutlineFacts) -> bool:
    """Whether an outline's steps are so low somewhere that `mended` would look into it."""
    # Where the pool is at full scale its steps are cut off, and tell nothing.
    if bright >= _CLIPPING * facts.full_scale:
        return False
    return bool((tall < _WEAK).sum() >= _WEAK_VERTICES or _lowest(tall) <= _FEEBLE)


def mended(
    view: NDArray[np.uint16], outline: Outline, level: float, bright: float, facts: OutlineFacts
) -> Outline:
    """The outline after puffs of plume are taken off it and dim tips put on, where that gives it clearer steps."""
    smooth = smoothed(view)
    start = area_centroid(outline.x, outline.y)[0]
    for higher in _HIGHER:
        if outline.weak.sum() < _WEAK_VERTICES:
            break
        raised = level + higher * (bright - level)
        less, area = without_puffs(smooth, outline.contour, raised, outline.x, outline.y, outline.weak)
        if area < 0.5 * start or touches(less, *view.shape):
            break
        other = Outline.of(view, less, facts)
        if other.weak.sum() < outline.weak.sum() and not other.outside:
            outline = other
    if outline.lowest > _FEEBLE:
        return outline
    lowered = level - _LOWER * (level - facts.background)
    more, area = with_tips(smooth, outline.contour, lowered, outline.x, outline.y, outline.feeble)
    if not 0 < area < _MOST_TIP * start or touches(more, *view.shape):
        return outline
    other = Outline.of(view, more, facts)
    return other if other.lowest > _CLEARER * outline.lowest and not other.outside else outline


def dimmed(view: NDArray[np.uint16], outline: Outline, gain: float, low: float, facts: OutlineFacts) -> bool:
    """Whether an outline far dimmer than usual is the whole pool's, and not that of light around a small one."""
    top = top_of(view, facts.full_scale, low, facts.area_px)
    if top - facts.background > _SAME_TOP * gain * (facts.top - facts.background):
        return False
    steps = steps_along(view, outline.x, outline.y, facts.tables.place.sigma)
    return float(np.median(steps)) > _SAME_STEP * gain * facts.step
