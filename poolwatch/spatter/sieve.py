"""Blocks of a frame in which nothing can stand out, told in whole numbers, so that only the others are looked at.

A place stands out where the smoothed frame is above its limit: ground and threshold, as they were learned, and what
this frame's ground is brighter by. The first part is known before the frame is; the second changes slowly, and its
least value in a block can stand for it.
"""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

# Side of the blocks, which also carry the ground's slow changes (plume, glare), px.
BLOCK = 16
# Sum of the weights of the binomial 3x3 mean.
WEIGHTS = 16
# Sums of 8-bit frames and their limits fit into 16 bits, as long as the limits stay within this.
_FARTHEST = 20_000
# Below all that sums less limits can come to, in 16 and in 32 bits.
LOWEST_NARROW, LOWEST_WIDE = -(2**15), -(2**31)


class Sieve(NamedTuple):
    """Limits of a clip, for 8-bit and for 16-bit frames, and what its ground is in each block.

    Attributes
    ----------
    narrow, wide
        Sixteen times the working grey value, less the offset, above which a place may stand out, shape (h, w).
    sums
        Sum of the learned ground over each block, shape (rows, cols).
    smoothed
        Learned ground, smoothed as frames are, shape (h, w).
    least, most
        Least and largest of its light in each block.
    slack
        What rounding may be off by, in sixteenths of a grey value.
    """

    narrow: NDArray[np.int16]
    wide: NDArray[np.int32]
    sums: NDArray[np.float64]
    smoothed: NDArray[np.float32]
    least: NDArray[np.float64]
    most: NDArray[np.float64]
    slack: float


def sieve_of(
    background: NDArray[np.float32],
    threshold: NDArray[np.float32],
    black: float,
    offset: float,
    full_scale: float,
) -> Sieve:
    """The sieve of a clip; arguments see `look.SpatterLook`."""
    h, w = background.shape
    ground = background.astype(np.float64)
    weights = np.array((0.25, 0.5, 0.25))
    smoothed = cv2.sepFilter2D(ground, cv2.CV_64F, weights, weights, borderType=cv2.BORDER_REPLICATE)
    limit = np.floor(WEIGHTS * (smoothed + threshold - offset))
    rows, cols = np.arange(0, h, BLOCK), np.arange(0, w, BLOCK)
    return Sieve(
        np.clip(limit, -_FARTHEST, _FARTHEST).astype(np.int16),
        np.clip(limit, -(2**30), 2**30).astype(np.int32),
        np.add.reduceat(np.add.reduceat(ground, rows, axis=0), cols, axis=1),
        smoothed.astype(np.float32),
        # Of the smoothed ground: at a block's rim it takes in pixels beyond, which may be darker or brighter than all
        # inside.
        np.minimum.reduceat(np.minimum.reduceat(smoothed, rows, axis=0), cols, axis=1) - black,
        np.maximum.reduceat(np.maximum.reduceat(smoothed, rows, axis=0), cols, axis=1) - black,
        # Smoothed values are worked out in single precision.
        1.0 + 2e-6 * WEIGHTS * full_scale,
    )


@njit(cache=True, nogil=True)
def block_sums(
    seen: NDArray,  # type: ignore[type-arg]
    background: NDArray,  # type: ignore[type-arg]
    left: NDArray,  # type: ignore[type-arg]
    right: NDArray,  # type: ignore[type-arg]
    i: int,
    total: NDArray,  # type: ignore[type-arg]
    hidden: NDArray,  # type: ignore[type-arg]
    shade: NDArray,  # type: ignore[type-arg]
) -> bool:
    """Sums over the columns of row `i` of blocks; returns whether anything in it is hidden.

    `total` are the grey values in sight; `hidden` counts what is hidden, `shade` sums the
    learned ground there. All three hold whole blocks.
    """
    h, w = seen.shape
    for x in range(total.size):
        total[x] = 0
        hidden[x] = 0
        shade[x] = np.float32(0.0)
    any_hidden = False
    for y in range(i * BLOCK, min(h, (i + 1) * BLOCK)):
        row = seen[y]
        for x in range(w):
            total[x] += row[x]
        a, b = max(0, left[y]), min(right[y] + 1, w)
        if a < b:
            # Slices, so that the compiler sees no index below 0 and works on several pixels at once.
            gone, count, dark = total[a:b], hidden[a:b], shade[a:b]
            light, ground = row[a:b], background[y, a:b]
            for x in range(b - a):
                gone[x] -= light[x]
                count[x] += 1
                dark[x] += ground[x]
            any_hidden = True
    return any_hidden


@njit(cache=True, nogil=True)
def fold(total: NDArray, sums: NDArray) -> None:  # type: ignore[type-arg]
    """Sums over blocks from sums over columns, whose type must hold a whole block's."""
    for j in range(sums.size):
        # A number of places that the compiler knows.
        part = total[j * BLOCK : (j + 1) * BLOCK]
        add = part[0]
        for x in range(1, BLOCK):
            add = total.dtype.type(add + part[x])
        sums[j] = add


@njit(cache=True, nogil=True)
def highest_in_blocks(
    seen: NDArray,  # type: ignore[type-arg]
    limits: NDArray,  # type: ignore[type-arg]
    left: NDArray,  # type: ignore[type-arg]
    right: NDArray,  # type: ignore[type-arg]
    sign: int,
    i: int,
    room: NDArray,  # type: ignore[type-arg]
    lowest: int,
    highest: NDArray,  # type: ignore[type-arg]
) -> None:
    """How far the smoothed frame is above its limit in each block of row `i` at most, where it is in sight.

    In sixteenths of a grey value. Sums are taken in the type of `limits` and `room`, whose three rows hold whole blocks
    and two columns more, so that many fit into a register; `lowest` is the least that they hold.
    """
    h, w = seen.shape
    column, kept, most = room[0], room[1], room[2]
    after, two_after = column[1:], column[2:]
    for x in range(most.size):
        most[x] = lowest
    for y in range(i * BLOCK, min(h, (i + 1) * BLOCK)):
        a, b, c, limit = seen[max(y - 1, 0)], seen[y], seen[min(y + 1, h - 1)], limits[y]
        for x in range(w):
            after[x] = sign * (a[x] + 2 * b[x] + c[x])
        column[0], column[w + 1] = column[1], column[w]
        first, last = max(left[y], 0), min(right[y] + 1, w)
        for x in range(first, last):
            kept[x] = most[x]
        for x in range(w):
            over = room.dtype.type(column[x] + 2 * after[x] + two_after[x] - limit[x])
            most[x] = max(most[x], over)
        for x in range(first, last):
            most[x] = kept[x]
    for j in range(highest.size):
        part = most[j * BLOCK : (j + 1) * BLOCK]
        top = part[0]
        for x in range(1, BLOCK):
            top = max(top, part[x])
        highest[j] = top


@njit(cache=True, nogil=True)
def most_in_sight(smoothed: NDArray, left: NDArray, right: NDArray, i: int, j: int) -> float:  # type: ignore[type-arg]
    """Largest value of the smoothed ground in a block where it is not hidden."""
    h, w = smoothed.shape
    most = -np.inf
    for y in range(i * BLOCK, min(h, (i + 1) * BLOCK)):
        for x in range(j * BLOCK, min(w, (j + 1) * BLOCK)):
            if x < left[y] or x > right[y]:
                most = max(most, smoothed[y, x])
    return float(most)
