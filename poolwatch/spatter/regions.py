"""Bright regions of the smoothed picture, parted where particles touch."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .facts import Canvas, Residual
from .filtering import smooth_block
from .ordering import rising
from .parameters import Record
from .sieve import BLOCK

# A second peak is a second particle if the saddle lies lower than this share of it …
_DIP = 0.25
# … and by this many standard deviations of the smoothed noise.
_DIP_NOISE = 5.0
# A region ends where the picture falls below this share of its peak.
FOOT = 0.25


@njit(cache=True, nogil=True)
def _root(parent: NDArray, i: int) -> int:  # type: ignore[type-arg]
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@njit(cache=True, nogil=True)
def grow(
    residual: Residual,
    threshold: NDArray,  # type: ignore[type-arg]
    canvas: Canvas,
    seed: tuple[int, int],
    seen: NDArray,  # type: ignore[type-arg]
    pixels: NDArray,  # type: ignore[type-arg]
) -> int:
    """Collect the pixels of a frame joined to `seed` (row, column) that lie above half the threshold.

    Writes their flat places into `pixels` and -1 into `seen`; returns how many there are. The picture in `canvas` is
    smoothed as far as they and their neighbours reach.
    """
    picture, ready = canvas.picture, canvas.ready
    h, w = picture.shape
    y, x = seed
    pixels[0] = y * w + x
    seen[y, x] = -1
    n, done = 1, 0
    while done < n:
        cy, cx = pixels[done] // w, pixels[done] % w
        done += 1
        for ny in range(max(0, cy - 1), min(h, cy + 2)):
            for nx in range(max(0, cx - 1), min(w, cx + 2)):
                if not ready[ny // BLOCK, nx // BLOCK]:
                    smooth_block(residual, canvas, ny // BLOCK, nx // BLOCK)
                if seen[ny, nx] == 0 and picture[ny, nx] > 0.5 * threshold[ny, nx]:
                    seen[ny, nx] = -1
                    pixels[n] = ny * w + nx
                    n += 1
    return n


@njit(cache=True, nogil=True)
def part(
    picture: NDArray,  # type: ignore[type-arg]
    threshold: NDArray,  # type: ignore[type-arg]
    level_sigmas: float,
    pixels: NDArray,  # type: ignore[type-arg]
    owner: NDArray,  # type: ignore[type-arg]
    first: int,
) -> int:
    """Part a region at its saddles: flood from the top, merge peaks that stand out too little.

    `pixels` (flat places, all -1 in `owner`) come back sorted from bright to dark; `owner` gets the number of
    the peak, from `first`, for every pixel that belongs to a peak above the threshold, -2 elsewhere.
    Returns how many peaks there are. Ties go by place, so the result is the same on every machine.
    """
    h, w = picture.shape
    n = pixels.size
    values = np.empty(n)
    for i in range(n):
        values[i] = -picture[pixels[i] // w, pixels[i] % w]
    order = rising(values)
    unsorted = pixels.copy()
    parent = np.arange(n)
    peak = np.empty(n, dtype=np.float32)
    for i in range(n):
        pixels[i] = unsorted[order[i]]
        peak[i] = -values[order[i]]
    for i in range(n):
        y, x = pixels[i] // w, pixels[i] % w
        v = picture[y, x]
        best = -1
        for ny in range(max(0, y - 1), min(h, y + 2)):
            for nx in range(max(0, x - 1), min(w, x + 2)):
                k = owner[ny, nx]
                if k <= -3:
                    r = _root(parent, -3 - k)
                    if best < 0:
                        best = r
                    elif r != best:
                        high, low = (best, r) if best < r else (r, best)
                        noise = threshold[pixels[low] // w, pixels[low] % w] / level_sigmas
                        if peak[low] - v < max(_DIP * peak[low], _DIP_NOISE * noise):
                            parent[low] = high
                        best = high
        if best >= 0:
            parent[i] = best
        owner[y, x] = -3 - i
    count = 0
    number = np.zeros(n, dtype=np.int32)
    for i in range(n):
        if _root(parent, i) == i and peak[i] > threshold[pixels[i] // w, pixels[i] % w]:
            number[i] = first + count
            count += 1
    for i in range(n):
        k = number[_root(parent, i)]
        owner[pixels[i] // w, pixels[i] % w] = k if k > 0 else -2
    return count


@njit(cache=True, nogil=True)
def within_another(boxes: NDArray[np.void], k: int) -> bool:
    """Whether a region's centre lies inside the box of a region twice as large or larger: a spot in a shadow.

    `boxes` (dtype `window.BOX`) are those of all regions, from number 1 on.
    """
    own = boxes[k]
    area = (own.along_high - own.along_low) * (own.across_high - own.across_low)
    for j in range(1, boxes.size):
        box = boxes[j]
        if j == k or (box.along_high - box.along_low) * (box.across_high - box.across_low) < 4.0 * area:
            continue
        dx, dy = own.x - box.x, own.y - box.y
        along = dx * box.cos + dy * box.sin
        across = dy * box.cos - dx * box.sin
        if box.along_low < along < box.along_high and box.across_low < across < box.across_high:
            return True
    return False


@njit(cache=True, nogil=True)
def start_from_extent(box: Record, around: float, top: float, start: Record) -> None:
    """Start of a fit from a region's extents alone, into `start` (`estimates.REGION`).

    The inside of a shadow may be hollow. `around` is by how much the box (`window.BOX`) is larger than the region, px;
    `top` the region's peak.
    """
    long = box.along_high - box.along_low - 2 * around + 1.0
    wide = box.across_high - box.across_low - 2 * around + 1.0
    along, across = 0.5 * (box.along_low + box.along_high), 0.5 * (box.across_low + box.across_high)
    start.x = box.x + along * box.cos - across * box.sin
    start.y = box.y + along * box.sin + across * box.cos
    length = max(long - wide, 0.0)
    start.flux = 1.5 * top * (math.pi / 4 * wide * wide + length * wide)
    start.spread = wide * wide / 16.0 + length * length / 24.0
    start.streak_m = length * length * (box.cos * box.cos - box.sin * box.sin)
    start.streak_n = length * length * 2.0 * box.cos * box.sin
