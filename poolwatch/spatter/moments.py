"""Sums and extents of the regions of a frame, before any fit."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .facts import Residual, SpatterFacts, Work
from .filtering import level_at, residual_at
from .parameters import Record
from .records import BORDER, CROWDED, RIM
from .regions import FOOT

# Share of a region's peak above which a pixel is none of its flank.
_FLANK_TOP = 0.75
# A pixel counts with this many times the region's peak at most: single hot pixels do not pull the centre.
_HOTTEST = 1.2
# A hidden pixel of the smoothed picture lies far below this.
_HIDDEN = 1e20

# Sums over the pixels of a region, and what is seen on the way.
SUMS = np.dtype(
    [
        # Place of its first pixel, px, from which the moments are counted.
        ("x0", "f8"),
        ("y0", "f8"),
        # Peak of the smoothed picture, grey values, and that over the noise.
        ("peak", "f8"),
        ("signal", "f8"),
        # Bits, see `records`.
        ("mark", "i8"),
        # Pixels above the foot, and above half the peak.
        ("size", "i8"),
        ("half", "i8"),
        # Pixels on its flank, and the sum of the squared slope there.
        ("edge", "f8"),
        ("slope2", "f8"),
        # Light and its first and second moments; after `to_moments` the second are variances.
        ("light", "f8"),
        ("x", "f8"),
        ("y", "f8"),
        ("xx", "f8"),
        ("xy", "f8"),
        ("yy", "f8"),
    ]
)


@njit(cache=True, nogil=True)
def add_up(
    residual: Residual,
    facts: SpatterFacts,
    work: Work,
    pixels: NDArray[np.int32],
    sums: NDArray[np.void],
) -> None:
    """Sums over the pixels (flat places, each region's brightest first) of each region into `sums` (dtype `SUMS`)."""
    picture, owner, threshold = work.canvas.picture, work.owner, facts.threshold
    left, right, calm = work.canvas.left, work.canvas.right, work.canvas.calm
    frames, frame, ground, gain = residual
    h, w = picture.shape
    for i in range(pixels.size):
        y, x = pixels[i] // w, pixels[i] % w
        k = owner[y, x]
        if k <= 0:
            continue
        region = sums[k]
        if region.size == 0:
            region.x0, region.y0 = x, y
            region.peak = picture[y, x]
            region.signal = picture[y, x] / threshold[y, x] * facts.level_sigmas
        if picture[y, x] < FOOT * region.peak:
            continue
        region.size += 1
        region.half += picture[y, x] > 0.5 * region.peak
        _add_edge(picture, threshold[y, x] / facts.level_sigmas, y, x, region)
        v = max(residual_at(frames, frame, ground, gain, y, x) - level_at(calm, y, x), 0.0)
        v = min(v, _HOTTEST * region.peak)
        dx, dy = x - region.x0, y - region.y0
        region.light += v
        region.x += v * dx
        region.y += v * dy
        region.xx += v * dx * dx
        region.xy += v * dx * dy
        region.yy += v * dy * dy
        if x == 0 or y == 0 or x == w - 1 or y == h - 1:
            region.mark |= BORDER
        for ny in range(max(0, y - 1), min(h, y + 2)):
            for nx in range(max(0, x - 1), min(w, x + 2)):
                if left[ny] <= nx <= right[ny]:
                    region.mark |= RIM
                elif owner[ny, nx] > 0 and owner[ny, nx] != k:
                    region.mark |= CROWDED


@njit(cache=True, nogil=True)
def _add_edge(picture: NDArray[np.float32], noise: float, y: int, x: int, region: Record) -> None:
    """Count a pixel of the flank, between a quarter and three quarters of the peak, and add its squared slope.

    What noise adds to the square on average is taken off; `noise` is its standard deviation in the smoothed picture,
    whose second neighbours share a sixth of their variance, so the difference of two has 5/3 of it.
    """
    h, w = picture.shape
    if picture[y, x] > _FLANK_TOP * region.peak or x < 1 or y < 1 or x > w - 2 or y > h - 2:
        return
    across, down = picture[y, x + 1] - picture[y, x - 1], picture[y + 1, x] - picture[y - 1, x]
    if abs(across) > _HIDDEN or abs(down) > _HIDDEN:
        return
    region.edge += 1.0
    region.slope2 += 0.25 * (across * across + down * down - 2.0 * 5.0 / 3.0 * noise * noise)


@njit(cache=True, nogil=True)
def to_moments(region: Record, box: Record) -> None:
    """From sums to variances, in place, and the centre and principal direction of a region, into `box`."""
    f = max(region.light, 1e-9)
    mx, my = region.x / f, region.y / f
    cxx, cxy, cyy = region.xx / f - mx * mx, region.xy / f - mx * my, region.yy / f - my * my
    angle = 0.5 * math.atan2(2 * cxy, cxx - cyy)
    box.x, box.y = region.x0 + mx, region.y0 + my
    box.cos, box.sin = math.cos(angle), math.sin(angle)
    region.xx, region.xy, region.yy = cxx, cxy, cyy


@njit(cache=True, nogil=True)
def extend(work: Work, pixels: NDArray[np.int32], sums: NDArray[np.void], boxes: NDArray[np.void]) -> None:
    """Extents of each region along and across its direction, into `boxes`."""
    picture, owner = work.canvas.picture, work.owner
    _h, w = picture.shape
    for i in range(pixels.size):
        y, x = pixels[i] // w, pixels[i] % w
        k = owner[y, x]
        if k <= 0 or picture[y, x] < FOOT * sums[k].peak:
            continue
        box = boxes[k]
        dx, dy = x - box.x, y - box.y
        along = dx * box.cos + dy * box.sin
        across = dy * box.cos - dx * box.sin
        box.along_low, box.along_high = min(box.along_low, along), max(box.along_high, along)
        box.across_low, box.across_high = min(box.across_low, across), max(box.across_high, across)
