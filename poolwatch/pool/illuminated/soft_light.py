"""Soft light that comes and goes over the metal (plume): the smooth part of the difference of two frames.

A running median over some 36 px of means of small squares, so that liquid does not count.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .metal import Box, Field

# Side of a square, px, which `_between` and `_means` are written for; and of the median's window, squares.
_SQUARE, _SIDE = 4, 9
_HALF = _SIDE // 2
# Squares below or at the median of a window.
_BELOW = _SIDE * _SIDE // 2
# The median goes by steps of a quarter of the noise of a pixel, finer than is needed, from -_MIDDLE to _MIDDLE - 1.
_STEP, _MIDDLE = 0.25, 128
Levels = NDArray[np.uint8]


@njit(cache=True, nogil=True)
def add_soft_light(value: Field, read: Field, valid: Box, gain: float, variance: float) -> None:
    """Light a frame as another one is: its grey values times `gain`, and the smooth part of what is then missing.

    Parameters
    ----------
    value
        Grey values of a box in one frame, shape (h, w).
    read
        Those of the other; it begins at the first valid pixel. Changed here.
    valid
        Rows and columns of the box that it covers.
    gain
        The first frame's brightness over the other's.
    variance
        Of the noise of a difference of two pixels, squared grey values.
    """
    if read.size == 0:
        return
    unit = _STEP * math.sqrt(variance)
    levels = _levels(value, read, valid, np.float32(gain), np.float32(1.0 / unit))
    soft = _smoothed(_medians(levels), np.float32(unit))
    _add(read, soft, valid, np.float32(gain))


@njit(cache=True, nogil=True)
def _levels(value: Field, read: Field, valid: Box, gain: np.float32, per_unit: np.float32) -> Levels:
    """Mean difference of each square that is covered, in units about `_MIDDLE`; the outermost `_HALF` times more."""
    r0, r1, c0, c1 = valid
    first, left = r0 // _SQUARE, c0 // _SQUARE
    rows, cols = (r1 - 1) // _SQUARE + 1 - first, (c1 - 1) // _SQUARE + 1 - left
    out = np.empty((rows + 2 * _HALF, cols + 2 * _HALF), dtype=np.uint8)
    sums = np.empty(cols * _SQUARE, dtype=np.float32)
    before = c0 - left * _SQUARE
    inside = sums[before:]
    for k in range(rows):
        for j in range(sums.size):
            sums[j] = np.float32(0.0)
        top, low = max((first + k) * _SQUARE, r0), min((first + k + 1) * _SQUARE, r1)
        for i in range(top, low):
            here, there = value[i, c0:c1], read[i - r0]
            for j in range(there.size):
                inside[j] += here[j] - gain * there[j]
        line = out[k + _HALF, _HALF:]
        for j in range(cols):
            part = sums[j * _SQUARE : (j + 1) * _SQUARE]
            width = min((left + j + 1) * _SQUARE, c1) - max((left + j) * _SQUARE, c0)
            mean = ((part[0] + part[1]) + (part[2] + part[3])) / np.float32((low - top) * width)
            level = mean * per_unit + np.float32(_MIDDLE + 0.5)
            line[j] = np.uint8(min(max(level, np.float32(0.0)), np.float32(255.0)))
    for k in range(_HALF, rows + _HALF):
        line = out[k]
        for j in range(_HALF):
            line[j], line[_HALF + cols + j] = line[_HALF], line[_HALF + cols - 1]
    for k in range(_HALF):
        for j in range(out.shape[1]):
            out[k, j], out[_HALF + rows + k, j] = out[_HALF, j], out[_HALF + rows - 1, j]
    return out


@njit(cache=True, nogil=True)
def _medians(levels: Levels) -> Levels:
    """Running median of `_SIDE` x `_SIDE`, where the window is whole.

    A histogram of the window moves with it, there and back (Huang et al. 1979, doi:10.1109/TASSP.1979.1163188).
    """
    rows, cols = levels.shape[0] - 2 * _HALF, levels.shape[1] - 2 * _HALF
    out = np.empty((rows, cols), dtype=np.uint8)
    counts = np.zeros(256, dtype=np.int64)
    for i in range(_SIDE):
        for j in range(_SIDE):
            counts[levels[i, j]] += 1
    # How many in the window are below `middle`.
    below, middle = 0, np.int64(0)
    i, j, way = 0, 0, 1
    while True:
        while below > _BELOW:
            middle -= 1
            below -= counts[middle]
        while below + counts[middle] <= _BELOW:
            below += counts[middle]
            middle += 1
        out[i, j] = middle
        if 0 <= j + way < cols:
            gone, new = (j, j + _SIDE) if way > 0 else (j + _SIDE - 1, j - 1)
            for k in range(i, i + _SIDE):
                a, b = np.int64(levels[k, gone]), np.int64(levels[k, new])
                counts[a] -= 1
                counts[b] += 1
                below += int(b < middle) - int(a < middle)
            j += way
        elif i + 1 < rows:
            for k in range(j, j + _SIDE):
                a, b = np.int64(levels[i, k]), np.int64(levels[i + _SIDE, k])
                counts[a] -= 1
                counts[b] += 1
                below += int(b < middle) - int(a < middle)
            i += 1
            way = -way
        else:
            return out


@njit(cache=True, nogil=True)
def _smoothed(levels: Levels, unit: np.float32) -> Field:
    """Grey values of levels, smoothed by a binomial of 3 x 3."""
    rows, cols = levels.shape
    out = np.empty((rows, cols), dtype=np.float32)
    column = np.empty(cols, dtype=np.float32)
    part = unit / np.float32(16.0)
    for i in range(rows):
        above, here, under = levels[max(i - 1, 0)], levels[i], levels[min(i + 1, rows - 1)]
        for j in range(cols):
            column[j] = np.float32(above[j]) + np.float32(2.0) * np.float32(here[j]) + np.float32(under[j])
        for j in range(cols):
            a, b = column[max(j - 1, 0)], column[min(j + 1, cols - 1)]
            out[i, j] = part * (a + np.float32(2.0) * column[j] + b - np.float32(16 * _MIDDLE))
    return out


@njit(cache=True, nogil=True)
def _between(place: int, last: int) -> tuple[int, int, np.float32]:
    """The two squares whose middles a pixel lies between, counted from the first, and the share of the second."""
    k, phase = place // _SQUARE, place % _SQUARE
    second = np.float32((phase + 0.5) / _SQUARE - 0.5)
    if second < 0:
        k, second = k - 1, second + np.float32(1.0)
    return max(k, 0), min(k + 1, last), second


@njit(cache=True, nogil=True)
def _add(read: Field, soft: Field, valid: Box, gain: np.float32) -> None:
    """Add the light, straight between the middles of squares."""
    rows, cols = soft.shape
    h, w = read.shape
    wide = np.empty((rows, w), dtype=np.float32)
    for j in range(w):
        a, b, share = _between(j + valid[2] % _SQUARE, cols - 1)
        for k in range(rows):
            wide[k, j] = soft[k, a] + share * (soft[k, b] - soft[k, a])
    for i in range(h):
        a, b, share = _between(i + valid[0] % _SQUARE, rows - 1)
        row, one, two = read[i], wide[a], wide[b]
        for j in range(w):
            row[j] = gain * row[j] + (one[j] + share * (two[j] - one[j]))
