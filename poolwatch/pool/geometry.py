"""Extents, area and centroid of a closed outline of sub-pixel vertices."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Depth of the cap over which an extreme place is fitted, as a share of half the extent.
_CAP = 0.05
_CAP_POINTS = 7


@njit(cache=True, nogil=True)
def signed_area(x: NDArray[np.float64], y: NDArray[np.float64]) -> float:
    """Area of a closed polygon; positive when it runs clockwise as seen in the image (y down)."""
    total = 0.0
    n = x.size
    for i in range(n):
        j = i + 1 if i + 1 < n else 0
        total += x[i] * y[j] - x[j] * y[i]
    return 0.5 * total


@njit(cache=True, nogil=True)
def area_centroid(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float, float]:
    """Area, and centroid of the area, of a closed polygon."""
    n = x.size
    area = 0.0
    cx = 0.0
    cy = 0.0
    x0 = x[0]
    y0 = y[0]
    for i in range(n):
        j = i + 1 if i + 1 < n else 0
        xi = x[i] - x0
        yi = y[i] - y0
        xj = x[j] - x0
        yj = y[j] - y0
        cross = xi * yj - xj * yi
        area += cross
        cx += (xi + xj) * cross
        cy += (yi + yj) * cross
    if area == 0.0:
        return 0.0, x0, y0
    return abs(0.5 * area), x0 + cx / (3.0 * area), y0 + cy / (3.0 * area)


@njit(cache=True, nogil=True)
def support(p: NDArray[np.float64], q: NDArray[np.float64], half: float) -> float:
    """Furthest reach of a smooth closed curve along one direction.

    The largest of many noisy vertices reaches too far, so a parabola in the crosswise coordinate is fitted
    to the cap of vertices near the extreme, and its value at its top, or at the cap's end, is the reach.

    Parameters
    ----------
    p, q
        Vertices along the direction and across it, px.
    half
        Half of the extent along the direction, px: sets the depth of the cap.

    Returns
    -------
    float
        Reach along the direction, px.
    """
    n = p.size
    top = 0
    for i in range(n):
        if p[i] > p[top]:
            top = i
    depth = max(_CAP * half, 0.3)
    left = 0
    right = 0
    while left + right + 1 < n // 3 and (
        p[(top - left - 1) % n] > p[top] - depth
        or p[(top + right + 1) % n] > p[top] - depth
        or left + right + 1 < _CAP_POINTS
    ):
        before = p[(top - left - 1) % n]
        after = p[(top + right + 1) % n]
        if before >= after:
            left += 1
        else:
            right += 1
    count = left + right + 1
    s0 = q[top]
    a = np.zeros((3, 4))
    low = 0.0
    high = 0.0
    for k in range(-left, right + 1):
        i = (top + k) % n
        s = q[i] - s0
        low = min(low, s)
        high = max(high, s)
        v = p[i] - p[top]
        s2 = s * s
        a[0, 0] += 1.0
        a[0, 1] += s
        a[0, 2] += s2
        a[1, 2] += s2 * s
        a[2, 2] += s2 * s2
        a[0, 3] += v
        a[1, 3] += s * v
        a[2, 3] += s2 * v
    a[1, 0] = a[0, 1]
    a[1, 1] = a[0, 2]
    a[2, 0] = a[0, 2]
    a[2, 1] = a[1, 2]
    if count < 5 or high - low < 1e-6:
        return float(p[top])
    for col in range(3):
        pivot = col
        for row in range(col + 1, 3):
            if abs(a[row, col]) > abs(a[pivot, col]):
                pivot = row
        if abs(a[pivot, col]) < 1e-12:
            return float(p[top])
        if pivot != col:
            for c in range(4):
                swap = a[col, c]
                a[col, c] = a[pivot, c]
                a[pivot, c] = swap
        for row in range(3):
            if row != col:
                f = a[row, col] / a[col, col]
                for c in range(col, 4):
                    a[row, c] -= f * a[col, c]
    c0 = a[0, 3] / a[0, 0]
    c1 = a[1, 3] / a[1, 1]
    c2 = a[2, 3] / a[2, 2]
    if c2 >= 0.0:
        return float(p[top])
    s = -c1 / (2.0 * c2)
    s = min(max(s, low), high)
    return float(p[top] + c0 + c1 * s + c2 * s * s)


@njit(cache=True, nogil=True)
def extents(
    x: NDArray[np.float64], y: NDArray[np.float64], ux: float, uy: float, vx: float, vy: float
) -> tuple[float, float, float, float]:
    """Reach of the outline forward, back, left and right.

    Parameters
    ----------
    x, y
        Vertices in the image, px.
    ux, uy, vx, vy
        What makes of image x and y the coordinate along travel, and the one to its left: unit vectors (y down) where
        the camera looks squarely at the weld.

    Returns
    -------
    tuple of float
        Greatest and least coordinate along travel, greatest and least coordinate to the left of travel,
        all from the image's origin, px.
    """
    p = x * ux + y * uy
    q = x * vx + y * vy
    half_p = 0.5 * (p.max() - p.min())
    half_q = 0.5 * (q.max() - q.min())
    return (
        support(p, q, half_p),
        -support(-p, q, half_p),
        support(q, p, half_q),
        -support(-q, p, half_q),
    )
