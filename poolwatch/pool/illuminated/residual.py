"""What rigid motion cannot explain in one frame, from the frames around it.

A pixel of solid metal looks like the same piece of metal in every other frame in which that piece is solid too.
Which frames these are depends on the side: ahead of the pool the past ones, behind it the later ones. So each
pixel is compared with frames on both sides and at several lags, and keeps the one that explains its surroundings
best. A particle spoils one of them, never all.
"""

from __future__ import annotations

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from .metal import Field, Grey, register, shifted

# Side of the square over which a comparison is judged, px.
WINDOW = 5
# The unexplained share is e / (e + SOFT), e the squared difference over its noise variance.
SOFT = 9.0


@njit(cache=True, nogil=True)
def _compare(
    here: NDArray[np.generic],
    box: tuple[int, int, int, int],
    read: Field,
    valid: tuple[int, int, int, int],
    gain: float,
    floor: float,
    slope: float,
    share: Field,
    difference: Field,
) -> None:
    """Difference in units of its noise, and the unexplained share, of each pixel; where nothing is known, all is."""
    r0, r1, c0, c1 = box
    for i in range(r1 - r0):
        inside = valid[0] <= i < valid[1]
        for j in range(c1 - c0):
            if not inside or j < valid[2] or j >= valid[3]:
                share[i, j] = 2.0
                difference[i, j] = 0.0
                continue
            v = np.float32(here[i + r0, j + c0])
            d = v - np.float32(gain) * read[i, j]
            e = d * d / (floor + slope * v)
            share[i, j] = e / (e + SOFT)
            difference[i, j] = d / np.sqrt(floor + slope * v)


@njit(cache=True, nogil=True)
def _keep_best(best: Field, kept: Field, share: Field, difference: Field) -> None:
    h, w = best.shape
    for i in range(h):
        for j in range(w):
            if share[i, j] < best[i, j]:
                best[i, j] = share[i, j]
                kept[i, j] = difference[i, j]


def unexplained(
    frames: Grey,
    index: int,
    others: list[int],
    box: tuple[int, int, int, int],
    solid: NDArray[np.uint8],
    metal_px: tuple[float, float],
    noise: tuple[float, float],
) -> tuple[Field, Field, list[tuple[float, float, float, float]]]:
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

    Returns
    -------
    tuple
        Unexplained share (0 … 1, smoothed; 2 where no other frame covers), difference to the best neighbour in
        units of its noise, both of the box's shape; and dx, dy, gain, agreement of each other frame.
    """
    shape = (box[1] - box[0], box[3] - box[2])
    best = np.full(shape, 2.0, dtype=np.float32)
    kept = np.zeros(shape, dtype=np.float32)
    share = np.empty(shape, dtype=np.float32)
    difference = np.empty(shape, dtype=np.float32)
    here = frames[index]
    step = 3 if shape[0] * shape[1] > 12000 else 2
    moves = []
    for other in others:
        k = other - index
        move = register(
            here, frames[other], box, solid, k * metal_px[0], k * metal_px[1], noise[0], noise[1], step
        )
        moves.append(move)
        if move[3] < 0.4 or not 0.4 < move[2] < 2.5:
            continue
        read, valid = shifted(frames[other], box, move[0], move[1])
        _compare(here, box, read, valid, move[2], noise[0], noise[1], share, difference)
        smooth = cv2.blur(share, (WINDOW, WINDOW), borderType=cv2.BORDER_REPLICATE)
        _keep_best(best, kept, smooth, difference)
    return best, kept, moves
