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
from numpy.typing import NDArray

from .comparing import (
    KEPT,
    Pairs,
    agreed,
    compare_all,
    judge,
    motion_between,
    no_pairs,
    nothing_compared,
    prepared,
)
from .metal import Box, Field, Grey, shifted

# Share of the compared frames that must explain a pixel.
AGREEING = 1 / 5
# Pixels, about, that take part in registering two frames.
_REGISTERED = 1000
# The smooth part of a difference is a running median of this many means of squares of this side.
_MEDIAN = 9
_COARSE = 4


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
    box: Box,
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
        What registering two frames gave, for frames that are all looked at with the same box and metal; filled here, so
        that no two frames are registered twice.

    Returns
    -------
    tuple
        Unexplained share of each pixel's surroundings (0 … 1; 2 where too few frames cover it) and of the pixel
        alone, both of the box's shape; and how many frames could be compared.
    """
    agreeing = min(max(round(AGREEING * len(others)), 1), KEPT)
    step = max(2, round(math.sqrt((box[1] - box[0]) * (box[3] - box[2]) / _REGISTERED)))
    if pairs is None:
        pairs = no_pairs(len(frames), max((abs(other - index) for other in others), default=0))
    if not veil:
        chosen = np.array(others, dtype=np.int64)
        shares: tuple[Field, Field, int] = compare_all(
            frames, index, chosen, box, solid, metal_px, noise, step, pairs, agreeing
        )
        return shares
    value, weight = prepared(frames[index], box, noise[0], noise[1])
    comparisons = nothing_compared(*value.shape)
    variance = noise[0] + noise[1] * float(value.mean())
    used = 0
    for other in others:
        dx, dy, gain, alike = motion_between(frames, index, other, box, solid, metal_px, noise, step, pairs)
        if not alike:
            continue
        read, valid = shifted(frames[other], box, dx, dy)
        read = np.float32(gain) * read
        read += soft_light(value - read, variance)
        read = read[valid[0] : valid[1], valid[2] : valid[3]].copy()
        judge(value, weight, read, valid, 1.0, comparisons)
        used += 1
    return *agreed(comparisons, agreeing), used
