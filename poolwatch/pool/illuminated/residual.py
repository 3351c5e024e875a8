"""What rigid motion cannot explain in one frame, from the frames around it.

A pixel of solid metal looks like the same piece of metal in every other frame in which that piece is solid too.
Which frames these are depends on the side: ahead of the pool the past ones, behind it the later ones; and on how the
pool moves: metal that a short pool leaves bare is liquid again in most frames around it. So each pixel is compared
with frames on both sides at several distances, and must be explained by a fifth of them, two of ten. Were more
needed, the pool would never look shorter than it is in most of them, and its fluctuation smaller than it is; with
one, liquid that looks like the metal of one of many frames now and then would pass for metal.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from .evidence import SOFT
from .metal import Field, Grey, read_at, register, shifted

# Side of the square over which a comparison is judged, px.
WINDOW = 5
# Share of the compared frames that must explain a pixel.
AGREEING = 1 / 5
# Share of the compared pixels that must agree, and range of gain, for a frame to be compared at all.
_LEAST_AGREEMENT = 0.3
_GAIN = (0.4, 2.5)
# Pixels, about, that take part in registering two frames.
_REGISTERED = 1000
# The smooth part of a difference is a running median of this many means of squares of this side.
_MEDIAN = 9
_COARSE = 4


# First and second frame to motion of the metal between them (x, y, px), gain of the first over the second, agreement.
Pairs = dict[tuple[int, int], tuple[float, float, float, float]]


# Divisions that are never by 0 need not be watched: loops then work on several pixels at a time.
@njit(cache=True, nogil=True, error_model="numpy")
def _prepared(
    here: NDArray[np.generic], box: tuple[int, int, int, int], floor: float, slope: float
) -> tuple[Field, Field]:
    """Grey values of a box, and one over the standard deviation of the difference at that brightness."""
    r0, r1, c0, c1 = box
    value = np.empty((r1 - r0, c1 - c0), dtype=np.float32)
    weight = np.empty((r1 - r0, c1 - c0), dtype=np.float32)
    a = np.float32(floor)
    b = np.float32(slope)
    for i in range(r1 - r0):
        row = here[i + r0, c0:c1]
        for j in range(c1 - c0):
            v = np.float32(row[j])
            value[i, j] = v
            weight[i, j] = np.float32(1.0) / np.sqrt(a + b * v)
    return value, weight


@njit(cache=True, nogil=True, error_model="numpy")
def _compare(
    value: Field, weight: Field, read: Field, valid: tuple[int, int, int, int], gain: float, share: Field
) -> None:
    """Unexplained share of each pixel; 2 where nothing is known. What was read begins at the first valid pixel."""
    h, w = value.shape
    g = np.float32(gain)
    soft = np.float32(SOFT)
    if valid[0] > 0 or valid[1] < h or valid[2] > 0 or valid[3] < w:
        share[:] = np.float32(2.0)
    for i in range(valid[1] - valid[0]):
        here = value[valid[0] + i, valid[2] : valid[3]]
        noise = weight[valid[0] + i, valid[2] : valid[3]]
        out = share[valid[0] + i, valid[2] : valid[3]]
        for j in range(here.size):
            d = (here[j] - g * read[i, j]) * noise[j]
            e = d * d
            out[j] = e / (e + soft)


@njit(cache=True, nogil=True)
def _averaged(share: Field, window: Field) -> None:
    """Mean of the shares in a square of 5 x 5, the border repeated."""
    h, w = share.shape
    column = np.empty(w + 4, dtype=np.float32)
    part = np.float32(1.0 / (WINDOW * WINDOW))
    for i in range(h):
        a, b = max(i - 2, 0), max(i - 1, 0)
        d, e = min(i + 1, h - 1), min(i + 2, h - 1)
        for j in range(w):
            column[j + 2] = (share[a, j] + share[b, j]) + share[i, j] + (share[d, j] + share[e, j])
        for j in range(2):
            column[j], column[w + 2 + j] = column[2], column[w + 1]
        for j in range(w):
            window[i, j] = part * (
                (column[j] + column[j + 1]) + column[j + 2] + (column[j + 3] + column[j + 4])
            )


@njit(cache=True, nogil=True)
def _rank(best: NDArray[np.float32], alone: NDArray[np.float32], window: Field, share: Field) -> None:
    """Put a comparison in its place among the best of each pixel by its window, best first; both are used up."""
    n, h, w = best.shape
    # A row at a time, while it is at hand.
    for i in range(h):
        for k in range(n):
            for j in range(w):
                s = window[i, j]
                d = share[i, j]
                t = best[k, i, j]
                f = alone[k, i, j]
                better = s < t
                best[k, i, j] = s if better else t
                alone[k, i, j] = d if better else f
                window[i, j] = t if better else s
                share[i, j] = f if better else d


@njit(cache=True, nogil=True)
def _judge(
    value: Field,
    weight: Field,
    read: Field,
    valid: tuple[int, int, int, int],
    gain: float,
    best: NDArray[np.float32],
    alone: NDArray[np.float32],
) -> None:
    """Compare with one frame, as it was read, and put the comparison in its place; see `_rank`."""
    share, window = np.empty(value.shape, dtype=np.float32), np.empty(value.shape, dtype=np.float32)
    _compare(value, weight, read, valid, gain, share)
    _averaged(share, window)
    _rank(best, alone, window, share)


@njit(cache=True, nogil=True)
def _forget(alone: Field) -> None:
    """A pixel of which nothing is known alone speaks for nothing but metal."""
    h, w = alone.shape
    for i in range(h):
        for j in range(w):
            if alone[i, j] > np.float32(1.0):
                alone[i, j] = np.float32(0.0)


def soft_light(difference: Field, variance: float) -> Field:
    """Smooth part of a difference of two frames: a running median over some 36 px, so that liquid does not count.

    Parameters
    ----------
    difference
        Grey values, shape (h, w).
    variance
        Variance of their noise.
    """
    h, w = difference.shape
    small = cv2.resize(difference, (max(w // _COARSE, 1), max(h // _COARSE, 1)), interpolation=cv2.INTER_AREA)
    unit = 0.25 * math.sqrt(variance)
    # The median of OpenCV is quick in 8 bits: steps of a quarter of the noise are finer than is needed.
    level = cv2.medianBlur(np.clip(small / unit + 128.5, 0, 255).astype(np.uint8), _MEDIAN)
    soft = cv2.GaussianBlur((level.astype(np.float32) - 128.0) * np.float32(unit), (3, 3), 0)
    out: Field = cv2.resize(soft, (w, h), interpolation=cv2.INTER_LINEAR)
    return out


def unexplained(
    frames: Grey,
    index: int,
    others: list[int],
    box: tuple[int, int, int, int],
    solid: NDArray[np.uint8],
    metal_px: tuple[float, float],
    noise: tuple[float, float],
    veil: bool = False,
    pairs: Pairs | None = None,
) -> tuple[Field, Field, int]:
    """Compare a frame with its neighbours.

    Parameters
    ----------
    frames
        Grey values, shape (n, h, w).
    index
        The frame in question.
    others
        Frames to compare it with.
    box
        Rows and columns r0, r1, c0, c1 looked at.
    solid
        1 where metal is expected solid, shape of the box.
    metal_px
        Motion of the metal, px per frame.
    noise
        Variance of the difference of two frames at brightness 0, and its increase per grey value.
    veil
        Whether soft light that comes and goes (plume) is taken off each difference first.
    pairs
        What registering two frames gave, first and second to motion, gain and agreement, for frames that are all looked
        at with the same box and metal; filled here, so that no two frames are registered twice.

    Returns
    -------
    tuple
        Unexplained share of each pixel's surroundings (0 … 1; 2 where too few frames cover it) and of the pixel
        alone, both of the box's shape; and how many frames could be compared.
    """
    here = frames[index]
    value, weight = _prepared(here, box, noise[0], noise[1])
    shape = value.shape
    agreeing = max(round(AGREEING * len(others)), 1)
    best = np.full((agreeing, *shape), 2.0, dtype=np.float32)
    alone = np.zeros((agreeing, *shape), dtype=np.float32)
    step = max(2, round(math.sqrt(value.size / _REGISTERED)))
    used = 0
    for other in others:
        # From the earlier to the later one, whichever is looked at.
        first, second = min(index, other), max(index, other)
        found = None if pairs is None else pairs.get((first, second))
        if found is None:
            k = second - first
            found = register(
                frames[first], frames[second], box, solid, k * metal_px[0], k * metal_px[1], *noise, step
            )
            if pairs is not None:
                pairs[first, second] = found
        dx, dy, gain, agreement = found
        if other < index:
            dx, dy, gain = -dx, -dy, 1.0 / max(gain, 1e-9)
        if agreement < _LEAST_AGREEMENT or not _GAIN[0] < gain < _GAIN[1]:
            continue
        if veil:
            read, valid = shifted(frames[other], box, dx, dy)
            read = gain * read
            read += soft_light(value - read, noise[0] + noise[1] * float(value.mean()))
            read, gain = read[valid[0] : valid[1], valid[2] : valid[3]].copy(), 1.0
        else:
            read, valid = read_at(frames[other], box, dx, dy)
        _judge(value, weight, read, valid, gain, best, alone)
        used += 1
    _forget(alone[-1])
    return best[-1], alone[-1], used
