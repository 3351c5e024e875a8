"""Bright regions of the smoothed picture, parted where particles touch."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from ..model.pixels import Frames
from .facts import Canvas, Ground
from .filtering import smooth_block
from .ordering import rising
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
    frames: Frames,
    k: int,
    ground: Ground,
    threshold: NDArray,  # type: ignore[type-arg]
    gain: float,
    canvas: Canvas,
    y: int,
    x: int,
    seen: NDArray,  # type: ignore[type-arg]
    pixels: NDArray,  # type: ignore[type-arg]
) -> int:
    """Collect the pixels of frame `k` joined to (y, x) that lie above half the threshold; marks them -1 in `seen`.

    The picture is smoothed as far as they and their neighbours reach.
    """
    picture, ready = canvas.picture, canvas.ready
    h, w = picture.shape
    pixels[0] = y * w + x
    seen[y, x] = -1
    n, done = 1, 0
    while done < n:
        cy, cx = pixels[done] // w, pixels[done] % w
        done += 1
        for ny in range(max(0, cy - 1), min(h, cy + 2)):
            for nx in range(max(0, cx - 1), min(w, cx + 2)):
                if not ready[ny // BLOCK, nx // BLOCK]:
                    smooth_block(frames, k, ground, gain, canvas, ny // BLOCK, nx // BLOCK)
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
def within_another(boxes: NDArray, k: int) -> bool:  # type: ignore[type-arg]
    """Whether a region's centre lies inside the extents of a region twice as large or larger: a spot in a shadow."""
    own = (boxes[k, 5] - boxes[k, 4]) * (boxes[k, 7] - boxes[k, 6])
    for j in range(1, boxes.shape[0]):
        if j == k or (boxes[j, 5] - boxes[j, 4]) * (boxes[j, 7] - boxes[j, 6]) < 4.0 * own:
            continue
        dx, dy = boxes[k, 0] - boxes[j, 0], boxes[k, 1] - boxes[j, 1]
        along = dx * boxes[j, 2] + dy * boxes[j, 3]
        across = dy * boxes[j, 2] - dx * boxes[j, 3]
        if boxes[j, 4] < along < boxes[j, 5] and boxes[j, 6] < across < boxes[j, 7]:
            return True
    return False


@njit(cache=True, nogil=True)
def start_from_extent(box: NDArray, around: float, top: float, p: NDArray) -> None:  # type: ignore[type-arg]
    """Start of a fit from a region's extents alone: the inside of a shadow may be hollow."""
    long, wide = box[5] - box[4] - 2 * around + 1.0, box[7] - box[6] - 2 * around + 1.0
    along, across = 0.5 * (box[4] + box[5]), 0.5 * (box[6] + box[7])
    p[0] = box[0] + along * box[2] - across * box[3]
    p[1] = box[1] + along * box[3] + across * box[2]
    length = max(long - wide, 0.0)
    p[2] = 1.5 * top * (math.pi / 4 * wide * wide + length * wide)
    p[4] = wide * wide / 16.0 + length * length / 24.0
    p[5] = length * length * (box[2] * box[2] - box[3] * box[3])
    p[6] = length * length * 2.0 * box[2] * box[3]
