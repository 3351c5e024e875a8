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

import numpy as np
from numpy.typing import NDArray

from .comparing import KEPT, Pairs, Rigid, compare_all, no_pairs
from .metal import Box, Field, Grey

# Share of the compared frames that must explain a pixel.
AGREEING = 1 / 5
# Pixels, about, that take part in registering two frames.
_REGISTERED = 1000


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
    top, bottom, left, right = box
    step = max(2, round(math.sqrt((bottom - top) * (right - left) / _REGISTERED)))
    if pairs is None:
        pairs = no_pairs(len(frames), max((abs(other - index) for other in others), default=0))
    rigid = Rigid(frames, box, np.ascontiguousarray(solid), metal_px, noise, step, pairs)
    shares: tuple[Field, Field, int] = compare_all(
        rigid, index, np.array(others, dtype=np.int64), veil, agreeing
    )
    return shares
