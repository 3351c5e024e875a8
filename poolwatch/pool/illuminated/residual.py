"""What rigid motion cannot explain in one frame, from the frames around it.

A pixel of solid metal looks like the same piece of metal in every other frame in which that piece is solid too.
Which frames these are depends on the side: ahead of the pool the past ones, behind it the later ones. So each
pixel is compared with frames on both sides at several lags, and must be explained by three eighths of them: a
particle spoils one or two of them, never so many, and liquid looks like the metal of one of many frames now and
then, of several rarely.
"""

from __future__ import annotations

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from .evidence import SOFT
from .metal import Field, Grey, register, shifted

# Side of the square over which a comparison is judged, px.
WINDOW = 5
# Share of the compared frames that must explain a pixel.
AGREEING = 3 / 8
# Share of the compared pixels that must agree, and range of gain, for a frame to be compared at all.
_LEAST_AGREEMENT = 0.3
_GAIN = (0.4, 2.5)


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
def _rank(
    shares: NDArray[np.float32], differences: NDArray[np.float32], share: Field, difference: Field
) -> None:
    """Put a comparison in its place among the best of each pixel, best first."""
    n, h, w = shares.shape
    for i in range(h):
        for j in range(w):
            s = share[i, j]
            if s >= shares[n - 1, i, j]:
                continue
            k = n - 1
            while k > 0 and shares[k - 1, i, j] > s:
                shares[k, i, j] = shares[k - 1, i, j]
                differences[k, i, j] = differences[k - 1, i, j]
                k -= 1
            shares[k, i, j] = s
            differences[k, i, j] = difference[i, j]


def unexplained(
    frames: Grey,
    index: int,
    others: list[int],
    box: tuple[int, int, int, int],
    solid: NDArray[np.uint8],
    metal_px: tuple[float, float],
    noise: tuple[float, float],
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

    Returns
    -------
    tuple
        Unexplained share of each pixel's surroundings (0 … 1; 2 where too few frames cover it) and of the pixel
        alone, both of the box's shape; and how many frames could be compared.
    """
    shape = (box[1] - box[0], box[3] - box[2])
    agreeing = max(round(AGREEING * len(others)), 1)
    shares = np.full((agreeing, *shape), 2.0, dtype=np.float32)
    differences = np.zeros((agreeing, *shape), dtype=np.float32)
    share = np.empty(shape, dtype=np.float32)
    difference = np.empty(shape, dtype=np.float32)
    here = frames[index]
    step = 2 if shape[0] * shape[1] < 12000 else 3 if shape[0] * shape[1] < 60000 else 5
    used = 0
    for other in others:
        k = other - index
        dx, dy, gain, agreement = register(
            here, frames[other], box, solid, k * metal_px[0], k * metal_px[1], noise[0], noise[1], step
        )
        if agreement < _LEAST_AGREEMENT or not _GAIN[0] < gain < _GAIN[1]:
            continue
        read, valid = shifted(frames[other], box, dx, dy)
        _compare(here, box, read, valid, gain, noise[0], noise[1], share, difference)
        smooth = cv2.blur(share, (WINDOW, WINDOW), borderType=cv2.BORDER_REPLICATE)
        _rank(shares, differences, smooth, difference)
        used += 1
    return shares[-1], _share_of_mean(differences), used


@njit(cache=True, nogil=True)
def _share_of_mean(differences: NDArray[np.float32]) -> Field:
    n, h, w = differences.shape
    out = np.empty((h, w), dtype=np.float32)
    for i in range(h):
        for j in range(w):
            d = np.float32(0.0)
            for k in range(n):
                d += differences[k, i, j]
            d /= n
            e = d * d
            out[i, j] = e / (e + np.float32(SOFT))
    return out
