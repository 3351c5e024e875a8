"""The pool at pixel level: brightness statistics of a frame and the coarse contour of its bright region."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from .tracing import largest_contour

Grey = NDArray[np.uint8] | NDArray[np.uint16]
_BINS = 1024
# Pixels of a contour from which looking at all pairs of places takes longer than skipping along it.
_LONG = 1500


@njit(cache=True, nogil=True)
def bright_statistics(
    frame: NDArray[np.generic], full_scale: float, low: float, quantile: float, step: int
) -> tuple[int, float, int]:
    """Count, a quantile and the number at full scale, of the pixels above `low`; every `step`-th row and column.

    The quantile is interpolated within histogram bins, so that it moves smoothly with the gain.
    """
    h, w = frame.shape
    bins = min(_BINS, int(full_scale) + 1)
    scale = bins / (full_scale + 1.0)
    histogram = np.zeros(bins, dtype=np.int64)
    count = 0
    clipped = 0
    top = 0.998 * full_scale
    for i in range(0, h, step):
        for j in range(0, w, step):
            v = frame[i, j]
            if v > low:
                b = int(v * scale)
                histogram[min(b, bins - 1)] += 1
                count += 1
                if v >= top:
                    clipped += 1
    if count == 0:
        return 0, 0.0, 0
    want = quantile * count
    below = 0
    b = 0
    while below + histogram[b] < want:
        below += histogram[b]
        b += 1
    inside = (want - below) / histogram[b]
    return count, (b + inside) / scale, clipped


@njit(cache=True, nogil=True)
def polygon_mean(frame: NDArray[np.generic], x: NDArray[np.float64], y: NDArray[np.float64]) -> float:
    """Mean grey value of the pixels whose centres lie inside a closed polygon; NaN if there are none."""
    h, w = frame.shape
    n = x.size
    first = max(int(np.ceil(y.min())), 0)
    rows = min(int(np.floor(y.max())), h - 1) + 1 - first
    if rows <= 0:
        return np.nan
    # Where the outline crosses each row, in order; more room is made for a ragged outline.
    room = 16
    crossing = np.empty((rows, room))
    used = np.zeros(rows, dtype=np.int64)
    for k in range(n):
        q = k + 1 if k + 1 < n else 0
        low, high = min(y[k], y[q]), max(y[k], y[q])
        slope = (x[q] - x[k]) / (y[q] - y[k]) if high > low else 0.0
        for i in range(max(int(np.ceil(low)), first), min(int(np.ceil(high)), first + rows)):
            r = i - first
            m = used[r]
            if m == room:
                wider = np.empty((rows, 2 * room))
                for a in range(rows):
                    for b in range(room):
                        wider[a, b] = crossing[a, b]
                crossing, room = wider, 2 * room
            v = x[k] + (i - y[k]) * slope
            while m > 0 and crossing[r, m - 1] > v:
                crossing[r, m] = crossing[r, m - 1]
                m -= 1
            crossing[r, m] = v
            used[r] += 1
    total = 0.0
    count = 0
    for r in range(rows):
        row = frame[first + r]
        for k in range(0, used[r] - 1, 2):
            left = max(int(np.ceil(crossing[r, k])), 0)
            right = min(int(np.floor(crossing[r, k + 1])), w - 1) + 1
            part = 0
            for j in range(left, right):
                part += row[j]
            total += part
            count += max(right - left, 0)
    return total / count if count else np.nan


def sixteen(view: Grey) -> NDArray[np.uint16]:
    """The view as contiguous 16-bit values: one kind of array, so that each kernel is compiled once."""
    return np.ascontiguousarray(view, dtype=np.uint16)


def smoothed(frame: Grey) -> Grey:
    """The frame after a 3x3 binomial filter."""
    out: Grey = cv2.GaussianBlur(frame, (3, 3), 0)
    return out


def largest_region(frame: Grey, level: float, neck: int) -> tuple[NDArray[np.float64], float]:
    """Contour of the largest region above a level, without what hangs on a neck narrower than `neck` px.

    Parameters
    ----------
    frame
        Grey values, shape (h, w).
    level
        Grey value that the frame's 3x3 binomial mean must pass.
    neck
        Width of the widest neck that is cut, px; 0: none is.

    Returns
    -------
    tuple
        Contour (m, 2) as x, y px, and its area px²; empty and 0 where nothing lies above the level.
    """
    contour, area = largest_contour(sixteen(frame), float(level), np.nan, np.nan)
    return (cut_necks(contour, float(neck)) if neck > 0 else contour), area


@njit(cache=True, nogil=True)
def touches(contour: NDArray[np.float64], h: int, w: int) -> bool:
    """Whether a contour (m, 2) reaches the border of a picture of `h` by `w` px, or the row or column beside it."""
    for k in range(contour.shape[0]):
        x, y = contour[k, 0], contour[k, 1]
        if x < 1 or y < 1 or x > w - 2 or y > h - 2:
            return True
    return False


@njit(cache=True, nogil=True)
def _may_have_necks(contour: NDArray[np.float64], neck: float) -> bool:
    """Whether two places of a contour are closer than `neck` and far apart along it; most contours have none.

    All pairs at one distance along the contour at once: several in one step of the machine.
    """
    m = contour.shape[0]
    # Round one and a third times, so that no index wraps. Squares of whole numbers of pixels are exact in single
    # precision, and so is the limit for them, rounded up to a whole number.
    furthest = m // 3
    x, y = np.empty(m + furthest, dtype=np.float32), np.empty(m + furthest, dtype=np.float32)
    for i in range(m + furthest):
        j = i if i < m else i - m
        x[i], y[i] = contour[j, 0], contour[j, 1]
    for k in range(6, furthest + 1):
        ahead_x, ahead_y = x[k:], y[k:]
        near = np.float32(math.ceil(min(neck, 0.5 * k) ** 2))
        some = False
        for i in range(m):
            dx, dy = ahead_x[i] - x[i], ahead_y[i] - y[i]
            some |= dx * dx + dy * dy < near
        if some:
            return True
    return False


@njit(cache=True, nogil=True)
def cut_necks(contour: NDArray[np.float64], neck: float) -> NDArray[np.float64]:
    """Cut off what hangs on the region by a neck: a particle that still touches the pool.

    Two places of the contour less than `neck` apart bound a neck if what lies between them is wider than they are
    apart; a pointed tail is not, and stays.

    Parameters
    ----------
    contour
        Closed contour in steps of one pixel, shape (m, 2), px.
    neck
        Width of the widest neck that is cut, px.
    """
    for _ in range(6):
        m = contour.shape[0]
        if m < _LONG and not _may_have_necks(contour, neck):
            break
        best = 0
        first = 0
        for i in range(0, m, 2):
            xi = contour[i, 0]
            yi = contour[i, 1]
            k = 6
            while k <= m // 3:
                j = i + k if i + k < m else i + k - m
                dx = contour[j, 0] - xi
                dy = contour[j, 1] - yi
                d = math.sqrt(dx * dx + dy * dy)
                if d >= neck:
                    # The contour moves at most 1.5 px a step.
                    k += max(int((d - neck) * (1.0 / 1.5)), 1)
                    continue
                if d > 0.5 and k > 2.0 * d and k > best:
                    # Going on from both places at once, the way across opens again behind a neck only.
                    wide = 0.0
                    for t in range(1, k // 2):
                        p = (i + t) % m
                        q = (i + k - t) % m
                        wide = max(
                            wide, math.hypot(contour[p, 0] - contour[q, 0], contour[p, 1] - contour[q, 1])
                        )
                    if wide > 1.3 * d + 1.0:
                        best = k
                        first = i
                k += 1
        if best == 0:
            break
        kept = np.empty((m - best + 1, 2))
        for t in range(m - best + 1):
            p = (first + best + t) % m
            kept[t, 0] = contour[p, 0]
            kept[t, 1] = contour[p, 1]
        contour = kept
    return contour
