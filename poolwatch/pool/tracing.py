"""The contour of the largest bright region of a frame, followed pixel by pixel (borders after Suzuki & Abe 1985)."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Marks in the mask: bright; on a border; on a border, with nothing bright to the right.
_NONE, _BRIGHT, _BORDER, _RIGHT = np.uint64(0), np.uint64(1), np.uint64(2), np.uint64(3)
_BYTE, _EIGHT = np.uint64(255), np.uint64(8)
_ALL_BRIGHT = np.uint64(0x0101010101010101)
# A region that holds the place looked for is preferred if it has this share of the largest one's area.
_HOLDS = 0.25


@njit(cache=True, nogil=True)
def bright_mask(frame: NDArray[np.uint16], level: float) -> NDArray[np.uint8]:
    """1 where the 3x3 binomial mean, rounded, lies above `level`: enough that noise does not fray the contour.

    The mask has one pixel of 0 around it, and on the right as many more as make its width a multiple of eight; beyond
    the border the picture is mirrored at its outermost pixels.
    """
    h, w = frame.shape
    mask = np.zeros((h + 2, (w + 2 + 7) // 8 * 8), dtype=np.uint8)
    # Sums of sixteen 16-bit values are whole numbers in single precision too.
    column = np.empty(w + 2, dtype=np.float32)
    two, limit = np.float32(2.0), np.float32(16.0 * (math.floor(level) + 1.0) - 8.0)
    inner, left, right = column[1 : w + 1], column[:w], column[2:]
    for y in range(h):
        above, here, below = (
            frame[y - 1 if y > 0 else min(1, h - 1)],
            frame[y],
            frame[y + 1 if y < h - 1 else max(h - 2, 0)],
        )
        for x in range(w):
            inner[x] = np.float32(above[x]) + two * np.float32(here[x]) + np.float32(below[x])
        column[0], column[w + 1] = column[min(2, w)], column[max(w - 1, 1)]
        out = mask[y + 1, 1:]
        for x in range(w):
            out[x] = left[x] + two * inner[x] + right[x] >= limit
    return mask


@njit(cache=True, nogil=True)
def _follow(
    mask: NDArray[np.uint8], width: int, start: int, places: NDArray[np.int64]
) -> tuple[NDArray[np.int64], int]:
    """Follow an outer border from its first pixel, marking it; places in the flat mask, with room, and how many."""
    # Steps to the eight neighbours, from the right and on against the clock as seen in the image, twice round.
    steps = (1, 1 - width, -width, -1 - width, -1, width - 1, width, width + 1)
    step = np.empty(16, dtype=np.int64)
    for k in range(8):
        step[k] = step[k + 8] = steps[k]
    s = 4
    while True:
        s = (s - 1) & 7
        if s == 4:
            # A pixel by itself.
            mask[start] = _RIGHT
            places[0] = start
            return places, 1
        last = start + step[s]
        if mask[np.uint64(last)] != 0:
            break
    at, n = start, 0
    while True:
        first = s
        s += 1
        while mask[np.uint64(at + step[s])] == 0:
            s += 1
        after = at + step[s]
        s &= 7
        # Whether the way round from `first` to `s` led past the right.
        if 0 < s <= first:
            mask[np.uint64(at)] = _RIGHT
        elif mask[np.uint64(at)] == _BRIGHT:
            mask[np.uint64(at)] = _BORDER
        if n == places.size:
            wider = np.empty(2 * n, dtype=np.int64)
            for k in range(n):
                wider[k] = places[k]
            places = wider
        places[n] = at
        n += 1
        if after == start and at == last:
            return places, n
        at = after
        s = (s + 4) & 7


@njit(cache=True, nogil=True)
def _unpacked(places: NDArray[np.int64], n: int, width: int) -> NDArray[np.float64]:
    """x and y in the picture of places in the flat mask."""
    out = np.empty((n, 2))
    for i in range(n):
        y = places[i] // width
        out[i, 0], out[i, 1] = places[i] - y * width - 1, y - 1
    return out


@njit(cache=True, nogil=True)
def _area(contour: NDArray[np.float64]) -> float:
    """Area of the polygon through the pixels' centres; exact, for they are whole numbers."""
    total = 0.0
    n = contour.shape[0]
    for i in range(n):
        j = i + 1 if i + 1 < n else 0
        total += contour[i, 0] * contour[j, 1] - contour[j, 0] * contour[i, 1]
    return 0.5 * abs(total)


@njit(cache=True, nogil=True)
def _holds(contour: NDArray[np.float64], px: float, py: float) -> bool:
    """Whether a place lies inside a closed contour."""
    inside = False
    n = contour.shape[0]
    for i in range(n):
        j = i + 1 if i + 1 < n else 0
        xi, yi, xj, yj = contour[i, 0], contour[i, 1], contour[j, 0], contour[j, 1]
        if (yi > py) != (yj > py) and px < xi + (py - yi) * (xj - xi) / (yj - yi):
            inside = not inside
    return inside


@njit(cache=True, nogil=True)
def _next_border(
    words: NDArray[np.uint64], at: int, before: np.uint64, mark: np.uint64
) -> tuple[int, np.uint64, np.uint64]:
    """First pixel of the next outer border at a place or behind it, -1 where there is none.

    `before` is the value of the pixel before the place, `mark` the last mark before it; returned as they are at the
    pixel found.
    """
    b = at % 8
    for i in range(at // 8, words.size):
        word = words[i]
        if b == 0 and ((word == 0 and before == _NONE) or (word == _ALL_BRIGHT and before != _NONE)):
            continue
        word >>= np.uint64(8 * b)
        while b < 8:
            value = word & _BYTE
            # Inside a border only the border of a hole can begin.
            if value == _BRIGHT and before == _NONE and mark != _BORDER:
                return 8 * i + b, before, mark
            if value > _BRIGHT:
                mark = value
            before = value
            word >>= _EIGHT
            b += 1
        b = 0
    return -1, before, mark


@njit(cache=True, nogil=True)
def largest_contour(
    frame: NDArray[np.uint16], level: float, px: float, py: float
) -> tuple[NDArray[np.float64], float]:
    """Outer contour of the largest region above a level; one that holds the place (px, py) is preferred.

    Parameters
    ----------
    frame
        Grey values, shape (h, w).
    level
        Grey value that the smoothed picture must pass.
    px, py
        A place, px; NaN: none.

    Returns
    -------
    tuple
        Contour (m, 2) as x, y px in steps of one pixel, and the area of the polygon, px²; empty and 0 where nothing
        lies above the level.
    """
    mask = bright_mask(frame, level)
    width = mask.shape[1]
    flat = mask.reshape(mask.size)
    # Eight pixels at a time, the first of them in the lowest byte.
    words = flat.view(np.uint64)
    places = np.empty(1024, dtype=np.int64)
    best, best_area = np.empty((0, 2)), -1.0
    held, held_area = np.empty((0, 2)), -1.0
    at, before, mark = 0, _NONE, _NONE
    # No array is set in the loop over words: counting who holds it would take longer than all else.
    while True:
        at, before, mark = _next_border(words, at, before, mark)
        if at < 0:
            break
        places, n = _follow(flat, width, at, places)
        contour = _unpacked(places, n, width)
        area = _area(contour)
        if area > best_area:
            best, best_area = contour, area
        if px == px and area > held_area and _holds(contour, px, py):
            held, held_area = contour, area
    if held_area > _HOLDS * best_area:
        return held, held_area
    return best, max(best_area, 0.0)
