"""One frame against others, pixel by pixel: what each leaves unexplained, and the best of them kept in order.

All other frames are gone through in one kernel.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .evidence import SOFT
from .metal import Box, Field, Registration, read_at, register
from .soft_light import add_soft_light

# Side of the square over which a comparison is judged, px: a pixel and two to either side, written out in `_rank`.
WINDOW = 5
_SIDE = WINDOW // 2
# Most comparisons that are kept of a pixel, written out in `_rank`.
KEPT = 2
# Share of the compared pixels that must agree, and range of gain, for a frame to be compared at all.
_LEAST_AGREEMENT = 0.3
_LEAST_GAIN, _MOST_GAIN = 0.4, 2.5

# `metal.Registration` from a frame to a later one.
PAIR = np.dtype([(name, np.float64) for name in Registration._fields])
# By the earlier frame and how much later the other is, shape (n, span + 1), of `PAIR`; NaN where nobody has looked.
Pairs = NDArray[np.void]
# Of each pixel the best unexplained shares of its surroundings, best first, and those of the pixel alone in the same
# comparisons, shape (KEPT, rows, columns and `_SIDE` twice); and room to work in.
Comparisons = tuple[NDArray[np.float32], NDArray[np.float32], Field, Field]


def no_pairs(frames: int, span: int) -> Pairs:
    """Nothing known of any two of so many frames, at most `span` apart."""
    return np.full((frames, span + 1), np.array((np.nan,) * len(Registration._fields), dtype=PAIR))


class Rigid(NamedTuple):
    """Frames of one clip whose metal moves as one, and what registering them takes.

    Attributes
    ----------
    frames
        Grey values, shape (n, h, w).
    box
        Rows and columns looked at.
    solid
        1 where metal is expected solid, shape of the box.
    metal_px
        Motion of the metal, px a frame.
    noise
        Variance of the difference of two frames at brightness 0, and its increase per grey value.
    step
        Every so many rows and columns take part.
    pairs
        What is known of pairs of frames already.
    """

    frames: NDArray[np.generic]
    box: Box
    solid: NDArray[np.uint8]
    metal_px: tuple[float, float]
    noise: tuple[float, float]
    step: int
    pairs: Pairs


# Divisions that are never by 0 need not be watched: loops then work on several pixels at a time.
@njit(cache=True, nogil=True, error_model="numpy")
def prepared(here: NDArray[np.generic], box: Box, floor: float, slope: float) -> tuple[Field, Field]:
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


@njit(cache=True, nogil=True)
def motion_between(rigid: Rigid, index: int, other: int) -> tuple[float, float, float, bool]:
    """Motion of the metal from a frame to another, gain of the first over the second, and whether the two compare.

    They are registered from the earlier to the later one, whichever is asked for, and once only: see `Pairs`.
    """
    first, second = min(index, other), max(index, other)
    k = second - first
    pair = rigid.pairs[first, k]
    if np.isnan(pair.agreement):
        x, y = rigid.metal_px
        one, two = rigid.frames[first], rigid.frames[second]
        found = register(one, two, rigid.box, rigid.solid, (k * x, k * y), rigid.noise, rigid.step)
        pair.dx, pair.dy, pair.gain, pair.agreement = found.dx, found.dy, found.gain, found.agreement
    dx, dy, gain = pair.dx, pair.dy, pair.gain
    if other < index:
        dx, dy, gain = -dx, -dy, 1.0 / max(gain, 1e-9)
    return dx, dy, gain, pair.agreement >= _LEAST_AGREEMENT and _LEAST_GAIN < gain < _MOST_GAIN


@njit(cache=True, nogil=True)
def nothing_compared(h: int, w: int) -> Comparisons:
    """Comparisons of a box of so many rows and columns before the first one."""
    best = np.full((KEPT, h, w + 2 * _SIDE), np.float32(2.0))
    alone = np.zeros((KEPT, h, w + 2 * _SIDE), dtype=np.float32)
    share = np.empty((h + 2 * _SIDE, w + 2 * _SIDE), dtype=np.float32)
    return best, alone, share, np.empty((2, w + 2 * _SIDE), dtype=np.float32)


@njit(cache=True, nogil=True)
def judge(
    value: Field, weight: Field, read: Field, valid: Box, gain: float, comparisons: Comparisons
) -> None:
    """Compare with one frame and put the comparison in its place among the best of each pixel.

    Parameters
    ----------
    value, weight
        See `prepared`.
    read
        The other frame, read where its metal now is; it begins at the first valid pixel.
    valid
        Rows and columns of the box that it covers; what it does not leaves a share of 2.
    gain
        The frame's brightness over the other's.
    comparisons
        See `nothing_compared`; changed here.
    """
    best, alone, share, room = comparisons
    _compare(value, weight, read, valid, gain, share)
    _rank(share, room, best, alone)


@njit(cache=True, nogil=True, error_model="numpy")
def _compare(value: Field, weight: Field, read: Field, valid: Box, gain: float, share: Field) -> None:
    """Unexplained share of each pixel, the border repeated twice on each side; 2 where nothing is known."""
    h, w = value.shape
    g = np.float32(gain)
    soft = np.float32(SOFT)
    # Loops, here and below: Numba takes seconds to compile the setting of a whole row.
    top, bottom, left, right = valid
    if top > 0 or bottom < h or left > 0 or right < w:
        for i in range(h + 2 * _SIDE):
            for j in range(w + 2 * _SIDE):
                share[i, j] = np.float32(2.0)
    for i in range(bottom - top):
        here = value[top + i, left:right]
        noise = weight[top + i, left:right]
        out = share[top + i + _SIDE, left + _SIDE : right + _SIDE]
        there = read[i]
        for j in range(here.size):
            d = (here[j] - g * there[j]) * noise[j]
            e = d * d
            out[j] = e / (e + soft)
    for i in range(_SIDE, h + _SIDE):
        row = share[i]
        for j in range(_SIDE):
            row[j], row[w + _SIDE + j] = row[_SIDE], row[w + _SIDE - 1]
    for i in range(_SIDE):
        for j in range(w + 2 * _SIDE):
            share[i, j], share[h + _SIDE + i, j] = share[_SIDE, j], share[h + _SIDE - 1, j]


@njit(cache=True, nogil=True)
def _rank(share: Field, room: Field, best: NDArray[np.float32], alone: NDArray[np.float32]) -> None:
    """Mean of the shares in the square around each pixel, put among the best two; see `nothing_compared`."""
    part = np.float32(1.0 / (WINDOW * WINDOW))
    for i in range(best.shape[1]):
        a, b, own, d, e = share[i], share[i + 1], share[i + 2], share[i + 3], share[i + 4]
        column, window = room[0], room[1]
        for t in range(column.size):
            column[t] = (a[t] + b[t]) + own[t] + (d[t] + e[t])
        c1, c2, c3, c4 = column[1:], column[2:], column[3:], column[4:]
        for t in range(c4.size):
            window[t] = part * ((column[t] + c1[t]) + c2[t] + (c3[t] + c4[t]))
        single = own[_SIDE:]
        first, second, first_alone, second_alone = best[0, i], best[1, i], alone[0, i], alone[1, i]
        for t in range(c4.size):
            # Each choice by itself, so that the compiler works on several pixels at once.
            new, new_alone = window[t], single[t]
            f, f_alone, s, s_alone = first[t], first_alone[t], second[t], second_alone[t]
            second_alone[t] = f_alone if new < f else (new_alone if new < s else s_alone)
            first_alone[t] = new_alone if new < f else f_alone
            second[t] = f if new < f else (new if new < s else s)
            first[t] = new if new < f else f


@njit(cache=True, nogil=True)
def agreed(comparisons: Comparisons, agreeing: int) -> tuple[Field, Field]:
    """Unexplained shares of surroundings and of pixels in the worst of so many comparisons as must agree."""
    best, alone = comparisons[0][agreeing - 1], comparisons[1][agreeing - 1]
    h, w = best.shape
    w -= 2 * _SIDE
    window = np.empty((h, w), dtype=np.float32)
    single = np.empty((h, w), dtype=np.float32)
    for i in range(h):
        one, two = best[i], alone[i]
        for j in range(w):
            window[i, j] = one[j]
            # A pixel of which nothing is known alone speaks for nothing but metal.
            single[i, j] = two[j] if two[j] <= np.float32(1.0) else np.float32(0.0)
    return window, single


@njit(cache=True, nogil=True)
def compare_all(
    rigid: Rigid, index: int, others: NDArray[np.int64], veil: bool, agreeing: int
) -> tuple[Field, Field, int]:
    """Unexplained shares of each pixel's surroundings and of the pixel alone, and how many frames could be compared.

    Of so many comparisons as must agree the worst counts. Other parameters as in `residual.unexplained`.
    """
    floor, slope = rigid.noise
    value, weight = prepared(rigid.frames[index], rigid.box, floor, slope)
    h, w = value.shape
    comparisons = nothing_compared(h, w)
    variance = floor + slope * value.mean()
    used = 0
    for other in others:
        dx, dy, gain, alike = motion_between(rigid, index, other)
        if alike:
            read, valid = read_at(rigid.frames[other], rigid.box, dx, dy)
            if veil:
                add_soft_light(value, read, valid, gain, variance)
                gain = 1.0
            judge(value, weight, read, valid, gain, comparisons)
            used += 1
    window, alone = agreed(comparisons, agreeing)
    return window, alone, used
